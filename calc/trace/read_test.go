package trace_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// A drawing makes traces of known shape: torque and the bolt's angle at points in time,
// straight between them. It is the oracle: every feature follows from the points.
type drawing struct {
	flex                  float64 // degrees per unit of torque
	seconds, torque, bolt []float64
	back                  []float64 // what the ratchet swung back
}

func (d *drawing) to(seconds, torque, bolt float64) *drawing {
	last, back := 0.0, 0.0
	if n := len(d.seconds); n > 0 {
		last, back = d.seconds[n-1], d.back[n-1]
	}
	d.seconds, d.torque, d.bolt = append(d.seconds, last+seconds), append(d.torque, torque), append(d.bolt, bolt)
	d.back = append(d.back, back)
	return d
}

func (d *drawing) swing(degrees float64) *drawing {
	n := len(d.seconds) - 1
	d.to(0.3, d.torque[n], d.bolt[n])
	d.back[n+1] += degrees
	return d
}

func (d *drawing) trace(rate float64, unit quantity.Unit) *trace.Trace {
	t := &trace.Trace{Tick: time.Microsecond, Torque: trace.Series{Unit: unit, Exponent: -5}, Angle: trace.Series{Unit: quantity.Degree, Exponent: -4}}
	k := 0
	for i := 0; ; i++ {
		at := float64(i) / rate
		for k+1 < len(d.seconds) && d.seconds[k+1] < at {
			k++
		}
		if k+1 == len(d.seconds) {
			return t
		}
		share := (at - d.seconds[k]) / (d.seconds[k+1] - d.seconds[k])
		between := func(v []float64) float64 { return v[k] + share*(v[k+1]-v[k]) }
		torque := between(d.torque)
		t.Times = append(t.Times, int64(math.Round(at*1e6)))
		t.Torque.Values = append(t.Torque.Values, int64(math.Round(torque*1e5)))
		t.Angle.Values = append(t.Angle.Values, int64(math.Round((between(d.bolt)+d.flex*torque-between(d.back))*1e4)))
	}
}

// An elastic joint of the textbook: alignment is a parabola of width w, then a straight
// line of slope s, so that the tangent meets zero at w/2, and from torque y on a line
// of a tenth of the slope. Angles are from first touch.
const (
	w, s = 20.0, 0.8 // degrees, N·m per degree
	y    = 60.0      // N·m
	flex = 0.03      // degrees per N·m
)

// shape is the torque at an angle, of a bolt that yields at a torque.
func shape(x, yield float64) float64 {
	switch corner := w/2 + yield/s; {
	case x <= 0:
		return 0
	case x < w:
		return s * x * x / (2 * w)
	case x < corner:
		return s * (x - w/2)
	default:
		return yield + s/10*(x-corner)
	}
}

// tighten draws a pull from one angle to another at 40°/s.
func (d *drawing) tighten(from, to, yield float64) *drawing {
	const step = 0.1
	for x := from; x < to; x += step {
		d.to(step/40, shape(x, yield), x)
	}
	return d.to(step/40, shape(to, yield), to)
}

func newtonMetres(v float64) quantity.Quantity {
	return quantity.New(decimal.NewFromFloat(v), quantity.NewtonMetre)
}

func read(t *testing.T, tr *trace.Trace, k trace.Known) trace.Features {
	t.Helper()
	f, err := trace.Read(tr, k)
	require.NoError(t, err)
	return f
}

// near asks for a value within a tolerance and within three of its own uncertainties.
func near(t *testing.T, want float64, got trace.Value, tolerance float64, what string) {
	t.Helper()
	require.True(t, got.Told(), "%s: %s", what, got)
	require.InDelta(t, want, got.Number(), tolerance, what)
	require.LessOrEqual(t, math.Abs(got.Number()-want), 3*got.Uncertainty()+1e-3, "%s: %s, and it is %g", what, got, want)
}

// sound is a pull from first touch to 48 N·m, in one stroke: at 70°.
func sound() *drawing {
	d := &drawing{flex: flex}
	return d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, 70, 1e9).to(0.2, 48, 70).to(0.15, 0, 70).to(0.3, 0, 70)
}

