package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"paintmark/device/ble/bletest"
)

// The scripts in testdata/nearby have a system bus of their own with an invented
// instrument in reach. "instrument off" switches it off, "service stop" ends the
// Bluetooth service.
func TestNearbyScripts(t *testing.T) {
	type key struct{}
	bus := func(ts *testscript.TestScript) *bletest.Bus { return ts.Value(key{}).(*bletest.Bus) }
	examples, err := filepath.Abs(filepath.Join("..", "..", "testdata"))
	require.NoError(t, err)
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "nearby"),
		RequireExplicitExec: true,
		Setup: func(env *testscript.Env) error {
			b, err := bletest.New()
			if err != nil {
				return err
			}
			env.Values[key{}] = b
			env.Defer(func() {
				if err := b.Close(); err != nil {
					env.T().Log(err)
				}
			})
			env.Setenv("DBUS_SYSTEM_BUS_ADDRESS", b.Address())
			env.Setenv("EXAMPLES", examples)
			env.Setenv("PAINTMARK_SHELF", filepath.Join(env.WorkDir, "shelf"))
			env.Setenv("PAINTMARK_STATION", "bench-1")
			env.Setenv("TZ", "UTC")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits,
			"instrument": func(ts *testscript.TestScript, _ bool, args []string) {
				b := bus(ts)
				switch {
				case len(args) == 1 && args[0] == "off":
					ts.Check(b.Unplug())
				case len(args) == 1 && args[0] == "is-disconnected":
					b.Change(func() {
						if b.Connected() {
							ts.Fatalf("it is connected")
						}
					})
				default:
					ts.Fatalf("usage: instrument off | is-disconnected")
				}
			},
			"service": func(ts *testscript.TestScript, _ bool, args []string) {
				if len(args) != 1 || args[0] != "stop" {
					ts.Fatalf("usage: service stop")
				}
				bus(ts).Stop()
			},
		},
	})
}

// A told is a program that tells what happens, a JSON object a line.
type told struct {
	t     *testing.T
	c     *exec.Cmd
	in    io.Writer
	lines *bufio.Scanner
	errs  bytes.Buffer
}

func tell(t *testing.T, dir string, args ...string) *told {
	t.Helper()
	p := &told{t: t, c: command(t, dir, append(args, "--json")...)}
	out, err := p.c.StdoutPipe()
	require.NoError(t, err)
	p.in, err = p.c.StdinPipe()
	require.NoError(t, err)
	p.c.Stderr = &p.errs
	require.NoError(t, p.c.Start())
	p.lines = bufio.NewScanner(out)
	return p
}

// next is the next line of a kind of event.
func (p *told) next(event string) string {
	p.t.Helper()
	for p.lines.Scan() {
		var line struct{ Event string }
		require.NoError(p.t, json.Unmarshal(p.lines.Bytes(), &line))
		if line.Event == event {
			return p.lines.Text()
		}
	}
	require.Fail(p.t, "never told", "%s: %s", event, p.errs.String())
	return ""
}

func (p *told) end(code int) {
	p.t.Helper()
	for p.lines.Scan() {
	}
	err := p.c.Wait()
	require.Equal(p.t, code, p.c.ProcessState.ExitCode(), "%v: %s", err, p.errs.String())
}

// airborne is a bus with an instrument, which is this test's system bus.
func airborne(t *testing.T) (b *bletest.Bus, send func(packet ...byte)) {
	t.Helper()
	b, err := bletest.New()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	t.Setenv("DBUS_SYSTEM_BUS_ADDRESS", b.Address())
	return b, func(packet ...byte) {
		t.Helper()
		require.NoError(t, b.Await(t.Context(), func() bool { return b.Subscriptions(bletest.CharPath) == 1 }))
		require.NoError(t, b.Feed(packet))
	}
}

const airAddress = "ble:" + bletest.MAC + "/fff0/fff1"

