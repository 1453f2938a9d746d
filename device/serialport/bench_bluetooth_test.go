//go:build linux && !ppc64le

package serialport_test

import (
	"context"
	"encoding/hex"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"paintmark/device"
	"paintmark/device/serialport"
)

// bluetoothVariable names two Bluetooth adapters, the program's and the
// instrument's, in a machine of its own; testdata/bench says how.
const bluetoothVariable = "PAINTMARK_BENCH_RFCOMM"

const (
	rfcommPort    = "/dev/rfcomm0"
	rfcommChannel = 1
)

// TestBenchBluetooth reads an instrument with a serial port profile, which is a
// socket on the second adapter, as the port that the kernel makes of it.
func TestBenchBluetooth(t *testing.T) {
	near, far, ok := strings.Cut(os.Getenv(bluetoothVariable), ",")
	if !ok {
		t.Skip("needs two Bluetooth adapters: set " + bluetoothVariable + " as testdata/bench/README.md says")
	}
	tool(t, "hciconfig", far, "piscan")
	// Without pairing: the emulated adapters forget it one after the other when the
	// link is dropped, and do not let each other in again.
	tool(t, "hciconfig", near, "sspmode", "0")
	tool(t, "hciconfig", far, "sspmode", "0")
	_, address, _ := strings.Cut(tool(t, "hciconfig", far), "BD Address: ")
	address, _, _ = strings.Cut(address, " ")
	s := &rfcomm{t: t, near: near, address: address}
	s.usbBench = &usbBench{identity: address, send: s.write}
	s.bind()
	for _, step := range []struct {
		name string
		run  func(*testing.T, *rfcomm)
	}{
		{"listed", rfcommListed},
		{"not answering", rfcommAbsent},
		{"lost and found", rfcommLost},
		{"bound anew", rfcommBound},
		{"own adapter off", rfcommOwnOff},
	} {
		if !t.Run(step.name, func(t *testing.T) { s.t = t; step.run(t, s) }) {
			t.FailNow()
		}
	}
}

func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
	require.NoError(t, err, "%s %q: %s", name, args, out)
	return string(out)
}

// An rfcomm is the instrument.
type rfcomm struct {
	*usbBench
	t             *testing.T
	near, address string
	stop          chan struct{}
	connected     chan int
	link          int // 0 while there is none
}

func (s *rfcomm) bind() {
	tool(s.t, "rfcomm", "-i", s.near, "bind", rfcommPort, s.address, "1")
}

// switchOn lets the instrument answer from now on.
func (s *rfcomm) switchOn() {
	s.t.Helper()
	fd, err := unix.Socket(unix.AF_BLUETOOTH, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, unix.BTPROTO_RFCOMM)
	require.NoError(s.t, err)
	raw, err := hex.DecodeString(strings.ReplaceAll(s.address, ":", ""))
	require.NoError(s.t, err)
	slices.Reverse(raw)
	require.NoError(s.t, unix.Bind(fd, &unix.SockaddrRFCOMM{Addr: [6]byte(raw), Channel: rfcommChannel}))
	require.NoError(s.t, unix.Listen(fd, 1))
	stop, connected := make(chan struct{}), make(chan int, 100)
	s.stop, s.connected = stop, connected
	go func() {
		defer close(connected)
		defer func() { _ = unix.Close(fd) }()
		for {
			select {
			case <-stop:
				return
			default:
			}
			// Nothing ends an Accept of such a socket, so it is only called for one that waits.
			if n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 50); n != 1 || err != nil {
				continue
			}
			if link, _, err := unix.Accept(fd); err == nil {
				connected <- link
			}
		}
	}()
}

// switchOff lets go of the link, and answers no more.
func (s *rfcomm) switchOff() {
	s.t.Helper()
	close(s.stop)
	for link := range s.connected {
		require.NoError(s.t, unix.Close(link))
	}
	s.hangUp()
}

