package trace_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// The curve is the drawn shape, its features lie on it, and it is that of Read; a
// wrench that gives no angle has none.
func TestTheCurveIsThatOfTheFeatures(t *testing.T) {
	d := (&drawing{flex: flex}).to(0, 0, 0).to(0.5, 0, 0).tighten(0, 60, 100)
	pull := d.to(0.4, 0, 60).to(0.5, 0, 60).trace(200, quantity.NewtonMetre)
	f, c, err := trace.ReadCurve(pull, trace.Known{})
	require.NoError(t, err)
	require.Equal(t, read(t, pull, trace.Known{}), f)
	require.Len(t, c.Turns, len(c.Samples))
	require.IsIncreasing(t, c.Samples)
	require.Greater(t, len(c.Samples), 200)
	first := c.Turns[0]
	for i, sample := range c.Samples {
		if sample > f.PeakSample { // being let go
			break
		}
		begun := c.Turns[i] - first + float64(pull.Angle.Values[c.Samples[0]])*1e-4 - flex*pull.Torque.Float(c.Samples[0])
		require.InDelta(t, shape(begun, 100), pull.Torque.Float(sample), 0.2, "at %g°", begun)
	}
	pull.Angle.Values = nil
	_, c, err = trace.ReadCurve(pull, trace.Known{})
	require.NoError(t, err)
	require.Empty(t, c.Samples)
}
