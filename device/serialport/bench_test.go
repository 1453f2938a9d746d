//go:build linux && !ppc64le

package serialport_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
	"paintmark/device/replay"
	"paintmark/device/serialport"
)

// benchVariable names a real USB adapter that can be unplugged, in a machine of
// its own; testdata/bench says how.
const benchVariable = "PAINTMARK_BENCH_TTY"

const benchProfile = `
name = "bench"
[framing]
ending = "crlf"
[reading]
pattern = '(?P<value>[+-]\d{4}\.\d) Nm'
unit = "N·m"
`

// patience is how long the bench may take for one step.
const patience = 60 * time.Second

// TestBench prints lines that ask for what is to be done, for testdata/bench/boot
// or whoever sits there: to send, to unplug, to plug.
func TestBench(t *testing.T) {
	path := os.Getenv(benchVariable)
	if path == "" {
		t.Skip("needs a USB adapter that can be unplugged: set " + benchVariable + " as testdata/bench/README.md says")
	}
	ports, err := serialport.List(t.Context())
	require.NoError(t, err)
	i := slices.IndexFunc(ports, func(p serialport.Port) bool { return p.Path == path })
	require.GreaterOrEqual(t, i, 0, "%s is not among %+v", path, ports)
	b := &usbBench{port: ports[i]}
	b.send = func(text string) { ask("send " + strings.NewReplacer("\r", `\r`, "\n", `\n`).Replace(text)) }
	t.Logf("listed: %+v", b.port)
	require.NotEmpty(t, b.port.Serial)
	for _, step := range []struct {
		name string
		run  func(*testing.T, *usbBench)
	}{
		{"listed", benchListed},
		{"lines and settings", benchLines},
		{"exclusive", benchExclusive},
		{"unplugged in mid-line", benchMidLine},
		{"back under another name", benchOtherName},
		{"by its by-id name", benchByID},
		{"absent at the start", benchAbsent},
		{"another adapter in its place", benchStranger},
		{"a dozen times", benchDozen},
	} {
		if !t.Run(step.name, func(t *testing.T) { step.run(t, b) }) {
			t.FailNow() // what is asked for next would not fit
		}
	}
}

type usbBench struct {
	port     serialport.Port
	identity string            // of its links; the USB serial number if empty
	send     func(text string) // makes it come from the instrument
	pulled   int               // how many readings were asked for
}

func (b *usbBench) known() string {
	if b.identity != "" {
		return b.identity
	}
	return b.port.Serial
}

// ask says what is to be done at the far end of the cable.
func ask(what string) { fmt.Println("bench asks:", what) }

// reading asks for the next reading and gives it.
func (b *usbBench) reading() string {
	b.pulled++
	const line = "+0088.4 Nm\r\n"
	b.send(line)
	return line
}

func (b *usbBench) attach(t *testing.T, place string) *benchAdapter {
	t.Helper()
	p, err := profile.Parse("bench.toml", []byte(benchProfile))
	require.NoError(t, err)
	transport, err := serialport.New(place, device.DefaultSettings())
	require.NoError(t, err)
	heard := make(heard, 1000)
	o := &opened{t: t, Transport: replay.NewRecorder(heard, nil).Transport(transport), tried: make(chan struct{}, 1)}
	a := &benchAdapter{t: t, b: b, heard: heard}
	a.Adapter = attach.Attach(t.Context(), o, p, attach.Options{Interval: 100 * time.Millisecond})
	t.Cleanup(func() { require.NoError(t, a.Close()) })
	<-o.tried // what is sent before is nobody's
	return a
}

// opened tells that it was tried to open a transport.
type opened struct {
	device.Transport
	t     *testing.T
	tried chan struct{}
}

func (o *opened) Open(ctx context.Context) (device.Link, error) {
	start := time.Now()
	link, err := o.Transport.Open(ctx)
	if took := time.Since(start); took > time.Second {
		o.t.Logf("opening took %v: %v", took, err)
	}
	select {
	case o.tried <- struct{}{}:
	default:
	}
	return link, err
}

// heard is told of every chunk that was read.
type heard chan string

func (h heard) Write(p []byte) (int, error) { h <- string(p); return len(p), nil }

type benchAdapter struct {
	device.Adapter
	t     *testing.T
	b     *usbBench
	heard heard
}

func (a *benchAdapter) next(kind device.EventKind) device.Event {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	e, err := a.Next(ctx)
	for err == nil && e.Kind == device.Unfinished { // a slow machine; what becomes of it follows
		e, err = a.Next(ctx)
	}
	require.NoError(a.t, err)
	a.t.Logf("%s %s%q %v", e.Kind, e.Sample.Value, e.Raw, e.Err)
	require.Equal(a.t, kind, e.Kind)
	return e
}

