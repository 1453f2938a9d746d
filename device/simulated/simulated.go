// Package simulated makes instruments that do not exist but speak like
// hardware: their bytes come out of a real pseudo-terminal, so that a program
// reads them through the same driver calls, settings and failures as a real
// one's.
//
// A [Port] is the plug: it stands at a path that stays the same however often
// it is unplugged, as a name under /dev/serial/by-id does. A [Wrench] and an
// [Indicator] send what instruments of their kind send, in the invented forms
// that the profiles wrench-line and indicator-line in testdata/profiles read.
// Those that listen too are [Asked], [Begun] and [Registers], for the profiles
// indicator-asked, wrench-begun and display-modbus; [Faults] spoil what they say.
// What they add of noise comes from a seed: the same seed gives the same lines.
package simulated

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"

	"github.com/shopspring/decimal"

	"paintmark/calc/quantity"
)

// ErrNoTerminals means that this system has no pseudo-terminals.
var ErrNoTerminals = errors.New("this system has no pseudo-terminals, which simulated instruments need; they run on Linux and macOS")

// ErrUnplugged means that a port is not plugged in.
var ErrUnplugged = errors.New("the simulated port is unplugged")

// sender is what the instruments have in common.
type sender struct {
	port   io.Writer
	random *rand.Rand
	noise  float64
	chunks bool
}

func newSender(port io.Writer, seed uint64, noise float64, chunks bool) sender {
	return sender{port: port, random: rand.New(rand.NewPCG(seed, 0)), noise: noise, chunks: chunks}
}

// shown is a value as the instrument shows it: in its unit, with a normally
// distributed error, rounded to its resolution of so many decimals.
func (s *sender) shown(v quantity.Quantity, unit quantity.Unit, decimals int32) (quantity.Quantity, error) {
	v, err := v.In(unit, 9)
	if err != nil {
		return quantity.Quantity{}, err
	}
	value := v.Value
	if s.noise > 0 {
		value = value.Add(decimal.NewFromFloat(s.random.NormFloat64() * s.noise))
	}
	return quantity.MustParse(value.StringFixed(decimals) + " " + unit.String()), nil
}

// send writes a line, in uneven pieces if wanted.
func (s *sender) send(line string) error {
	for line != "" {
		n := len(line)
		if s.chunks {
			n = min(n, 1+s.random.IntN(6))
		}
		if _, err := io.WriteString(s.port, line[:n]); err != nil {
			return err
		}
		line = line[n:]
	}
	return nil
}

// WrenchOptions are how a wrench is made. The zero WrenchOptions is a wrench
// that shows newton metres without noise.
type WrenchOptions struct {
	// Unit is what it shows: N·m (if zero), lbf·ft, lbf·in or kgf·m.
	Unit quantity.Unit
	// Capacity is the most it can take; what is above is marked as overload.
	// Zero means what its display holds, 9999.9.
	Capacity quantity.Quantity
	// Noise is the standard deviation of its error, in its unit.
	Noise float64
	// Chunks lets its lines arrive in uneven pieces.
	Chunks bool
	// Seed gives its noise and its pieces.
	Seed uint64
}

// WrenchDecimals is a wrench's resolution: it shows one decimal.
const WrenchDecimals = 1

var wrenchCodes = map[quantity.Unit]string{
	quantity.NewtonMetre:        "Nm",
	quantity.PoundForceFoot:     "ftlb",
	quantity.PoundForceInch:     "inlb",
	quantity.KilogramForceMetre: "kgm",
}

// A Wrench is a digital torque wrench that sends a line at the end of each
// pull: "+0088.4 Nm OK". Its status is OK, OL for overload, LB for a low
// battery.
type Wrench struct {
	sender
	unit     quantity.Unit
	code     string
	capacity quantity.Quantity
	low      bool
}

