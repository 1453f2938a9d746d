package trace

import (
	"fmt"
	"math"
	"slices"

	"paintmark/calc/quantity"
)

// Threshold is the share of the target (of the peak, where there is none) from which
// on torque counts as pulling, and from where turning is counted: common practice
// has 5 to 10 %.
const Threshold = 0.05

// Known is what is known of a pull besides its samples. The zero Known is nothing.
type Known struct {
	// Target is the torque of the stage.
	Target quantity.Quantity
	// LeftHand tells that tightening gives negative torque.
	LeftHand bool
	// Last is the final torque of the last pull on this bolt.
	Last quantity.Quantity
	// Flex is the wrench's flex from other pulls, for traces that do not tell it.
	Flex Value
	// SnugShare is the share of the linear zone's gradient at which alignment counts
	// as over: 0.8 if zero, our own choice.
	SnugShare float64
	// YieldShare is the share of the linear zone's gradient at which a bolt counts as
	// yielding: one half if zero, common practice.
	YieldShare float64
}

// A Point is a place on the curve. Sample is the nearest one, −1 where there is none.
type Point struct {
	Turn, Torque Value
	Sample       int
}

// Features are what an engineer reads from a trace. Torques are in the trace's
// unit and counted positive in the direction of tightening, as the wrench sent
// them; where a formula needs torque above zero, Zero is taken off. Turns are
// degrees of the bolt from where the torque came to Threshold, summed over the
// strokes, with the flex of the wrench taken out:
//
//	θ = A − Flex·(T − Zero)
//
// where Flex can be told; otherwise the flex is in them. Uncertainties are standard
// ones; they hold errors of reading (noise, steps, sampling, the fit), not those of
// the instrument's calibration.
type Features struct {
	Unit quantity.Unit // of torque
	// Zero is the torque at rest before and after the pull: the median. Noise is its
	// standard deviation. They cannot be told from a trace without rest.
	Zero, Noise Value
	// Peak is the largest sample. Final is the torque at which the pull ended, before
	// the wrench was let go: the last maximum of the median of three samples.
	Peak, Final Value
	// PeakSample and FinalSample are where they are.
	PeakSample, FinalSample int
	// Strokes are how often torque came and fell to near zero; BackStrokes those that
	// loosened.
	Strokes, BackStrokes int
	// Flex is that of wrench, drive and socket, degrees per unit of torque: the slope
	// of angle over torque while torque comes or goes and the bolt stands still.
	Flex Value
	// PeakTurn and Turned are the turn at the peak and at the end of the last
	// tightening stroke. Strokes are joined where the bolt begins to turn again.
	PeakTurn, Turned Value
	// Breakaway is the torque at first movement, where the bolt did not turn freely
	// before: the greatest torque before the bolt has moved by more than can be an
	// error of reading, at least half a degree. Bickford: it lies below the tightening
	// torque even of a sound bolt.
	Breakaway Value
	// Relaxation is 1 − Breakaway/Last.
	Relaxation Value
	// Prevailing is the torque above Zero over the first turn, where the gradient there
	// is below three tenths of the upper quartile: what it takes to turn a bolt that
	// clamps nothing yet.
	Prevailing Value
	// Stiffness is the torque per degree of the linear zone: a robust line through the
	// longest part of the curve whose gradient stays within 12 % (with two standard
	// uncertainties of the gradient) of the typical one. The uncertainty has the
	// bending of that part in it.
	Stiffness Value
	// LinearFrom and LinearTo are the turns between which the zone lies.
	LinearFrom, LinearTo Value
	// Origin is the elastic origin: the turn at which the tangent of the linear zone
	// meets Zero. Beyond it tension grows in proportion to the angle (ASM Handbook vol.
	// 8).
	Origin Value
	// Snug is where the gradient first comes to SnugShare of the linear zone's.
	Snug Point
	// BeyondSnug and BeyondOrigin are the turn from there to the end.
	BeyondSnug, BeyondOrigin Value
	// EndGradient is the gradient at the end, as a share of the linear zone's. Yield is
	// where it falls to YieldShare and stays below.
	EndGradient Value
	Yield       Point
	// Bend is the gradient over the last 30 % of the torque as a share of that over 35 to
	// 60 %: 1 for an elastic joint, below for one that gives way, above for a bolt that
	// bottoms or seizes.
	Bend Value
	// Energy is ∫T dθ of tightening, in joules, θ in radians.
	Energy Value
	// Speed is the mean speed of turning under torque, EndSpeed the greatest one of the
	// handle over 50 ms above half the peak, in degrees a second; Rate the greatest
	// rise of torque over 50 ms, in the unit of torque a second.
	Speed, EndSpeed, Rate Value
	// Slips are the sudden falls of torque in the middle of tightening, from which it rose
	// again; Slip is their upper quartile, in the unit of torque. A fall in which the
	// handle went back as the flex asks is the hand's, and is none.
	Slips int
	Slip  Value
	// EasedBack is how far the bolt was turned back, in degrees.
	EasedBack Value
	// Open tells that the samples end under torque. Gap is the longest time without a
	// sample under torque, in seconds.
	Open bool
	Gap  Value
}

