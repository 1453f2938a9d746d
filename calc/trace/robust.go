package trace

import (
	"math"
	"slices"
)

// median is the median; 0 of nothing.
func median(values []float64) float64 { return medianInPlace(slices.Clone(values)) }

// qn is the robust scale of Rousseeuw and Croux (Alternatives to the Median Absolute
// Deviation, 1993):
//
//	Qn = 2.2219·dn·(k-th smallest of |xi − xj|, i < j),  k = h·(h − 1)/2,  h = n/2 + 1
//
// It stands half of the values being wild, needs no centre, and comes to the standard
// deviation for normal values, also of few: dn corrects it (constants from memory,
// checked by simulation in the test). It is 0 for fewer than two values.
func qn(values []float64) float64 {
	n := len(values)
	if n < 2 {
		return 0
	}
	distances := make([]float64, 0, n*(n-1)/2)
	for i, x := range values {
		for _, y := range values[:i] {
			distances = append(distances, math.Abs(x-y))
		}
	}
	slices.Sort(distances)
	h := n/2 + 1
	few := [...]float64{2: .399, 3: .994, 4: .512, 5: .844, 6: .611, 7: .857, 8: .669, 9: .872}
	var d float64
	switch {
	case n < len(few):
		d = few[n]
	case n%2 == 1:
		d = float64(n) / (float64(n) + 1.4)
	default:
		d = float64(n) / (float64(n) + 3.8)
	}
	return 2.2219 * d * distances[h*(h-1)/2-1]
}

// company is how a positive figure stands to those of others of its kind: the
// logarithm of its ratio to their median, and that in units of their scale. Ratios,
// because friction scatters by factors.
type company struct {
	median, ratio, distance float64
	n                       int
}

// fewest is how many others there must be for a comparison.
const fewest = 4

// among compares v with others, of which only those that are told and positive count.
// ordinary is the least scale taken, of a logarithm: what pulls differ by anyway. It
// fails for fewer than four others.
func among(v Value, others []Value, ordinary float64) (company, bool) {
	if !v.Told() || v.Number() <= 0 {
		return company{}, false
	}
	var logs []float64
	for _, o := range others {
		if o.Told() && o.Number() > 0 {
			logs = append(logs, math.Log(o.Number()))
		}
	}
	if len(logs) < fewest {
		return company{}, false
	}
	m := median(logs)
	l := math.Log(v.Number()) - m
	return company{math.Exp(m), math.Exp(l), l / math.Max(qn(logs), ordinary), len(logs)}, true
}
