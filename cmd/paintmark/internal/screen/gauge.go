package screen

import (
	"fmt"
	"strings"

	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/mark"
)

// A gauge is a bar against its window: shares of the bar's length.
type gauge struct{ value, least, most float64 }

// pullingBanner is what a pull looks like that goes on: no verdict yet.
func pullingBanner(e bench.Event) *banner {
	at := e.Value
	text := fmt.Sprintf("▸ PULLING   %s   %s%s", e.Task.Point, e.Value, besideLimits(e.Value, e.Task.Limits))
	if !e.Angle.IsZero() {
		text += ", at " + e.Angle.String()
	}
	if e.Task.Target.Dimension() == quantity.Angle {
		text = fmt.Sprintf("▸ PULLING   %s   %s%s, at %s (%s)", e.Task.Point, e.Value, besideLimits(e.Value, e.Task.Watch), e.Angle, limitWords(e.Task.Limits, e.Task.Limits.Unit()))
	}
	b := &banner{colour: mark.SkyBlue, text: text}
	unit := e.Task.Limits.Unit()
	if unit.Dimension() == e.Angle.Dimension() && !e.Angle.IsZero() {
		at = e.Angle
	}
	b.words = []string{at.Number()}
	if near, err := at.In(unit, at.Decimals()); err == nil {
		b.words = []string{near.Number()} // beside the target in big letters, so in its unit
	}
	shown, err := at.In(unit, 6)
	most := e.Task.Limits.Most
	if most.IsZero() {
		most = e.Task.Target
	}
	full, bad := most.In(unit, 6)
	if err != nil || bad != nil || !full.Value.IsPositive() {
		return b
	}
	// The window ends at seven eighths of the bar, so that going past it shows.
	scale := full.Value.InexactFloat64() * 8 / 7
	g := gauge{value: shown.Value.InexactFloat64() / scale, least: 7. / 8, most: 7. / 8}
	if least := e.Task.Limits.Least; !least.IsZero() {
		if in, err := least.In(unit, 6); err == nil {
			g.least = in.Value.InexactFloat64() / scale
		}
	}
	b.gauge = &g
	return b
}

// line draws the bar over the width: how far it is, and the window's ends.
func (g *gauge) line(columns int) string {
	length := columns - 2
	if length < 10 {
		return ""
	}
	place := func(share float64) int { return max(0, min(length-1, int(share*float64(length)))) }
	cells := []rune(strings.Repeat("·", length))
	for i := range place(max(0, g.value)) {
		cells[i] = '█'
	}
	least, most := place(g.least), place(g.most)
	for i := least; i <= most; i++ {
		if cells[i] == '·' {
			cells[i] = '▒'
		}
	}
	cells[least], cells[most] = '▏', '▕'
	return " " + string(cells)
}
