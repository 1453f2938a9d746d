//go:build linux || darwin

package serialport_test

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"paintmark/device"
	"paintmark/device/devicetest"
	"paintmark/device/serialport"
	"paintmark/device/simulated"
)

// plug makes a simulated port, behind a link as under /dev/serial/by-id.
func plug(t *testing.T) *simulated.Port {
	t.Helper()
	p, err := simulated.NewPort(filepath.Join(t.TempDir(), "by-id", "usb-invented-port0"))
	if err != nil {
		t.Skip("no pseudo-terminals here:", err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p
}

func open(t *testing.T, place string) device.Link {
	t.Helper()
	transport, err := serialport.New(place, device.DefaultSettings())
	require.NoError(t, err)
	link, err := transport.Open(t.Context())
	require.NoError(t, err)
	t.Cleanup(func() { _ = link.Close() })
	return link
}

func TestConformance(t *testing.T) {
	devicetest.Run(t, func(t *testing.T) devicetest.Bench {
		p := plug(t)
		transport, err := serialport.New(p.Path(), device.DefaultSettings())
		require.NoError(t, err)
		return devicetest.Bench{
			Transport: transport,
			Feed:      func(b []byte) error { _, err := p.Write(b); return err },
			Unplug:    p.Unplug,
			Plug:      p.Plug,
			Close:     p.Close,
			Exclusive: true,
			Silence:   3 * serialport.PollInterval,
		}
	})
}

// Every setting that a profile can ask for opens, or says that the system
// cannot do it.
func TestSettings(t *testing.T) {
	p := plug(t)
	for _, s := range []device.Settings{
		{Baud: 300, DataBits: 7, Parity: "odd", StopBits: "2"},
		{Baud: 115200, DataBits: 8, Parity: "even", StopBits: "1", DTR: true},
		{Baud: 31250, DataBits: 8, Parity: "none", StopBits: "1", RTS: true}, // a rate without a constant
	} {
		transport, err := serialport.New(p.Path(), s)
		require.NoError(t, err)
		link, err := transport.Open(t.Context())
		require.NoError(t, err, "%+v", s)
		_, err = p.Write([]byte("x"))
		require.NoError(t, err)
		n, err := link.Read(make([]byte, 4))
		require.NoError(t, err)
		require.Equal(t, 1, n)
		require.NoError(t, link.Close())
	}
	transport, err := serialport.New(p.Path(), device.Settings{Baud: 9600, DataBits: 8, Parity: "none", StopBits: "1.5"})
	require.NoError(t, err)
	_, err = transport.Open(t.Context())
	require.ErrorContains(t, err, "cannot be set up: Invalid serial port: error configuring port: Port stop bits invalid or not supported")
	var hint interface{ HintText() string }
	require.ErrorAs(t, err, &hint)
	require.Contains(t, hint.HintText(), "profile")
	open(t, p.Path()) // and nothing was left locked
}

func settings(t *testing.T, f *os.File) unix.Termios {
	t.Helper()
	s, err := serialport.Termios(int(f.Fd()))
	require.NoError(t, err)
	return *s
}

func TestSettingsAreLeftAsFound(t *testing.T) {
	p := plug(t)
	slave, err := os.OpenFile(p.Path(), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	defer func() { require.NoError(t, slave.Close()) }()
	found := settings(t, slave)
	transport, err := serialport.New(p.Path(), device.Settings{Baud: 300, DataBits: 7, Parity: "odd", StopBits: "2"})
	require.NoError(t, err)
	link, err := transport.Open(t.Context())
	require.NoError(t, err)
	require.NotEqual(t, found, settings(t, slave))
	require.NoError(t, link.Close())
	require.Equal(t, found, settings(t, slave))
}

// A link is followed anew at each opening: the name is the instrument's, not
// the terminal's behind it.
func TestLinkIsFollowedAtEachOpening(t *testing.T) {
	one, two := plug(t), plug(t)
	path := filepath.Join(t.TempDir(), "gauge")
	for _, p := range []*simulated.Port{one, two, one} {
		require.NoError(t, os.Symlink(p.Path(), path))
		link := open(t, path)
		_, err := p.Write([]byte("here"))
		require.NoError(t, err)
		buf := make([]byte, 8)
		n, err := link.Read(buf)
		require.NoError(t, err)
		require.Equal(t, "here"[:n], string(buf[:n]))
		require.NoError(t, link.Close())
		require.NoError(t, os.Remove(path))
	}
}

// Two names of one port are one port.
func TestBusyUnderAnotherName(t *testing.T) {
	p := plug(t)
	link := open(t, p.Path())
	real, err := filepath.EvalSymlinks(p.Path())
	require.NoError(t, err)
	other, err := serialport.New(real, device.DefaultSettings())
	require.NoError(t, err)
	_, err = other.Open(t.Context())
	require.ErrorIs(t, err, device.ErrBusy)
	if runtime.GOOS == "linux" {
		require.Equal(t, "this program has it open: close that first", err.(*device.Error).HintText())
	}
	require.NoError(t, link.Close())
	again, err := other.Open(t.Context())
	require.NoError(t, err)
	require.NoError(t, again.Close())
}

// Close does not wait for a write that a line takes nothing of.
func TestCloseEndsAWriteThatWaits(t *testing.T) {
	p := plug(t)
	link := open(t, p.Path())
	wrote := make(chan error, 1)
	go func() {
		for {
			if _, err := link.Write(make([]byte, 4096)); err != nil { // nobody reads the other end
				wrote <- err
				return
			}
		}
	}()
	select {
	case err := <-wrote:
		require.NoError(t, err)
	case <-time.After(2 * serialport.PollInterval): // it waits now
	}
	require.NoError(t, link.Close())
	require.ErrorIs(t, <-wrote, device.ErrClosed)
}

func TestReadOfNothing(t *testing.T) {
	p := plug(t)
	link := open(t, p.Path())
	n, err := link.Read(nil)
	require.Zero(t, n)
	require.NoError(t, err)
}

func TestNotASerialPort(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, []byte("88 N·m\n"), 0o600))
	for _, place := range []string{file, filepath.Dir(file), os.DevNull} {
		transport, err := serialport.New(place, device.DefaultSettings())
		require.NoError(t, err)
		_, err = transport.Open(t.Context())
		require.ErrorContains(t, err, "serial:"+place+": not a serial port")
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "88 N·m\n", string(text))
}

// A program that was killed does not keep a port, and while it lives another
// one does not get it.
func TestKilledHolderLetsGo(t *testing.T) {
	p := plug(t)
	transport, err := serialport.New(p.Path(), device.DefaultSettings())
	require.NoError(t, err)
	for range 2 {
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), holdVariable+"="+p.Path())
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		said, err := bufio.NewReader(out).ReadString('\n')
		require.NoError(t, err)
		require.Equal(t, "held\n", said)
		_, err = transport.Open(t.Context())
		require.ErrorIs(t, err, device.ErrBusy)
		require.NoError(t, child.Process.Kill())
		require.Error(t, child.Wait())
		link, err := transport.Open(t.Context())
		require.NoError(t, err)
		require.NoError(t, link.Close())
	}
}
