package ble_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/ble"
	"paintmark/device/ble/bletest"
	"paintmark/device/devicetest"
	"paintmark/device/profile"
)

// quick is for a bus that answers at once.
var quick = ble.Options{Search: 30 * time.Millisecond, Connect: 20 * time.Second}

func TestConformance(t *testing.T) { devicetest.Run(t, suiteBench) }

func TestFramings(t *testing.T) {
	devicetest.RunFramings(t, func(t *testing.T) devicetest.Bench {
		b := suiteBench(t)
		b.Packets, b.Costly, b.OwnTime = true, true, true
		return b
	})
}

func suiteBench(t *testing.T) devicetest.Bench {
	b, err := bletest.New()
	require.NoError(t, err)
	transport, err := ble.New("c0:ff:ee:00:00:01/FFF1", quick.WithBus(b.Address()))
	require.NoError(t, err)
	return devicetest.Bench{
		Transport: transport, Identity: bletest.MAC,
		Feed: b.Feed, Unplug: b.Unplug, Plug: b.Plug, Close: b.Close,
	}
}

type testBus struct {
	*bletest.Bus
	t *testing.T
}

// bus makes a bus that is closed after the test.
func bus(t *testing.T) *testBus {
	b, err := bletest.New()
	require.NoError(t, err)
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return &testBus{b, t}
}

func (b *testBus) transport(place string, o ble.Options) *ble.Transport {
	transport, err := ble.New(place, o.WithBus(b.Address()))
	require.NoError(b.t, err)
	return transport
}

func (b *testBus) open(place string, o ble.Options) device.Link {
	b.t.Helper()
	link, err := b.transport(place, o).Open(b.t.Context())
	require.NoError(b.t, err)
	b.t.Cleanup(func() { _ = link.Close() })
	return link
}

func (b *testBus) asked() []string {
	var calls []string
	b.Change(func() { calls = slices.Clone(b.Calls) })
	return calls
}

// Thousands of numbered notifications come in order, each by itself, equal ones
// one after the other as well.
func TestBurstsStayInOrder(t *testing.T) {
	b := bus(t)
	link := b.open(bletest.MAC, quick)
	const count = 3000
	go func() {
		for n := range count {
			_ = b.Feed(fmt.Appendf(nil, "%05d", n/2)) // in pairs
		}
	}()
	buf := make([]byte, 64)
	var last time.Time
	for n := range count {
		got, err := link.Read(buf)
		require.NoError(t, err)
		require.Equal(t, fmt.Sprintf("%05d", n/2), string(buf[:got]))
		require.True(t, link.(device.Packeted).EndOfPacket())
		at := link.(device.Stamped).Stamp()
		require.False(t, at.Before(last))
		last = at
	}
}

func TestPacketsAreReadInParts(t *testing.T) {
	b := bus(t)
	link := b.open(bletest.MAC, quick)
	require.NoError(t, b.Feed([]byte("abcde")))
	require.NoError(t, b.Feed(nil))
	b.Change(func() { b.Notified(nil) }) // an empty notification is none
	require.NoError(t, b.Feed([]byte("fg")))
	buf := make([]byte, 3)
	for _, want := range []struct {
		text string
		end  bool
	}{{"abc", false}, {"de", true}, {"fg", true}} {
		n, err := link.Read(buf)
		require.NoError(t, err)
		require.Equal(t, want.text, string(buf[:n]))
		require.Equal(t, want.end, link.(device.Packeted).EndOfPacket())
	}
}

// A reader that does not read stops the stream; it loses nothing.
func TestMoreThanIsHeld(t *testing.T) {
	b := bus(t)
	link := b.open(bletest.MAC, quick)
	part := bytes.Repeat([]byte("x"), 4096)
	const parts = 5 * ble.Waiting / 4 / 4096
	fed := make(chan struct{})
	go func() {
		defer close(fed)
		for range parts {
			b.Change(func() { b.Notified(part) })
		}
	}()
	total := 0
	buf := make([]byte, 8192)
	for total < parts*len(part) {
		n, err := link.Read(buf)
		require.NoError(t, err)
		total += n
	}
	<-fed
	// And closing does not wait for a reader. The socket holds what it can.
	go func() {
		for range parts {
			b.Change(func() { b.Notified(part) })
		}
	}()
	_, err := link.Read(buf)
	require.NoError(t, err)
	require.NoError(t, link.Close())
}

