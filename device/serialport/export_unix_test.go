//go:build linux || darwin

package serialport

import "golang.org/x/sys/unix"

// Termios reads a terminal's settings.
func Termios(fd int) (*unix.Termios, error) { return unix.IoctlGetTermios(fd, getTermios) }
