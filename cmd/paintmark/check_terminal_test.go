//go:build linux || darwin

package main

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/device/simulated"
)

// At a terminal a check shows how it goes, over an unplugged cable too, and when
// it is interrupted what it has found until then.
func TestCheckAtATerminal(t *testing.T) {
	dir := t.TempDir()
	port, err := simulated.NewPort(filepath.Join(dir, "ports", "wrench"))
	require.NoError(t, err)
	t.Cleanup(func() { _ = port.Close() })
	send := func(text string) {
		_, err := io.WriteString(port, text)
		require.NoError(t, err)
	}
	c := command(t, dir, "check", "--at", "serial:"+port.Path(), "--for", "1h",
		"--profile", filepath.Join("..", "..", "testdata", "profiles", "wrench-line.toml"))
	s := startAtTerminal(t, c)
	s.expect(t, "0 understood, 0 not  nothing came yet")
	send("+0088.4 Nm OK\r\n+00#9.1 Nm OK\r\n")
	s.expect(t, "1 understood, 1 not  last 88.4 N·m")
	require.NoError(t, port.Unplug())
	s.expect(t, "it is not there")
	require.NoError(t, port.Plug())
	s.expect(t, "1 understood, 1 not  last 88.4 N·m")
	send("+0090.1 Nm LB\r\n")
	s.expect(t, "2 understood, 1 not  last 90.1 N·m")
	require.NoError(t, c.Process.Signal(os.Interrupt))
	s.expect(t, "88.4 to 90.1 N·m")
	s.expect(t, "understood: 2 of 3 frames, each at a pull or a press of its button; lost 1 time, and found again")
	s.expect(t, "paintmark: interrupted")
	require.Error(t, c.Wait())
	require.Equal(t, 130, c.ProcessState.ExitCode())
}
