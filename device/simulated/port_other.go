//go:build !linux && !darwin

package simulated

// A Port is a pseudo-terminal behind a path that stays the same. This system
// has none.
type Port struct{}

// NewPort fails with ErrNoTerminals.
func NewPort(string) (*Port, error) { return nil, ErrNoTerminals }

// Path is where a program finds the port while it is plugged in.
func (*Port) Path() string { return "" }

// Plug fails with ErrNoTerminals.
func (*Port) Plug() error { return ErrNoTerminals }

// Unplug fails with ErrNoTerminals.
func (*Port) Unplug() error { return ErrNoTerminals }

// Write fails with ErrNoTerminals.
func (*Port) Write([]byte) (int, error) { return 0, ErrNoTerminals }

// Read fails with ErrNoTerminals.
func (*Port) Read([]byte) (int, error) { return 0, ErrNoTerminals }

// Close has nothing to do.
func (*Port) Close() error { return nil }