func TestLosses(t *testing.T) {
	for _, tc := range []struct {
		name string
		lose func(b *testBus)
		want string
	}{
		{"disconnected", func(b *testBus) { b.Change(b.Disconnect) }, "disconnected, switched off or out of reach"},
		{"and connected again at once", func(b *testBus) {
			b.Change(func() {
				b.Disconnect()
				b.Connect()
			})
		}, "disconnected, switched off or out of reach"},
		{"services changed", func(b *testBus) { b.Change(func() { b.Remove(bletest.CharPath) }) }, "disconnected, switched off or out of reach"},
		{"removed", func(b *testBus) { b.Change(func() { b.Remove(bletest.DevicePath) }) }, "disconnected, switched off or out of reach"},
		{"adapter pulled out", func(b *testBus) { b.Change(func() { b.Remove(bletest.AdapterPath) }) }, "disconnected, switched off or out of reach"},
		{"service killed", func(b *testBus) { b.Stop() }, "the Bluetooth service was stopped"},
		{"bus ended", func(b *testBus) {
			b.Change(b.HangUp)
		}, "the connection to the system bus ended"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := bus(t)
			link := b.open(bletest.MAC, quick)
			require.NoError(t, b.Feed([]byte("last")))
			tc.lose(b)
			buf := make([]byte, 64)
			n, err := link.Read(buf)
			require.NoError(t, err, "what came before the loss is read first")
			require.Equal(t, "last", string(buf[:n]))
			for range 2 {
				_, err = link.Read(buf)
				require.ErrorIs(t, err, device.ErrLost)
				require.EqualError(t, err, "ble:"+bletest.MAC+": instrument lost: "+tc.want)
			}
			require.NoError(t, link.Close())
			_, err = link.Read(buf)
			require.ErrorIs(t, err, device.ErrClosed)
		})
	}
}

// The service is killed and comes back; nothing is heard twice, however often.
func TestServiceRestarts(t *testing.T) {
	b := bus(t)
	transport := b.transport(bletest.MAC, quick)
	buf := make([]byte, 64)
	for n := range 12 {
		link, err := transport.Open(t.Context())
		require.NoError(t, err)
		want := fmt.Sprintf("round %d", n)
		require.NoError(t, b.Feed([]byte(want)))
		require.NoError(t, b.Feed([]byte("end")))
		for _, want := range []string{want, "end"} {
			got, err := link.Read(buf)
			require.NoError(t, err)
			require.Equal(t, want, string(buf[:got]))
		}
		b.Stop()
		_, err = link.Read(buf)
		require.ErrorIs(t, err, device.ErrLost)
		require.NoError(t, link.Close())
		_, err = transport.Open(t.Context())
		require.ErrorIs(t, err, device.ErrAbsent)
		require.EqualError(t, err, "ble:"+bletest.MAC+": not attached: the Bluetooth service does not run")
		b.Start()
	}
	// Connections that were closed are hung up as well.
	require.NoError(t, b.Await(t.Context(), func() bool { return b.Clients() == 0 && b.Subscriptions(bletest.CharPath) == 0 }))
}

