package main

import (
	"errors"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
)

// The scripts in testdata/script run the program itself: this test binary is
// "paintmark" when it is called by that name.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"paintmark": main})
}

func TestScripts(t *testing.T) {
	examples, err := filepath.Abs(filepath.Join("..", "..", "testdata"))
	require.NoError(t, err)
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		RequireExplicitExec: true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("EXAMPLES", examples) // the plans and profiles that ship
			env.Setenv("PAINTMARK_SHELF", filepath.Join(env.WorkDir, "shelf"))
			env.Setenv("PAINTMARK_STATION", "bench-1")
			env.Setenv("TZ", "UTC")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits},
	})
}

// exits is the script command "exits CODE PROGRAM ARG…", which pins the exit
// code that "! exec" leaves open.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARG...")
	}
	code := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok {
			ts.Fatalf("%v", err)
		}
		code = exit.ExitCode()
	}
	if strconv.Itoa(code) != args[0] {
		ts.Fatalf("exit code %d, not %s", code, args[0])
	}
}

// Every command has a summary, help for its arguments and flags, and examples
// that it would run.
func TestCommandsAreDeclaredWell(t *testing.T) {
	require.NoError(t, program().Check())
}

// BenchmarkHelp compares the program's start for --help with that of a program
// that does nothing, both built here.
func BenchmarkHelp(b *testing.B) {
	dir := b.TempDir()
	build := func(name, what string) string {
		path := filepath.Join(dir, name)
		if runtime.GOOS == "windows" {
			path += ".exe"
		}
		out, err := exec.CommandContext(b.Context(), "go", "build", "-o", path, what).CombinedOutput()
		require.NoError(b, err, string(out))
		return path
	}
	program, nothing := build("paintmark", "."), build("nothing", filepath.Join("testdata", "nothing.go"))
	start := func(path string, args ...string) time.Duration {
		began := time.Now()
		require.NoError(b, exec.CommandContext(b.Context(), path, args...).Run())
		return time.Since(began)
	}
	start(program, "--help") // both are in memory from here on
	start(nothing)
	var help, idle time.Duration
	for b.Loop() {
		help += start(program, "--help")
		idle += start(nothing)
	}
	b.ReportMetric(float64(help)/float64(idle), "ratio-to-nothing")
	b.ReportMetric(float64(help.Milliseconds())/float64(b.N), "help-ms/op")
}
