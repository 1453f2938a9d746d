package trace

import (
	"cmp"
	"math"
	"slices"
)

// wander is by how much of itself friction changes along a turn of some tens of
// degrees: an assumption.
const wander = 0.002

// decimated is how many points of the curve gradients are taken from at most.
const decimated = 500

// local is the gradient of the curve about one turn.
type local struct{ turn, torque, slope, err float64 }

// gradients are the features that need the gradient of torque over turn, taken by a
// robust line over a window of a tenth of the turn, at least four degrees and at most
// ten.
func (r *reader) gradients() {
	f := &r.f
	type point struct{ turn, torque float64 }
	var points []point
	if r.onset < len(r.curve) {
		for _, i := range r.curve[r.onset:] {
			points = append(points, point{r.turn[i], r.torque[i]})
		}
	}
	slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.turn, b.turn) })
	least := max(6, 20*r.angleNoise)
	if len(points) < 12 || points[len(points)-1].turn-points[0].turn < least {
		r.noZone("the bolt turned too little for a gradient")
		return
	}
	group := (len(points) + decimated - 1) / decimated
	var x, y []float64
	for i := 0; i < len(points); i += group {
		end := min(i+group, len(points))
		var sx, sy float64
		for _, p := range points[i:end] {
			sx, sy = sx+p.turn, sy+p.torque
		}
		x, y = append(x, sx/float64(end-i)), append(y, sy/float64(end-i))
	}
	span := x[len(x)-1] - x[0]
	window := min(max(span/10, 4), 10)
	fit := func(from, to float64) (line, bool) {
		a, _ := slices.BinarySearch(x, from)
		b, _ := slices.BinarySearch(x, to)
		if b < len(x) && x[b] == to {
			b++
		}
		return fitLine(x[a:b], y[a:b], r.noise/math.Sqrt(float64(group)), &r.scratch)
	}
	// spread is how much of a window about a turn has points
	spread := func(at float64) float64 { return min(at+window/2, x[len(x)-1]) - max(at-window/2, x[0]) }
	const grid = 100
	var g []local
	for i := range grid + 1 {
		at := x[0] + window/4 + (span-window/2)*float64(i)/grid
		if l, ok := fit(at-window/2, at+window/2); ok && l.n >= 5 && spread(at) > window/2 && (len(g) == 0 || l.x0 > g[len(g)-1].turn) {
			g = append(g, local{l.x0, l.y0, l.slope, l.slopeError})
		}
	}
	if len(g) < 8 {
		r.noZone("there are too few samples for a gradient")
		return
	}
	r.bend(x, y, fit)
	r.prevailing(g, x[0]+window)
	zone, first, last, ok := linearZone(g, fit)
	final := f.Final.Number() - r.zero
	if !ok || zone.slope <= 0 || (g[last].turn-g[first].turn)*zone.slope < 0.2*final {
		bend, prevailing := f.Bend, f.Prevailing
		r.noZone("no part of the curve has a constant gradient over a fifth of the torque")
		f.Bend, f.Prevailing = bend, prevailing
		return
	}
	middle := (g[first].turn + g[last].turn) / 2
	bent := 0.0
	if a, ok := fit(g[first].turn, middle); ok {
		if b, ok := fit(middle, g[last].turn); ok {
			bent = (b.slope - a.slope) / 4
		}
	}
	wandered := wander * (zone.y0 - r.zero) / (g[last].turn - g[first].turn)
	slopeError := math.Sqrt(sq(zone.slopeError) + sq(bent) + sq(wandered) + sq(zone.slope*zone.slope*f.Flex.Uncertainty()))
	f.Stiffness = Told(zone.slope, slopeError)
	f.LinearFrom, f.LinearTo = Told(g[first].turn, window/2), Told(g[last].turn, window/2)

	height := zone.y0 - r.zero
	origin := zone.x0 - height/zone.slope
	originError := math.Sqrt(sq(height/zone.slope*slopeError/zone.slope) + sq(zone.scale/math.Sqrt(float64(zone.n))/zone.slope) +
		sq(max(f.Zero.Uncertainty(), r.noise/3)/zone.slope) + sq(r.angleNoise))
	f.Origin = Told(origin, originError)
	f.BeyondOrigin = Told(f.Turned.Number()-origin, math.Hypot(originError, r.turnError))

	r.snug(g, last, zone.slope, window)
	r.yield(g, last, zone.slope, slopeError, window)
}

func sq(x float64) float64 { return x * x }

// prevailing is the torque over the first turn, where the gradient is far below what it
// comes to later; begun is the turn before which it must be known.
func (r *reader) prevailing(g []local, begun float64) {
	slopes := make([]float64, len(g))
	for i, l := range g {
		slopes[i] = l.slope
	}
	slices.Sort(slopes)
	steep := slopes[len(g)*3/4] // not the steepest: where a stroke begins, the flex alone is steeper still
	switch {
	case r.last > 0:
		r.f.Prevailing = Untold("the bolt was pulled before")
	case g[0].turn > begun:
		r.f.Prevailing = Untold("there are too few samples where the bolt began to turn")
	case g[0].slope > 0.3*steep:
		r.f.Prevailing = Untold("the bolt clamped from the first turn on")
	default:
		r.f.Prevailing = Told(g[0].torque-r.zero, r.noise)
	}
}