// Read reads a trace. It fails for a trace that [Trace.Check] fails for, and for a
// known torque that is none.
func Read(t *Trace, k Known) (Features, error) {
	f, _, err := ReadCurve(t, k)
	return f, err
}

// A Curve is what turn is counted on: the samples of tightening, in order, and the
// turn at each, in degrees, as in [Features]. It has none where the turn cannot be
// told.
type Curve struct {
	Samples []int
	Turns   []float64
}

// ReadCurve is Read, and gives the curve that the features lie on as well.
func ReadCurve(t *Trace, k Known) (Features, Curve, error) {
	r, err := read(t, k)
	if err != nil {
		return Features{}, Curve{}, err
	}
	c := Curve{Samples: r.curve, Turns: make([]float64, len(r.curve))}
	for i, sample := range r.curve {
		c.Turns[i] = r.turn[sample]
	}
	return r.f, c, nil
}

func read(t *Trace, k Known) (*reader, error) {
	if err := t.Check(); err != nil {
		return nil, err
	}
	r := &reader{trace: t, snugShare: k.SnugShare, yieldShare: k.YieldShare}
	if r.snugShare == 0 {
		r.snugShare = 0.8
	}
	if r.yieldShare == 0 {
		r.yieldShare = 0.5
	}
	for _, q := range []struct {
		from quantity.Quantity
		to   *float64
		what string
	}{{k.Target, &r.target, "target"}, {k.Last, &r.last, "last torque"}} {
		if q.from.IsZero() {
			continue
		}
		in, err := q.from.In(t.Torque.Unit, 9)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", q.what, err)
		}
		*q.to = math.Abs(in.Value.InexactFloat64())
	}
	r.f.Unit = t.Torque.Unit
	r.f.FinalSample, r.f.PeakSample, r.f.Snug.Sample, r.f.Yield.Sample = -1, -1, -1, -1
	r.load(k.LeftHand)
	if why := r.strokesOf(); why != "" {
		r.nothing(why)
		return r, nil
	}
	r.torques()
	r.gap()
	if !t.HasAngle() {
		r.noAngle("the wrench gives no angle")
		r.slips()
		r.rate()
		return r, nil
	}
	r.flex(k.Flex)
	r.join()
	r.turns()
	r.breakaway()
	r.gradients()
	r.slips()
	r.rate()
	return r, nil
}

