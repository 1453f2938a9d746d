package trace

import (
	"fmt"
	"math"
	"strconv"
)

// A Value is a computed figure with its standard uncertainty, or the reason why it
// cannot be told. The zero Value was not looked for.
type Value struct {
	number, uncertainty float64
	told                bool
	why                 string
}

// Told is a figure with its standard uncertainty (GUM). One that is not finite
// cannot be told.
func Told(number, uncertainty float64) Value {
	if math.IsNaN(number) || math.IsInf(number, 0) || math.IsNaN(uncertainty) || math.IsInf(uncertainty, 0) {
		return Untold("it cannot be computed from these samples")
	}
	return Value{number: number, uncertainty: math.Abs(uncertainty), told: true}
}

// Untold is a figure that cannot be told, because of what format and args say.
func Untold(format string, args ...any) Value { return Value{why: fmt.Sprintf(format, args...)} }

// Told tells whether there is a figure.
func (v Value) Told() bool { return v.told }

// Number is the figure; 0 where there is none.
func (v Value) Number() float64 { return v.number }

// Uncertainty is the figure's standard uncertainty.
func (v Value) Uncertainty() float64 { return v.uncertainty }

// Why is why there is no figure; empty where there is one.
func (v Value) Why() string {
	switch {
	case v.told:
		return ""
	case v.why == "":
		return "it was not looked for"
	default:
		return v.why
	}
}

// String is "0.561 ± 0.004" or "cannot be told, because the wrench gives no angle".
func (v Value) String() string {
	if !v.told {
		return "cannot be told, because " + v.Why()
	}
	if v.uncertainty == 0 {
		return strconv.FormatFloat(v.number, 'g', 6, 64)
	}
	decimals := max(0, 1-int(math.Floor(math.Log10(v.uncertainty)))) // two digits of the uncertainty
	return fmt.Sprintf("%.*f ± %.*f", decimals, v.number, decimals, v.uncertainty)
}

// over is v/w, their errors taken as independent.
func (v Value) over(w Value) Value {
	switch {
	case !v.told:
		return v
	case !w.told:
		return w
	}
	q := v.number / w.number
	return Told(q, math.Hypot(v.uncertainty/w.number, q*w.uncertainty/w.number))
}