// sample asks for a reading and expects it.
func (a *benchAdapter) sample() {
	a.t.Helper()
	raw := a.b.reading()
	e := a.next(device.Sampled)
	require.Equal(a.t, raw, string(e.Sample.Raw))
	require.Equal(a.t, a.b.known(), e.Identity)
}

// unplug asks for it, and expects the loss.
func (a *benchAdapter) unplug() {
	a.t.Helper()
	ask("unplug")
	a.lost(device.ErrLost)
}

func (a *benchAdapter) plug() {
	a.t.Helper()
	ask("plug " + a.b.port.Serial)
	a.found()
}

func (a *benchAdapter) found() {
	a.t.Helper()
	require.Equal(a.t, a.b.known(), a.next(device.Found).Identity)
}

func (a *benchAdapter) lost(why error) {
	a.t.Helper()
	require.ErrorIs(a.t, a.next(device.Lost).Err, why)
}

// half has the beginning of a line sent, and waits until it was read.
func (a *benchAdapter) half() string {
	a.t.Helper()
	const half = "+0088."
	a.b.send(half)
	for got := ""; !strings.HasSuffix(got, half); {
		select {
		case line := <-a.heard:
			chunk, err := replay.NewReader("heard", strings.NewReader(replay.Header+"\n"+line)).Next()
			if err == nil { // the recording's own head is no chunk
				got += string(chunk.Bytes)
			}
		case <-time.After(patience):
			require.FailNow(a.t, "the half line did not come")
		}
	}
	return half
}

// quiet wants nothing told for some looks at where the instrument may be.
func (a *benchAdapter) quiet() {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(a.t.Context(), time.Second)
	defer cancel()
	e, err := a.Next(ctx)
	require.ErrorIs(a.t, err, context.DeadlineExceeded, "%+v", e)
}

func benchListed(t *testing.T, b *usbBench) {
	require.Equal(t, "serial:usb="+b.port.Serial, b.port.Address.String())
	require.NotEmpty(t, b.port.VendorID)
	require.NotEmpty(t, b.port.ProductID)
	require.NotEmpty(t, b.port.ByID)
	require.Empty(t, b.port.HeldBy)
}

// raw opens the port as any other program may.
func raw(t *testing.T, path string) int {
	t.Helper()
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	require.NoError(t, err)
	return fd
}

// The line is set as asked, DTR and RTS too, listing does not disturb it, and it
// is left as it was found.
func benchLines(t *testing.T, b *usbBench) {
	fd := raw(t, b.port.Path)
	defer func() { require.NoError(t, unix.Close(fd)) }()
	found, err := serialport.Termios(fd)
	require.NoError(t, err)
	for _, s := range []device.Settings{
		{Baud: 115200, DataBits: 8, Parity: "none", StopBits: "1"},
		{Baud: 1200, DataBits: 7, Parity: "odd", StopBits: "2", DTR: true},
		{Baud: 31250, DataBits: 8, Parity: "even", StopBits: "1", RTS: true},
	} {
		transport, err := serialport.New(b.port.Path, s)
		require.NoError(t, err)
		link, err := transport.Open(t.Context())
		require.NoError(t, err)
		set, err := serialport.Termios(fd)
		require.NoError(t, err)
		require.NotEqual(t, found, set)
		_, err = serialport.List(t.Context())
		require.NoError(t, err)
		again, err := serialport.Termios(fd)
		require.NoError(t, err)
		require.Equal(t, set, again)
		lines, err := unix.IoctlGetInt(fd, unix.TIOCMGET)
		require.NoError(t, err)
		require.Equal(t, s.DTR, lines&unix.TIOCM_DTR != 0, "DTR at %+v", s)
		require.Equal(t, s.RTS, lines&unix.TIOCM_RTS != 0, "RTS at %+v", s)
		require.NoError(t, link.Close())
		left, err := serialport.Termios(fd)
		require.NoError(t, err)
		require.Equal(t, found, left)
	}
}

