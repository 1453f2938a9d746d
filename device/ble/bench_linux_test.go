package ble_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/ble"
	"paintmark/device/ble/bletest"
	"paintmark/device/ble/internal/peripheral"
	"paintmark/device/profile"
)

// benchVariable names two Bluetooth adapters, the program's and the
// instrument's, in a machine of its own, and the process of its bluetoothd;
// testdata/bench says how.
const benchVariable = "PAINTMARK_BENCH_BLE"

// benchPatience is how long the bench may take for one step.
const benchPatience = 60 * time.Second

const benchProfile = `
name = "bench"
[framing]
ending = "lf"
[reading]
pattern = '(?P<value>\d{6}\.\d) Nm'
unit = "N·m"
`

// TestBench reads an instrument made of a second adapter through the real
// Bluetooth service.
func TestBench(t *testing.T) {
	parts := strings.Split(os.Getenv(benchVariable), ",")
	if len(parts) != 3 {
		t.Skip("needs two Bluetooth adapters: set " + benchVariable + " as testdata/bench/README.md says")
	}
	pid, err := strconv.Atoi(parts[2])
	require.NoError(t, err)
	b := &bleBench{central: parts[0], far: parts[1], bluetoothd: pid}
	b.switchOn(t)
	t.Cleanup(func() { _ = b.p.Close() })
	for _, step := range []struct {
		name string
		run  func(*testing.T, *bleBench)
	}{
		{"scanned", benchScan},
		{"choosing", benchChoosing},
		{"indications", benchIndications},
		{"bursts", benchBursts},
		{"written", benchWritten},
		{"inspected", benchInspected},
		{"described by itself", benchDescribed},
		{"dropped in mid-frame", benchDropped},
		{"switched off", benchOff},
		{"reconnected by the dozen", benchDozen},
		{"service killed", benchKilled},
		{"own adapter off", benchOwnOff},
	} {
		start := time.Now()
		ok := t.Run(step.name, func(t *testing.T) { step.run(t, b) })
		t.Logf("%s: %.1f s", step.name, time.Since(start).Seconds())
		if !ok {
			t.FailNow()
		}
	}
}

type bleBench struct {
	central, far string
	bluetoothd   int
	p            *peripheral.Peripheral
	mac          string
	sent         int // readings, so that each is another
}

func limited(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), benchPatience)
	t.Cleanup(cancel)
	return ctx
}

func (b *bleBench) switchOn(t *testing.T) {
	t.Helper()
	var err error
	b.p, err = peripheral.New(limited(t), b.far, peripheral.Service{
		Name: "invented",
		UUID: "0000fff0-0000-1000-8000-00805f9b34fb",
		Characteristics: []peripheral.Characteristic{
			{UUID: bletest.Char, Flags: []string{"notify", "write"}, Format: []byte{0x0E, 0xFE, 0x41, 0x27, 1, 0, 0}},
			{UUID: "0000fff2-0000-1000-8000-00805f9b34fb", Flags: []string{"notify", "write-without-response"}},
			{UUID: "0000fff3-0000-1000-8000-00805f9b34fb", Flags: []string{"indicate"}},
		},
	})
	require.NoError(t, err)
	b.mac, err = b.p.Address()
	require.NoError(t, err)
}

func (b *bleBench) options() ble.Options { return ble.Options{Adapter: b.central} }

func (b *bleBench) transport(t *testing.T) *ble.Transport {
	t.Helper()
	transport, err := ble.New(b.mac+"/fff1", b.options())
	require.NoError(t, err)
	return transport
}

// open opens a link; what is sent from then on is heard.
func (b *bleBench) open(t *testing.T) device.Link {
	t.Helper()
	link, err := b.transport(t).Open(limited(t))
	require.NoError(t, err)
	t.Cleanup(func() { _ = link.Close() })
	require.NoError(t, b.p.Await(limited(t), 0, true))
	return link
}

func benchScan(t *testing.T, b *bleBench) {
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	found, err := ble.Scan(ctx, b.options())
	require.NoError(t, err)
	t.Logf("%+v", found)
	i := slices.IndexFunc(found, func(f ble.Found) bool { return f.Address.Place == b.mac })
	require.GreaterOrEqual(t, i, 0)
	require.Equal(t, "invented", found[i].Name)
	require.Contains(t, found[i].Services, ble.UUID("0000fff0-0000-1000-8000-00805f9b34fb"))
}

