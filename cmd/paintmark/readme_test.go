//go:build linux || darwin

package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// block is a fenced block of README.md.
type block struct{ language, text string }

func readmeBlocks(t *testing.T) []block {
	text, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	require.NoError(t, err)
	var list []block
	parts := strings.Split("\n"+string(text), "\n```")
	for i := 1; i < len(parts); i += 2 {
		language, body, _ := strings.Cut(parts[i], "\n")
		list = append(list, block{language, body + "\n"})
	}
	return list
}

// Every command in README.md is run as it stands, in its order, from the
// repository's folder, and every output shown there is what came out.
func TestReadme(t *testing.T) {
	dir := t.TempDir()
	work := filepath.Join(dir, "work")
	require.NoError(t, os.CopyFS(filepath.Join(work, "testdata"), os.DirFS(filepath.Join("..", "..", "testdata"))))
	require.NoError(t, os.CopyFS(filepath.Join(dir, "shelf", "profiles"), os.DirFS(filepath.Join("..", "..", "testdata", "profiles"))))
	faults, err := os.ReadFile(filepath.Join("testdata", "script", "plan-check.txtar"))
	require.NoError(t, err)
	_, plan, _ := strings.Cut(string(faults), "-- faults.toml --\n")
	plan, _, _ = strings.Cut(plan, "-- faults.txt --")
	require.NoError(t, os.WriteFile(filepath.Join(work, "faults.toml"), []byte(plan), 0o644))

	output := ""
	start := func(words string) {
		c := exec.CommandContext(t.Context(), "bash", "-c", words)
		c.Dir = work
		c.Env = append(os.Environ(), "PAINTMARK_SHELF="+filepath.Join(dir, "shelf"), "PAINTMARK_STATION=bench-1")
		c.Stdin = strings.NewReader("quit\n")
		var out bytes.Buffer
		c.Stdout, c.Stderr = &out, &out
		err := c.Run()
		// Findings, or 4: here no instrument is attached.
		if code := c.ProcessState.ExitCode(); code != 3 && code != 4 {
			require.NoError(t, err, "%s: %s", words, out.String())
		}
		output += out.String()
	}
	ran, checked := 0, 0
	for _, b := range readmeBlocks(t) {
		switch b.language {
		case "toml":
			require.NoError(t, os.WriteFile(filepath.Join(dir, "shelf", "instruments.toml"), []byte(b.text), 0o644))
		case "sh":
			for line := range strings.Lines(b.text) {
				line = strings.TrimSpace(line)
				if strings.HasPrefix(line, "paintmark ") {
					start(line)
					ran++
				} else {
					require.Contains(t, []string{"go run ./cmd/paintmark demo", "go test ./..."}, line)
				}
			}
		case "":
			if strings.Contains(b.text, "faults.toml") {
				start("paintmark plan check faults.toml || test $? = 2")
			}
			if strings.Contains(b.text, "re-check not done") {
				start("paintmark demo --lines --pace 1ms --into ../demo && paintmark recheck exercise-1 --shelf ../demo")
			}
			require.Contains(t, output, b.text)
			checked++
		}
	}
	require.GreaterOrEqual(t, ran, 10)
	require.GreaterOrEqual(t, checked, 3)
}
