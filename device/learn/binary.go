package learn

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
)

// A place is where in a frame of bytes the value stands, and how it is written.
type place struct {
	at, length int
	kind       string // as a profile calls it
	little     bool
	swapped    bool
}

// places are all that a body of so many bytes has room for, the plainest first.
func places(length int) (list []place) {
	for _, kind := range []string{"float", "signed", "magnitude", "bcd", "unsigned"} {
		for _, n := range []int{2, 4, 3, 1} {
			if kind == "float" && n != 4 {
				continue
			}
			for at := 0; at+n <= length; at++ {
				list = append(list, place{at: at, length: n, kind: kind})
				if n > 1 {
					list = append(list, place{at: at, length: n, kind: kind, little: true})
				}
				if n == 4 {
					list = append(list, place{at: at, length: n, kind: kind, swapped: true}, place{at: at, length: n, kind: kind, little: true, swapped: true})
				}
			}
		}
	}
	return list
}

// figure is the number at the place, false where there is none.
func (p place) figure(body []byte) (figure, bool) {
	b := slices.Clone(body[p.at : p.at+p.length])
	if p.little {
		slices.Reverse(b)
	}
	if p.swapped {
		b[0], b[1], b[2], b[3] = b[2], b[3], b[0], b[1]
	}
	v := uint64(0)
	for _, c := range b {
		v = v<<8 | uint64(c)
	}
	width := 8 * p.length
	high := v>>(width-1) == 1
	switch p.kind {
	case "float":
		f := math.Float32frombits(uint32(v))
		if f != f || math.IsInf(float64(f), 0) || math.Abs(float64(f)) > 1e9 || f != 0 && math.Abs(float64(f)) < 1e-6 {
			return figure{}, false
		}
		d, err := decimal.NewFromString(strconv.FormatFloat(float64(f), 'f', -1, 32))
		return figureOf(d), err == nil
	case "bcd":
		text := fmt.Sprintf("%0*x", 2*p.length, v)
		return figureFrom(false, text, 0), !strings.ContainsAny(text, "abcdef")
	case "magnitude":
		return figureFrom(high, strconv.FormatUint(v&(1<<(width-1)-1), 10), 0), true
	case "signed":
		if high {
			return figureFrom(true, strconv.FormatUint(1<<width-v, 10), 0), true
		}
	}
	return figureFrom(false, strconv.FormatUint(v, 10), 0), true
}

// learnBinary looks for values in frames that are no text: numbers at fixed
// places.
func learnBinary(t *take) (best *finding) {
	for _, c := range append(periodic(t), gaps(t)...) {
		frames, lost := c.frames(t)
		if lost*2 > t.size() {
			continue
		}
		frames = ofOneLength(frames)
		if len(frames) == 0 || len(frames[0].body) > 64 {
			continue
		}
		f := &finding{take: t, cut: c, frames: frames, lost: lost, binary: true, sum: findCheck(frames, c)}
		if f.place() && f.try() && f.better(best) {
			best = f
		}
		if best != nil && best.matched == t.shown() {
			break
		}
	}
	return best
}

// ofOneLength are the frames of the commonest length.
func ofOneLength(frames []*frame) []*frame {
	counts := map[int]int{}
	most := 0
	for _, f := range frames {
		n := len(f.body)
		if counts[n]++; counts[n] > counts[most] || counts[n] == counts[most] && n > most {
			most = n
		}
	}
	return slices.DeleteFunc(slices.Clone(frames), func(f *frame) bool { return len(f.body) != most })
}

// place finds where the value stands and writes the reading.
func (f *finding) place() bool {
	length := len(f.frames[0].body)
	room := length
	if f.sum != nil {
		room -= f.sum.size()
	}
	byPull := make([][]*frame, len(f.take.pulls))
	for _, fr := range f.frames {
		byPull[fr.pull] = append(byPull[fr.pull], fr)
	}
	all := places(room)
	var found []place
	for _, p := range all {
		hits, shift, ok := p.hits(f.take, byPull)
		if !ok || len(hits) == 0 || f.loc != nil && len(hits) < len(f.loc.hits) {
			continue
		}
		if f.loc == nil || len(hits) > len(f.loc.hits) {
			f.loc = &location{spot: spot{shift: shift}, hits: hits, signed: true}
			f.value, found = p, nil
		}
		found = append(found, p)
	}
	if f.loc == nil {
		return false
	}
	for _, p := range found {
		if p.at >= f.value.at+f.value.length || f.value.at >= p.at+p.length {
			f.loc.rivals++ // another place altogether
		}
	}
	told := map[string]bool{}
	for _, h := range f.loc.hits {
		if !told[h.shown.n.digits] {
			told[h.shown.n.digits] = true
			f.loc.bits += math.Log2(10)*float64(h.shown.n.places) - math.Log2(float64(len(byPull[h.pull])))
		}
	}
	f.loc.bits -= math.Log2(float64(len(all) * 10))
	if f.loc.bits < 10 {
		return false // chance finds as much
	}
	for i := range f.frames {
		f.members = append(f.members, &member{frame: f.frames[i]})
	}
	f.writeFields(length, room)
	return true
}