// reader is a trace while it is read.
type reader struct {
	trace               *Trace
	target, last        float64
	snugShare           float64
	yieldShare          float64
	seconds             []float64
	torque, smooth      []float64 // smooth is the median of three
	angle               []float64 // degrees; nil where there is none
	noise, angleNoise   float64
	reference, zero, on float64
	off                 float64
	strokes, back       []stroke
	theta               []float64 // the bolt's angle within a stroke
	turn                []float64 // joined; valid where inTurn
	curve               []int     // samples of tightening, in order
	flexed              float64
	returns             bool // whether the angle goes back with the handle
	turnError           float64
	onset               int // place in curve where the bolt first moves
	scratch, xs, ys     []float64
	f                   Features
}

// stroke is the samples first to last above the threshold; top is the last maximum,
// end where its tightening ended.
type stroke struct{ first, top, end, last int }

func (r *reader) load(leftHand bool) {
	t := r.trace
	n := t.Len()
	sign := 1.0
	if leftHand {
		sign = -1
	}
	r.seconds, r.torque, r.smooth = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		r.seconds[i], r.torque[i] = t.Seconds(i), sign*t.Torque.Float(i)
	}
	for i := range n {
		r.smooth[i] = r.torque[i]
		if i > 0 && i < n-1 {
			a, b, c := r.torque[i-1], r.torque[i], r.torque[i+1]
			r.smooth[i] = max(min(a, b), min(max(a, b), c))
		}
	}
	if t.HasAngle() {
		factor := sign * t.Angle.Unit.Factor().InexactFloat64()
		r.angle = make([]float64, n)
		for i := range n {
			r.angle[i] = factor * t.Angle.Float(i)
		}
	}
}

// noiseOf is the standard deviation of white noise in values[i], i of at, by the
// median of the second differences (whose deviation is √6 of it), and at least that of
// the values' steps, step/√12.
func noiseOf(values []float64, at []int, step float64) float64 {
	var seconds []float64
	for _, i := range at {
		if i > 0 && i+1 < len(values) {
			seconds = append(seconds, math.Abs(values[i-1]-2*values[i]+values[i+1]))
		}
	}
	return max(1.4826*medianInPlace(seconds)/math.Sqrt(6), step/math.Sqrt(12))
}

// step is what all values of a series differ by, or a multiple of it.
func (s Series) step() float64 {
	var d int64
	for _, v := range s.Values {
		a, b := d, v-s.Values[0]
		for b != 0 {
			a, b = b, a%b
		}
		d = a
	}
	if d == 0 {
		d = 1
	}
	one := Series{Exponent: s.Exponent, Values: []int64{d}}
	return math.Abs(one.Float(0))
}

