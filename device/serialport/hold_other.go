//go:build !darwin && (!linux || ppc64le)

package serialport

import "go.bug.st/serial"

// A hold does nothing here: Windows opens a port for one program alone, and
// sets it anew for each.
type hold struct{}

func take(string) (*hold, error)         { return &hold{}, nil }
func (h *hold) hasModemLines() bool      { return true }
func (h *hold) pseudo() bool             { return false }
func (h *hold) opened()                  {}
func (h *hold) gone() bool               { return false }
func (h *hold) release()                 {}
func goneError(error) bool               { return false }
func follow(path string) (string, error) { return path, nil }

func (h *hold) write(port serial.Port, p []byte) (int, error) { return port.Write(p) }

func hintDenied(string) string { return "the one who looks after this computer can give it to you" }