func benchChoosing(t *testing.T, b *bleBench) {
	transport, err := ble.New(b.mac, b.options())
	require.NoError(t, err)
	_, err = transport.Open(limited(t))
	require.ErrorContains(t, err, "3 characteristics notify")
	require.Contains(t, err.(*device.Error).HintText(), "fff0/fff1")
	require.Contains(t, err.(*device.Error).HintText(), "fff0/fff2")
	nobody, err := ble.New("02:00:00:00:00:99", ble.Options{Adapter: b.central, Search: 2 * time.Second})
	require.NoError(t, err)
	_, err = nobody.Open(limited(t))
	require.ErrorIs(t, err, device.ErrAbsent)
	t.Log(err)
}

// numbered sends numbered values, each twice in a row, in bursts, and gives them
// as they came. An equal value that follows is one as well.
func (b *bleBench) numbered(t *testing.T, link device.Link, char, bursts, size int) []string {
	t.Helper()
	var came []string
	buf := make([]byte, 64)
	start := time.Now()
	for burst := range bursts {
		sent := make(chan error, 1)
		go func() {
			for n := range size {
				if err := b.p.Notify(char, fmt.Appendf(nil, "%08d", (burst*size+n)/2)); err != nil {
					sent <- err
					return
				}
			}
			sent <- nil
		}()
		for range size {
			got, err := link.Read(buf)
			require.NoError(t, err)
			require.True(t, link.(device.Packeted).EndOfPacket())
			came = append(came, string(buf[:got]))
		}
		require.NoError(t, <-sent)
	}
	t.Logf("%d values, %.0f a second", bursts*size, float64(bursts*size)/time.Since(start).Seconds())
	return came
}

func benchIndications(t *testing.T, b *bleBench) {
	transport, err := ble.New(b.mac+"/fff3", b.options())
	require.NoError(t, err)
	link, err := transport.Open(limited(t))
	require.NoError(t, err)
	defer func() { require.NoError(t, link.Close()) }()
	require.NoError(t, b.p.Await(limited(t), 2, true))
	complete(t, b.numbered(t, link, 2, 4, 100))
}

// complete wants all values, each as often as it was sent. How many came out of
// their order is told, no more: with an instrument made of BlueZ 5.66 and emulated
// adapters some already lie so on the bus, before our client, and where they
// overtake is not known. That the client keeps the order is TestBurstsStayInOrder.
func complete(t *testing.T, came []string) {
	t.Helper()
	early := 0
	for n := range came[1:] {
		if came[n+1] < came[n] {
			early++
		}
	}
	t.Logf("out of order: %d", early)
	slices.Sort(came)
	for n, value := range came {
		require.Equal(t, fmt.Sprintf("%08d", n/2), value)
	}
}

func benchBursts(t *testing.T, b *bleBench) {
	link := b.open(t)
	format, err := link.(ble.Describing).Format()
	require.NoError(t, err)
	require.Equal(t, ble.Format{Type: 0x0E, Exponent: -2, Unit: 0x2741, Namespace: 1}, format)
	complete(t, b.numbered(t, link, 0, 10, 300))
}

func benchWritten(t *testing.T, b *bleBench) {
	link := b.open(t)
	_, err := link.Write([]byte("zero\r"))
	require.NoError(t, err)
	require.Equal(t, peripheral.Write{Characteristic: 0, Value: "zero\r"}, <-b.p.Written)
	require.NoError(t, link.Close())

	// To another one than the one that notifies, without a response, in parts.
	transport, err := ble.New(b.mac+"/fff0/fff1+fff2", b.options())
	require.NoError(t, err)
	link, err = transport.Open(limited(t))
	require.NoError(t, err)
	defer func() { require.NoError(t, link.Close()) }()
	const parts = 3
	text := strings.Repeat("0123456789", 20*parts)
	_, err = link.Write([]byte(text))
	require.NoError(t, err)
	came := ""
	for len(came) < len(text) {
		select {
		case w := <-b.p.Written:
			require.Equal(t, 1, w.Characteristic)
			came += w.Value
		case <-limited(t).Done():
			require.Fail(t, "not all that was written came", "%q", came)
		}
	}
	require.Equal(t, text, came)
}