// strokesOf finds the rest, the noise and the strokes; it says why not where there are
// none.
func (r *reader) strokesOf() string {
	n := len(r.torque)
	if n < 5 {
		return fmt.Sprintf("there are only %d samples", n)
	}
	top := slices.Max(r.smooth)
	r.reference = top
	if r.target > 0 {
		r.reference = r.target
	}
	if !(top > 0) || top < 2*Threshold*r.reference {
		return "the torque never came to a tenth of the target"
	}
	var rest []int
	for i, v := range r.smooth {
		if math.Abs(v) < Threshold/2*r.reference {
			rest = append(rest, i)
		}
	}
	if still := r.still(rest); len(still) >= 8 {
		rest = still
	}
	r.f.Zero, r.f.Noise = Untold("the wrench was never at rest in these samples"), Untold("the wrench was never at rest in these samples")
	if len(rest) >= 8 {
		var still []float64
		for _, i := range rest {
			still = append(still, r.torque[i])
		}
		r.noise = noiseOf(r.torque, rest, r.trace.Torque.step())
		r.zero = medianInPlace(still)
		r.f.Zero = Told(r.zero, 1.2533*r.noise/math.Sqrt(float64(len(rest)))) // π/2 of the variance of a mean
		r.f.Noise = Told(r.noise, r.noise/math.Sqrt(2*float64(len(rest))))
	} else {
		rest = rest[:0]
		for i := range n {
			rest = append(rest, i)
		}
		r.noise = noiseOf(r.torque, rest, r.trace.Torque.step())
	}
	if r.angle != nil {
		r.angleNoise = noiseOf(r.angle, rest, r.trace.Angle.step()*r.trace.Angle.Unit.Factor().InexactFloat64())
	}
	r.on = max(Threshold*r.reference, 6*r.noise)
	r.off = max(0.6*Threshold*r.reference, 4*r.noise)
	r.strokes = r.runs(func(i int) float64 { return r.smooth[i] - r.zero })
	r.back = r.runs(func(i int) float64 { return r.zero - r.smooth[i] })
	if len(r.strokes) == 0 {
		return "the torque never rose above its noise"
	}
	for k := range r.strokes {
		s := &r.strokes[k]
		// backwards from the end: the release, up to the last maximum that is one
		best, far := s.last, max(5*r.noise, 0.015*r.reference)
		for i := s.last; i >= s.first; i-- {
			if r.smooth[i] >= r.smooth[best] {
				best = i
			} else if r.smooth[i] < r.smooth[best]-far {
				break
			}
		}
		s.top, s.end = best, best
		for i := best; i <= s.last; i++ { // a bolt that yields turns on at one torque
			if r.smooth[i]-r.zero >= 0.95*(r.smooth[best]-r.zero) {
				s.end = i
			}
		}
	}
	r.f.Strokes, r.f.BackStrokes = len(r.strokes), len(r.back)
	last := r.strokes[len(r.strokes)-1]
	r.f.Open = last.last == n-1
	if len(r.back) > 0 && r.back[len(r.back)-1].last == n-1 {
		r.f.Open = true
	}
	return ""
}

// still leaves of samples without torque those in which the handle does not move:
// what a bolt takes to be run down is no zero.
func (r *reader) still(rest []int) []int {
	if r.angle == nil {
		return nil
	}
	const far, slow = 3, 5.0 // samples, degrees a second
	var still []int
	for _, i := range rest {
		a, b := max(0, i-far), min(len(r.angle)-1, i+far)
		if math.Abs(r.angle[b]-r.angle[a]) < slow*(r.seconds[b]-r.seconds[a]) {
			still = append(still, i)
		}
	}
	return still
}

// runs are where a torque stays above off after it rose above on.
func (r *reader) runs(torque func(int) float64) []stroke {
	var out []stroke
	inside := false
	for i := range r.smooth {
		v := torque(i)
		switch {
		case !inside && v >= r.on:
			out = append(out, stroke{first: i})
			inside = true
		case inside && v < r.off:
			inside = false
		}
		if inside {
			out[len(out)-1].last = i
		}
	}
	return out
}

// nothing says of every feature why it cannot be told.
func (r *reader) nothing(why string) {
	f, no := &r.f, Untold("%s", why)
	if len(r.torque) > 0 {
		for i, v := range r.torque {
			if r.f.PeakSample < 0 || v > r.torque[r.f.PeakSample] {
				r.f.PeakSample = i
			}
		}
		f.Peak = Told(r.torque[r.f.PeakSample], r.noise)
	} else {
		f.Peak = no
	}
	f.Zero, f.Noise, f.Final, f.Gap, f.Slip, f.Rate = no, no, no, no, no, no
	r.noAngle(why)
}

// noAngle says of every feature that needs an angle why it cannot be told.
func (r *reader) noAngle(why string) {
	f, no := &r.f, Untold("%s", why)
	f.Flex, f.PeakTurn, f.Turned, f.Breakaway, f.Relaxation = no, no, no, no, no
	f.Energy, f.Speed, f.EndSpeed, f.EasedBack = no, no, no, no
	r.noZone(why)
}

// noZone says the same of what needs a gradient.
func (r *reader) noZone(why string) {
	f, no := &r.f, Untold("%s", why)
	f.Bend = no
	f.Prevailing, f.Stiffness, f.LinearFrom, f.LinearTo, f.Origin = no, no, no, no, no
	f.BeyondSnug, f.BeyondOrigin, f.EndGradient = no, no, no
	f.Snug, f.Yield = Point{no, no, -1}, Point{no, no, -1}
}

