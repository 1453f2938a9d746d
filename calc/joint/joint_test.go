package joint_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/joint"
)

const (
	inch      = 25.4
	lbf       = 0.45359237 * 9.80665
	lbfInch   = lbf * inch / 1000
	lbfFoot   = 12 * lbfInch
	kiloPound = 1000 * lbf / (inch * inch) // 1 ksi in N/mm²
)

func metric(t *testing.T, d, p float64) joint.Thread {
	t.Helper()
	thread, err := joint.Metric(d, p)
	require.NoError(t, err)
	return thread
}

func unified(t *testing.T, d, n float64) joint.Thread {
	t.Helper()
	thread, err := joint.Unified(d, n)
	require.NoError(t, err)
	return thread
}

func TestThreads(t *testing.T) {
	// Shigley, Mechanical Engineering Design, 9th ed., Table 8-2; areas to half a
	// unit of their last figure. The diameters d2 follow from the formula.
	for _, c := range []struct{ d, n, d2, area float64 }{
		{0.375, 24, .3479, .0878}, {0.4375, 14, .3911, .1063}, {0.4375, 20, .4050, .1187}, {0.5, 13, .4500, .1419},
	} {
		thread := unified(t, c.d, c.n)
		require.InDelta(t, c.d2, thread.PitchDiameter()/inch, 6e-5, "%v", c)
		require.InDelta(t, c.area, thread.StressArea()/(inch*inch), 6e-5, "%v", c)
	}
	// ISO 898-1, read in a secondary copy.
	for _, c := range []struct{ d, p, d2, area float64 }{
		{8, 1.25, 7.188, 36.6}, {10, 1.5, 9.026, 58.0}, {12, 1.75, 10.863, 84.3},
	} {
		thread := metric(t, c.d, c.p)
		require.InDelta(t, c.d2, thread.PitchDiameter(), 6e-4, "%v", c)
		require.InDelta(t, c.area, thread.StressArea(), 0.06, "%v", c)
	}
	for _, c := range [][2]float64{{0, 1}, {10, 0}, {10, -1}, {4, 2}, {math.NaN(), 1}, {10, math.NaN()}, {math.Inf(1), 1}} {
		_, err := joint.Metric(c[0], c[1])
		require.Error(t, err, "%v", c)
	}
}

func TestShortTorque(t *testing.T) {
	// Shigley, 9th ed., Example 8-3(b): 3/4-16, 25 000 lbf, K 0.2.
	require.InDelta(t, 3750, joint.ShortTorque(0.2, 0.75*inch, 25000*lbf)/lbfInch, 1e-6)
	// Mechanical Fastening, Joining, and Assembly, p. 85.
	for k, want := range map[float64]float64{.3: 72.7, .2: 48.5, .1: 24.2} {
		require.InDelta(t, want, joint.ShortTorque(k, .190*inch, 1275*lbf)/lbfInch, .06)
	}
	// US Army TM 10-6640-238-13 App. G: K 0.20, 75 % of the proof load of grade 5, 85 ksi.
	for _, c := range []struct{ d, n, want float64 }{
		{.375, 16, 31}, {.375, 24, 35}, {.4375, 14, 49}, {.4375, 20, 55}, {.5, 13, 75}, {.5, 20, 85},
	} {
		load := .75 * 85 * kiloPound * unified(t, c.d, c.n).StressArea()
		require.InDelta(t, c.want, joint.ShortTorque(.2, c.d*inch, load)/lbfFoot, .6, "%v", c)
	}
}

func TestLongTorque(t *testing.T) {
	// VDI 2230, table for fine threads, class 8.8 (yield 640 N/mm² up to M16, from
	// memory), 90 % of yield, read in a copy: 0.3 % in load and 1.2 % in torque. The
	// diameters of head and hole are from memory.
	for _, c := range []struct {
		d, p, head float64
		mu         float64
		kN, torque float64
	}{
		{8, 1, (11.63 + 9) / 2, .10, 20.7, 22.8}, {8, 1, (11.63 + 9) / 2, .12, 20.2, 26.1}, {8, 1, (11.63 + 9) / 2, .14, 19.7, 29.2},
		{10, 1.25, (14.63 + 11) / 2, .10, 32.4, 44}, {10, 1.25, (14.63 + 11) / 2, .12, 31.6, 51}, {10, 1.25, (14.63 + 11) / 2, .14, 30.8, 57},
	} {
		thread := metric(t, c.d, c.p)
		load := joint.AssemblyPreload(thread, c.mu, .9*640)
		require.InEpsilon(t, c.kN*1000, load, .003, "%v", c)
		friction := joint.Friction{Thread: c.mu, Head: c.mu, HeadDiameter: c.head}
		require.InEpsilon(t, c.torque, friction.Torque(thread, load), .012, "%v", c)
	}
}

func TestLoadIsTheInverseOfTorque(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		thread, err := joint.Metric(rapid.Float64Range(5, 20).Draw(t, "d"), rapid.Float64Range(.5, 1.25).Draw(t, "p"))
		require.NoError(t, err)
		f := joint.Friction{Thread: rapid.Float64Range(.05, .3).Draw(t, "μt"), Head: rapid.Float64Range(.05, .3).Draw(t, "μb"),
			HeadDiameter: rapid.Float64Range(5, 30).Draw(t, "D")}
		load := rapid.Float64Range(1, 1e5).Draw(t, "F")
		require.InEpsilon(t, load, f.Load(thread, f.Torque(thread, load)), 1e-12)
	})
}

func TestStretch(t *testing.T) {
	// A public handbook's page: 7/8-9, 10 000 lbf, 5 in at 30e6 psi, the stress area
	// over the whole length: 0.0036 in; with the exact area .0036096.
	area := unified(t, .875, 9).StressArea()
	modulus := 30e6 * lbf / (inch * inch)
	stretch := joint.Stretch(10000*lbf, modulus, joint.Section{Length: 5 * inch, Area: area})
	require.InDelta(t, .0036096, stretch/inch, 1e-7)
	// Two halves in series are the whole.
	half := joint.Section{Length: 2.5 * inch, Area: area}
	require.InEpsilon(t, stretch, joint.Stretch(10000*lbf, modulus, half, half), 1e-12)
	// A whole turn against rigid parts stretches the bolt by its pitch.
	thread := metric(t, 10, 1.5)
	require.InEpsilon(t, 1.5*1e5, 360*joint.LoadPerDegree(thread, 1e5, 1e18), 1e-9)
}

func TestExtensionSetting(t *testing.T) {
	// US Army TM 1-1500-204-23-9, Fig. 8-16: 300 lbf·in, 10 in and 4 in: 214.
	set, err := joint.ExtensionSetting(300, 10, 4, 0)
	require.NoError(t, err)
	require.InDelta(t, 214.2857, set, 1e-4)
	set, err = joint.ExtensionSetting(300, 10, 4, 90)
	require.NoError(t, err)
	require.Equal(t, 300.0, set)
	set, err = joint.ExtensionSetting(300, 10, 4, 180)
	require.NoError(t, err)
	require.InDelta(t, 500, set, 1e-9) // 300·10/6
	for _, c := range [][3]float64{{10, 10, 180}, {0, 4, 0}, {-1, 4, 0}, {10, -4, 0}, {math.NaN(), 4, 0}} {
		_, err := joint.ExtensionSetting(300, c[0], c[1], c[2])
		require.Error(t, err, fmt.Sprint(c))
	}
}
