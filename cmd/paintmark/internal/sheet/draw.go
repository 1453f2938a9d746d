package sheet

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/mark"
)

// A drawing is a joint seen from where its positions were measured, to scale:
// x to the right, y up. All numbers are in the drawing's own unit, of which the
// full width of the page has fullWidth, and are written out with one decimal.
type (
	drawing struct {
		Title         string
		Width, Height string
		Share         string // of the page's width, in percent
		Size          string // of the text
		Numbers       string // size of the number in a disc
		Radius, Ring  string
		Crowded       bool // some discs overlap however small they are
		Bolts         []spot
		Bar           *bar
		Legend        []key
		FirstPulled   string // what the double ring means here
		Attested      string
	}
	spot struct {
		X, Y            string
		NumberY         string
		Number          string
		Class, On       string
		First, Attested bool
		Lines           []label
		Title           string
	}
	label struct {
		Class, X, Y, Text string
	}
	bar struct{ X1, X2, Y, Low, High, TextX, TextY, Text string }
	key struct {
		Mark   stamp
		Letter string
		Count  int
	}
)

const (
	fullWidth = 680.0
	mostHigh  = 480.0 // of the pattern of bolts
	disc      = 15.0  // radius at full size
	lineHigh  = 13.0
	textSize  = 11.0
	charWide  = 6.2 // an average character of that size, rather too wide
	leastSize = 0.45
	leastWide = 160.0 // of a drawing
	spread    = 1.7   // how far apart full-sized bolts are drawn at most
)

// boltState is what the drawing says of one bolt.
type boltState struct {
	place    string
	mark     mark.Mark
	attested bool
}

// A layout is one way of writing on a drawing.
type layout struct {
	words  bool // or else letters
	beside bool // the discs, or else under them
	lines  [][]string
	// wide and high is the room that a disc with its lines takes at full size.
	wide, high float64
	scale      float64 // units in a millimetre
	size       float64 // of discs and text; 1 is full
	crowded    bool    // not even the least size has room
}

// draw draws a joint. Discs and their words are full size where the bolts lie
// far enough apart, and smaller, with letters for words, where they do not.
func (v *viewer) draw(js *judge.JointState) *drawing {
	bolts := js.Joint.Bolts
	if len(bolts) == 0 {
		return nil
	}
	xs, ys := make([]float64, len(bolts)), make([]float64, len(bolts))
	states := make([]boltState, len(bolts))
	for i, b := range bolts {
		xs[i], ys[i] = b.X.Base().InexactFloat64(), b.Y.Base().InexactFloat64()
		states[i] = v.boltState(js, b.Key)
	}
	l := choose(xs, ys, states)
	minX, maxY := slices.Min(xs), slices.Max(ys)
	top := (disc + 6) * l.size
	left, right := l.wide/2*l.size, l.wide/2*l.size
	bottom := top + (maxY-slices.Min(ys))*l.scale + (l.high-disc-6)*l.size
	if l.beside {
		left, right = top, l.wide*l.size-top
	}
	width := (slices.Max(xs)-minX)*l.scale + left + right
	if width < leastWide {
		left += (leastWide - width) / 2
		width = leastWide
	}
	d := &drawing{
		Title:   js.Joint.Title + ": " + count(len(bolts), "bolt") + ", drawn from their positions in the plan",
		Width:   one(width),
		Share:   one(min(100, width/fullWidth*100)),
		Size:    one(textSize * l.size),
		Numbers: one(14 * l.size),
		Radius:  one(disc * l.size),
		Ring:    one((disc + 3.5) * l.size),
		Crowded: l.crowded,
	}
	first := v.firstPulled(js)
	for i, b := range bolts {
		x, y := left+(xs[i]-minX)*l.scale, top+(maxY-ys[i])*l.scale
		s := spot{X: one(x), Y: one(y), NumberY: one(y + 5*l.size), Number: strconv.Itoa(i + 1),
			Class: class(states[i].mark.Colour), On: "on-" + class(states[i].mark.Colour),
			First: slices.Contains(first, b.Key), Attested: states[i].attested,
			Title: "bolt " + b.Key + ", number " + strconv.Itoa(i+1) + " in the order: " + states[i].mark.Word}
		if s.Attested {
			s.Title += ", " + mark.Attested.Word
		}
		for n, text := range l.lines[i] {
			made := label{X: one(x), Y: one(y + (disc+6+lineHigh*(float64(n)+0.6))*l.size), Text: text}
			if n == 0 {
				made.Class = "strong"
			}
			if l.beside {
				made.Class, made.X, made.Y = "beside", one(x+(disc+6)*l.size), one(y+4*l.size)
			}
			s.Lines = append(s.Lines, made)
		}
		d.Bolts = append(d.Bolts, s)
	}
	d.Bar = scaleBar(js, l.scale, width, bottom+12)
	if d.Bar != nil {
		bottom += 20
	}
	d.Height = one(bottom + 2)
	d.Legend = legend(states, l.words)
	d.FirstPulled = firstWord(js, len(first))
	if slices.ContainsFunc(states, func(s boltState) bool { return s.attested }) {
		d.Attested = mark.Attested.String()
	}
	return d
}