// An instrument that is lost again and again, in every way, is found again each
// time; every reading is heard once, in order, and nothing piles up.
func TestReconnectsByTheDozen(t *testing.T) {
	b := bus(t)
	p, err := profile.Parse("dozen.toml", []byte(`
name = "dozen"
[framing]
ending = "lf"
[reading]
pattern = '(?P<value>\d{4}\.\d) Nm'
unit = "N·m"
`))
	require.NoError(t, err)
	a := attach.Attach(t.Context(), b.transport(bletest.MAC+"/fff0/fff1", quick), p, attach.Options{Interval: time.Millisecond})
	t.Cleanup(func() { _ = a.Close() })
	next := func(kind device.EventKind) device.Event {
		t.Helper()
		for {
			e, err := a.Next(t.Context())
			require.NoError(t, err)
			if e.Kind == kind {
				return e
			}
			require.Equal(t, []device.EventKind{device.Lost, device.Found}, []device.EventKind{e.Kind, kind}, "%+v", e) // why it is not there has changed
		}
	}
	losses := []struct{ lose, restore func() }{
		{func() { b.Change(b.Disconnect) }, func() {}},
		{func() { require.NoError(t, b.Unplug()) }, func() { require.NoError(t, b.Plug()) }},
		{b.Stop, b.Start},
		{func() { b.Change(func() { b.Remove(bletest.DevicePath) }) }, func() {}},
		{func() { b.Change(b.HangUp) }, func() {}},
		{func() { b.Change(func() { b.Near = false; b.Disconnect() }) }, func() { require.NoError(t, b.Plug()) }},
	}
	const rounds, readings = 36, 5
	value := 0
	for round := range rounds {
		require.NoError(t, b.Await(t.Context(), func() bool { return b.Clients() == 1 && b.Subscriptions(bletest.CharPath) == 1 }))
		for n := range readings {
			line := fmt.Sprintf("%04d.0 Nm\n", value+n)
			require.NoError(t, b.Feed([]byte(line[:3])))
			require.NoError(t, b.Feed([]byte(line[3:])))
		}
		for range readings {
			require.Equal(t, fmt.Sprintf("%04d.0 Nm\n", value), string(next(device.Sampled).Sample.Raw))
			value++
		}
		loss := losses[round%len(losses)]
		loss.lose()
		require.ErrorIs(t, next(device.Lost).Err, device.ErrLost)
		loss.restore()
		require.Equal(t, bletest.MAC, next(device.Found).Identity)
	}
	require.NoError(t, a.Close())
	require.NoError(t, b.Await(t.Context(), func() bool { return b.Clients() == 0 }))
	started := 0
	for _, method := range b.asked() {
		if method == "StartNotify" {
			started++
		}
	}
	require.Equal(t, rounds+1, started)
}

func TestSilence(t *testing.T) {
	b := bus(t)
	o := quick
	o.Silence = 30 * time.Millisecond
	link := b.open(bletest.MAC, o)
	require.NoError(t, b.Feed([]byte("x")))
	buf := make([]byte, 8)
	_, err := link.Read(buf)
	require.NoError(t, err)
	_, err = link.Read(buf)
	require.EqualError(t, err, "ble:"+bletest.MAC+": instrument lost: nothing came for 30ms")
	require.ErrorIs(t, err, device.ErrLost)
	require.NoError(t, link.Close())
	require.Equal(t, "Disconnect", b.asked()[len(b.asked())-1], "one that hangs is let go")
}

// Close disconnects what Open connected, and only that.
func TestConnectionIsLeftAsFound(t *testing.T) {
	b := bus(t)
	require.NoError(t, b.open(bletest.MAC, quick).Close())
	require.Equal(t, []string{
		"Ping", "GetManagedObjects", "SetDiscoveryFilter", "StartDiscovery", "StopDiscovery", "Connect",
		"GetManagedObjects", "ReadValue", "StartNotify", "StopNotify", "Disconnect",
	}, b.asked())
	b.Change(func() {
		b.Calls = nil
		b.Connect()
	})
	require.NoError(t, b.open(bletest.MAC, quick).Close())
	require.Equal(t, []string{"Ping", "GetManagedObjects", "GetManagedObjects", "ReadValue", "StartNotify", "StopNotify"}, b.asked())
}

