package ble_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/ble"
	"paintmark/device/devicetest"
)

// quick is for a bus that answers at once.
var quick = ble.Options{Search: 30 * time.Millisecond, Connect: 20 * time.Second}

func TestConformance(t *testing.T) {
	devicetest.Run(t, func(t *testing.T) devicetest.Bench {
		b := newFakeBus(t)
		transport, err := ble.New("c0:ff:ee:00:00:01/FFF1", quick.WithBus(b.address()))
		require.NoError(t, err)
		return devicetest.Bench{
			Transport: transport, Identity: fakeMAC,
			Feed: b.feed, Unplug: b.unplug, Plug: b.plug, Close: b.close,
		}
	})
}

// bus makes a bus that is closed after the test.
func bus(t *testing.T) *fakeBus {
	b := newFakeBus(t)
	t.Cleanup(func() {
		if err := b.close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

func (b *fakeBus) transport(place string, o ble.Options) *ble.Transport {
	transport, err := ble.New(place, o.WithBus(b.address()))
	require.NoError(b.t, err)
	return transport
}

func (b *fakeBus) open(place string, o ble.Options) device.Link {
	b.t.Helper()
	link, err := b.transport(place, o).Open(b.t.Context())
	require.NoError(b.t, err)
	b.t.Cleanup(func() { _ = link.Close() })
	return link
}

func (b *fakeBus) asked() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.calls)
}

// Thousands of numbered notifications come in order, each by itself, equal ones
// one after the other as well.
func TestBurstsStayInOrder(t *testing.T) {
	b := bus(t)
	link := b.open(fakeMAC, quick)
	const count = 3000
	go func() {
		for n := range count {
			_ = b.feed(fmt.Appendf(nil, "%05d", n/2)) // in pairs
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
	link := b.open(fakeMAC, quick)
	require.NoError(t, b.feed([]byte("abcde")))
	require.NoError(t, b.feed(nil))
	b.change(func() { b.notified(nil) }) // an empty notification is none
	require.NoError(t, b.feed([]byte("fg")))
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
	link := b.open(fakeMAC, quick)
	part := bytes.Repeat([]byte("x"), 4096)
	const parts = 5 * ble.Waiting / 4 / 4096
	fed := make(chan struct{})
	go func() {
		defer close(fed)
		for range parts {
			b.change(func() { b.notified(part) })
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
			b.change(func() { b.notified(part) })
		}
	}()
	_, err := link.Read(buf)
	require.NoError(t, err)
	require.NoError(t, link.Close())
}

func TestLosses(t *testing.T) {
	for _, tc := range []struct {
		name string
		lose func(b *fakeBus)
		want string
	}{
		{"disconnected", func(b *fakeBus) { b.change(b.disconnect) }, "disconnected, switched off or out of reach"},
		{"and connected again at once", func(b *fakeBus) {
			b.change(func() {
				b.disconnect()
				b.set(fakeDevice, "org.bluez.Device1", props{"Connected": v(true)})
				b.services()
			})
		}, "disconnected, switched off or out of reach"},
		{"services changed", func(b *fakeBus) { b.change(func() { b.remove(fakeChar) }) }, "disconnected, switched off or out of reach"},
		{"removed", func(b *fakeBus) { b.change(func() { b.remove(fakeDevice) }) }, "disconnected, switched off or out of reach"},
		{"adapter pulled out", func(b *fakeBus) { b.change(func() { b.remove(fakePath) }) }, "disconnected, switched off or out of reach"},
		{"service killed", func(b *fakeBus) { b.stop() }, "the Bluetooth service was stopped"},
		{"bus ended", func(b *fakeBus) {
			b.change(func() {
				for c := range b.conns {
					_ = c.Close()
				}
			})
		}, "the connection to the system bus ended"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := bus(t)
			link := b.open(fakeMAC, quick)
			require.NoError(t, b.feed([]byte("last")))
			tc.lose(b)
			buf := make([]byte, 64)
			n, err := link.Read(buf)
			require.NoError(t, err, "what came before the loss is read first")
			require.Equal(t, "last", string(buf[:n]))
			for range 2 {
				_, err = link.Read(buf)
				require.ErrorIs(t, err, device.ErrLost)
				require.EqualError(t, err, "ble:"+fakeMAC+": instrument lost: "+tc.want)
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
	transport := b.transport(fakeMAC, quick)
	buf := make([]byte, 64)
	for n := range 12 {
		link, err := transport.Open(t.Context())
		require.NoError(t, err)
		want := fmt.Sprintf("round %d", n)
		require.NoError(t, b.feed([]byte(want)))
		require.NoError(t, b.feed([]byte("end")))
		for _, want := range []string{want, "end"} {
			got, err := link.Read(buf)
			require.NoError(t, err)
			require.Equal(t, want, string(buf[:got]))
		}
		b.stop()
		_, err = link.Read(buf)
		require.ErrorIs(t, err, device.ErrLost)
		require.NoError(t, link.Close())
		_, err = transport.Open(t.Context())
		require.ErrorIs(t, err, device.ErrAbsent)
		require.EqualError(t, err, "ble:"+fakeMAC+": not attached: the Bluetooth service does not run")
		b.start()
	}
	// Connections that were closed are hung up as well.
	require.NoError(t, b.await(t.Context(), func() bool { return len(b.conns) == 0 && len(b.notify) == 0 }))
}

func TestSilence(t *testing.T) {
	b := bus(t)
	o := quick
	o.Silence = 30 * time.Millisecond
	link := b.open(fakeMAC, o)
	require.NoError(t, b.feed([]byte("x")))
	buf := make([]byte, 8)
	_, err := link.Read(buf)
	require.NoError(t, err)
	_, err = link.Read(buf)
	require.EqualError(t, err, "ble:"+fakeMAC+": instrument lost: nothing came for 30ms")
	require.ErrorIs(t, err, device.ErrLost)
	require.NoError(t, link.Close())
	require.Equal(t, "Disconnect", b.asked()[len(b.asked())-1], "one that hangs is let go")
}

// Close disconnects what Open connected, and only that.
func TestConnectionIsLeftAsFound(t *testing.T) {
	b := bus(t)
	require.NoError(t, b.open(fakeMAC, quick).Close())
	require.Equal(t, []string{
		"Ping", "GetManagedObjects", "SetDiscoveryFilter", "StartDiscovery", "StopDiscovery", "Connect",
		"GetManagedObjects", "ReadValue", "StartNotify", "StopNotify", "Disconnect",
	}, b.asked())
	b.change(func() {
		b.calls = nil
		b.set(fakeDevice, "org.bluez.Device1", props{"Connected": v(true), "ServicesResolved": v(true)})
		b.services()
	})
	require.NoError(t, b.open(fakeMAC, quick).Close())
	require.Equal(t, []string{"Ping", "GetManagedObjects", "GetManagedObjects", "ReadValue", "StartNotify", "StopNotify"}, b.asked())
}

func TestFormatOfTheCharacteristic(t *testing.T) {
	b := bus(t)
	format, err := b.open(fakeMAC, quick).(ble.Describing).Format()
	require.NoError(t, err)
	q, err := format.Decode([]byte{0x88, 0x22})
	require.NoError(t, err)
	require.Equal(t, "88.40 N·m", q.String())

	b.change(func() { b.refuse["ReadValue"] = "org.bluez.Error.NotPermitted" })
	_, err = b.open(fakeMAC, quick).(ble.Describing).Format()
	require.ErrorContains(t, err, "cannot be read")
}

func TestWriting(t *testing.T) {
	b := bus(t)
	link := b.open(fakeMAC, quick)
	n, err := link.Write([]byte("0123456789abcdefghijklmnop"))
	require.NoError(t, err)
	require.Equal(t, 26, n)
	b.change(func() { b.refuse["WriteValue"] = "org.bluez.Error.Failed" })
	_, err = link.Write([]byte("z"))
	require.ErrorContains(t, err, "writing: refused")
	require.NotErrorIs(t, err, device.ErrLost)
	require.NoError(t, link.Close())

	b.change(func() {
		delete(b.refuse, "WriteValue")
		b.set(fakeDevice, "org.bluez.Device1", props{"Connected": v(true), "ServicesResolved": v(true)})
		b.services()
		b.characteristic(fakeChar, fakeUUID, "notify", "write-without-response")
	})
	link = b.open(fakeMAC, quick)
	_, err = link.Write([]byte("z"))
	require.NoError(t, err)
	require.NoError(t, link.Close())

	b.change(func() { b.characteristic(fakeChar, fakeUUID, "notify") })
	link = b.open(fakeMAC, quick)
	_, err = link.Write([]byte("z"))
	require.EqualError(t, err, "ble:"+fakeMAC+": the characteristic cannot be written to")
	b.change(func() {
		require.Equal(t, []string{"request 0123456789abcdefghij", "request klmnop", "command z"}, b.written)
	})
}

func TestWhyItCannotBeOpened(t *testing.T) {
	for _, tc := range []struct {
		name, place string
		so          func(b *fakeBus)
		kind        error
		want, hint  string
	}{
		{"no service", fakeMAC, func(b *fakeBus) { b.owner = "" }, device.ErrAbsent, "the Bluetooth service does not run", "systemctl start bluetooth"},
		{"no adapter", fakeMAC, func(b *fakeBus) { delete(b.objects, fakePath) }, device.ErrAbsent, "this computer has no Bluetooth adapter", "plug one in"},
		{"switched off", fakeMAC, func(b *fakeBus) { b.set(fakePath, "org.bluez.Adapter1", props{"Powered": v(false)}) }, device.ErrAbsent, "no Bluetooth adapter is switched on", "rfkill"},
		{"not heard", fakeMAC, func(b *fakeBus) { b.near = false }, device.ErrAbsent, "not heard for 30ms", "switch it on"},
		{"refused by the bus", fakeMAC, func(b *fakeBus) { b.refuse["Ping"] = "org.freedesktop.DBus.Error.AccessDenied" }, device.ErrDenied, "the Bluetooth service refuses this user", "group bluetooth"},
		{"acquired by another", fakeMAC, func(b *fakeBus) { b.refuse["StartNotify"] = "org.bluez.Error.NotPermitted" }, device.ErrBusy, "in use by another program", "close that first"},
		{"not paired", fakeMAC, func(b *fakeBus) { b.refuse["StartNotify"] = "org.bluez.Error.NotAuthorized" }, device.ErrDenied, "no permission", "paired"},
		{"another failure", fakeMAC, func(b *fakeBus) { b.refuse["StartNotify"] = "org.bluez.Error.Failed" }, nil, "does not let its notifications be started", "paired"},
		{"no such characteristic", fakeMAC + "/2a5b", func(*fakeBus) {}, nil, "no characteristic 2a5b that notifies", "those that notify are fff0/fff1, fff0/2a19"},
		{"no such service", fakeMAC + "/180a/fff1", func(*fakeBus) {}, nil, "no characteristic fff1 that notifies", "fff0/fff1"},
		{"one that does not notify", fakeMAC + "/fff2", func(*fakeBus) {}, nil, "no characteristic fff2 that notifies", "fff0/fff1"},
		{"several", fakeMAC, func(b *fakeBus) {
			b.know()
			b.set(fakeDevice, "org.bluez.Device1", props{"Connected": v(true), "ServicesResolved": v(true)})
			b.services()
			b.characteristic(fakeDevice+"/service0010/char0040", "12345678-0000-1000-8000-00805f9b34fb", "indicate")
		}, nil, "2 characteristics notify", "fff0/fff1, fff0/12345678-0000-1000-8000-00805f9b34fb"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := bus(t)
			b.change(func() { tc.so(b) })
			_, err := b.transport(tc.place, quick).Open(t.Context())
			require.ErrorContains(t, err, "ble:"+tc.place+": ")
			require.ErrorContains(t, err, tc.want)
			if tc.kind != nil {
				require.ErrorIs(t, err, tc.kind)
			}
			var hint *device.Error
			require.ErrorAs(t, err, &hint)
			require.Contains(t, hint.HintText(), tc.hint)
			require.NoError(t, b.await(t.Context(), func() bool { return len(b.conns) == 0 }), "a connection was left open")
		})
	}
}

// A known instrument that is not near is absent when the time to connect is over,
// and the attempt is taken back.
func TestKnownButAway(t *testing.T) {
	for _, method := range []string{"refused", "hangs"} {
		t.Run(method, func(t *testing.T) {
			b := bus(t)
			b.change(func() {
				b.know()
				b.near = false
				b.hang["Connect"] = method == "hangs"
			})
			o := quick
			o.Connect = 50 * time.Millisecond
			_, err := b.transport(fakeMAC, o).Open(t.Context())
			require.ErrorIs(t, err, device.ErrAbsent)
			require.ErrorContains(t, err, "it could not be connected")
			require.NoError(t, b.await(t.Context(), func() bool { return b.calls[len(b.calls)-1] == "Disconnect" }))
		})
	}
}

// Whatever hangs, Open ends soon after its context, and in its own time.
func TestOpenIsCancelledAnywhere(t *testing.T) {
	for _, method := range []string{"Ping", "GetManagedObjects", "StartDiscovery", "Connect", "StartNotify"} {
		t.Run(method, func(t *testing.T) {
			b := bus(t)
			b.change(func() { b.hang[method] = true })
			ctx, cancel := context.WithCancel(t.Context())
			opened := make(chan error, 1)
			go func() {
				o := quick
				o.Search = 20 * time.Second
				_, err := b.transport(fakeMAC, o).Open(ctx)
				opened <- err
			}()
			require.NoError(t, b.await(t.Context(), func() bool { return slices.Contains(b.calls, method) }))
			cancel()
			err := <-opened
			require.ErrorIs(t, err, context.Canceled)
			require.NotErrorIs(t, err, device.ErrAbsent)
			if slices.Contains(b.asked(), "Connect") {
				require.NoError(t, b.await(t.Context(), func() bool { return b.calls[len(b.calls)-1] == "Disconnect" }))
			}
		})
	}
}

func TestNoBus(t *testing.T) {
	transport, err := ble.New(fakeMAC, quick.WithBus("unix:path="+t.TempDir()+"/none"))
	require.NoError(t, err)
	_, err = transport.Open(t.Context())
	require.ErrorIs(t, err, device.ErrAbsent)
	require.ErrorContains(t, err, "no system bus")
}

func TestScan(t *testing.T) {
	b := bus(t)
	b.change(func() {
		b.add(fakePath+"/dev_C0_FF_EE_00_00_02", "org.bluez.Device1", props{"Address": v("C0:FF:EE:00:00:02")}) // from another day
		b.add(fakePath+"/dev_C0_FF_EE_00_00_03", "org.bluez.Device1", props{"Address": v("C0:FF:EE:00:00:03"), "Connected": v(true)})
	})
	var found []ble.Found
	for patience := 25 * time.Millisecond; len(found) < 2; patience *= 2 { // a slow machine takes longer
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		var err error
		found, err = ble.Scan(ctx, quick.WithBus(b.address()))
		cancel()
		require.NoError(t, err)
	}
	require.Equal(t, []ble.Found{
		{
			Address: device.Address{Transport: "ble", Place: fakeMAC}, Name: "invented", RSSI: -60,
			Services: []ble.UUID{"0000fff0-0000-1000-8000-00805f9b34fb", fakeUUID},
		},
		{Address: device.Address{Transport: "ble", Place: "C0:FF:EE:00:00:03"}, Connected: true},
	}, found)
	require.Equal(t, "StopDiscovery", b.asked()[len(b.asked())-1])

	b.stop()
	_, err := ble.Scan(t.Context(), quick.WithBus(b.address()))
	require.ErrorIs(t, err, device.ErrAbsent)
	var hint interface{ HintText() string }
	require.True(t, errors.As(err, &hint))
	require.Contains(t, hint.HintText(), "start bluetooth")
}
