//go:build linux || darwin

package simulated_test

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
	"paintmark/device/serialport"
	"paintmark/device/simulated"
)

// The instruments that listen, on real ttys, through the serial port and the
// profiles that ship.

func profileOf(t *testing.T, name string, change ...string) *profile.Profile {
	t.Helper()
	text, err := os.ReadFile("../../testdata/profiles/" + name + ".toml")
	require.NoError(t, err)
	p, err := profile.Parse(name, []byte(strings.NewReplacer(change...).Replace(string(text))))
	require.NoError(t, err)
	return p
}

// attached reads an instrument on a port until the test ends.
func attached(t *testing.T, port *simulated.Port, p *profile.Profile, serve func() error) device.Adapter {
	t.Helper()
	transport, err := serialport.New(port.Path(), p.Line)
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- serve() }()
	a := attach.Attach(t.Context(), transport, p, attach.Options{Interval: 20 * time.Millisecond})
	t.Cleanup(func() {
		require.NoError(t, a.Close())
		require.NoError(t, port.Close())
		require.NoError(t, <-served)
	})
	return a
}

// until hears events until one is as wanted, and gives those before it.
func until(t *testing.T, a device.Adapter, wanted func(device.Event) bool) (before []device.Event, found device.Event) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		e, err := a.Next(ctx)
		require.NoError(t, err, "heard %+v", before)
		if wanted(e) {
			return before, e
		}
		before = append(before, e)
	}
}

func shows(value string) func(device.Event) bool {
	return func(e device.Event) bool { return e.Kind == device.Sampled && e.Sample.Value.String() == value }
}

func is(kind device.EventKind) func(device.Event) bool {
	return func(e device.Event) bool { return e.Kind == kind }
}

func every(k int) func(int) bool { return func(n int) bool { return n%k == 0 } }

// An instrument that is asked is read whatever happens to its replies, and no
// value is ever read that it did not show.
func TestAskedIndicator(t *testing.T) {
	for name, f := range map[string]simulated.Faults{
		"sound":   {},
		"lost":    {Lose: every(3)},
		"late":    {Late: func(n int) time.Duration { return time.Duration(n%2) * 40 * time.Millisecond }},
		"garbled": {Garble: every(3)},
		"echo":    {Echo: true},
		"all of it": {Lose: every(5), Garble: every(7), Echo: true,
			Late: func(n int) time.Duration { return time.Duration(n%3) * 15 * time.Millisecond }},
	} {
		t.Run(name, func(t *testing.T) {
			defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
			t.Run("", func(t *testing.T) {
				port := newPort(t)
				gauge := simulated.NewAsked(port, f)
				p := profileOf(t, "indicator-asked", `"200 ms"`, `"10 ms"`, `"100 ms"`, `"20 ms"`)
				a := attached(t, port, p, gauge.Serve)
				last := "0 mm"
				for _, v := range []string{"0.015", "-12.7", "99.999"} {
					d := decimal.RequireFromString(v)
					gauge.Set(d)
					shown := d.StringFixed(3) + " mm"
					before, e := until(t, a, shows(shown))
					require.Equal(t, "mm", e.Sample.Value.Unit.String())
					for _, e := range before {
						if e.Kind == device.Sampled {
							require.Contains(t, []string{last, "0.000 mm", shown}, e.Sample.Value.String())
						}
					}
					last = shown
				}
				require.NoError(t, a.(device.Teller).Tell(t.Context(), p.Talk.Zero))
				until(t, a, shows("0.000 mm"))
			})
		})
	}
}

