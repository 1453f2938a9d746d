package serialport

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"paintmark/device"
)

// tree makes a root folder out of paths: a text is a file, "-> target" a link.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for path, text := range files {
		path = filepath.Join(root, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		if target, ok := strings.CutPrefix(text, "-> "); ok {
			require.NoError(t, os.Symlink(target, path))
		} else {
			require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		}
	}
	return root
}

const (
	usb1 = "sys/devices/pci0000:00/0000:00:14.0/usb1"
	pci  = "../../devices/pci0000:00/0000:00:14.0/usb1"
)

// bench is a machine with an on-board port, three that exist by name only, an
// adapter with a serial number, two alike without one, an adapter with two
// ports, and an instrument with USB of its own.
func bench(t *testing.T) string {
	t.Helper()
	return tree(t, map[string]string{
		"sys/class/tty/tty0":                  "-> ../../devices/virtual/tty/tty0",
		"sys/devices/virtual/tty/tty0/uevent": "",

		"sys/devices/pnp0/00:04/id":                        "PNP0501\n",
		"sys/devices/pnp0/00:04/tty/ttyS0/device":          "-> ../..",
		"sys/devices/pnp0/00:04/tty/ttyS0/type":            "4\n",
		"sys/class/tty/ttyS0":                              "-> ../../devices/pnp0/00:04/tty/ttyS0",
		"sys/devices/platform/serial8250/uevent":           "",
		"sys/devices/platform/serial8250/tty/ttyS1/device": "-> ../..",
		"sys/devices/platform/serial8250/tty/ttyS1/type":   "0\n",
		"sys/class/tty/ttyS1":                              "-> ../../devices/platform/serial8250/tty/ttyS1",

		usb1 + "/idVendor": "1d6b\n", usb1 + "/idProduct": "0003\n", usb1 + "/serial": "0000:00:14.0\n",

		usb1 + "/1-1/idVendor": "1209\n", usb1 + "/1-1/idProduct": "0003\n",
		usb1 + "/1-1/serial": "PM-0001\n", usb1 + "/1-1/product": "Invented adapter\n",
		usb1 + "/1-1/1-1:1.0/ttyUSB10/tty/ttyUSB10/device": "-> ../../../ttyUSB10",
		"sys/class/tty/ttyUSB10":                           "-> " + pci + "/1-1/1-1:1.0/ttyUSB10/tty/ttyUSB10",

		usb1 + "/1-2/idVendor": "1209\n", usb1 + "/1-2/idProduct": "0001\n", usb1 + "/1-2/serial": "PM-0002\n",
		usb1 + "/1-2/1-2:1.0/ttyUSB2/tty/ttyUSB2/device": "-> ../../../ttyUSB2",
		usb1 + "/1-2/1-2:1.1/ttyUSB3/tty/ttyUSB3/device": "-> ../../../ttyUSB3",
		"sys/class/tty/ttyUSB2":                          "-> " + pci + "/1-2/1-2:1.0/ttyUSB2/tty/ttyUSB2",
		"sys/class/tty/ttyUSB3":                          "-> " + pci + "/1-2/1-2:1.1/ttyUSB3/tty/ttyUSB3",

		usb1 + "/1-3/idVendor": "1209\n", usb1 + "/1-3/idProduct": "0002\n", usb1 + "/1-3/product": "Bad \xff text\n",
		usb1 + "/1-3/1-3:1.0/tty/ttyACM0/device": "-> ../../../1-3:1.0",
		"sys/class/tty/ttyACM0":                  "-> " + pci + "/1-3/1-3:1.0/tty/ttyACM0",

		// Bound to a Bluetooth instrument, and not connected.
		"sys/devices/virtual/tty/rfcomm0/address": "00:aa:01:01:00:01\n",
		"sys/devices/virtual/tty/rfcomm0/channel": "1\n",
		"sys/class/tty/rfcomm0":                   "-> ../../devices/virtual/tty/rfcomm0",

		// A device whose file is not made yet.
		usb1 + "/1-4/idVendor": "1209\n", usb1 + "/1-4/serial": "PM-0004\n",
		usb1 + "/1-4/1-4:1.0/tty/ttyACM1/device": "-> ../../../1-4:1.0",
		"sys/class/tty/ttyACM1":                  "-> " + pci + "/1-4/1-4:1.0/tty/ttyACM1",

		"dev/tty0": "", "dev/ttyS0": "", "dev/ttyS1": "", "dev/ttyUSB10": "", "dev/ttyUSB2": "", "dev/ttyUSB3": "", "dev/ttyACM0": "", "dev/rfcomm0": "",
		"dev/serial/by-id/usb-Invented_adapter_PM-0001-if00-port0": "-> ../../ttyUSB10",
		"dev/serial/by-id/usb-Invented_PM-0002-if00-port0":         "-> ../../ttyUSB2",
		"dev/serial/by-id/usb-Invented_PM-0002-if01-port0":         "-> ../../ttyUSB3",

		"proc/4711/comm": "terminal\n", "proc/4711/fd/0": "-> /dev/pts/3", "proc/4711/fd/7": "-> /dev/ttyUSB2",
		"proc/4712/fd/1":                         "-> socket:[123]",
		fmt.Sprintf("proc/%d/fd/5", os.Getpid()): "-> /dev/ttyS0",
		"proc/uptime":                            "1 2\n",
	})
}