// choose is the first layout in which everything is nearly full size, or the
// one in which it is largest.
func choose(xs, ys []float64, states []boltState) layout {
	w, h := slices.Max(xs)-slices.Min(xs), slices.Max(ys)-slices.Min(ys)
	var best layout
	for _, l := range []layout{{words: true}, {words: true, beside: true}, {}, {beside: true}} {
		l.label(states)
		l.scale = fit(w, h, l.wide)
		l.size = room(xs, ys, l.scale, l.wide, l.high)
		if easy := spread / room(xs, ys, 1, l.wide, l.high); easy < l.scale {
			l.scale = easy
		}
		if l.size > best.size {
			best = l
		}
		if l.size >= 0.8 {
			break
		}
	}
	best.crowded = best.size < leastSize
	best.size = min(1, max(leastSize, best.size))
	return best
}

// label writes what stands at each disc and finds the room that takes.
func (l *layout) label(states []boltState) {
	most, longest := 0, 0
	for _, s := range states {
		name := clip(s.place, 12)
		list := []string{name}
		switch {
		case l.words:
			if len(name) <= 6 {
				list[0] = "bolt " + name
			}
			list = append(list, s.mark.String())
			if s.attested {
				list = append(list, mark.Attested.String())
			}
		case s.attested:
			list = append(list, s.mark.Symbol+s.mark.Letter+" "+mark.Attested.Symbol+mark.Attested.Letter)
		default:
			list = append(list, s.mark.Symbol+s.mark.Letter)
		}
		if l.beside {
			list = []string{strings.Join(list, "  ")}
		}
		most = max(most, len(list))
		for _, text := range list {
			longest = max(longest, utf8.RuneCountInString(text))
		}
		l.lines = append(l.lines, list)
	}
	text := float64(longest) * charWide
	l.wide, l.high = max(2*(disc+5), text+8), 2*(disc+6)+float64(most)*lineHigh+2
	if l.beside {
		l.wide, l.high = 2*(disc+6)+text+4, 2*(disc+5)
	}
}

func one(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }

// fit is how many units one millimetre has, so that the pattern fits the page.
func fit(w, h, wide float64) float64 {
	scale := math.Inf(1)
	if w > 0 {
		scale = (fullWidth - wide) / w
	}
	if h > 0 {
		scale = min(scale, mostHigh/h)
	}
	if math.IsInf(scale, 1) {
		return 1
	}
	return scale
}

// room is how many times their full size, wide by high, all bolts could have
// without any two overlapping.
func room(xs, ys []float64, scale, wide, high float64) float64 {
	order := make([]int, len(xs))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(xs[a], xs[b]) })
	size := math.Inf(1)
	for n, i := range order {
		for _, k := range order[n+1:] {
			dx := (xs[k] - xs[i]) * scale / wide
			if dx >= size {
				break
			}
			size = min(size, max(dx, math.Abs(ys[k]-ys[i])*scale/high))
		}
	}
	return size
}

