package joint

import (
	"math"
	"slices"
	"time"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// A Wrench is what reads a pull. It shows newton metres and degrees.
type Wrench struct {
	Rate                    float64 // samples a second
	TorqueStep, TorqueNoise float64 // N·m; the step is a power of ten
	AngleStep, AngleNoise   float64 // degrees; the step is a power of ten
	AngleDrift              float64 // degrees a second
	Zero, ZeroDrift         float64 // N·m, N·m a second
	Flex                    float64 // degrees per N·m, above zero
	Swing                   float64 // degrees that a stroke has room for; 0 is no limit
	// Counts tells that the angle only counts turning forward, as if the wrench did
	// not turn back when it is let go or swung back.
	Counts bool
	// Blind tells that it gives no angle.
	Blind bool
}

// DefaultWrench is an ordinary one: a hundred samples a second.
func DefaultWrench() Wrench {
	return Wrench{Rate: 100, TorqueStep: 0.01, TorqueNoise: 0.12, AngleStep: 0.1, AngleNoise: 0.05, AngleDrift: 0.02,
		Zero: 0.05, ZeroDrift: 0.005, Flex: 0.035, Swing: 70}
}

// A Truth is what happened in a pull. Torques are in newton metres at the wrench,
// without noise and zero; angles are those of the bolt, in degrees.
type Truth struct {
	Peak, Final float64
	Strokes     int
	// Turned is how far the bolt turned forward from where the torque first came to
	// trace.Threshold of the target.
	Turned float64
	// Stiffness is the torque per degree of the elastic zone, as long as nothing
	// yields, bottoms or galls; Linear tells that at least a third of the torque range of
	// the pull was in it.
	Stiffness float64
	Linear    bool
	// Alignment is the width of the alignment zone, Travel where the pull ended and
	// Began where it began, all from first touch.
	Alignment, Travel, Began float64
	// Origin is how far from first touch the tangent of the elastic zone meets zero
	// torque.
	Origin float64
	// Yielded tells that the gradient fell to a half of the elastic zone's; at that
	// torque, so many degrees before the end.
	Yielded                 bool
	YieldTorque, AfterYield float64
	Energy                  float64 // joules put into the bolt above the threshold
	// Breakaway is the torque at which a bolt that was tight first moved; 0 for a
	// loose one.
	Breakaway float64
	EasedBack float64 // degrees turned back
	Flex      float64
	// LoadBefore and LoadAfter are the clamp load in newtons.
	LoadBefore, LoadAfter float64
	Faults                []Fault
}

// A Pulled is a pull as the wrench gave it and as it was.
type Pulled struct {
	Trace *trace.Trace
	Truth Truth
}

const step = 0.001 // seconds

// pull is one pull under way.
type pull struct {
	j      *Joint
	b      *bolt
	w      Wrench
	target float64
	truth  Truth

	time, next           float64 // seconds, and when the next sample is due
	phi, angle           float64 // the handle's angle to the bolt's, and the one that is read
	torque, sent         float64 // sent is that of the last sample
	sliding              bool
	tremor               float64
	counting             bool
	turnedAt             float64 // the bolt's angle at the threshold
	moved                bool
	energy, plastic      float64
	yieldAt              float64
	times, torques, degs []int64
	off                  bool // the wrench sends no more
}

// Pull pulls a bolt to a target in newton metres. Faults of the bolt stay with it;
// those of the pull are of this one only.
func (j *Joint) Pull(n int, w Wrench, target float64, faults ...Fault) Pulled {
	b := j.bolts[n]
	for _, f := range faults {
		j.spoil(b, f)
	}
	if slices.Contains(faults, AlreadyPulled) {
		j.Pull(n, w, target)
	}
	j.pass(j.between(4, 12)) // the way from one bolt to the next
	p := &pull{j: j, b: b, w: w, target: target, phi: b.theta, counting: w.Counts, turnedAt: math.NaN(), yieldAt: math.NaN()}
	p.truth = Truth{LoadBefore: b.load(), Began: b.x, Alignment: b.alignment, Flex: w.Flex, Faults: faults,
		Stiffness: b.arms() / 1000 * b.stiffness}
	p.run(faults)
	p.finish()
	j.pass(p.time)
	j.pulled(b, p.truth.LoadBefore)
	p.truth.LoadAfter = b.load()
	return Pulled{p.trace(), p.truth}
}

func (p *pull) run(faults []Fault) {
	j, b := p.j, p.b
	speed := j.between(25, 50)
	stop := p.target * (1 + max(0.002, 0.012+0.007*j.random.NormFloat64()))
	past := slices.Contains(faults, EasedBack)
	if past {
		stop = p.target * j.between(1.08, 1.18)
	}
	jerkAt := math.Inf(1)
	if slices.Contains(faults, Jerk) {
		jerkAt = p.target * j.between(0.4, 0.6)
	}
	endAt := math.Inf(1)
	if slices.Contains(faults, Interrupted) {
		endAt = p.target * j.between(0.3, 0.9)
	}
	pauseAt := math.Inf(1)
	if j.random.Float64() < 0.15 {
		pauseAt = p.target * j.between(0.3, 0.85)
	}
	p.hold(j.between(0.15, 0.4), 0)
	fast := j.between(350, 700)
	swing := p.w.Swing * j.between(0.8, 1)
	patience := j.between(40, 120) // degrees of turning a bolt that yields
	for room := swing; p.torque < stop && !(b.theta-p.yieldAt > patience); {
		v := speed
		switch share := p.torque / p.target; {
		case p.torque >= jerkAt:
			v = fast
		case share > 0.75:
			v *= max(0.25, 1-3*(share-0.75))
		}
		v *= max(0, 1+p.shake())
		p.handle(v * step)
		room -= v * step
		if p.torque >= endAt {
			p.off = true
			return
		}
		if p.torque >= pauseAt {
			pauseAt = math.Inf(1)
			p.handleFor(0.05, -p.w.Flex*p.torque*j.between(0.01, 0.08)/0.05)
			p.hold(j.between(0.1, 0.4), 0)
		}
		if p.w.Swing > 0 && room <= 0 && p.torque < jerkAt {
			p.release()
			p.back(swing)
			room = swing
		}
	}
	p.truth.Final = p.torque
	p.hold(j.between(0.08, 0.3), -0.1)
	p.release()
	if past {
		p.ease(stop - p.target)
	}
	p.hold(j.between(0.15, 0.4), 0)
}

// shake is the trembling of the hand: an Ornstein-Uhlenbeck process of a fifth of
// the speed, with a time of 60 ms.
func (p *pull) shake() float64 {
	const time, size = 0.06, 0.2
	p.tremor += -p.tremor*step/time + size*math.Sqrt(2*step/time)*p.j.random.NormFloat64()
	return p.tremor
}

// handle turns the handle by some degrees, and lets a step of time go by.
func (p *pull) handle(d float64) {
	b := p.b
	p.phi += d
	if d > 0 || !p.counting {
		p.angle += d
	}
	p.torque = (p.phi - b.theta) / p.w.Flex
	switch {
	case p.torque < 0: // the ratchet clicks
		p.phi, p.torque, p.sliding = b.theta, 0, false
	case d <= 0:
		p.sliding = false
	case !p.sliding && p.torque >= b.tightening()*(1+b.static):
		if !p.moved && p.truth.LoadBefore > 0 {
			p.truth.Breakaway = p.torque
		}
		p.moved, p.sliding = true, true
		p.slide()
		p.sliding = !b.sticks
	case p.sliding:
		p.slide()
	}
	if math.IsNaN(p.turnedAt) && p.torque >= trace.Threshold*p.target {
		p.turnedAt = b.theta
	}
	p.truth.Peak = max(p.truth.Peak, p.torque)
	p.tick()
}

// slide lets the bolt follow until its torque is that of the wrench.
func (p *pull) slide() {
	b := p.b
	for range 8 {
		t := b.tightening()
		excess := (p.phi-b.theta)/p.w.Flex - t
		if excess <= 1e-5 {
			break
		}
		rate := b.arms() / 1000 * b.stiffness
		if b.theta >= b.bottomAt {
			rate += (pitchArm + b.threadArm) / 1000 * b.bottomRate
		}
		d := excess / (1/p.w.Flex + rate)
		before, x := b.elastic(), b.x
		b.turn(d)
		p.plastic += d - (b.x - x)
		if math.IsNaN(p.yieldAt) && b.elastic() <= 0.5 && before > 0.5 {
			p.yieldAt, p.truth.Yielded, p.truth.YieldTorque = b.theta, true, b.tightening()
		}
		if t >= trace.Threshold*p.target {
			p.energy += (t + b.tightening()) / 2 * d * math.Pi / 180
		}
	}
	p.torque = max(0, (p.phi-b.theta)/p.w.Flex)
}

// handleFor turns the handle at a speed for some seconds.
func (p *pull) handleFor(seconds, speed float64) {
	for range int(seconds / step) {
		p.handle(speed * step)
	}
}

// hold holds the wrench where it is, giving way at some degrees a second.
func (p *pull) hold(seconds, speed float64) { p.handleFor(seconds, speed) }

// release lets go: the torque falls to nothing in a tenth of a second or two.
func (p *pull) release() {
	p.truth.Strokes++
	seconds := p.j.between(0.08, 0.2)
	speed := -p.w.Flex * p.torque / seconds
	for p.torque > 0 {
		p.handle(speed * step)
	}
}

// back swings the wrench back for another stroke.
func (p *pull) back(swing float64) {
	const seconds = 0.4
	for range int(seconds / step) {
		if !p.counting {
			p.angle -= swing / seconds * step
		}
		p.tick()
	}
	const found = 30.0
	for range int(p.j.between(0, 5) / found / step) { // until the teeth of the ratchet find their place
		p.angle += found * step
		p.tick()
	}
}

// ease turns the bolt back until tightening it would take so much less torque.
func (p *pull) ease(torque float64) {
	b := p.b
	p.hold(0.5, 0)
	from, want := b.theta, b.tightening()-torque
	const speed = 25.0
	handle := func(d float64) {
		p.phi += d
		p.angle += d
		p.torque = min(0, (p.phi-b.theta)/p.w.Flex)
		if l := b.loosening(); d < 0 && -p.torque > l {
			b.turn((p.phi - b.theta) + l*p.w.Flex)
			p.torque = (p.phi - b.theta) / p.w.Flex
		}
		p.tick()
	}
	for b.tightening() > want && b.x > 0 {
		handle(-speed * step)
	}
	for p.torque < 0 {
		handle(speed * step)
	}
	p.phi = b.theta
	p.truth.EasedBack = from - b.theta
}

// tick lets a step of time go by, and sends a sample where one is due.
func (p *pull) tick() {
	if p.b.leak > 0 {
		p.b.extra *= 1 - p.b.leak*step
	}
	if p.time >= p.next {
		p.next += 1 / p.w.Rate
		p.sent = p.torque
		random := p.j.random
		t := p.torque + p.w.Zero + p.w.ZeroDrift*p.time + p.w.TorqueNoise*random.NormFloat64()
		a := p.angle + p.w.AngleDrift*p.time + p.w.AngleNoise*random.NormFloat64()
		p.times = append(p.times, int64(math.Round(p.time*1e6)))
		p.torques = append(p.torques, int64(math.Round(t/p.w.TorqueStep)))
		p.degs = append(p.degs, int64(math.Round(a/p.w.AngleStep)))
	}
	p.time += step
}

// finish fills in the truth of the whole.
func (p *pull) finish() {
	b, t := p.b, &p.truth
	if p.off {
		t.Strokes++
		t.Final = p.sent
	}
	t.Travel = b.x + t.EasedBack + p.plastic
	top := b.theta + t.EasedBack
	if !math.IsNaN(p.turnedAt) {
		t.Turned = top - p.turnedAt
	}
	if t.Yielded {
		t.AfterYield = top - p.yieldAt
	}
	t.Energy = p.energy
	t.Origin = b.alignment/2 - b.prevailing/t.Stiffness
	from := max(t.Breakaway, t.Stiffness*b.alignment/2+b.prevailing)
	straight := b.extra == 0 && b.gall() == 1 && !b.sticks
	t.Linear = straight && t.Final-from >= t.Final/3
}

// trace is what the wrench sent.
func (p *pull) trace() *trace.Trace {
	t := &trace.Trace{Tick: time.Microsecond, Times: p.times,
		Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: exponent(p.w.TorqueStep), Values: p.torques}}
	if !p.w.Blind {
		t.Angle = trace.Series{Unit: quantity.Degree, Exponent: exponent(p.w.AngleStep), Values: p.degs}
	}
	return t
}

func exponent(step float64) int32 { return int32(math.Round(math.Log10(step))) }
