package trace

import (
	"math"
	"slices"
)

// flex finds the wrench's flex: where torque goes at the end of a stroke, and where it
// comes again at the beginning of one on a bolt that was turned before.
func (r *reader) flex(known Value) {
	var sum, weight float64
	use := func(from, to int, low, high float64) bool {
		r.xs, r.ys = r.xs[:0], r.ys[:0]
		for i := from; i <= to; i++ {
			if v := r.torque[i] - r.zero; v >= low && v <= high {
				r.xs, r.ys = append(r.xs, v), append(r.ys, r.angle[i])
			}
		}
		if len(r.xs) < 4 || slices.Max(r.xs)-slices.Min(r.xs) < 0.25*high {
			return false
		}
		l, ok := fitLine(r.xs, r.ys, max(r.angleNoise, 1e-6), &r.scratch)
		if !ok || l.slope < 4*l.slopeError { // a wrench that counts turning forward only does not turn back
			return false
		}
		w := 1 / (l.slopeError * l.slopeError)
		sum, weight = sum+w*l.slope, weight+w
		return true
	}
	highest := 0.0
	for k, s := range r.strokes {
		end := r.smooth[s.end] - r.zero
		if end > 0.2*r.reference && use(s.end, min(s.last+1, len(r.torque)-1), 0.15*end, 0.93*end) {
			r.returns = true
		}
		if k == 0 && r.last > 0.2*r.reference { // a bolt that was pulled does not move yet
			use(s.first, r.regain(s, 0.5*r.last), 0.1*r.last, 0.5*r.last)
		}
		if k > 0 && highest > 0.2*r.reference {
			use(s.first, r.regain(s, 0.85*highest), 0.1*highest, 0.85*highest)
		}
		highest = max(highest, end)
	}
	if weight == 0 && known.Told() {
		r.flexed, r.f.Flex = known.Number(), known
		return
	}
	if weight == 0 {
		r.f.Flex = Untold("no stroke has enough samples of torque that comes or goes while the bolt stands still")
		return
	}
	r.flexed = sum / weight
	r.f.Flex = Told(r.flexed, 1/math.Sqrt(weight))
}

// regain is the first sample of a stroke whose torque above zero comes to a level,
// or the end of its tightening.
func (r *reader) regain(s stroke, level float64) int {
	for i := s.first; i < s.end; i++ {
		if r.smooth[i]-r.zero >= level {
			return i
		}
	}
	return s.end
}

// join makes one curve of the strokes: the turn of each is counted from where the
// bolt begins to move again, which is where the torque of the strokes before is
// reached or, where the flex is known, from the bolt's own angle before that.
func (r *reader) join() {
	n := len(r.torque)
	r.theta, r.turn = make([]float64, n), make([]float64, n)
	for i := range n {
		r.theta[i] = r.angle[i] - r.flexed*(r.torque[i]-r.zero)
	}
	total, highest := 0.0, 0.0
	for k, s := range r.strokes {
		from, base := s.first, r.theta[s.first]
		if k == 0 {
			if s.first > 0 { // where the threshold was crossed, between two samples
				a, b := r.smooth[s.first-1]-r.zero, r.smooth[s.first]-r.zero
				if b > a && a < r.on {
					base += (r.theta[s.first-1] - r.theta[s.first]) * (b - r.on) / (b - a)
				}
			}
			if crossed, ok := r.crossing(s.first); ok {
				base = crossed
			}
		} else {
			from = r.regain(s, highest)
			base = r.theta[from]
			if from > s.first && r.smooth[from]-r.zero > highest {
				a, b := r.smooth[from-1]-r.zero, r.smooth[from]-r.zero
				if b > a {
					base += (r.theta[from-1] - r.theta[from]) * (b - highest) / (b - a)
				}
			}
			if r.f.Flex.Told() {
				r.xs = r.xs[:0]
				for i := s.first; i < from; i++ {
					if v := r.smooth[i] - r.zero; v > 0.1*highest && v < 0.9*highest {
						r.xs = append(r.xs, r.theta[i])
					}
				}
				if len(r.xs) >= 3 {
					base = medianInPlace(r.xs)
				}
			}
			if !r.f.Flex.Told() && r.smooth[s.end]-r.zero < 0.97*highest { // it never came to turn the bolt
				continue
			}
		}
		for i := from; i <= s.end; i++ {
			r.turn[i] = total + r.theta[i] - base
			if i > s.top+1 && r.turn[i] < r.turn[s.top]+max(0.5, 5*r.angleNoise) {
				continue // held or let go, nothing turns; the median of three may have top a sample early
			}
			r.curve = append(r.curve, i)
		}
		total = max(total, total+r.endOf(s)-base)
		highest = max(highest, r.smooth[s.end]-r.zero)
		r.turnError = math.Hypot(r.turnError, 1.3*r.angleNoise)
	}
	r.turnError = math.Hypot(r.turnError, r.f.Flex.Uncertainty()*highest)
	if first := r.strokes[0]; r.returns || r.f.Flex.Told() { // where torque crosses the threshold is as sure as its noise
		twice := r.turn[r.regain(first, 2*r.on)]
		r.turnError = math.Hypot(r.turnError, max(r.noise, r.f.Zero.Uncertainty())*max(twice, 0)/r.on)
	}
	r.f.Turned = Told(total, r.turnError)
}