func TestListATree(t *testing.T) {
	ports, err := list(t.Context(), bench(t))
	require.NoError(t, err)
	at := func(place string) device.Address { return device.Address{Transport: Name, Place: place} }
	require.Equal(t, []Port{
		{Path: "/dev/rfcomm0", Address: at("/dev/rfcomm0"), Product: "Bluetooth 00:AA:01:01:00:01"},
		{Path: "/dev/ttyACM0", Address: at("/dev/ttyACM0"), VendorID: "1209", ProductID: "0002", Product: "Bad \uFFFD text"},
		{Path: "/dev/ttyS0", Address: at("/dev/ttyS0")},
		{Path: "/dev/ttyUSB2", Address: at("by-id=usb-Invented_PM-0002-if00-port0"), ByID: "usb-Invented_PM-0002-if00-port0",
			VendorID: "1209", ProductID: "0001", Serial: "PM-0002", HeldBy: "terminal (process 4711)"},
		{Path: "/dev/ttyUSB3", Address: at("by-id=usb-Invented_PM-0002-if01-port0"), ByID: "usb-Invented_PM-0002-if01-port0",
			VendorID: "1209", ProductID: "0001", Serial: "PM-0002"},
		{Path: "/dev/ttyUSB10", Address: at("usb=PM-0001"), ByID: "usb-Invented_adapter_PM-0001-if00-port0",
			VendorID: "1209", ProductID: "0003", Serial: "PM-0001", Product: "Invented adapter"},
	}, addressed(ports))
}

func TestListWithoutATree(t *testing.T) {
	_, err := list(t.Context(), t.TempDir())
	require.ErrorContains(t, err, "the serial ports cannot be listed")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = list(ctx, bench(t))
	require.ErrorIs(t, err, context.Canceled)
}

// in makes a transport that sees another root folder.
func in(t *testing.T, root, place string) *Transport {
	t.Helper()
	transport, err := New(place, device.DefaultSettings())
	require.NoError(t, err)
	transport.root = root
	return transport
}

func TestFind(t *testing.T) {
	root := bench(t)
	path, identity, err := in(t, root, "usb=PM-0001").find()
	require.NoError(t, err)
	require.Equal(t, [2]string{"/dev/ttyUSB10", "PM-0001"}, [2]string{path, identity})

	_, _, err = in(t, root, "usb=PM-0002").find()
	require.EqualError(t, err, `serial:usb=PM-0002: 2 ports have the USB serial number "PM-0002": /dev/ttyUSB2, /dev/ttyUSB3`)
	require.Contains(t, err.(*device.Error).HintText(), "by-id")

	for _, place := range []string{"usb=PM-0004", "usb=PM-9999", "usb=PM", "by-id=usb-none"} {
		_, _, err = in(t, root, place).find()
		require.ErrorIs(t, err, device.ErrAbsent, place)
	}
	require.Equal(t, "PM-0001", identityOf(root, "/dev/ttyUSB10"))
	require.Equal(t, "00:AA:01:01:00:01", identityOf(root, "/dev/rfcomm0"))
	require.Empty(t, identityOf(root, "/dev/ttyS0"))
	require.Empty(t, identityOf(root, "/dev/pts/4"))
	_, _, err = in(t, root, "by-id=usb-Invented_PM-0002-if00-port0").find()
	require.ErrorContains(t, err, "not a serial port", "the tree's device files are plain files")
}

// By its USB serial number and by its name, a port is found under whatever name
// it has come back. The device file is a pseudo-terminal; the tree gives it the
// number.
func TestOpenByNames(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer func() { require.NoError(t, master.Close()); require.NoError(t, slave.Close()) }()
	name := slave.Name()
	root := tree(t, map[string]string{
		"sys/devices/usb1/serial": "PM-7\n", "sys/devices/usb1/idVendor": "1209\n",
		"sys/class/tty/" + filepath.Base(name) + "/device": "-> ../../../devices/usb1",
		"dev/serial/by-id/usb-invented-port0":              "-> " + name,
		"proc/4711/comm":                                   "terminal\n",
		"proc/4711/fd/3":                                   "-> " + name,
	})
	byID := in(t, root, "by-id=usb-invented-port0")
	link, err := byID.Open(t.Context())
	require.NoError(t, err)
	require.Equal(t, "PM-7", link.Identity())

	_, err = byID.Open(t.Context())
	require.EqualError(t, err, "serial:by-id=usb-invented-port0: in use by another program: "+name)
	require.Equal(t, "terminal (process 4711) has it open: close that first", err.(*device.Error).HintText())
	require.NoError(t, link.Close())
}