// torques are peak and final torque.
func (r *reader) torques() {
	f := &r.f
	for i, v := range r.torque {
		if f.PeakSample < 0 || v > r.torque[f.PeakSample] {
			f.PeakSample = i
		}
	}
	// the largest of many noisy samples is one to three standard deviations high
	f.Peak = Told(r.torque[f.PeakSample], 2*r.noise)
	f.FinalSample = r.strokes[len(r.strokes)-1].top
	f.Final = Told(r.smooth[f.FinalSample], 1.2*r.noise)
}

// gap is the longest time without a sample under torque.
func (r *reader) gap() {
	longest := 0.0
	for _, s := range r.strokes {
		for i := s.first + 1; i <= s.last; i++ {
			longest = max(longest, r.seconds[i]-r.seconds[i-1])
		}
	}
	r.f.Gap = Told(longest, 0)
}

// slips are the sudden falls of torque in mid-pull.
func (r *reader) slips() {
	far := max(6*r.noise, 0.015*r.reference)
	var falls []float64
	for _, s := range r.strokes {
		top, low := s.first, -1
		for i := s.first; i <= s.end; i++ {
			v := r.torque[i]
			switch {
			case low < 0 && v > r.torque[top]:
				top = i
			case low < 0 && v < r.torque[top]-far:
				low = i
			case low >= 0 && v < r.torque[low]:
				low = i
			case low >= 0 && v > r.torque[low]+far:
				if fall := r.torque[top] - r.torque[low]; !r.byHand(top, low, fall) {
					falls = append(falls, fall)
				}
				top, low = i, -1
			}
		}
	}
	r.f.Slips = len(falls)
	if len(falls) == 0 {
		r.f.Slip = Told(0, far/2)
		return
	}
	slices.Sort(falls)
	r.f.Slip = Told(falls[len(falls)*3/4], 2*r.noise)
}

// byHand tells that a fall of torque is one of a hand that gave way: slower than a
// bolt slips, or with the handle going back as the flex asks.
func (r *reader) byHand(top, low int, fall float64) bool {
	if r.angle == nil || !r.f.Flex.Told() {
		return r.seconds[low]-r.seconds[top] > 0.03
	}
	back := r.angle[top] - r.angle[low]
	expected := r.flexed * fall
	return back > expected/2 && expected > 2*r.angleNoise || r.seconds[low]-r.seconds[top] > 0.03 && expected <= 2*r.angleNoise
}

// rate is the greatest rise of torque, and with an angle the greatest speed of the
// handle, over 50 ms.
func (r *reader) rate() {
	const window = 0.05
	f := &r.f
	f.Rate = Untold("there are too few samples in 50 ms of pulling")
	if r.angle != nil {
		f.EndSpeed = f.Rate
	}
	half := f.Peak.Number() / 2
	for _, s := range r.strokes {
		from := s.first
		for from < s.end && r.smooth[from] < half {
			from++
		}
		for i, j := from, from; i <= s.end; i += max(1, (j-i)/8) {
			for j <= s.end && r.seconds[j] <= r.seconds[i]+window {
				j++
			}
			if r.seconds[j-1] < r.seconds[i]+0.6*window {
				break
			}
			if l, ok := fitLine(r.seconds[i:j], r.torque[i:j], r.noise, &r.scratch); ok && (!f.Rate.Told() || l.slope > f.Rate.Number()) {
				f.Rate = Told(l.slope, l.slopeError)
			}
			if r.angle == nil {
				continue
			}
			if l, ok := fitLine(r.seconds[i:j], r.angle[i:j], r.angleNoise, &r.scratch); ok && (!f.EndSpeed.Told() || l.slope > f.EndSpeed.Number()) {
				f.EndSpeed = Told(l.slope, l.slopeError)
			}
		}
	}
}