// crossing is the bolt's angle where the torque comes to the threshold so slowly that
// the first sample above it is one that noise has lifted: the mean over the samples about
// it.
func (r *reader) crossing(first int) (float64, bool) {
	near, far := 2*r.noise, 5*r.noise
	above := func(i int) float64 { return r.torque[i] - r.zero - r.on }
	from, to := first, first
	for from > 0 && above(from-1) > -far {
		from--
	}
	for to+1 < len(r.torque) && above(to+1) < far {
		to++
	}
	sum, n := 0.0, 0.0
	for i := from; i <= to; i++ {
		if math.Abs(above(i)) <= near {
			sum, n = sum+r.theta[i], n+1
		}
	}
	if n < 5 {
		return 0, false
	}
	return sum / n, true
}

// endOf is the bolt's angle at the end of a stroke: the median while the wrench is let
// go, where that shows; the last one of tightening otherwise.
func (r *reader) endOf(s stroke) float64 {
	if r.returns {
		r.xs = r.xs[:0]
		for i := s.end + 1; i <= s.last; i++ {
			if r.smooth[i]-r.zero > 0.2*(r.smooth[s.end]-r.zero) {
				r.xs = append(r.xs, r.theta[i])
			}
		}
		if len(r.xs) >= 3 {
			return medianInPlace(r.xs)
		}
	}
	return r.theta[s.end]
}

// turns are the features of the joined curve that need no gradient.
func (r *reader) turns() {
	f := &r.f
	f.PeakTurn = Untold("the peak is not in the tightening")
	if slices.Contains(r.curve, f.PeakSample) {
		f.PeakTurn = Told(r.turn[f.PeakSample], r.turnError)
	}
	newtonMetre := f.Unit.Factor().InexactFloat64()
	var energy, took float64
	if first := r.curve[0]; r.turn[first] > 0 { // from the threshold to the first sample
		energy = (r.on + r.torque[first] - r.zero) / 2 * r.turn[first]
	}
	k := 0
	for c := 1; c < len(r.curve); c++ {
		i, j := r.curve[c-1], r.curve[c]
		for j > r.strokes[k].last {
			k++
		}
		if j == i+1 && j <= r.strokes[k].top {
			took += r.seconds[j] - r.seconds[i]
		}
		energy += ((r.torque[i]+r.torque[j])/2 - r.zero) * (r.turn[j] - r.turn[i])
	}
	perDegree := newtonMetre * math.Pi / 180
	zero := max(r.noise, f.Zero.Uncertainty())
	f.Energy = Told(energy*perDegree, perDegree*math.Hypot((f.Final.Number()-r.zero)*r.turnError, zero*f.Turned.Number()/4))
	f.Speed = Untold("the pull took no time")
	if took > 0 {
		speed := f.Turned.Number() / took
		f.Speed = Told(speed, math.Hypot(r.turnError/took, speed/float64(len(r.curve)))) // it began and ended between two samples
	}
	r.eased()
}

// eased is how far the bolt was turned back: the turn, flex taken out, of strokes of
// negative torque.
func (r *reader) eased() {
	f := &r.f
	if len(r.back) == 0 {
		f.EasedBack = Told(0, r.turnError)
		return
	}
	if !f.Flex.Told() {
		f.EasedBack = Untold("the flex of the wrench is not known")
		return
	}
	sum := 0.0
	for _, s := range r.back {
		low, high := math.Inf(1), math.Inf(-1)
		for i := s.first; i <= s.last; i++ {
			low, high = min(low, r.theta[i]), max(high, r.theta[i])
		}
		sum += high - low
	}
	f.EasedBack = Told(sum, 2*r.angleNoise+f.Flex.Uncertainty()*f.Final.Number())
}

// breakaway finds where the bolt first moves.
func (r *reader) breakaway() {
	f := &r.f
	f.Relaxation = Untold("there is no breakaway torque")
	if !f.Flex.Told() {
		f.Breakaway = Untold("the flex of the wrench is not known")
		f.Relaxation = f.Breakaway
		return
	}
	highest := f.Final.Number()
	far := max(0.5, 5*math.Hypot(r.angleNoise, r.flexed*r.noise)+2*f.Flex.Uncertainty()*highest)
	onset := -1
	for c := range r.curve {
		if c+2 >= len(r.curve) {
			break
		}
		if r.turn[r.curve[c]] > far && r.turn[r.curve[c+1]] > far && r.turn[r.curve[c+2]] > far {
			onset = c
			break
		}
	}
	if onset < 0 {
		f.Breakaway = Untold("the bolt did not move")
		r.onset = len(r.curve)
		return
	}
	r.onset = onset
	before := 0
	for c := range onset + 1 {
		if r.smooth[r.curve[c]] > r.smooth[r.curve[before]] {
			before = c
		}
	}
	at := r.curve[before]
	torque := max(r.smooth[at], r.torque[at]) - r.zero
	if torque < 3*Threshold*r.reference {
		f.Breakaway = Untold("the bolt was loose: it turned at less than %.0f %% of the target", 300*Threshold)
		return
	}
	jump := 0.0
	for c := 1; c <= before; c++ {
		jump = max(jump, r.smooth[r.curve[c]]-r.smooth[r.curve[c-1]])
	}
	// what more a bolt at rest needs lasts for less than a sample: a few per cent
	f.Breakaway = Told(torque+r.zero, math.Sqrt(r.noise*r.noise+jump*jump/12+sq(0.02*torque)))
	if r.last > 0 {
		f.Relaxation = Told(1-f.Breakaway.Number()/r.last, f.Breakaway.Uncertainty()/r.last)
	} else {
		f.Relaxation = Untold("the last pull on this bolt is not known")
	}
}