// benchInspected tells what the instrument offers, and leaves it as it was.
func benchInspected(t *testing.T, b *bleBench) {
	list, err := b.transport(t).Inspect(limited(t))
	require.NoError(t, err)
	at := map[string]ble.Characteristic{}
	for _, ch := range list {
		at[ch.Address.Place] = ch
		t.Logf("%+v", ch)
	}
	first := at[b.mac+"/fff0/fff1"]
	require.True(t, first.Notifies && first.Writes)
	require.NoError(t, first.FormatErr)
	require.Equal(t, "signed integer of 16 bits, 2 decimals, N·m", first.Format.String())
	require.True(t, at[b.mac+"/fff0/fff2"].Writes)
	require.ErrorIs(t, at[b.mac+"/fff0/fff2"].FormatErr, ble.ErrNoFormat)
	require.True(t, at[b.mac+"/fff0/fff3"].Notifies)
}

// benchDescribed reads the instrument without a profile.
func benchDescribed(t *testing.T, b *bleBench) {
	a := &benchAttached{attach.Attach(t.Context(), b.transport(t), nil, attach.Options{Describe: ble.Describe}), t, b}
	t.Cleanup(func() { require.NoError(t, a.Close()) })
	require.NoError(t, b.p.Await(limited(t), 0, true))
	require.NoError(t, b.p.Notify(0, []byte{0x88, 0x22}))
	require.Equal(t, "88.40 N·m", a.next(device.Sampled).Sample.Value.String())
}

// benchAttached is the instrument as the program has it.
type benchAttached struct {
	device.Adapter
	t *testing.T
	b *bleBench
}

func (b *bleBench) attach(t *testing.T) *benchAttached {
	t.Helper()
	p, err := profile.Parse("bench.toml", []byte(benchProfile))
	require.NoError(t, err)
	a := &benchAttached{attach.Attach(t.Context(), b.transport(t), p, attach.Options{}), t, b}
	t.Cleanup(func() { require.NoError(t, a.Close()) })
	return a
}

func (a *benchAttached) next(kind device.EventKind) device.Event {
	a.t.Helper()
	e, err := a.Next(limited(a.t))
	for err == nil && e.Kind == device.Unfinished { // a slow machine; what becomes of it follows
		e, err = a.Next(limited(a.t))
	}
	require.NoError(a.t, err)
	require.Equal(a.t, kind, e.Kind, "%+v", e)
	return e
}

// found waits until it is back. What is told meanwhile of why it is not is logged.
func (a *benchAttached) found() {
	a.t.Helper()
	for {
		e, err := a.Next(limited(a.t))
		require.NoError(a.t, err)
		if e.Kind == device.Found {
			require.Equal(a.t, a.b.mac, e.Identity)
			return
		}
		require.Equal(a.t, device.Lost, e.Kind, "%+v", e)
		a.t.Log("meanwhile:", e.Err)
	}
}

// reading sends one over two packets, and wants it once.
func (a *benchAttached) reading() {
	a.t.Helper()
	require.NoError(a.t, a.b.p.Await(limited(a.t), 0, true))
	a.b.sent++
	line := fmt.Sprintf("%06d.0 Nm\n", a.b.sent)
	require.NoError(a.t, a.b.p.Notify(0, []byte(line[:6])))
	require.NoError(a.t, a.b.p.Notify(0, []byte(line[6:])))
	require.Equal(a.t, line, string(a.next(device.Sampled).Sample.Raw))
}

func benchDropped(t *testing.T, b *bleBench) {
	a := b.attach(t)
	a.reading()
	require.NoError(t, b.p.Notify(0, []byte("0000")))
	time.Sleep(200 * time.Millisecond) // a drop overtakes what is still on its way
	require.NoError(t, b.p.Drop(limited(t)))
	require.Equal(t, "0000", string(a.next(device.Rejected).Raw))
	lost := a.next(device.Lost)
	require.ErrorIs(t, lost.Err, device.ErrLost)
	t.Log(lost.Err)
	a.found()
	a.reading()
}

func benchOff(t *testing.T, b *bleBench) {
	a := b.attach(t)
	a.reading()
	require.NoError(t, b.p.Power(limited(t), false))
	lost := a.next(device.Lost)
	require.ErrorIs(t, lost.Err, device.ErrLost)
	t.Log(lost.Err)
	require.NoError(t, b.p.Power(limited(t), true))
	a.found()
	a.reading()
}