// A port that may not be opened names the group that may. Permissions are those
// of another user on this thread alone, as root may open everything.
func TestDenied(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer func() { require.NoError(t, master.Close()); require.NoError(t, slave.Close()) }()
	name := slave.Name()
	type result struct {
		err   error
		hints [2]string
		skip  string
	}
	tried := make(chan result)
	transport := in(t, "/", name)
	ctx := t.Context()
	go func() {
		var r result
		defer func() { tried <- r }()
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		if os.Getuid() == 0 {
			if err := os.Chown(name, 0, 0); err != nil {
				r.err = err
				return
			}
			if err := unix.Setfsuid(65534); err != nil {
				r.skip = "this user cannot take the rights of another"
				return
			}
			if err := unix.Setfsgid(65534); err != nil {
				r.skip = "this user cannot take the rights of another group"
				return
			}
		}
		for i, mode := range []uint32{0o000, 0o060} {
			chmod(name, mode)
			link, err := transport.Open(ctx)
			if err == nil {
				_ = link.Close()
				r.skip = "this user may open everything"
				return
			}
			r.err = err
			r.hints[i] = err.(*device.Error).HintText()
		}
	}()
	r := <-tried
	if r.skip != "" {
		t.Skip(r.skip)
	}
	require.ErrorIs(t, r.err, device.ErrDenied)
	require.ErrorContains(t, r.err, "serial:"+name+": no permission")
	require.Contains(t, r.hints[0], "its owner alone may open it")
	require.Regexp(t, `^it belongs to the group \S+: join it \(sudo usermod -aG \S+ \$USER\) and log in again$`, r.hints[1])
}

// chmod changes a mode with the rights that the process has.
func chmod(name string, mode uint32) {
	done := make(chan struct{})
	go func() { // on a thread with its own rights
		defer close(done)
		_ = unix.Chmod(name, mode)
	}()
	<-done
}

// A port that another program has for itself is busy, for root as well.
func TestExclusiveElsewhere(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer func() { require.NoError(t, master.Close()); require.NoError(t, slave.Close()) }()
	require.False(t, isExclusive(int(slave.Fd())))
	require.NoError(t, unix.IoctlSetInt(int(slave.Fd()), unix.TIOCEXCL, 0))
	require.True(t, isExclusive(int(slave.Fd())))
	require.NoError(t, unix.IoctlSetInt(int(slave.Fd()), unix.TIOCNXCL, 0))
}

func TestCompareNames(t *testing.T) {
	for _, tc := range []struct{ a, b string }{
		{"/dev/ttyUSB2", "/dev/ttyUSB10"}, {"/dev/ttyACM10", "/dev/ttyUSB0"}, {"COM9", "COM10"}, {"COM1", "COM2"}, {"a", "b"},
	} {
		require.Negative(t, compareNames(tc.a, tc.b))
		require.Positive(t, compareNames(tc.b, tc.a))
		require.Zero(t, compareNames(tc.a, tc.a))
	}
}

func TestHintDeniedForWhatIsGone(t *testing.T) {
	require.NotEmpty(t, hintDenied(filepath.Join(t.TempDir(), "none")))
}

// An instrument at a Bluetooth port is there once the port has hardware, and not
// when the call was hung up or given up.
func TestABluetoothPortIsWaitedFor(t *testing.T) {
	const connected = "sys/devices/virtual/tty/rfcomm0/device"
	still := func() bool { return false }

	root := bench(t)
	require.NoError(t, answered(t.Context(), root, "/dev/ttyUSB10", func() bool { return true }), "it is no Bluetooth port")
	require.ErrorIs(t, answered(t.Context(), root, "/dev/rfcomm0", func() bool { return true }), errNoAnswer)

	looked := make(chan struct{})
	result := make(chan error)
	go func() {
		result <- answered(t.Context(), root, "/dev/rfcomm0", func() bool { looked <- struct{}{}; return false })
	}()
	<-looked
	require.NoError(t, os.Symlink("../hci0:42", filepath.Join(root, connected)))
	for done := false; !done; {
		select {
		case <-looked:
		case err := <-result:
			require.NoError(t, err)
			done = true
		}
	}
	require.NoError(t, answered(t.Context(), root, "/dev/rfcomm0", still))

	require.NoError(t, os.Remove(filepath.Join(root, connected)))
	ctx, cancel := context.WithCancel(t.Context())
	go func() { result <- answered(ctx, root, "/dev/rfcomm0", func() bool { cancel(); return false }) }()
	require.ErrorIs(t, <-result, context.Canceled)
	synctest.Test(t, func(t *testing.T) {
		require.ErrorIs(t, answered(t.Context(), root, "/dev/rfcomm0", still), errNoAnswer)
	})

	err := in(t, root, "/dev/rfcomm0").explain(errNoAnswer, "/dev/rfcomm0")
	require.EqualError(t, err, "serial:/dev/rfcomm0: not attached: the Bluetooth instrument does not answer")
	require.ErrorIs(t, err, device.ErrAbsent)
}
