package main

import (
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