// linearZone finds the part of the curve, from g[first] to g[last], whose gradient is
// constant, and the line through it. The typical gradient is the median by torque:
// half of the torque is gained at a lower one.
func linearZone(g []local, fit func(from, to float64) (line, bool)) (zone line, first, last int, ok bool) {
	sorted := slices.Clone(g)
	slices.SortFunc(sorted, func(a, b local) int { return cmp.Compare(a.slope, b.slope) })
	total := 0.0
	for _, l := range sorted {
		total += max(l.slope, 0)
	}
	typical, sum := 0.0, 0.0
	for _, l := range sorted {
		if sum += max(l.slope, 0); sum >= total/2 {
			typical = l.slope
			break
		}
	}
	for range 3 {
		best := 0.0
		for i := 0; i < len(g); i++ {
			constant := func(j int) bool { return math.Abs(g[j].slope-typical) <= 0.12*typical+2*g[j].err }
			if !constant(i) {
				continue
			}
			gained, end := 0.0, i
			for j := i; j < len(g) && j-end <= 3; j++ { // over a stroke's end or a pause
				if constant(j) {
					gained, end = gained+g[j].slope, j
				}
			}
			if gained > best {
				best, first, last = gained, i, end
			}
			i = max(i, end)
		}
		if best == 0 || last-first < 3 {
			return line{}, 0, 0, false
		}
		if zone, ok = fit(g[first].turn, g[last].turn); !ok {
			return line{}, 0, 0, false
		}
		typical = zone.slope
	}
	return zone, first, last, true
}

// snug finds where the gradient first came to its share of the linear zone's.
func (r *reader) snug(g []local, last int, slope, window float64) {
	f := &r.f
	want := r.snugShare * slope
	i := 0
	for i < last && (g[i].slope < want || g[i+1].slope < want) {
		i++
	}
	if i--; i < 0 || g[i].slope >= want {
		no := Untold("the samples begin beyond it")
		f.Snug, f.BeyondSnug = Point{no, no, -1}, no
		return
	}
	share := (want - g[i].slope) / (g[i+1].slope - g[i].slope)
	at := g[i].turn + share*(g[i+1].turn-g[i].turn)
	torque := g[i].torque + share*(g[i+1].torque-g[i].torque)
	a, b := max(0, i-2), min(len(g)-1, i+3)
	rise := (g[b].slope - g[a].slope) / (g[b].turn - g[a].turn)
	// the window rounds the corner by up to an eighth of its width
	err := math.Hypot(g[i].err/max(rise, want/(4*window)), window/8)
	f.Snug = Point{Told(at, err), Told(torque, math.Hypot(want*err, r.noise)), r.sampleAt(at)}
	f.BeyondSnug = Told(f.Turned.Number()-at, math.Hypot(err, r.turnError))
}

// yield finds where the gradient falls to its share of the linear zone's.
func (r *reader) yield(g []local, last int, slope, slopeError, window float64) {
	f := &r.f
	var ends, errs []float64
	for _, l := range g[max(last, len(g)-3):] {
		ends, errs = append(ends, l.slope), append(errs, l.err)
	}
	f.EndGradient = Told(median(ends), median(errs)).over(Told(slope, slopeError))
	want := r.yieldShare * slope
	i := len(g)
	for i > last && g[i-1].slope < want {
		i--
	}
	if i == len(g) {
		no := Untold("the gradient is %.0f %% of the linear zone's at the end: it did not fall to %.0f %%", 100*f.EndGradient.Number(), 100*r.yieldShare)
		f.Yield = Point{no, no, -1}
		return
	}
	i = max(i, 1)
	a, b := g[i-1], g[i]
	share := 1.0
	if a.slope > b.slope {
		share = min(1, max(0, (a.slope-want)/(a.slope-b.slope)))
	}
	at, torque := a.turn+share*(b.turn-a.turn), a.torque+share*(b.torque-a.torque)
	err := math.Hypot((b.turn-a.turn)/2+b.err/slope*(b.turn-a.turn), window/8)
	f.Yield = Point{Told(at, math.Hypot(err, r.turnError)), Told(torque, math.Hypot(slope*err, r.noise)), r.sampleAt(at)}
}

// sampleAt is the sample of the curve nearest to a turn.
func (r *reader) sampleAt(turn float64) int {
	best := r.curve[0]
	for _, i := range r.curve {
		if math.Abs(r.turn[i]-turn) < math.Abs(r.turn[best]-turn) {
			best = i
		}
	}
	return best
}

// bend compares the gradient at the end with the one in the middle.
func (r *reader) bend(x, y []float64, fit func(from, to float64) (line, bool)) {
	f := &r.f
	from := y[0]
	if n := min(5, len(y)); n > 0 {
		from = medianInPlace(slices.Clone(y[:n]))
	}
	top := f.Final.Number()
	at := func(share float64) float64 {
		level := from + share*(top-from)
		for i := 1; i+1 < len(y); i++ {
			if max(min(y[i-1], y[i]), min(max(y[i-1], y[i]), y[i+1])) >= level {
				return x[i]
			}
		}
		return x[len(x)-1]
	}
	middle, end := [2]float64{at(0.35), at(0.6)}, [2]float64{at(0.7), x[len(x)-1]}
	f.Bend = Untold("the bolt turned too little for it")
	least := max(1, 10*r.angleNoise)
	if middle[1]-middle[0] < least || end[1]-end[0] < least/2 {
		return
	}
	a, ok := fit(middle[0], middle[1])
	b, enough := fit(end[0], end[1])
	if ok && enough && a.slope > 4*a.slopeError {
		f.Bend = Told(b.slope, b.slopeError).over(Told(a.slope, a.slopeError))
	}
}
