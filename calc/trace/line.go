package trace

import (
	"math"
	"slices"
)

// A line is a straight line through points: y = y0 + slope·(x − x0).
type line struct {
	x0, y0, slope float64
	slopeError    float64 // standard
	scale         float64 // of the residuals
	n             int
}

// at is the line's value.
func (l line) at(x float64) float64 { return l.y0 + l.slope*(x-l.x0) }

// fitLine fits a line by iterated least squares with Tukey's bisquare weights,
//
//	w = (1 − (r/(4.685·s))²)²,  s = 1.4826·median|r|
//
// so that a tooth of stick-slip or a stray sample does not bend it (Beaton and Tukey
// 1974; the constant gives 95 % efficiency for normal errors; from memory). floor
// is the least s, from the known noise. It fails for fewer than four points or
// points that all have one x.
func fitLine(x, y []float64, floor float64, scratch *[]float64) (line, bool) {
	n := len(x)
	if n < 4 {
		return line{}, false
	}
	if cap(*scratch) < 2*n {
		*scratch = make([]float64, 2*n)
	}
	weights, residuals := (*scratch)[:n], (*scratch)[n:2*n]
	for i := range weights {
		weights[i] = 1
	}
	l := line{n: n}
	for round := 0; ; round++ {
		var sw, sx, sy, sxx, sxy, srr float64
		for i, w := range weights {
			sw, sx, sy = sw+w, sx+w*x[i], sy+w*y[i]
		}
		if !(sw > 2.5) {
			return line{}, false
		}
		l.x0, l.y0 = sx/sw, sy/sw
		for i, w := range weights {
			sxx += w * (x[i] - l.x0) * (x[i] - l.x0)
			sxy += w * (x[i] - l.x0) * (y[i] - l.y0)
		}
		if !(sxx > 0) {
			return line{}, false
		}
		l.slope = sxy / sxx
		for i, w := range weights {
			r := y[i] - l.at(x[i])
			srr += w * r * r
			residuals[i] = math.Abs(r)
		}
		l.scale = math.Max(1.4826*medianInPlace(residuals), floor)
		l.slopeError = math.Max(math.Sqrt(srr/(sw-2)), floor) / math.Sqrt(sxx)
		if round == 3 {
			return l, true
		}
		for i := range weights {
			weights[i] = bisquare(y[i]-l.at(x[i]), l.scale)
		}
	}
}

func bisquare(r, scale float64) float64 {
	if scale == 0 {
		if r == 0 {
			return 1
		}
		return 0
	}
	u := r / (4.685 * scale)
	if u <= -1 || u >= 1 {
		return 0
	}
	return (1 - u*u) * (1 - u*u)
}

// medianInPlace is the median of values, which it sorts; 0 if there are none.
func medianInPlace(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	switch {
	case n == 0:
		return 0
	case n%2 == 1:
		return values[n/2]
	default:
		return (values[n/2-1] + values[n/2]) / 2
	}
}