// hits are the values shown that stand at the place; they have one implied point.
func (p place) hits(t *take, byPull [][]*frame) (list []hit, shift int, ok bool) {
	shift = anyShift
	for n, pull := range t.pulls {
		i := 0
		for _, f := range byPull[n] {
			if i == len(pull.shown) {
				break
			}
			want := pull.shown[i]
			got, ok := p.figure(f.body)
			if !ok || got.digits == "" && want.n.digits != "" || got.negative != want.n.negative {
				continue
			}
			d, ok := got.matches(want.n, shift)
			if !ok || p.kind == "float" && d != 0 {
				continue
			}
			if want.n.digits != "" {
				shift = d
			}
			list = append(list, hit{frame: f, shown: want, pull: n, shift: d})
			i++
		}
	}
	return list, shift, shift != anyShift
}

// writeFields writes the reading: the value, and what else never changed as
// statuses that say that all is well as long as it does not.
func (f *finding) writeFields(length, room int) {
	var b strings.Builder
	fmt.Fprintf(&b, "[reading]\nkind = \"fields\"\nlength = %d\n", length)
	f.unit = Belief{Unit, "none", NotTold, "no unit was told: readings have none until the profile says unit = \"…\""}
	for _, h := range f.loc.hits {
		if u := h.shown.q.Unit; u.Known() {
			f.unit = Belief{Unit, u.String() + ", always", Likely, "the display showed it; which bytes say it, if any do, is not told"}
			fmt.Fprintf(&b, "unit = %q\n", u)
			break
		}
	}
	fmt.Fprintf(&b, "\n[field.value]\nat = %d\nlength = %d\ntype = %q\n", f.value.at, f.value.length, f.value.kind)
	if f.value.little {
		b.WriteString("order = \"little\"\n")
	}
	if f.value.swapped {
		b.WriteString("words = \"swapped\"\n")
	}
	if f.loc.shift != 0 {
		fmt.Fprintf(&b, "decimals = %d\n", f.loc.shift)
	}
	constant := func(i int) bool {
		return (i < f.value.at || i >= f.value.at+f.value.length) &&
			!slices.ContainsFunc(f.frames, func(fr *frame) bool { return fr.body[i] != f.frames[0].body[i] })
	}
	varies := 0
	for i := 0; i < room; {
		j := i
		for j < room && j-i < 8 && constant(j) {
			j++
		}
		if j == i {
			varies += boolInt(i < f.value.at || i >= f.value.at+f.value.length)
			i++
			continue
		}
		if j <= len(f.cut.start) { // what a frame is known by cannot be otherwise
			i = j
			continue
		}
		if f.statuses == 4 {
			f.unread = append(f.unread, fmt.Sprintf("bytes from %d on", i))
			break
		}
		f.statuses++
		name := "status"
		if f.statuses > 1 {
			name += strconv.Itoa(f.statuses)
		}
		v := uint64(0)
		for _, c := range f.frames[0].body[i:j] {
			v = v<<8 | uint64(c)
		}
		fmt.Fprintf(&b, "\n[field.%s]\nat = %d\nlength = %d\ntype = \"unsigned\"\n[field.%s.means]\n0x%0*X = \"\"\n", name, i, j-i, name, 2*(j-i), v)
		i = j
	}
	if f.statuses > 0 {
		f.notes = append(f.notes, "status: bytes that never changed. A frame in which they do is marked with an unknown status until the profile says what it means")
	}
	if varies > 0 {
		f.unread = append(f.unread, plural(varies, "a byte", "bytes"))
		f.notes = append(f.notes, plural(varies, "a byte varies", "bytes vary")+" and may be anything")
	}
	f.reading = b.String()
}

func (f *finding) layoutWords() string {
	text := fmt.Sprintf("%s, of %s from byte %d on", f.value.kind, plural(f.value.length, "1 byte", "bytes"), f.value.at)
	switch {
	case f.value.little:
		text += ", low byte first"
	case f.value.length > 1:
		text += ", high byte first"
	}
	if f.value.swapped {
		text += ", words swapped"
	}
	if f.loc.shift != 0 {
		text += fmt.Sprintf(", %d decimals implied", f.loc.shift)
	}
	return text
}

func (f *finding) layoutSign() string {
	switch f.value.kind {
	case "float":
		return "its own bit"
	case "signed":
		return "two's complement"
	case "magnitude":
		return "the highest bit"
	}
	return "none"
}