func TestFormatOfTheCharacteristic(t *testing.T) {
	b := bus(t)
	format, err := b.open(bletest.MAC, quick).(ble.Describing).Format()
	require.NoError(t, err)
	q, err := format.Decode([]byte{0x88, 0x22})
	require.NoError(t, err)
	require.Equal(t, "88.40 N·m", q.String())

	b.Change(func() { b.Refuse["ReadValue"] = "org.bluez.Error.NotPermitted" })
	_, err = b.open(bletest.MAC, quick).(ble.Describing).Format()
	require.ErrorContains(t, err, "cannot be read")
}

func TestWriting(t *testing.T) {
	b := bus(t)
	link := b.open(bletest.MAC, quick)
	n, err := link.Write([]byte("0123456789abcdefghijklmnop"))
	require.NoError(t, err)
	require.Equal(t, 26, n)
	b.Change(func() { b.Refuse["WriteValue"] = "org.bluez.Error.Failed" })
	_, err = link.Write([]byte("z"))
	require.ErrorContains(t, err, "writing: refused")
	require.NotErrorIs(t, err, device.ErrLost)
	require.NoError(t, link.Close())

	b.Change(func() {
		delete(b.Refuse, "WriteValue")
		b.Connect()
		b.Characteristic(bletest.CharPath, bletest.Char, "notify", "write-without-response")
	})
	link = b.open(bletest.MAC, quick)
	_, err = link.Write([]byte("z"))
	require.NoError(t, err)
	require.NoError(t, link.Close())

	b.Change(func() {
		b.Characteristic(bletest.CharPath, bletest.Char, "notify")
		b.Remove(bletest.SinkPath)
	})
	link = b.open(bletest.MAC, quick)
	_, err = link.Write([]byte("z"))
	require.EqualError(t, err, "ble:"+bletest.MAC+": the characteristic cannot be written to")
	require.Equal(t, "it has none that can", err.(*device.Error).HintText())
	require.NoError(t, link.Close())
	_, err = link.Write([]byte("z"))
	require.ErrorIs(t, err, device.ErrClosed)
	b.Change(func() {
		require.Equal(t, []string{"fff1 request 0123456789abcdefghij", "fff1 request klmnop", "fff1 command z"}, b.Written)
	})
}

// What is sent goes to the characteristic behind the plus sign.
func TestWritingElsewhere(t *testing.T) {
	const other = bletest.DevicePath + "/service0050"
	for _, tc := range []struct {
		place      string
		want, hint string // of the error; where there is none, want is what was written
		opens      bool
	}{
		{"/fff0/fff1+fff4", "fff4 command ", "", true},
		{"/fff1+fff0/fff4", "fff4 command ", "", true},
		{"/fff1+ffe1", "ffe1 request ", "", true},
		{"/fff1+fff6", "fff6 request ", "", true}, // there is one in another service as well
		{"+fff1", "fff1 request ", "", true},
		{"", "fff1 request ", "", true},
		{"/2a19", "the characteristic cannot be written to",
			"name one that can behind a plus sign, as in ble:" + bletest.MAC + "/fff0/2a19+fff1; those that can are fff0/fff1, fff0/fff3, fff0/fff4, fff0/fff6, ffe0/ffe1, ffe0/fff6", true},
		{"/fff1+fff2", "no characteristic fff2 that can be written to", "those that can are fff0/fff1, fff0/fff3, fff0/fff4", false},
		{"/fff1+ffe0/fff4", "no characteristic fff4 that can be written to", "those that can are fff0/fff1, fff0/fff3, fff0/fff4", false},
		{"/fff1+ffe0/ffe1", "ffe1 request ", "", true},
		{"/fff1+ffe2", "2 characteristics ffe2 can be written to", "ffe0/ffe2, ffe3/ffe2", false},
	} {
		t.Run(tc.place, func(t *testing.T) {
			b := bus(t)
			b.Change(func() {
				b.Know()
				b.Connect()
				b.Characteristic(bletest.ServicePath+"/char0040", "0000fff4-0000-1000-8000-00805f9b34fb", "write-without-response")
				b.Characteristic(bletest.ServicePath+"/char0041", "0000fff6-0000-1000-8000-00805f9b34fb", "write")
				within := func(service dbus.ObjectPath, uuid string, chars ...string) {
					b.Add(service, "org.bluez.GattService1", bletest.Props{"UUID": bletest.V("0000" + uuid + "-0000-1000-8000-00805f9b34fb")})
					for _, char := range chars {
						path := service + "/char" + dbus.ObjectPath(char)
						b.Characteristic(path, "0000"+char+"-0000-1000-8000-00805f9b34fb", "write")
						b.Set(path, "org.bluez.GattCharacteristic1", bletest.Props{"Service": bletest.V(service)})
					}
				}
				within(other, "ffe0", "ffe1", "fff6")
				if strings.HasSuffix(tc.place, "ffe2") {
					within(bletest.DevicePath+"/service0060", "ffe3", "ffe2")
					within(other, "ffe0", "ffe2")
				}
			})
			link, err := b.transport(bletest.MAC+tc.place, quick).Open(t.Context())
			if !tc.opens {
				require.EqualError(t, err, "ble:"+bletest.MAC+tc.place+": "+tc.want)
				require.Contains(t, err.(*device.Error).HintText(), tc.hint)
				return
			}
			require.NoError(t, err)
			_, err = link.Write([]byte("0123456789abcdefghijk"))
			if tc.hint != "" {
				require.EqualError(t, err, "ble:"+bletest.MAC+tc.place+": "+tc.want)
				require.Equal(t, tc.hint, err.(*device.Error).HintText())
			} else {
				require.NoError(t, err)
				b.Change(func() {
					require.Equal(t, []string{tc.want + "0123456789abcdefghij", tc.want + "k"}, b.Written)
				})
			}
			require.NoError(t, link.Close())
		})
	}
}

