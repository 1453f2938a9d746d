//go:build linux && !ppc64le

package serialport_test

import (
	"os"
	"os/exec"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/serialport"
)

// acmVariable names a program that makes a USB device with a serial port of its
// own ("plug SERIAL") and takes it out ("unplug"), such as testdata/bench/guest/acm.sh.
const acmVariable = "PAINTMARK_BENCH_ACM"

// An instrument with USB of its own is listed, read by its serial number, taken
// out in mid-line and put in again.
func TestBenchACM(t *testing.T) {
	program := os.Getenv(acmVariable)
	if program == "" {
		t.Skip("needs a USB device that can be made: set " + acmVariable + " as testdata/bench/README.md says")
	}
	do := func(args ...string) {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), program, args...).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	const place, far = "usb=ACM-1", "/dev/ttyGS0"
	b := &usbBench{identity: "ACM-1"}
	b.send = func(text string) {
		f, err := os.OpenFile(far, os.O_WRONLY, 0)
		require.NoError(t, err)
		_, err = f.WriteString(text)
		require.NoError(t, err)
		require.NoError(t, f.Close())
	}
	a := b.attach(t, place)
	a.lost(device.ErrAbsent)
	do("plug", "ACM-1")
	a.found()
	ports, err := serialport.List(t.Context())
	require.NoError(t, err)
	i := slices.IndexFunc(ports, func(p serialport.Port) bool { return p.Serial == "ACM-1" })
	require.GreaterOrEqual(t, i, 0, "%+v", ports)
	t.Logf("listed: %+v", ports[i])
	require.Equal(t, "/dev/ttyACM0", ports[i].Path)
	require.Equal(t, "serial:"+place, ports[i].Address.String())
	require.Equal(t, "Bench instrument", ports[i].Product)
	for range 3 {
		a.sample()
		half := a.half()
		do("unplug")
		require.Equal(t, half, string(a.next(device.Rejected).Raw))
		a.lost(device.ErrLost)
		do("plug", "ACM-2")
		a.quiet() // another one, under the same name
		do("unplug")
		do("plug", "ACM-1")
		a.found()
	}
	a.sample()
}