func benchDozen(t *testing.T, b *bleBench) {
	buf := make([]byte, 64)
	for n := range 12 {
		link := b.open(t)
		want := fmt.Sprintf("round %02d", n)
		require.NoError(t, b.p.Notify(0, []byte(want)))
		require.NoError(t, b.p.Notify(0, []byte("end")))
		for _, want := range []string{want, "end"} { // each once: no handler is doubled
			got, err := link.Read(buf)
			require.NoError(t, err)
			require.Equal(t, want, string(buf[:got]))
		}
		if n%2 == 0 {
			require.NoError(t, link.Close())
		} else {
			require.NoError(t, b.p.Drop(limited(t)))
			_, err := link.Read(buf)
			require.ErrorIs(t, err, device.ErrLost)
			require.NoError(t, link.Close())
		}
		require.NoError(t, b.p.Await(limited(t), 0, false))
	}
}

// benchKilled kills the Bluetooth service and starts it anew.
func benchKilled(t *testing.T, b *bleBench) {
	a := b.attach(t)
	a.reading()
	require.NoError(t, syscall.Kill(b.bluetoothd, syscall.SIGKILL))
	lost := a.next(device.Lost)
	require.EqualError(t, lost.Err, "ble:"+b.mac+"/fff1: instrument lost: the Bluetooth service was stopped")
	require.NoError(t, b.p.Close())
	// The instrument is made of the same service, and lost its characteristics too: it
	// gets others. So the connection goes with the adapters, as no emulated one tells
	// the other that it is gone, and what was remembered of it is forgotten.
	for _, adapter := range []string{b.central, b.far} {
		out, err := exec.Command("hciconfig", adapter, "down").CombinedOutput()
		require.NoError(t, err, string(out))
	}
	daemon := exec.Command("bluetoothd", "-n")
	require.NoError(t, daemon.Start())
	b.bluetoothd = daemon.Process.Pid
	t.Cleanup(func() { _ = daemon.Process.Release() })
	b.powered(t, b.central)
	b.forget(t)
	b.powered(t, b.far)
	b.switchOn(t)
	a.found()
	a.reading()
}

// forget makes the service forget the instrument, if it remembers it.
func (b *bleBench) forget(t *testing.T) {
	t.Helper()
	bus, err := dbus.ConnectSystemBus()
	require.NoError(t, err)
	defer func() { _ = bus.Close() }()
	adapter := dbus.ObjectPath("/org/bluez/" + b.central)
	known := adapter + dbus.ObjectPath("/dev_"+strings.ReplaceAll(b.mac, ":", "_"))
	var gone dbus.Error
	if err := bus.Object("org.bluez", adapter).Call("org.bluez.Adapter1.RemoveDevice", 0, known).Err; err != nil {
		require.ErrorAs(t, err, &gone)
		require.Equal(t, "org.bluez.Error.DoesNotExist", gone.Name)
	}
}

// powered switches an adapter on, as soon as the service has it.
func (b *bleBench) powered(t *testing.T, adapter string) {
	t.Helper()
	require.NoError(t, retried(t, func(bus *dbus.Conn) error {
		o := bus.Object("org.bluez", dbus.ObjectPath("/org/bluez/"+adapter))
		return o.SetProperty("org.bluez.Adapter1.Powered", dbus.MakeVariant(true))
	}))
}

func retried(t *testing.T, try func(*dbus.Conn) error) error {
	bus, err := dbus.ConnectSystemBus()
	require.NoError(t, err)
	defer func() { _ = bus.Close() }()
	for deadline := time.Now().Add(benchPatience); ; time.Sleep(100 * time.Millisecond) {
		if err = try(bus); err == nil || time.Now().After(deadline) {
			return err
		}
	}
}

func benchOwnOff(t *testing.T, b *bleBench) {
	a := b.attach(t)
	a.reading()
	bus, err := dbus.ConnectSystemBus()
	require.NoError(t, err)
	defer func() { _ = bus.Close() }()
	own := bus.Object("org.bluez", dbus.ObjectPath("/org/bluez/"+b.central))
	require.NoError(t, own.SetProperty("org.bluez.Adapter1.Powered", dbus.MakeVariant(false)))
	lost := a.next(device.Lost)
	require.ErrorIs(t, lost.Err, device.ErrLost)
	_, err = b.transport(t).Open(limited(t))
	require.ErrorIs(t, err, device.ErrAbsent)
	require.ErrorContains(t, err, "no Bluetooth adapter is switched on")
	b.powered(t, b.central)
	a.found()
	a.reading()
}
