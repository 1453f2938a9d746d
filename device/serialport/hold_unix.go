//go:build (linux && !ppc64le) || darwin

package serialport

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"paintmark/device"
)

// A hold is a handle of our own on a port, beside the library's: it carries the
// lock and the settings as they were found.
type hold struct {
	fd    int
	found *unix.Termios
	modem bool
	path  string
}

// mostFiles keeps the library's select below the number of files it can hold,
// beyond which it panics.
const mostFiles = 1000

// take opens the port at path without waiting for a carrier, locks it, and
// remembers its settings.
func take(path string) (*hold, error) {
	fd, err := retry(func() (int, error) {
		return unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	})
	switch {
	case err == unix.EBUSY:
		return nil, device.ErrBusy
	case err == unix.EHOSTUNREACH:
		return nil, errNoAdapter
	case err == unix.EISDIR:
		return nil, errNoSerial
	case err != nil:
		return nil, err
	}
	h := &hold{fd: fd, path: path}
	if err := h.lock(); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return h, nil
}

func (h *hold) lock() error {
	if h.fd > mostFiles {
		return fmt.Errorf("%d files are open, which is too many to read a serial port", h.fd)
	}
	found, err := unix.IoctlGetTermios(h.fd, getTermios)
	switch {
	case err == unix.ENOTTY || err == unix.EINVAL || err == unix.ENODEV:
		return errNoSerial
	case err != nil: // a port by name only fails here
		return err
	}
	h.found = found
	// TIOCEXCL, which the library sets, stops everyone but root; this stops the
	// second of two of us even so. Where a device cannot be locked, the other
	// one must do.
	if _, err := retry(func() (int, error) { return 0, unix.Flock(h.fd, unix.LOCK_EX|unix.LOCK_NB) }); err == unix.EWOULDBLOCK {
		return device.ErrBusy
	}
	if !h.pseudo() && isExclusive(h.fd) {
		return device.ErrBusy
	}
	_, err = unix.IoctlGetInt(h.fd, unix.TIOCMGET)
	h.modem = err == nil
	return nil
}

func (h *hold) hasModemLines() bool { return h.modem }

// pseudo tells a pseudo-terminal, which whoever made it has open as well.
func (h *hold) pseudo() bool { return isPseudo(h.path) }

// opened is called once the library has opened the port too. A pseudo-terminal
// would stay exclusive after we were killed, until its other end is closed; a
// device forgets it with its last close. For the former the lock is enough.
func (h *hold) opened() {
	if h.pseudo() {
		_ = unix.IoctlSetInt(h.fd, unix.TIOCNXCL, 0)
	}
}

// write writes as much as the port takes, or waits until it takes some, but not
// longer than pollInterval. The library's Write would wait for ever for a line
// that takes nothing, and Close with it.
func (h *hold) write(_ serial.Port, p []byte) (int, error) {
	n, err := unix.Write(h.fd, p)
	if err == unix.EAGAIN {
		_, err = unix.Poll([]unix.PollFd{{Fd: int32(h.fd), Events: unix.POLLOUT}}, int(pollInterval.Milliseconds()))
	}
	if err == unix.EINTR {
		err = nil
	}
	return max(n, 0), err
}

// release puts the settings back and lets go. On a port that is gone there is
// nothing to put back, and it fails without harm.
func (h *hold) release() {
	_ = unix.IoctlSetTermios(h.fd, setTermios, h.found)
	_ = unix.Close(h.fd)
}

// gone tells that no device is behind the handle any more, or that it was hung up.
func (h *hold) gone() bool {
	_, err := unix.IoctlGetTermios(h.fd, getTermios)
	return goneError(err)
}

func retry(f func() (int, error)) (int, error) {
	for {
		n, err := f()
		if err != unix.EINTR {
			return n, err
		}
	}
}

// goneError tells the ways in which a system says that no device answers.
func goneError(err error) bool {
	return errors.Is(err, unix.ENXIO) || errors.Is(err, unix.ENODEV) || errors.Is(err, unix.EIO)
}

// follow resolves a path as it is now.
func follow(path string) (string, error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return path, err
	}
	info, err := os.Stat(real)
	if err != nil {
		return real, err
	}
	if info.Mode()&fs.ModeCharDevice == 0 {
		return real, errNoSerial
	}
	return real, nil
}

// hintDenied says what keeps us from a port and who can change it.
func hintDenied(path string) string {
	const ask = "the one who looks after this computer can give it to you"
	info, err := os.Stat(path)
	if err != nil {
		return ask
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ask
	}
	if info.Mode().Perm()&0o060 != 0o060 {
		return fmt.Sprintf("its owner alone may open it (%s); %s", info.Mode(), ask)
	}
	gid := strconv.FormatUint(uint64(stat.Gid), 10)
	name := gid
	if group, err := user.LookupGroupId(gid); err == nil {
		name = group.Name
	}
	return fmt.Sprintf("it belongs to the group %s: join it (%s) and log in again", name, joinGroup(name))
}