func benchExclusive(t *testing.T, b *usbBench) {
	places := []string{"usb=" + b.port.Serial, b.port.Path, "by-id=" + b.port.ByID}
	a := b.attach(t, places[0])
	a.sample()
	for _, place := range places {
		transport, err := serialport.New(place, device.DefaultSettings())
		require.NoError(t, err)
		_, err = transport.Open(t.Context())
		require.ErrorIs(t, err, device.ErrBusy, place)
		t.Log(err, "/", err.(*device.Error).HintText())
	}
	a.sample()

	// Whoever is not root does not get the port at all.
	require.ErrorIs(t, openAsUser(b.port.Path), unix.EBUSY)
	a.sample()
	require.NoError(t, a.Close())

	// What another program has for itself is busy, for root as well.
	fd := raw(t, b.port.Path)
	require.NoError(t, unix.IoctlSetInt(fd, unix.TIOCEXCL, 0))
	transport, err := serialport.New(b.port.Path, device.DefaultSettings())
	require.NoError(t, err)
	_, err = transport.Open(t.Context())
	require.ErrorIs(t, err, device.ErrBusy)
	require.NoError(t, unix.Close(fd))

	// And so is what it has without keeping others out; it is named.
	cat := exec.Command("cat", b.port.Path)
	require.NoError(t, cat.Start())
	defer func() { _ = cat.Process.Kill(); _ = cat.Wait() }()
	await(t, "cat to be seen", func() bool {
		ports, err := serialport.List(t.Context())
		require.NoError(t, err)
		return slices.ContainsFunc(ports, func(p serialport.Port) bool { return p.HeldBy != "" })
	})
	_, err = transport.Open(t.Context())
	require.ErrorIs(t, err, device.ErrBusy)
	require.Contains(t, err.(*device.Error).HintText(), fmt.Sprintf("(process %d) has it open", cat.Process.Pid))
	t.Log(err, "/", err.(*device.Error).HintText())
}

// openAsUser opens a file without the right of root that goes before another
// program's exclusive use.
func openAsUser(path string) error {
	result := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
		var rights [2]unix.CapUserData
		if err := unix.Capget(&header, &rights[0]); err != nil {
			result <- err
			return
		}
		rights[0].Effective &^= 1 << unix.CAP_SYS_ADMIN
		if err := unix.Capset(&header, &rights[0]); err != nil {
			result <- err
			return
		}
		fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err == nil {
			err = unix.Close(fd)
		}
		result <- err
	}()
	return <-result
}

// await looks until something is so that no event tells.
func await(t *testing.T, what string, so func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !so(); time.Sleep(20 * time.Millisecond) {
		require.True(t, time.Now().Before(deadline), "waited too long for "+what)
	}
}

func benchMidLine(t *testing.T, b *usbBench) {
	a := b.attach(t, "usb="+b.port.Serial)
	a.sample()
	half := a.half()
	ask("unplug")
	require.Equal(t, half, string(a.next(device.Rejected).Raw))
	a.lost(device.ErrLost)
	a.plug()
	a.sample() // and nothing of the half line is in it
}

// The kernel gives a name anew only when nobody has the old one open.
func benchOtherName(t *testing.T, b *usbBench) {
	fd := raw(t, b.port.Path)
	a := b.attach(t, "usb="+b.port.Serial)
	a.sample()
	a.unplug()
	a.plug()
	a.sample()
	ports, err := serialport.List(t.Context())
	require.NoError(t, err)
	i := slices.IndexFunc(ports, func(p serialport.Port) bool { return p.Serial == b.port.Serial })
	require.GreaterOrEqual(t, i, 0)
	require.NotEqual(t, b.port.Path, ports[i].Path)
	t.Logf("was %s, is %s", b.port.Path, ports[i].Path)
	require.NoError(t, unix.Close(fd))
	a.unplug()
	a.plug()
	a.sample()
}

func benchByID(t *testing.T, b *usbBench) {
	fd := raw(t, b.port.Path)
	a := b.attach(t, "by-id="+b.port.ByID)
	a.sample()
	a.unplug()
	a.plug()
	real, err := filepath.EvalSymlinks("/dev/serial/by-id/" + b.port.ByID)
	require.NoError(t, err)
	require.NotEqual(t, b.port.Path, real)
	a.sample()
	require.NoError(t, unix.Close(fd))
	a.unplug()
	a.plug()
	a.sample()
}

func benchAbsent(t *testing.T, b *usbBench) {
	ask("unplug")
	await(t, "the adapter to be gone", func() bool {
		_, err := os.Stat(b.port.Path)
		return errors.Is(err, os.ErrNotExist)
	})
	a := b.attach(t, "usb="+b.port.Serial)
	a.lost(device.ErrAbsent)
	a.plug()
	a.sample()
}

// Another adapter in the same socket, under the same name, is not it.
func benchStranger(t *testing.T, b *usbBench) {
	a := b.attach(t, "usb="+b.port.Serial)
	a.sample()
	a.unplug()
	ask("plug BENCH-2")
	await(t, "the other adapter", func() bool {
		_, err := os.Stat(b.port.Path)
		return err == nil
	})
	a.quiet()
	ask("unplug")
	a.plug()
	a.sample()
}

func benchDozen(t *testing.T, b *usbBench) {
	a := b.attach(t, "usb="+b.port.Serial)
	for range 12 {
		a.unplug()
		a.plug()
		a.sample()
	}
	t.Logf("%d readings, none lost", b.pulled)
}
