package serialport

import (
	"strings"

	"golang.org/x/sys/unix"
)

const (
	getTermios = unix.TIOCGETA
	setTermios = unix.TIOCSETA
)

func isPseudo(path string) bool { return strings.HasPrefix(path, "/dev/ttys") }

// isExclusive cannot be told here without trying.
func isExclusive(int) bool { return false }

func joinGroup(name string) string { return "sudo dseditgroup -o edit -a $USER -t user " + name }