func TestASoundPull(t *testing.T) {
	f := read(t, sound().trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
	threshold := math.Sqrt(2 * w * trace.Threshold * 48 / s) // where the parabola crosses it
	near(t, 0, f.Zero, 1e-4, "zero")
	near(t, 48, f.Peak, 1e-4, "peak")
	near(t, 48, f.Final, 1e-3, "final")
	near(t, flex, f.Flex, 1e-4, "flex")
	require.Equal(t, 1, f.Strokes)
	near(t, 70-threshold, f.Turned, 0.02, "turned")
	near(t, 70-threshold, f.PeakTurn, 0.3, "turn at the peak")
	near(t, s, f.Stiffness, 0.01*s, "stiffness")
	near(t, 70-w/2, f.BeyondOrigin, 0.5, "beyond the origin")
	near(t, w/2-threshold, f.Origin, 0.5, "origin")
	near(t, 70-0.8*w, f.BeyondSnug, 1, "beyond snug")
	near(t, shape(0.8*w, y), f.Snug.Torque, 0.7, "snug torque")
	// ∫ of the parabola and of the line
	energy := (s/(6*w)*(w*w*w-threshold*threshold*threshold) + s/2*((70-w/2)*(70-w/2)-w*w/4)) * math.Pi / 180
	near(t, energy, f.Energy, 0.005*energy, "energy")
	near(t, 40, f.Speed, 0.6, "speed")
	near(t, 1, f.EndGradient, 0.01, "end gradient")
	near(t, 1, f.Bend, 0.02, "bend")
	require.False(t, f.Yield.Turn.Told())
	require.Contains(t, f.Yield.Turn.Why(), "did not fall to 50 %")
	require.Contains(t, f.Breakaway.Why(), "loose")
	require.Zero(t, f.Slips)
	require.False(t, f.Open)
	near(t, 0, f.EasedBack, 0, "eased back")
}

func TestYield(t *testing.T) {
	for _, yield := range []float64{30, 45, 60} {
		corner := w/2 + yield/s
		end := corner + 30
		d := &drawing{flex: flex}
		d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, end, yield).to(0.2, shape(end, yield), end).to(0.15, 0, end).to(0.3, 0, end)
		f := read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(yield)})
		// A window that lies evenly about the corner has half of each slope, which is 0.55;
		// one half comes a little later. A tenth of the window is allowed for.
		near(t, s, f.Stiffness, 0.01*s, "stiffness")
		require.InDelta(t, end-corner, f.Turned.Number()-f.Yield.Turn.Number(), 1)
		require.InDelta(t, yield, f.Yield.Torque.Number(), s)
		near(t, 0.1, f.EndGradient, 0.01, "end gradient")
		require.InDelta(t, f.Yield.Torque.Number(), shape(f.Yield.Turn.Number()+end-f.Turned.Number(), yield), s, "the point lies on the curve")
		strict := read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(yield), YieldShare: 0.05})
		require.Contains(t, strict.Yield.Turn.Why(), "did not fall to 5 %")
	}
}

// strokes is the sound pull in three strokes, the wrench swung back in between.
func strokes() *drawing {
	d := &drawing{flex: flex}
	d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, 30, 1e9)
	for _, next := range []float64{50, 70} {
		x := d.bolt[len(d.bolt)-1]
		d.to(0.1, 0, x).swing(35).to(0.1, shape(x, 1e9), x).tighten(x, next, 1e9)
	}
	return d.to(0.15, 0, 70).to(0.3, 0, 70)
}

func TestStrokesAreJoined(t *testing.T) {
	one := read(t, sound().trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
	f := read(t, strokes().trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
	require.Equal(t, 3, f.Strokes)
	near(t, one.Turned.Number(), f.Turned, 0.05, "turned")
	near(t, s, f.Stiffness, 0.01*s, "stiffness")
	near(t, 60, f.BeyondOrigin, 0.5, "beyond the origin")
	near(t, one.Energy.Number(), f.Energy, 0.01*one.Energy.Number(), "energy")
}

func TestARecheck(t *testing.T) {
	// Tightened to 60, it first moves at 40 (Bickford's 150 lbf·ft that restarts at
	// 100), falls to 38 as it moves, and turns 6° more.
	d := &drawing{flex: flex}
	d.to(0, 0, 70).to(0.3, 0, 70).to(0.3, 40, 70).to(0.01, 38, 70.3).to(0.3, 38+6*s, 76).to(0.1, 0, 76).to(0.3, 0, 76)
	f := read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(60), Last: newtonMetres(60)})
	near(t, 40, f.Breakaway, 0.7, "breakaway")
	near(t, 1-40.0/60, f.Relaxation, 0.012, "relaxation")
	near(t, 6, f.Turned, 0.05, "movement")
	near(t, flex, f.Flex, 2e-4, "flex")

	still := &drawing{flex: flex}
	still.to(0, 0, 70).to(0.3, 0, 70).to(0.3, 55, 70).to(0.1, 0, 70).to(0.3, 0, 70)
	f = read(t, still.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(60), Last: newtonMetres(60)})
	near(t, 0, f.Turned, 0.02, "movement")
	require.Equal(t, "the bolt did not move", f.Breakaway.Why())
}

