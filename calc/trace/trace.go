// Package trace is the curve of one pull: torque over time, and over angle where
// the wrench gives one, as received, and what an engineer reads from it.
//
// A [Trace] is exact: scaled integers, never rounded. What is computed from it
// is in floating point and says how sure it is: [Read] gives [Features], each a
// [Value] with its standard uncertainty or the reason why it cannot be told, and
// [Find] gives what stands out, in the pull by itself and against its company.
//
// # How far it can be trusted
//
// Both are proved on the physical joint of device/simulated/joint, whose tests
// print what they measured. Gradients are taken over some degrees of turn, never
// from sample to sample, so a wrench must send some tens of samples a second;
// most features need its angle. Friction alone makes sound bolts differ by a
// quarter in the turn they take, so what changes the turn of a bolt by less than
// that is not found by turn.
package trace

import (
	"errors"
	"fmt"
	"math"
	"time"

	"paintmark/calc/quantity"
)

// A Series is the values of one channel: the i-th is Values[i]·10^Exponent in
// Unit, exactly.
type Series struct {
	Unit     quantity.Unit
	Exponent int32
	Values   []int64
}

// Float is the i-th value in the series' unit, to the nearest float64.
func (s Series) Float(i int) float64 {
	v := float64(s.Values[i])
	if s.Exponent < 0 {
		return v / math.Pow10(int(-s.Exponent)) // a power of ten up to 22 is exact, its inverse is not
	}
	return v * math.Pow10(int(s.Exponent))
}

// A Trace is the samples of one pull. Angle has no values where the wrench gives
// none.
type Trace struct {
	// Tick is the unit of Times.
	Tick time.Duration
	// Times are the samples' distances from the pull's beginning, in ticks. They
	// never fall.
	Times         []int64
	Torque, Angle Series
}

// Len is how many samples there are.
func (t *Trace) Len() int { return len(t.Times) }

// HasAngle tells that the wrench gave the angle too.
func (t *Trace) HasAngle() bool { return len(t.Angle.Values) > 0 }

// Seconds is the time of the i-th sample from the pull's beginning.
func (t *Trace) Seconds(i int) float64 { return float64(t.Times[i]) * t.Tick.Seconds() }

// maxExponent bounds what a series may be scaled by: no instrument comes near it.
const maxExponent = 18

// Check fails for a trace that cannot be one: channels of different lengths, times
// that fall, units that are not torque and angle, or exponents out of range.
func (t *Trace) Check() error {
	switch {
	case t.Tick <= 0:
		return fmt.Errorf("a tick of %v", t.Tick)
	case len(t.Torque.Values) != len(t.Times):
		return fmt.Errorf("%d times and %d values of torque", len(t.Times), len(t.Torque.Values))
	case t.HasAngle() && len(t.Angle.Values) != len(t.Times):
		return fmt.Errorf("%d times and %d angles", len(t.Times), len(t.Angle.Values))
	case t.Torque.Unit.Dimension() != quantity.Torque:
		return fmt.Errorf("%s is no unit of torque", t.Torque.Unit)
	case t.HasAngle() && t.Angle.Unit.Dimension() != quantity.Angle:
		return fmt.Errorf("%s is no unit of angle", t.Angle.Unit)
	}
	for _, s := range []Series{t.Torque, t.Angle} {
		if s.Exponent < -maxExponent || s.Exponent > maxExponent {
			return fmt.Errorf("an exponent of %d", s.Exponent)
		}
	}
	for i, at := range t.Times {
		if i == 0 && at < 0 || i > 0 && at < t.Times[i-1] {
			return errors.New("times that fall")
		}
	}
	return nil
}
