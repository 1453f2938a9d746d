//go:build linux && !ppc64le

package serialport

import (
	"strings"

	"golang.org/x/sys/unix"
)

// The newer pair, which keeps rates that have no constant of their own.
const (
	getTermios = unix.TCGETS2
	setTermios = unix.TCSETS2
)

func isPseudo(path string) bool { return strings.HasPrefix(path, "/dev/pts/") }

// isExclusive tells whether another program has the port for itself. Root could
// open it all the same.
func isExclusive(fd int) bool {
	n, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL)
	return err == nil && n != 0
}

func joinGroup(name string) string { return "sudo usermod -aG " + name + " $USER" }