func TestEasedBack(t *testing.T) {
	d := &drawing{flex: flex}
	d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, 75, 1e9).to(0.2, 52, 75).to(0.15, 0, 75).to(0.3, 0, 75).
		to(0.2, -30, 75).to(0.3, -27, 68).to(0.1, 0, 68).to(0.3, 0, 68)
	f := read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
	near(t, 7, f.EasedBack, 0.1, "eased back")
	require.Equal(t, 1, f.BackStrokes)
	found := trace.Find(f, trace.Stage{})
	require.Len(t, found, 1)
	require.Equal(t, trace.Finding{Kind: trace.Eased, Text: "turned back by 7°, after a peak of 52 N·m"}, found[0])
}

func TestStickSlipIsToldFromTheHand(t *testing.T) {
	slips, hand := &drawing{flex: flex}, &drawing{flex: flex}
	for _, d := range []*drawing{slips, hand} {
		d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, 40, 1e9)
	}
	for x := 40.0; x < 60; x += 2 {
		low, high := shape(x, 1e9), shape(x, 1e9)+6
		slips.to(0.1, high, x).to(0.004, shape(x+2, 1e9), x+2) // the bolt jumps while the handle stands
		hand.to(0.1, low-6, x).to(0.1, shape(x, 1e9), x).to(0.05, shape(x+2, 1e9), x+2)
	}
	for _, d := range []*drawing{slips, hand} {
		d.to(0.2, 0, 60).to(0.3, 0, 60)
	}
	f := read(t, slips.trace(500, quantity.NewtonMetre), trace.Known{Target: newtonMetres(40)})
	require.InDelta(t, 9, f.Slips, 1)
	require.InDelta(t, 6-2*s, f.Slip.Number(), 0.5)
	require.Equal(t, trace.Stuck, trace.Find(f, trace.Stage{})[0].Kind)
	f = read(t, hand.trace(500, quantity.NewtonMetre), trace.Known{Target: newtonMetres(40)})
	require.Zero(t, f.Slips)
	require.Empty(t, trace.Find(f, trace.Stage{}))
}

func TestWhatCannotBeTold(t *testing.T) {
	full := sound().trace(200, quantity.NewtonMetre)
	blind := *full
	blind.Angle = trace.Series{}
	f := read(t, &blind, trace.Known{Target: newtonMetres(48)})
	near(t, 48, f.Peak, 1e-3, "peak")
	near(t, 48, f.Final, 1e-3, "final")
	for _, v := range []trace.Value{f.Turned, f.Stiffness, f.Flex, f.Snug.Turn, f.Yield.Torque, f.Energy, f.BeyondOrigin, f.Breakaway, f.EndSpeed, f.EasedBack} {
		require.Equal(t, "cannot be told, because the wrench gives no angle", v.String())
	}
	cut := *full
	n := full.Len() / 2
	cut.Times, cut.Torque.Values, cut.Angle.Values = full.Times[:n], full.Torque.Values[:n], full.Angle.Values[:n]
	f = read(t, &cut, trace.Known{Target: newtonMetres(48)})
	require.True(t, f.Open)
	require.Equal(t, trace.Cut, trace.Find(f, trace.Stage{})[0].Kind)
	require.False(t, f.Flex.Told())
	f = read(t, &cut, trace.Known{Target: newtonMetres(48), Flex: trace.Told(flex, 1e-3)})
	near(t, s, f.Stiffness, 0.01*s, "stiffness by a known flex")
	f = read(t, &trace.Trace{Tick: 1, Torque: trace.Series{Unit: quantity.NewtonMetre}}, trace.Known{})
	require.Equal(t, "there are only 0 samples", f.Peak.Why())
	_, err := trace.Read(full, trace.Known{Target: quantity.MustParse("40 mm")})
	require.ErrorIs(t, err, quantity.ErrDimension)
}

func TestUnitsAndDirectionDoNotMatter(t *testing.T) {
	const perFoot = 1.3558179483314004 // N·m in a lbf·ft: definitions
	d := strokes()
	a := read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
	for i := range d.torque {
		d.torque[i] /= -perFoot
		d.bolt[i], d.back[i] = -d.bolt[i], -d.back[i]
	}
	d.flex *= perFoot
	tr := d.trace(200, quantity.PoundForceFoot)
	tr.Angle.Unit, tr.Angle.Exponent = quantity.Turn, -9 // a turn in parts of a thousand millionth
	for i := range tr.Angle.Values {
		tr.Angle.Values[i] = int64(math.Round(float64(tr.Angle.Values[i]) * 1e5 / 360))
	}
	b := read(t, tr, trace.Known{Target: newtonMetres(48), LeftHand: true})
	require.Equal(t, quantity.PoundForceFoot, b.Unit)
	require.InDelta(t, a.Turned.Number(), b.Turned.Number(), 0.02)
	require.InEpsilon(t, a.Stiffness.Number(), b.Stiffness.Number()*perFoot, 2e-3)
	require.InEpsilon(t, a.Final.Number(), b.Final.Number()*perFoot, 1e-4)
	require.InEpsilon(t, a.Energy.Number(), b.Energy.Number(), 2e-3)
}

