package trace_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/trace"
	"paintmark/device/simulated/joint"
)

// The curve ends where the bolt was turned to, its features lie on it, and it is that
// of Read; a wrench that gives no angle has none.
func TestTheCurveIsThatOfTheFeatures(t *testing.T) {
	pull := joint.New(joint.Options{Seed: 7}).Pull(0, joint.DefaultWrench(), 60)
	f, c, err := trace.ReadCurve(pull.Trace, trace.Known{})
	require.NoError(t, err)
	same, err := trace.Read(pull.Trace, trace.Known{})
	require.NoError(t, err)
	require.Equal(t, same, f)
	require.Len(t, c.Turns, len(c.Samples))
	require.Contains(t, c.Samples, f.PeakSample)
	for i, sample := range c.Samples {
		if sample == f.PeakSample {
			require.Equal(t, f.PeakTurn.Number(), c.Turns[i])
		}
	}
	require.IsIncreasing(t, c.Samples)
	require.InDelta(t, f.Turned.Number(), c.Turns[len(c.Turns)-1], 1)

	blind := joint.DefaultWrench()
	blind.Blind = true
	_, c, err = trace.ReadCurve(joint.New(joint.Options{Seed: 7}).Pull(0, blind, 60).Trace, trace.Known{})
	require.NoError(t, err)
	require.Empty(t, c.Samples)
}