// boltState is what is open about a bolt, in the last pass in which something
// is, or else how it stands in the last pass that was begun.
func (v *viewer) boltState(js *judge.JointState, place string) boltState {
	s := boltState{place: place, mark: mark.Pending}
	for _, ps := range js.Passes {
		if c, ok := ps.Cell(place); ok && ps.Begun() {
			s.stand(c)
		}
	}
	for _, ps := range js.Passes {
		c, ok := ps.Cell(place)
		if !ok {
			continue
		}
		if v.stageMissed(js, ps.Pass) {
			s.mark, s.attested = mark.Missed, false
		}
		for _, i := range v.refs[refKey{c.Point, c.Pass}] {
			f := v.state.Findings[i]
			if f.Status != judge.Open {
				continue
			}
			switch s.stand(c); f.Kind {
			case judge.BoltMissed:
				s.mark = mark.Missed
			case judge.RecheckEarly:
				s.mark = mark.Early
			}
		}
	}
	return s
}

// stand makes the state that of one cell.
func (s *boltState) stand(c *judge.Cell) {
	s.mark, s.attested = mark.Pending, false
	if r, ok := c.Last(); ok {
		s.mark, s.attested = mark.Verdict(r.Verdict), r.Reading.Attested
	}
	if c.Skip != nil {
		s.mark = mark.Skipped
	}
}

// firstPulled are the bolts with a double ring: those that the re-check goes
// over, where the plan says so many first ones, else the very first.
func (v *viewer) firstPulled(js *judge.JointState) []string {
	n := firstCount(js)
	pulled := js.FirstPulled()
	return pulled[:min(n, len(pulled))]
}

func firstCount(js *judge.JointState) int {
	for _, ps := range js.Passes {
		if ps.Pass.Kind == plan.Recheck && ps.Pass.First > 0 {
			return ps.Pass.First
		}
	}
	return 1
}

func firstWord(js *judge.JointState, marked int) string {
	switch {
	case marked == 0:
		return ""
	case firstCount(js) > 1:
		return "among the first " + strconv.Itoa(firstCount(js)) + " pulled in the last stage"
	default:
		return "pulled first in the last stage"
	}
}

// legend is one line for each mark in the drawing, the commonest first.
func legend(states []boltState, words bool) []key {
	var keys []key
	for _, s := range states {
		i := slices.IndexFunc(keys, func(k key) bool { return k.Mark.Word == s.mark.Word })
		if i < 0 {
			k := key{Mark: stampOf(s.mark)}
			if !words {
				k.Letter = s.mark.Letter
			}
			keys, i = append(keys, k), len(keys)
		}
		keys[i].Count++
	}
	slices.SortStableFunc(keys, func(a, b key) int { return b.Count - a.Count })
	return keys
}

// scaleBar is a length of 1, 2 or 5 times a power of ten in the plan's unit.
func scaleBar(js *judge.JointState, scale, width, y float64) *bar {
	b := js.Joint.Bolts
	if len(b) < 2 {
		return nil
	}
	unit := quantity.Millimetre
	if u := b[0].X.Unit; u == quantity.Inch || u == quantity.Thou {
		unit = quantity.Inch
	}
	perUnit := scale * unit.Factor().InexactFloat64()
	most := min(110, width*0.4) / perUnit
	length := math.Pow(10, math.Floor(math.Log10(most)))
	for _, times := range []float64{5, 2} {
		if length*times <= most {
			length *= times
			break
		}
	}
	x2 := 2 + length*perUnit
	text := strings.TrimSuffix(strconv.FormatFloat(length, 'f', -1, 64), ".0") + " " + unit.String()
	return &bar{X1: "2.0", X2: one(x2), Y: one(y), Low: one(y - 3), High: one(y + 3), TextX: one(x2 + 6), TextY: one(y + 3.5), Text: text}
}
