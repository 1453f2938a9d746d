package demo

import (
	"io"

	"paintmark/calc/quantity"
	"paintmark/device/simulated"
)

// held is a simulated instrument at its port.
type held struct {
	port *simulated.Port
	to   *tap
	send func(quantity.Quantity) error
}

// tap passes bytes on to the port; cut, it passes half of them and no more.
type tap struct {
	io.Writer
	cut bool
}

func (t *tap) Write(p []byte) (int, error) {
	if t.cut {
		p = p[:len(p)/2]
	}
	return t.Writer.Write(p)
}

func (h *held) Send(v quantity.Quantity) error { return h.send(v) }

func (h *held) Plug() error { return h.port.Plug() }

// Break sends half a line and pulls the cable out.
func (h *held) Break(v quantity.Quantity) error {
	h.to.cut = true
	err := h.send(v)
	h.to.cut = false
	if err != nil {
		return err
	}
	return h.port.Unplug()
}

// Wrench makes a simulated wrench at a port, which shows in unit.
func Wrench(port *simulated.Port, unit quantity.Unit, seed uint64) (Instrument, error) {
	to := &tap{Writer: port}
	w, err := simulated.NewWrench(to, simulated.WrenchOptions{Unit: unit, Noise: 0.05, Seed: seed})
	if err != nil {
		return nil, err
	}
	return &held{port, to, func(v quantity.Quantity) error { _, err := w.Pull(v); return err }}, nil
}

// Gauge makes a simulated dial indicator at a port, which shows in unit.
func Gauge(port *simulated.Port, unit quantity.Unit, seed uint64) (Instrument, error) {
	to := &tap{Writer: port}
	i, err := simulated.NewIndicator(to, simulated.IndicatorOptions{Unit: unit, Noise: 0.0001, Seed: seed})
	if err != nil {
		return nil, err
	}
	return &held{port, to, func(v quantity.Quantity) error { _, err := i.Press(v); return err }}, nil
}
