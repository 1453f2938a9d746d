package plan

import (
	"slices"

	"github.com/shopspring/decimal"
)

// FromMiddle puts bolts in the order in which a flat joint is commonly
// tightened when its maker gives none: from the middle outwards, crosswise.
//
// The middle is the centre of the smallest upright rectangle around the bolts.
// Bolts are taken by rising distance from it; of bolts at the same distance,
// the one farthest from the bolt before comes next, then the one that stands
// first in the list. Distances are compared exactly, as their squares in mm².
//
// Source: common practice; the order given by the engine's maker comes first.
func FromMiddle(bolts []Bolt) []Bolt {
	if len(bolts) == 0 {
		return nil
	}
	type spot struct {
		bolt    Bolt
		x, y, d decimal.Decimal // doubled coordinates, so that the middle is exact
	}
	spots := make([]spot, len(bolts))
	var minX, maxX, minY, maxY decimal.Decimal
	for i, b := range bolts {
		x, y := b.X.Base(), b.Y.Base()
		if i == 0 {
			minX, maxX, minY, maxY = x, x, y, y
		}
		minX, maxX = decimal.Min(minX, x), decimal.Max(maxX, x)
		minY, maxY = decimal.Min(minY, y), decimal.Max(maxY, y)
		two := decimal.NewFromInt(2)
		spots[i] = spot{bolt: b, x: x.Mul(two), y: y.Mul(two)}
	}
	cx, cy := minX.Add(maxX), minY.Add(maxY)
	apart := func(x, y, u, v decimal.Decimal) decimal.Decimal {
		dx, dy := x.Sub(u), y.Sub(v)
		return dx.Mul(dx).Add(dy.Mul(dy))
	}
	for i := range spots {
		spots[i].d = apart(spots[i].x, spots[i].y, cx, cy)
	}
	slices.SortStableFunc(spots, func(a, b spot) int { return a.d.Cmp(b.d) })

	ordered := make([]Bolt, 0, len(spots))
	lastX, lastY := cx, cy
	for len(spots) > 0 {
		best := 0
		for i := 1; i < len(spots) && spots[i].d.Equal(spots[0].d); i++ {
			if apart(spots[i].x, spots[i].y, lastX, lastY).Cmp(apart(spots[best].x, spots[best].y, lastX, lastY)) > 0 {
				best = i
			}
		}
		ordered = append(ordered, spots[best].bolt)
		lastX, lastY = spots[best].x, spots[best].y
		spots = slices.Delete(spots, best, best+1)
	}
	return ordered
}