// A wrench that streams is set going, set to zero, found quiet when it is switched
// off, set going anew when it is on again, and stopped in the end.
func TestBegunWrench(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	heard := make(chan string, 1000)
	t.Run("", func(t *testing.T) {
		port := newPort(t)
		wrench := simulated.NewBegun(port, 5*time.Millisecond, func(command string) { heard <- command })
		wrench.Set(decimal.RequireFromString("88.4"))
		p := profileOf(t, "wrench-begun", `"250 ms"`, `"10 ms"`, `"2 s"`, `"300 ms"`)
		a := attached(t, port, p, wrench.Serve)
		until(t, a, shows("88.40 N·m"))
		require.Equal(t, "U1", <-heard)
		require.Equal(t, "GO", <-heard)
		wrench.Set(decimal.RequireFromString("-0.35"))
		until(t, a, shows("-0.35 N·m"))
		require.NoError(t, a.(device.Teller).Tell(t.Context(), p.Talk.Zero))
		until(t, a, shows("0.00 N·m"))
		require.Equal(t, "ZERO", <-heard)
		wrench.Switch(false)
		before, quiet := until(t, a, is(device.Quiet))
		if n := len(before); n > 0 {
			require.True(t, before[n-1].Time.Equal(quiet.Since), "%v", before)
		}
		require.EqualError(t, quiet.Err, "serial:"+port.Path()+": no good frame came for 300ms")
		wrench.Switch(true)
		_, back := until(t, a, is(device.Resumed))
		require.True(t, back.Since.Equal(quiet.Since))
		until(t, a, shows("0.00 N·m"))
		require.NoError(t, a.Close())
		for limit := time.After(20 * time.Second); ; {
			select {
			case command := <-heard:
				if command == "STOP" {
					return
				}
			case <-limit:
				require.FailNow(t, "it was not told to stop")
			}
		}
	})
}

// A Modbus device, with the standard's own settings and check.
func TestModbusDevice(t *testing.T) {
	for name, f := range map[string]simulated.Faults{
		"sound":   {},
		"lost":    {Lose: every(3)},
		"garbled": {Garble: every(3)},
		"late":    {Late: func(n int) time.Duration { return time.Duration(n%2) * 40 * time.Millisecond }},
		"echo":    {Echo: true, Lose: every(4)},
	} {
		t.Run(name, func(t *testing.T) {
			defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
			t.Run("", func(t *testing.T) {
				port := newPort(t)
				display := simulated.NewRegisters(port, 17, 3, f)
				p := profileOf(t, "display-modbus", `"100 ms"`, `"10 ms"`, `"200 ms"`, `"30 ms"`)
				a := attached(t, port, p, display.Serve)
				for _, v := range []struct {
					low, high, flags uint16
					want             string
					status           []string
				}{
					{8840, 0, 0, "88.40 N·m", nil},
					{0xFFDD, 0xFFFF, 8, "-0.35 N·m", []string{"not settled"}},
					{0x86A0, 0x0001, 1, "1000.00 N·m", []string{"overload"}},
				} {
					display.Set(0, v.low, v.high, v.flags)
					_, e := until(t, a, shows(v.want))
					require.Equal(t, v.status, e.Sample.Status)
				}
				if f.Garble != nil {
					_, e := until(t, a, is(device.Rejected))
					require.ErrorContains(t, e.Err, "check: want")
				}
			})
		})
	}
}

// A device that refuses says why, and is quiet: it gives no value.
func TestModbusRefusal(t *testing.T) {
	port := newPort(t)
	display := simulated.NewRegisters(port, 17, 2, simulated.Faults{})
	a := attached(t, port, profileOf(t, "display-modbus", `"200 ms"`, `"30 ms"`), display.Serve)
	_, e := until(t, a, is(device.Rejected))
	require.ErrorContains(t, e.Err, "refuses to be read, code 2: it has no such register")
	_, e = until(t, a, is(device.Quiet))
	require.ErrorContains(t, e.Err, "3 requests had no good reply")
}

// Another device on the same wires is left alone.
func TestModbusOfAnotherDevice(t *testing.T) {
	port := newPort(t)
	display := simulated.NewRegisters(port, 18, 3, simulated.Faults{})
	a := attached(t, port, profileOf(t, "display-modbus", `"200 ms"`, `"30 ms"`), display.Serve)
	before, e := until(t, a, is(device.Quiet))
	require.Empty(t, before)
	require.True(t, e.Since.IsZero())
}