// A packet takes what the connection's MTU leaves, and two that write at once do
// not mix what they send.
func TestWritingInParts(t *testing.T) {
	b := bus(t)
	b.Change(func() {
		b.Know()
		b.Connect()
		b.Set(bletest.CharPath, "org.bluez.GattCharacteristic1", bletest.Props{"MTU": bletest.V(uint16(103))})
	})
	link := b.open(bletest.MAC, quick)
	const each = 250
	done := make(chan error, 2)
	for _, text := range []string{"a", "b"} {
		go func() {
			_, err := link.Write(bytes.Repeat([]byte(text), each))
			done <- err
		}()
	}
	for range 2 {
		require.NoError(t, <-done)
	}
	var sizes []int
	all := ""
	b.Change(func() {
		for _, part := range b.Written {
			text := strings.TrimPrefix(part, "fff1 request ")
			sizes, all = append(sizes, len(text)), all+text
		}
	})
	require.Equal(t, []int{100, 100, 50, 100, 100, 50}, sizes)
	require.Contains(t, []string{strings.Repeat("a", each) + strings.Repeat("b", each), strings.Repeat("b", each) + strings.Repeat("a", each)}, all)
}

// Closing ends a Write that hangs.
func TestWritingHangs(t *testing.T) {
	b := bus(t)
	link := b.open(bletest.MAC, quick)
	b.Change(func() { b.Hang["WriteValue"] = true })
	done := make(chan error, 1)
	go func() {
		_, err := link.Write([]byte("z"))
		done <- err
	}()
	require.NoError(t, b.Await(t.Context(), func() bool { return slices.Contains(b.Calls, "WriteValue") }))
	require.NoError(t, link.Close())
	require.ErrorIs(t, <-done, device.ErrClosed)
}

