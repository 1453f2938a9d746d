package page

import (
	"math"
	"strconv"

	"paintmark/calc/plan"
)

// A jointView is a joint seen from where its positions were measured, to scale: x to
// the right, y up. Its bolts can be chosen; what they look like is the script's.
type jointView struct {
	Key, Title    string
	Width, Height string
	Radius        string
	Bolts         []spot
}

type spot struct{ Place, X, Y, TextY, BelowY string }

const (
	wide  = 340.0 // of a drawing, in its own unit
	high  = 300.0 // at most
	disc  = 15.0
	below = 13.0 // room for a word under a disc
)

func drawn(j *plan.Joint) jointView {
	d := jointView{Key: j.Key, Title: j.Title}
	minX, maxX, minY, maxY := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	at := make([][2]float64, len(j.Bolts))
	for i, b := range j.Bolts {
		x, y := b.X.Base().InexactFloat64(), b.Y.Base().InexactFloat64()
		at[i] = [2]float64{x, y}
		minX, maxX, minY, maxY = min(minX, x), max(maxX, x), min(minY, y), max(maxY, y)
	}
	if len(at) == 0 {
		return d
	}
	margin := disc + 8
	scale := math.Inf(1)
	if maxX > minX {
		scale = (wide - 2*margin) / (maxX - minX)
	}
	if maxY > minY {
		scale = min(scale, (high-2*margin-below)/(maxY-minY))
	}
	if math.IsInf(scale, 1) {
		scale = 1
	}
	radius := disc // or less, so that neither disc nor word lies on another
	for i := range at {
		for k := range i {
			dx, dy := math.Abs(at[i][0]-at[k][0])*scale, math.Abs(at[i][1]-at[k][1])*scale
			radius = min(radius, max(dx/2-2, (dy-below)/2))
		}
	}
	radius = max(5, radius)
	left := (wide - (maxX-minX)*scale) / 2
	for i, b := range j.Bolts {
		x, y := left+(at[i][0]-minX)*scale, margin+(maxY-at[i][1])*scale
		d.Bolts = append(d.Bolts, spot{b.Key, one(x), one(y), one(y + radius/3), one(y + radius + below - 2)})
	}
	d.Width, d.Height, d.Radius = one(wide), one(2*margin+below+(maxY-minY)*scale), one(radius)
	return d
}

func one(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }
