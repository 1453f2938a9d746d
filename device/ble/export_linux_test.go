package ble

// WithBus gives the options with another bus than the system's.
func (o Options) WithBus(address string) Options {
	o.bus = address
	return o
}

// Waiting is how many bytes a link holds.
const Waiting = waiting