func TestInspect(t *testing.T) {
	b := bus(t)
	want := func(char string) ble.Characteristic {
		return ble.Characteristic{
			Address: device.Address{Transport: "ble", Place: bletest.MAC + "/fff0/" + char},
			Service: bletest.Service, UUID: ble.UUID("0000" + char + "-0000-1000-8000-00805f9b34fb"), FormatErr: ble.ErrNoFormat,
		}
	}
	described, battery, sink := want("fff1"), want("2a19"), want("fff3")
	described.Notifies, described.Writes = true, true
	described.Format, described.FormatErr = ble.Format{Type: 0x0E, Exponent: -2, Unit: 0x2741, Namespace: 1}, nil
	battery.Notifies, sink.Writes = true, true

	// As it is found by a scan: it is disconnected again.
	list, err := b.transport(bletest.MAC, quick).Inspect(t.Context())
	require.NoError(t, err)
	require.Equal(t, []ble.Characteristic{described, battery, sink}, list)
	require.Equal(t, "Disconnect", b.asked()[len(b.asked())-1])

	// One that is connected is left so.
	b.Change(func() {
		b.Calls = nil
		b.Connect()
	})
	list, err = b.transport(bletest.MAC+"/1234", quick).Inspect(t.Context())
	require.NoError(t, err)
	require.Equal(t, []ble.Characteristic{described, battery, sink}, list)
	require.Equal(t, []string{"Ping", "GetManagedObjects", "GetManagedObjects", "ReadValue"}, b.asked())

	// What it says of itself may be none that can be read.
	b.Change(func() { b.Describe(bletest.CharPath, []byte{0x19, 0, 0, 0x27, 1, 0, 0}) })
	list, err = b.transport(bletest.MAC, quick).Inspect(t.Context())
	require.NoError(t, err)
	require.EqualError(t, list[0].FormatErr, "the presentation format 0x19 is none that can be read")

	require.NoError(t, b.Unplug())
	_, err = b.transport(bletest.MAC, quick).Inspect(t.Context())
	require.ErrorIs(t, err, device.ErrAbsent)
	require.ErrorContains(t, err, "not heard")
	require.NoError(t, b.Await(t.Context(), func() bool { return b.Clients() == 0 }))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = b.transport(bletest.MAC, quick).Inspect(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

func TestWhyItCannotBeOpened(t *testing.T) {
	for _, tc := range []struct {
		name, place string
		so          func(b *testBus)
		kind        error
		want, hint  string
	}{
		{"no service", bletest.MAC, func(b *testBus) { b.Owner = "" }, device.ErrAbsent, "the Bluetooth service does not run", "systemctl start bluetooth"},
		{"no adapter", bletest.MAC, func(b *testBus) { delete(b.Objects, bletest.AdapterPath) }, device.ErrAbsent, "this computer has no Bluetooth adapter", "plug one in"},
		{"switched off", bletest.MAC, func(b *testBus) {
			b.Set(bletest.AdapterPath, "org.bluez.Adapter1", bletest.Props{"Powered": bletest.V(false)})
		}, device.ErrAbsent, "no Bluetooth adapter is switched on", "rfkill"},
		{"not heard", bletest.MAC, func(b *testBus) { b.Near = false }, device.ErrAbsent, "not heard for 30ms", "switch it on"},
		{"refused by the bus", bletest.MAC, func(b *testBus) { b.Refuse["Ping"] = "org.freedesktop.DBus.Error.AccessDenied" }, device.ErrDenied, "the Bluetooth service refuses this user", "group bluetooth"},
		{"acquired by another", bletest.MAC, func(b *testBus) { b.Refuse["StartNotify"] = "org.bluez.Error.NotPermitted" }, device.ErrBusy, "in use by another program", "close that first"},
		{"not paired", bletest.MAC, func(b *testBus) { b.Refuse["StartNotify"] = "org.bluez.Error.NotAuthorized" }, device.ErrDenied, "no permission", "paired"},
		{"another failure", bletest.MAC, func(b *testBus) { b.Refuse["StartNotify"] = "org.bluez.Error.Failed" }, nil, "does not let its notifications be started", "paired"},
		{"no such characteristic", bletest.MAC + "/2a5b", func(*testBus) {}, nil, "no characteristic 2a5b that notifies", "those that notify are fff0/fff1, fff0/2a19"},
		{"no such service", bletest.MAC + "/180a/fff1", func(*testBus) {}, nil, "no characteristic fff1 that notifies", "fff0/fff1"},
		{"one that does not notify", bletest.MAC + "/fff2", func(*testBus) {}, nil, "no characteristic fff2 that notifies", "fff0/fff1"},
		{"several", bletest.MAC, func(b *testBus) {
			b.Know()
			b.Connect()
			b.Characteristic(bletest.DevicePath+"/service0010/char0040", "12345678-0000-1000-8000-00805f9b34fb", "indicate")
		}, nil, "2 characteristics notify", "fff0/fff1, fff0/12345678-0000-1000-8000-00805f9b34fb"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := bus(t)
			b.Change(func() { tc.so(b) })
			_, err := b.transport(tc.place, quick).Open(t.Context())
			require.ErrorContains(t, err, "ble:"+tc.place+": ")
			require.ErrorContains(t, err, tc.want)
			if tc.kind != nil {
				require.ErrorIs(t, err, tc.kind)
			}
			var hint *device.Error
			require.ErrorAs(t, err, &hint)
			require.Contains(t, hint.HintText(), tc.hint)
			require.NoError(t, b.Await(t.Context(), func() bool { return b.Clients() == 0 }), "a connection was left open")
		})
	}
}

// A known instrument that is not near is absent when the time to connect is over,
// and the attempt is taken back.
func TestKnownButAway(t *testing.T) {
	for _, method := range []string{"refused", "hangs"} {
		t.Run(method, func(t *testing.T) {
			b := bus(t)
			b.Change(func() {
				b.Know()
				b.Near = false
				b.Hang["Connect"] = method == "hangs"
			})
			o := quick
			o.Connect = 50 * time.Millisecond
			_, err := b.transport(bletest.MAC, o).Open(t.Context())
			require.ErrorIs(t, err, device.ErrAbsent)
			require.ErrorContains(t, err, "it could not be connected")
			require.NoError(t, b.Await(t.Context(), func() bool { return b.Calls[len(b.Calls)-1] == "Disconnect" }))
		})
	}
}

// Whatever hangs, Open and Inspect end in their own time, say that the instrument
// is not there, and leave nothing connected.
func TestConnectingHasADeadline(t *testing.T) {
	for _, tc := range []struct{ hangs, want string }{
		{"Ping", "the Bluetooth service does not answer"},
		{"GetManagedObjects", "the Bluetooth service does not answer"},
		{"StartDiscovery", "the Bluetooth service does not answer"},
		{"Connect", "it could not be connected within"},
		{"services", "it did not tell its services within"},
		{"ReadValue", "it did not answer within"},
		{"StartNotify", "it did not answer within"},
	} {
		t.Run(tc.hangs, func(t *testing.T) {
			b := bus(t)
			b.Change(func() {
				b.Hang[tc.hangs] = true
				b.Resolves = tc.hangs != "services"
			})
			fails := func(try func(*ble.Transport) error) {
				o := quick
				for o.Connect = 25 * time.Millisecond; ; o.Connect *= 2 { // a slow machine takes longer to where it hangs
					err := try(b.transport(bletest.MAC, o))
					require.ErrorIs(t, err, device.ErrAbsent)
					b.free()
					if strings.Contains(err.Error(), tc.want) {
						return
					}
					require.Less(t, o.Connect, 10*time.Second, "%v", err)
				}
			}
			fails(func(transport *ble.Transport) error {
				_, err := transport.Open(t.Context())
				return err
			})
			if tc.hangs == "StartNotify" {
				return
			}
			fails(func(transport *ble.Transport) error {
				_, err := transport.Inspect(t.Context())
				return err
			})
		})
	}
}

// free waits until no program is left and the instrument is free.
func (b *testBus) free() {
	b.t.Helper()
	require.NoError(b.t, b.Await(b.t.Context(), func() bool {
		return b.Clients() == 0 && !b.Connected()
	}))
}

// Whatever hangs, Open ends soon after its context, and in its own time.
func TestOpenIsCancelledAnywhere(t *testing.T) {
	for _, method := range []string{"Ping", "GetManagedObjects", "StartDiscovery", "Connect", "StartNotify"} {
		t.Run(method, func(t *testing.T) {
			b := bus(t)
			b.Change(func() { b.Hang[method] = true })
			ctx, cancel := context.WithCancel(t.Context())
			opened := make(chan error, 1)
			go func() {
				o := quick
				o.Search = 20 * time.Second
				_, err := b.transport(bletest.MAC, o).Open(ctx)
				opened <- err
			}()
			require.NoError(t, b.Await(t.Context(), func() bool { return slices.Contains(b.Calls, method) }))
			cancel()
			err := <-opened
			require.ErrorIs(t, err, context.Canceled)
			require.NotErrorIs(t, err, device.ErrAbsent)
			if slices.Contains(b.asked(), "Connect") {
				require.NoError(t, b.Await(t.Context(), func() bool { return b.Calls[len(b.Calls)-1] == "Disconnect" }))
			}
		})
	}
}

func TestNoBus(t *testing.T) {
	transport, err := ble.New(bletest.MAC, quick.WithBus("unix:path="+t.TempDir()+"/none"))
	require.NoError(t, err)
	_, err = transport.Open(t.Context())
	require.ErrorIs(t, err, device.ErrAbsent)
	require.ErrorContains(t, err, "no system bus")
}

// Without another one it is the system bus, wherever that is.
func TestSystemBus(t *testing.T) {
	b := bus(t)
	t.Setenv("DBUS_SYSTEM_BUS_ADDRESS", b.Address())
	transport, err := ble.New(bletest.MAC, quick)
	require.NoError(t, err)
	link, err := transport.Open(t.Context())
	require.NoError(t, err)
	require.NoError(t, link.Close())
}

func TestScan(t *testing.T) {
	b := bus(t)
	b.Change(func() {
		b.Add(bletest.AdapterPath+"/dev_C0_FF_EE_00_00_02", "org.bluez.Device1", bletest.Props{"Address": bletest.V("C0:FF:EE:00:00:02")}) // from another day
		b.Add(bletest.AdapterPath+"/dev_C0_FF_EE_00_00_03", "org.bluez.Device1", bletest.Props{"Address": bletest.V("C0:FF:EE:00:00:03"), "Connected": bletest.V(true)})
	})
	var found []ble.Found
	for patience := 25 * time.Millisecond; len(found) < 2; patience *= 2 { // a slow machine takes longer
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		var err error
		found, err = ble.Scan(ctx, quick.WithBus(b.Address()))
		cancel()
		if err != nil {
			require.EqualError(t, err, "the Bluetooth service does not answer")
		}
	}
	require.Equal(t, []ble.Found{
		{
			Address: device.Address{Transport: "ble", Place: bletest.MAC}, Name: "invented", RSSI: -60,
			Services: []ble.UUID{"0000fff0-0000-1000-8000-00805f9b34fb", bletest.Char},
		},
		{Address: device.Address{Transport: "ble", Place: "C0:FF:EE:00:00:03"}, Connected: true},
	}, found)
	require.Equal(t, "StopDiscovery", b.asked()[len(b.asked())-1])

	b.Stop()
	_, err := ble.Scan(t.Context(), quick.WithBus(b.Address()))
	require.ErrorIs(t, err, device.ErrAbsent)
	require.EqualError(t, err, "the Bluetooth service does not run")
	var hint interface{ HintText() string }
	require.True(t, errors.As(err, &hint))
	require.Contains(t, hint.HintText(), "start bluetooth")

	b.Start()
	b.Change(func() { b.Hang["Ping"] = true })
	ctx, cancel := context.WithTimeout(t.Context(), 25*time.Millisecond)
	defer cancel()
	_, err = ble.Scan(ctx, quick.WithBus(b.Address()))
	require.EqualError(t, err, "the Bluetooth service does not answer")
	require.ErrorIs(t, err, device.ErrAbsent)
}