// NewWrench makes a wrench that writes to port.
func NewWrench(port io.Writer, o WrenchOptions) (*Wrench, error) {
	w := &Wrench{sender: newSender(port, o.Seed, o.Noise, o.Chunks), unit: o.Unit, capacity: o.Capacity}
	if w.unit == quantity.NoUnit {
		w.unit = quantity.NewtonMetre
	}
	code, ok := wrenchCodes[w.unit]
	if !ok {
		return nil, fmt.Errorf("a simulated wrench does not show %s", w.unit)
	}
	w.code = code
	if w.capacity.IsZero() {
		w.capacity = quantity.New(decimal.New(99999, -WrenchDecimals), w.unit)
	}
	if w.capacity.Dimension() != quantity.Torque {
		return nil, fmt.Errorf("a wrench's capacity is no %s", w.capacity.Dimension())
	}
	return w, nil
}

// Greet sends what the wrench sends when it is switched on, which is no reading.
func (w *Wrench) Greet() error { return w.send("READY 1.2\r\n") }

// SetLowBattery says whether the battery is low from here on.
func (w *Wrench) SetLowBattery(low bool) { w.low = low }

// Pull sends the line for a pull that reached torque, and gives what the line
// says. Where the display does not hold it, the line has no figure, and the
// quantity is zero.
func (w *Wrench) Pull(torque quantity.Quantity) (quantity.Quantity, error) {
	shown, err := w.shown(torque, w.unit, WrenchDecimals)
	if err != nil {
		return quantity.Quantity{}, err
	}
	over, err := shown.Cmp(w.capacity)
	if err != nil {
		return quantity.Quantity{}, err
	}
	status := "OK"
	switch {
	case over > 0:
		status = "OL"
	case w.low:
		status = "LB"
	}
	if shown.Value.Abs().Cmp(decimal.New(99999, -WrenchDecimals)) > 0 {
		return quantity.Quantity{}, w.send(fmt.Sprintf("------- %s OL\r\n", w.code))
	}
	return shown, w.send(fmt.Sprintf("%s %s %s\r\n", signed(shown, 6), w.code, status))
}

// signed is a value with its sign and zeros before it up to a width of digits
// and point.
func signed(q quantity.Quantity, width int) string {
	sign := "+"
	if q.Value.Sign() < 0 {
		sign = "-"
	}
	return fmt.Sprintf("%s%0*s", sign, width, quantity.New(q.Value.Abs(), q.Unit).Number())
}

// IndicatorOptions are how an indicator is made. The zero IndicatorOptions is
// one that shows millimetres without noise.
type IndicatorOptions struct {
	// Unit is what it shows: mm (if zero) or in.
	Unit quantity.Unit
	// Noise is the standard deviation of its error, in its unit.
	Noise float64
	// Chunks lets its lines arrive in uneven pieces.
	Chunks bool
	// Seed gives its noise and its pieces.
	Seed uint64
}

// An Indicator is a dial indicator that sends a line at each press of its
// button: "  +9.982 mm". It shows three decimals of a millimetre, or four of an
// inch.
type Indicator struct {
	sender
	unit     quantity.Unit
	decimals int32
}

// NewIndicator makes an indicator that writes to port.
func NewIndicator(port io.Writer, o IndicatorOptions) (*Indicator, error) {
	i := &Indicator{sender: newSender(port, o.Seed, o.Noise, o.Chunks), unit: o.Unit}
	switch i.unit {
	case quantity.NoUnit, quantity.Millimetre:
		i.unit, i.decimals = quantity.Millimetre, 3
	case quantity.Inch:
		i.decimals = 4
	default:
		return nil, fmt.Errorf("a simulated indicator does not show %s", i.unit)
	}
	return i, nil
}

// Press sends the line for a length, and gives what the line says. An indicator
// shows at most 999 millimetres or 99 inches.
func (i *Indicator) Press(length quantity.Quantity) (quantity.Quantity, error) {
	shown, err := i.shown(length, i.unit, i.decimals)
	if err != nil {
		return quantity.Quantity{}, err
	}
	text := signed(shown, 1)
	if len(text) > 8 {
		return quantity.Quantity{}, fmt.Errorf("a simulated indicator does not show %s", shown)
	}
	return shown, i.send(fmt.Sprintf("%8s %s\r\n", text, i.unit))
}