// An instrument that describes itself is recorded without a profile, as the list
// names it and by --at, and as it says after each connection anew.
func TestRecordingWhatDescribesItself(t *testing.T) {
	b, send := airborne(t)
	dir, _, _ := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	run(t, dir, "confirm", "b1", "head-left/faces")
	run(t, dir, "confirm", "b1", "head-left/threads")
	run(t, dir, "attest", "b1", "head-left/dowel-front", "0.305")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "instruments.toml"), []byte(
		"[[instrument]]\nname = \"wrench-air\"\naddress = \""+airAddress+"\"\nmeasures = \"torque\"\n"), 0o644))
	require.Contains(t, run(t, dir, "instruments"), "self-described")

	p := tell(t, dir, "record", "b1")
	p.next("next")
	send(0x3E, 0x0D) // 3390 hundredths
	require.Contains(t, p.next("reading"), `"point":"head-left/4","pass":"stage-1","value":{"value":"33.90","unit":"N·m"}`)
	send(0x3E) // no value
	require.Contains(t, p.next("unreadable"), `"raw":"Pg=="`)
	b.Change(func() {
		b.Format = []byte{0x14, 0, 0x41, 0x27, 1, 0, 0} // IEEE 754
		b.Disconnect()
	})
	p.next("lost")
	p.next("found")
	send(0xCD, 0xCC, 0x07, 0x42) // 33.95
	require.Contains(t, p.next("reading"), `"point":"head-left/5","pass":"stage-1","value":{"value":"33.95","unit":"N·m"}`)
	_, err := io.WriteString(p.in, "quit\n")
	require.NoError(t, err)
	p.end(0)

	p = tell(t, dir, "record", "b1", "--at", airAddress)
	send(0xCD, 0xCC, 0x07, 0x42)
	require.Contains(t, p.next("reading"), `"instrument":"`+airAddress+`"`)
	_, err = io.WriteString(p.in, "quit\n")
	require.NoError(t, err)
	p.end(0)

	// One that does not is said to, plainly.
	b.Change(func() { b.Format = nil })
	p = tell(t, dir, "record", "b1", "--at", airAddress)
	require.Contains(t, p.next("lost"), airAddress+": it does not describe itself: the characteristic has no presentation format descriptor")
	_, err = io.WriteString(p.in, "quit\n")
	require.NoError(t, err)
	p.end(4)
	require.Contains(t, p.errs.String(), "hint: name a profile that says how it talks")
}

// listen shows the bytes of either, and the values of one that describes itself.
// What it keeps can be played with the profile that nearby tells.
func TestListeningToWhatDescribesItself(t *testing.T) {
	b, send := airborne(t)
	dir := t.TempDir()
	kept := filepath.Join(dir, "kept.rec")
	p := tell(t, dir, "listen", airAddress, "--capture", kept)
	send(0x88, 0x22)
	require.Contains(t, p.next("bytes"), `"raw":"iCI="`)
	require.Contains(t, p.next("sampled"), `"value":{"value":"88.40","unit":"N·m"}`)
	require.NoError(t, p.c.Process.Signal(os.Interrupt))
	p.end(130)

	var rows []offeredRow
	require.NoError(t, json.Unmarshal([]byte(run(t, dir, "nearby", airAddress, "--json")), &rows))
	profile := filepath.Join(dir, "self.toml")
	require.NoError(t, os.WriteFile(profile, []byte(rows[0].Profile), 0o644))
	p = tell(t, dir, "listen", "replay:"+kept, "--fast", "--profile", profile)
	require.Contains(t, p.next("sampled"), `"value":{"value":"88.40","unit":"N·m"}`)
	p.end(0)

	b.Change(func() { b.Format = nil })
	p = tell(t, dir, "listen", airAddress)
	send('8', '8', '\n')
	require.Contains(t, p.next("bytes"), `"raw":"ODgK"`)
	require.NoError(t, p.c.Process.Signal(os.Interrupt))
	for p.lines.Scan() {
		require.NotContains(t, p.lines.Text(), "sampled")
	}
	p.end(130)
}
