package samples

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// A stream is how one sort of wrench sends its samples. All figures are invented,
// of the order that wrenches for engines have.
type stream struct {
	name      string
	rate      int // samples a second
	unit      quantity.Unit
	exponent  int32   // of torque
	target    float64 // of torque
	noise     float64 // standard deviation, as a share of the target
	angle     bool
	aExponent int32
	aNoise    float64 // standard deviation in degrees
	tick      time.Duration
	jitter    float64 // of the times, in ticks; 0 for the wrench's own clock
	hitch     int64   // by how many ticks its clock is late, once in a pull
}

var streams = []stream{
	{name: "50/s N·m", rate: 50, unit: quantity.NewtonMetre, exponent: -1, target: 90, noise: 0.004, tick: time.Millisecond, jitter: 1.5},
	{name: "100/s lbf·ft, angle", rate: 100, unit: quantity.PoundForceFoot, exponent: -1, target: 65, noise: 0.003,
		angle: true, aExponent: -1, aNoise: 0.1, tick: time.Millisecond, jitter: 2},
	{name: "100/s N·m, angle, own clock", rate: 100, unit: quantity.NewtonMetre, exponent: -2, target: 70, noise: 0.002,
		angle: true, aExponent: -1, aNoise: 0.05, tick: time.Microsecond, hitch: 1000},
	{name: "200/s N·m, angle", rate: 200, unit: quantity.NewtonMetre, exponent: -2, target: 30, noise: 0.005,
		angle: true, aExponent: -1, aNoise: 0.05, tick: time.Millisecond, jitter: 1},
	{name: "500/s N·m", rate: 500, unit: quantity.NewtonMetre, exponent: -2, target: 120, noise: 0.002, tick: 100 * time.Microsecond, jitter: 3},
	{name: "1000/s N·m, angle", rate: 1000, unit: quantity.NewtonMetre, exponent: -2, target: 120, noise: 0.003,
		angle: true, aExponent: -2, aNoise: 0.03, tick: time.Millisecond},
	{name: "1000/s lbf·in, coarse, angle", rate: 1000, unit: quantity.PoundForceInch, exponent: 0, target: 800, noise: 0.001,
		angle: true, aExponent: -1, aNoise: 0.01, tick: 100 * time.Microsecond, jitter: 1.2},
}

// pulls makes so many pulls of a stream, each of 200 to 4000 samples: a bolt run
// down, snugged and stretched in some strokes by a hand that is not steady, and
// let go.
func (s stream) pulls(count int, seed uint64) []*trace.Trace {
	random := rand.New(rand.NewPCG(seed, 17))
	list := make([]*trace.Trace, count)
	for i := range list {
		list[i] = s.pull(random)
	}
	return list
}

func (s stream) pull(random *rand.Rand) *trace.Trace {
	seconds := math.Min(math.Max(2+8*random.Float64(), 200/float64(s.rate)), 4000/float64(s.rate))
	n := int(seconds * float64(s.rate))
	t := &trace.Trace{Tick: s.tick, Torque: trace.Series{Unit: s.unit, Exponent: s.exponent}}
	if s.angle {
		t.Angle = trace.Series{Unit: quantity.Degree, Exponent: s.aExponent}
	}
	strokes := 1 + random.IntN(4)
	stiffness := s.target / (40 + 40*random.Float64()) // torque a degree
	speed := (80 + 60*random.Float64()) / seconds      // degrees a second
	var angle, hand float64
	var before int64
	for i := range n {
		at := float64(i) / float64(s.rate)
		phase := math.Mod(at/seconds*float64(strokes), 1)
		hand += 0.02 * (random.NormFloat64() - hand) // how the hand varies
		turning := phase < 0.7
		torque := 0.0
		if turning {
			angle += speed / float64(s.rate) * math.Max(0, 1+2*hand)
			torque = math.Max(0.03*s.target, stiffness*(angle-30))
			torque *= math.Min(1, phase/0.05)
		} else if phase < 0.75 { // let go, and back with the ratchet
			torque = stiffness * math.Max(0, angle-30) * (0.75 - phase) / 0.05
		}
		torque += s.noise * s.target * random.NormFloat64()
		t.Torque.Values = append(t.Torque.Values, int64(math.Round(torque*math.Pow10(int(-s.exponent)))))
		if s.angle {
			seen := angle + s.aNoise*random.NormFloat64()
			t.Angle.Values = append(t.Angle.Values, int64(math.Round(seen*math.Pow10(int(-s.aExponent)))))
		}
		arrived := int64(math.Round(at/s.tick.Seconds() + s.jitter*math.Abs(random.NormFloat64())))
		if i > n/3 {
			arrived += s.hitch
		}
		before = max(before, arrived)
		t.Times = append(t.Times, before)
	}
	first := t.Times[0]
	for i := range t.Times {
		t.Times[i] -= first
	}
	return t
}

// text is a pull as text: a line for each sample, the values as a wrench sends
// them, the time in the digits that its tick has.
func text(t *trace.Trace) []byte {
	var data []byte
	digits := 3
	if t.Tick == 100*time.Microsecond {
		digits = 4
	} else if t.Tick == time.Microsecond {
		digits = 6
	}
	for i := range t.Len() {
		data = fmt.Appendf(data, "%.*f,%.*f", digits, t.Seconds(i), max(0, int(-t.Torque.Exponent)), t.Torque.Float(i))
		if t.HasAngle() {
			data = fmt.Appendf(data, ",%.*f", max(0, int(-t.Angle.Exponent)), t.Angle.Float(i))
		}
		data = append(data, '\n')
	}
	return data
}
