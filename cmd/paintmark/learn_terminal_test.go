//go:build linux || darwin

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/term"

	"paintmark/calc/quantity"
	"paintmark/device/profile"
	"paintmark/device/simulated"
)

// newPort plugs a simulated port in.
func newLearnPort(t *testing.T) (dir string, port *simulated.Port) {
	t.Helper()
	dir = t.TempDir()
	port, err := simulated.NewPort(filepath.Join(dir, "ports", "wrench"))
	if err != nil {
		t.Skip("no pseudo-terminals here:", err)
	}
	t.Cleanup(func() { _ = port.Close() })
	return dir, port
}

// startLearn starts the program and gives what it asks, line by line, and where
// the answers go.
func startLearn(t *testing.T, dir string, args ...string) (said *bufio.Scanner, answers io.WriteCloser, wait func() (int, string)) {
	t.Helper()
	c := command(t, dir, append([]string{"learn"}, args...)...)
	var out strings.Builder
	c.Stdout = &out
	errs, err := c.StderrPipe()
	require.NoError(t, err)
	answers, err = c.StdinPipe()
	require.NoError(t, err)
	require.NoError(t, c.Start())
	return bufio.NewScanner(errs), answers, func() (int, string) {
		_ = c.Wait()
		return c.ProcessState.ExitCode(), out.String()
	}
}

func expectLine(t *testing.T, said *bufio.Scanner, want string) {
	t.Helper()
	var before []string
	for said.Scan() {
		if strings.Contains(said.Text(), want) {
			return
		}
		before = append(before, said.Text())
	}
	require.Fail(t, "not said: "+want, strings.Join(before, "\n"))
}

// The real program learns a simulated wrench over a real terminal: pulls, a
// mistyped answer, a pull of which nothing is told, and one that was not sent.
func TestLearnOverATerminal(t *testing.T) {
	t.Parallel()
	dir, port := newLearnPort(t)
	file := filepath.Join(dir, "wrench.toml")
	wrench, err := simulated.NewWrench(port, simulated.WrenchOptions{Chunks: true})
	require.NoError(t, err)
	said, answers, wait := startLearn(t, dir, "serial:"+port.Path(), "--out", file)
	type pull struct{ torque, typed, said string }
	for _, p := range []pull{
		{"88.4 N·m", "88.4 Nm", "heard 15 bytes"},
		{"", "12.5", "nothing was heard"},
		{"120.3 N·m", "much\n120.3 Nm", `"much" is no value`},
		{"45.0 N·m", "", "heard 15 bytes"},
		{"-31.7 N·m", "-31,7", "heard 15 bytes"},
		{"9.8 N·m", "9.8 Nm", "heard 15 bytes"},
		{"64.9 N·m", "64.9 Nm", "heard 15 bytes"},
	} {
		expectLine(t, said, "of 5")
		if p.torque != "" {
			_, err := wrench.Pull(quantity.MustParse(p.torque))
			require.NoError(t, err)
		}
		_, err = fmt.Fprintln(answers, p.typed)
		require.NoError(t, err)
		expectLine(t, said, p.said)
	}
	code, out := wait()
	require.Zero(t, code, out)
	require.Contains(t, out, "check --at serial:"+port.Path()+" --profile "+file)
	require.Regexp(t, `(?m)^number +certain +with a decimal point`, out)
	require.Regexp(t, `(?m)^-31,7 +-31\.7 N·m$`, out)

	// What it wrote reads what was not shown, and no line that lost its beginning.
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	p, err := profile.Parse(file, text)
	require.NoError(t, err)
	read := func(line string) string {
		s, err := p.Decode(profile.Frame{Raw: []byte(line + "\r\n"), Body: []byte(line)})
		if err != nil {
			return err.Error()
		}
		return s.Value.String()
	}
	require.Equal(t, "1204.5 N·m", read("+1204.5 Nm OK"))
	require.Contains(t, read("204.5 Nm OK"), "does not match")
	require.Contains(t, read("+0204.5 Nm OL"), "does not match")
}

// An instrument that is asked is sent what the user gave, once for each value and
// once before, and nothing else; one that is not is sent nothing.
func TestLearnSendsOnlyWhatItIsTold(t *testing.T) {
	t.Parallel()
	for _, asked := range []bool{true, false} {
		dir := t.TempDir()
		master, slave, err := pty.Open()
		if err != nil {
			t.Skip("no pseudo-terminals here:", err)
		}
		_, err = term.MakeRaw(int(slave.Fd()))
		require.NoError(t, err)
		values := []string{"12.345", "0.127", "-3.216", "7.004", "1.990"}
		sent := make(chan string, 1)
		go func() { // answers requests
			var all []byte
			buffer := make([]byte, 64)
			for n := 0; ; {
				got, err := master.Read(buffer)
				if err != nil {
					sent <- string(all)
					return
				}
				all = append(all, buffer[:got]...)
				for ; n < strings.Count(string(all), "\r"); n++ {
					_, _ = fmt.Fprintf(master, "%9s mm\r", values[max(0, n-1)%len(values)])
				}
			}
		}()
		args := []string{"serial:" + slave.Name(), "--out", filepath.Join(dir, "a.toml")}
		if asked {
			args = append(args, "--ask", `"?" 0D`)
		}
		said, answers, wait := startLearn(t, dir, args...)
		for _, v := range values {
			expectLine(t, said, "of 5")
			if !asked {
				_, err := fmt.Fprintf(master, "%9s mm\r", v)
				require.NoError(t, err)
			}
			_, err := fmt.Fprintln(answers, v+" mm")
			require.NoError(t, err)
			expectLine(t, said, "heard 13 bytes")
		}
		code, out := wait()
		require.Zero(t, code, out)
		require.NoError(t, errors.Join(slave.Close(), master.Close()))
		text, err := os.ReadFile(filepath.Join(dir, "a.toml"))
		require.NoError(t, err)
		if asked {
			require.Equal(t, strings.Repeat("?\r", 6), <-sent)
			require.Contains(t, string(text), `request = '"?" 0D'`)
		} else {
			require.Empty(t, <-sent)
			require.NotContains(t, string(text), "[talk]")
		}
	}
}