// TestAnythingIsRead reads traces that no wrench sent: no panic, no figure that is none,
// and whatever cannot be told says why.
func TestAnythingIsRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 120).Draw(t, "n")
		tr := &trace.Trace{Tick: time.Duration(rapid.SampledFrom([]int64{1, 1e6, 1e9}).Draw(t, "tick")),
			Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: rapid.Int32Range(-18, 18).Draw(t, "exponent")}}
		step := rapid.SampledFrom([]int64{2, 50, math.MaxInt32, math.MaxInt64 / 2}).Draw(t, "size")
		at, angle := int64(0), int64(0)
		hasAngle := rapid.Bool().Draw(t, "angle")
		if hasAngle {
			tr.Angle.Unit = quantity.Degree
		}
		for range n {
			at += rapid.Int64Range(0, 3).Draw(t, "dt")
			tr.Times = append(tr.Times, at)
			tr.Torque.Values = append(tr.Torque.Values, rapid.Int64Range(-step, step).Draw(t, "torque"))
			if hasAngle {
				angle += rapid.Int64Range(-2, 5).Draw(t, "turn")
				tr.Angle.Values = append(tr.Angle.Values, angle)
			}
		}
		k := trace.Known{LeftHand: rapid.Bool().Draw(t, "left")}
		if rapid.Bool().Draw(t, "target") {
			k.Target, k.Last = newtonMetres(30), newtonMetres(20)
		}
		f, err := trace.Read(tr, k)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range values(f) {
			if v.Told() == (v.Why() != "") || v.Why() == "it was not looked for" || math.IsNaN(v.Number()) || math.IsInf(v.Number(), 0) || math.IsNaN(v.Uncertainty()) {
				t.Fatalf("%+v: %s", f, v)
			}
		}
		trace.Find(f, trace.Stage{Turns: true, Neighbours: []trace.Features{f, f, f, f}})
	})
}

// values are all figures of features.
func values(f trace.Features) map[string]trace.Value {
	return map[string]trace.Value{"Zero": f.Zero, "Noise": f.Noise, "Peak": f.Peak, "Final": f.Final, "Flex": f.Flex, "PeakTurn": f.PeakTurn,
		"Turned": f.Turned, "Breakaway": f.Breakaway, "Relaxation": f.Relaxation, "Prevailing": f.Prevailing, "Stiffness": f.Stiffness,
		"LinearFrom": f.LinearFrom, "LinearTo": f.LinearTo, "Origin": f.Origin, "Snug.Turn": f.Snug.Turn, "Snug.Torque": f.Snug.Torque,
		"BeyondSnug": f.BeyondSnug, "BeyondOrigin": f.BeyondOrigin, "EndGradient": f.EndGradient, "Yield.Turn": f.Yield.Turn,
		"Yield.Torque": f.Yield.Torque, "Bend": f.Bend, "Energy": f.Energy, "Speed": f.Speed, "EndSpeed": f.EndSpeed, "Rate": f.Rate,
		"Slip": f.Slip, "EasedBack": f.EasedBack, "Gap": f.Gap}
}

func TestValue(t *testing.T) {
	require.Equal(t, "0.5610 ± 0.0043", trace.Told(0.561, 0.0043).String())
	require.Equal(t, "88 ± 12", trace.Told(88.2, 12).String())
	require.Equal(t, "3", trace.Told(3, 0).String())
	require.Equal(t, "cannot be told, because it was not looked for", trace.Value{}.String())
	for _, v := range []trace.Value{trace.Told(math.NaN(), 1), trace.Told(math.Inf(1), 1), trace.Told(1, math.NaN())} {
		require.False(t, v.Told())
		require.Zero(t, v.Number())
		require.NotEmpty(t, v.Why())
	}
}

func BenchmarkRead(b *testing.B) {
	for _, rate := range []float64{100, 1500} {
		tr := strokes().trace(rate, quantity.NewtonMetre)
		b.Run(fmt.Sprint(tr.Len()), func(b *testing.B) {
			for b.Loop() {
				if _, err := trace.Read(tr, trace.Known{Target: newtonMetres(48)}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