func (s *rfcomm) hangUp() {
	s.t.Helper()
	if s.link != 0 {
		require.NoError(s.t, unix.Close(s.link))
		s.link = 0
	}
}

// answer takes the link that the port has opened.
func (s *rfcomm) answer() {
	s.t.Helper()
	s.hangUp()
	select {
	case s.link = <-s.connected:
	case <-time.After(patience):
		require.FailNow(s.t, "nobody connected")
	}
}

func (s *rfcomm) write(text string) {
	s.t.Helper()
	_, err := unix.Write(s.link, []byte(text))
	require.NoError(s.t, err)
}

// drop breaks the radio link, as going out of reach does.
func (s *rfcomm) drop() { tool(s.t, "hcitool", "-i", s.near, "dc", s.address) }

func (s *rfcomm) transport(path string) *serialport.Transport {
	transport, err := serialport.New(path, device.DefaultSettings())
	require.NoError(s.t, err)
	return transport
}

func rfcommListed(t *testing.T, s *rfcomm) {
	ports, err := serialport.List(t.Context())
	require.NoError(t, err)
	i := slices.IndexFunc(ports, func(p serialport.Port) bool { return p.Path == rfcommPort })
	require.GreaterOrEqual(t, i, 0, "%+v", ports)
	require.Equal(t, "Bluetooth "+s.address, ports[i].Product)
	require.Equal(t, "serial:"+rfcommPort, ports[i].Address.String())
}

// That nobody answers is said when the port is opened, not after it.
func rfcommAbsent(t *testing.T, s *rfcomm) {
	start := time.Now()
	_, err := s.transport(rfcommPort).Open(t.Context())
	require.ErrorIs(t, err, device.ErrAbsent)
	t.Logf("%v, after %v", err, time.Since(start))

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = s.transport(rfcommPort).Open(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

func rfcommLost(t *testing.T, s *rfcomm) {
	a := s.attach(t, rfcommPort)
	a.lost(device.ErrAbsent)
	a.quiet()
	s.switchOn()
	a.found()
	s.answer()
	a.sample()

	half := a.half()
	s.drop()
	require.Equal(t, half, string(a.next(device.Rejected).Raw))
	a.lost(device.ErrLost)
	a.found()
	s.answer()
	a.sample()

	// What is left of the old link does not pass for a new one.
	s.switchOff()
	a.lost(device.ErrLost)
	a.quiet()
	s.switchOn()
	a.found()
	s.answer()
	a.sample()

	for range 12 {
		s.drop()
		a.lost(device.ErrLost)
		a.found()
		s.answer()
		a.sample()
	}
	require.NoError(t, a.Close())
	s.switchOff()
}

// A port that is released and bound anew is found again.
func rfcommBound(t *testing.T, s *rfcomm) {
	s.switchOn()
	a := s.attach(t, rfcommPort)
	s.answer()
	a.sample()
	tool(t, "rfcomm", "release", rfcommPort)
	a.lost(device.ErrLost)
	a.quiet()
	s.bind()
	a.found()
	s.answer()
	a.sample()
	require.NoError(t, a.Close())
	s.switchOff()
}

// The link is dropped first: the emulated instrument would not see it end.
func rfcommOwnOff(t *testing.T, s *rfcomm) {
	s.switchOn()
	var link device.Link
	await(t, "the last link to be gone", func() bool {
		var err error
		link, err = s.transport(rfcommPort).Open(t.Context())
		return err == nil
	})
	s.answer()
	s.drop()
	_, err := link.Read(make([]byte, 1))
	require.ErrorIs(t, err, device.ErrLost)
	require.NoError(t, link.Close())
	s.switchOff()
	tool(t, "hciconfig", s.near, "down")
	_, err = s.transport(rfcommPort).Open(t.Context())
	require.ErrorIs(t, err, device.ErrAbsent)
	require.ErrorContains(t, err, "no Bluetooth adapter is switched on")
	tool(t, "hciconfig", s.near, "up")
}
