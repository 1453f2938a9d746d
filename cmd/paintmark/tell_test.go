//go:build linux || darwin

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/device/simulated"
	"paintmark/log/book"
)

var begunProfile = filepath.Join("..", "..", "testdata", "profiles", "wrench-begun.toml")

// begun is a streaming wrench on a port; it tells what it hears.
func begun(t *testing.T, port *simulated.Port) (wrench *simulated.Begun, heard <-chan string) {
	t.Helper()
	commands := make(chan string, 1000)
	wrench = simulated.NewBegun(port, 100*time.Millisecond, func(command string) { commands <- command })
	served := make(chan error, 1)
	go func() { served <- wrench.Serve() }()
	t.Cleanup(func() {
		require.NoError(t, port.Close())
		require.NoError(t, <-served)
	})
	return wrench, commands
}

// The real program tells a real instrument, and shows that it worked; what it
// began, it ends.
func TestTellOverATerminal(t *testing.T) {
	port, err := simulated.NewPort(filepath.Join(t.TempDir(), "wrench"))
	require.NoError(t, err)
	wrench, heard := begun(t, port)
	wrench.Set(decimal.RequireFromString("0.4"))
	at := []string{"tell", "--at", "serial:" + port.Path(), "--profile", begunProfile}
	out := run(t, t.TempDir(), append(at, "zero")...)
	require.Equal(t, `sent 5A 45 52 4F 0D "ZERO\r" to serial:`+port.Path()+"\nit shows 0.00 N·m\n", out)
	for _, want := range []string{"U1", "GO", "ZERO", "STOP"} {
		select {
		case command := <-heard:
			require.Equal(t, want, command)
		case <-time.After(20 * time.Second):
			require.FailNow(t, "never heard", want)
		}
	}
	var told toldAnswer
	require.NoError(t, json.Unmarshal([]byte(run(t, t.TempDir(), append(at, "unit", "Nm", "--json")...)), &told))
	require.Equal(t, "unit Nm", told.Told)
	require.Equal(t, []byte("U1\r"), told.Sent)
	require.Equal(t, "0.00", told.Value.Value)

	// One that says nothing afterwards is not taken for one that did it.
	wrench.Switch(false)
	out = run(t, t.TempDir(), append(at, "zero", "--for", "600ms")...)
	require.Contains(t, out, "no value came within 600ms: look at its display\n")
}

// At the stand a key does it, and the book says so; a wrench that is switched off
// is told with its age, and the work goes on.
func TestZeroAndSilenceAtTheStand(t *testing.T) {
	dir, path, port := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	wrench, _ := begun(t, port)
	profile, err := filepath.Abs(begunProfile)
	require.NoError(t, err)
	list := fmt.Sprintf("[[instrument]]\nname = \"wrench-b\"\naddress = \"serial:%s\"\nprofile = '%s'\nmeasures = \"torque\"\n", port.Path(), profile)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "instruments.toml"), []byte(list), 0o600))
	c := command(t, dir, "record", "b1")
	s := startAtTerminal(t, c)
	s.expect(t, "z zero")
	s.press(t, "z")
	s.expect(t, "set which instrument to zero?")
	s.press(t, "\r")
	s.expect(t, "zeroed")
	s.expect(t, "not counted 0.00")
	wrench.Switch(false)
	s.expect(t, "quiet     wrench-b")
	s.expect(t, "QUIET   wrench-b: the last value came 3 s ago")
	wrench.Switch(true)
	s.expect(t, "talking")
	s.press(t, "q")
	_ = c.Wait()
	require.Contains(t, []int{0, 3}, c.ProcessState.ExitCode())
	b, err := book.Open(path, book.Options{})
	require.NoError(t, err)
	entries, err := b.Entries(context.Background())
	require.NoError(t, err)
	var notes []fact.Note
	for _, e := range entries {
		if n, ok := e.Body.(fact.Note); ok && n.What == fact.InstrumentTold {
			notes = append(notes, n)
		}
	}
	require.Len(t, notes, 1)
	require.Equal(t, "ZERO\r", string(notes[0].Raw))
}
