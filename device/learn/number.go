package learn

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"github.com/shopspring/decimal"
)

// A figure is a number by its digits without zeros at either end, and the power
// of ten that stands for the rest: 88.40 is 884 and -1. Two numbers that differ
// by a decimal point have the same digits.
type figure struct {
	negative bool
	digits   string // "" for zero
	exp      int
	places   int // significant digits as they were written
}

func figureOf(d decimal.Decimal) figure {
	return figureFrom(d.Sign() < 0, d.Coefficient().String(), int(d.Exponent()))
}

func figureFrom(negative bool, digits string, exp int) figure {
	digits = strings.TrimLeft(strings.TrimPrefix(digits, "-"), "0")
	f := figure{negative: negative, exp: exp, places: len(digits)}
	f.digits = strings.TrimRight(digits, "0")
	f.exp += len(digits) - len(f.digits)
	if f.digits == "" {
		f = figure{}
	}
	return f
}

// A token is a number as it stands in a frame.
type token struct {
	start, end int // with its sign
	sign       byte
	inner      int // blanks between sign and digits
	ints, decs int // digits
	point      bool
	zero       bool   // more than one digit before the point, the first a zero
	exponent   string // as in "E+02"
	trail      byte   // a sign behind the digits
	figure     figure
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

func sign(c byte) bool { return c == '+' || c == '-' }

var marks = [2]byte{'.', ','}

// numbers are the tokens of a frame by a decimal mark.
func (f *frame) numbers(mark int) []token {
	if !f.have[mark] {
		f.tokens[mark], f.have[mark] = tokens(f.body, marks[mark]), true
	}
	return f.tokens[mark]
}

func tokens(body []byte, mark byte) (list []token) {
	for i := 0; i < len(body); {
		if !digit(body[i]) && !(body[i] == '.' && mark == '.' && i+1 < len(body) && digit(body[i+1]) && (i == 0 || !digit(body[i-1]))) {
			i++
			continue
		}
		floor := 0
		if len(list) > 0 {
			floor = list[len(list)-1].end
		}
		t := number(body, i, floor, mark)
		list = append(list, t)
		i = t.end
	}
	return list
}

// number reads the number whose first digit or point stands at i; its sign
// stands behind floor.
func number(body []byte, i, floor int, mark byte) token {
	t := token{start: i}
	j := i
	for j < len(body) && digit(body[j]) {
		j++
	}
	t.ints = j - i
	digits := string(body[i:j])
	t.zero = t.ints > 1 && body[i] == '0'
	if j < len(body) && body[j] == mark {
		k := j + 1
		for k < len(body) && digit(body[k]) {
			k++
		}
		t.point, t.decs = true, k-j-1
		digits += string(body[j+1 : k])
		j = k
	}
	exp := -t.decs
	if e, n := exponent(body[j:]); n > 0 {
		t.exponent = string(body[j : j+n])
		exp += e
		j += n
	}
	t.end = j
	// The sign before it, if blanks alone stand between.
	k := i
	for k > floor && body[k-1] == ' ' && i-k < 12 {
		k--
	}
	switch {
	case k > floor && sign(body[k-1]):
		t.sign, t.inner, t.start = body[k-1], i-k, k-1
	case j < len(body) && sign(body[j]) && (j+1 == len(body) || !digit(body[j+1]) && body[j+1] != mark):
		t.trail = body[j]
		t.end++
	}
	t.figure = figureFrom(t.sign == '-' || t.trail == '-', digits, exp)
	return t
}

// exponent reads "E+02" and gives its value and length, 0 where there is none.
func exponent(b []byte) (value, length int) {
	if len(b) < 2 || b[0] != 'E' && b[0] != 'e' {
		return 0, 0
	}
	i, minus := 1, false
	if sign(b[1]) {
		minus = b[1] == '-'
		i++
	}
	from := i
	for i < len(b) && digit(b[i]) && i-from < 3 {
		value = 10*value + int(b[i]-'0')
		i++
	}
	if i == from || i < len(b) && digit(b[i]) {
		return 0, 0
	}
	if minus {
		value = -value
	}
	return value, i
}

// A spot is where in a frame the value may stand, and how many digits stand
// behind a point that is not sent.
type spot struct {
	column bool // at and width count bytes; else at counts numbers
	last   bool // counted from the last
	at     int
	width  int
	mark   int // of marks
	shift  int
}

const anyShift = math.MinInt

// find gives the number that stands at the spot.
func (s spot) find(f *frame) (token, bool) {
	if s.column {
		if s.at+s.width > len(f.body) {
			return token{}, false
		}
		return slice(f.body, s.at, s.width)
	}
	all := f.numbers(s.mark)
	i := s.at
	if s.last {
		i = len(all) - 1 - s.at
	}
	if i < 0 || i >= len(all) {
		return token{}, false
	}
	return all[i], true
}

// slice reads digits that fill a place among others.
func slice(body []byte, at, width int) (token, bool) {
	for _, c := range body[at : at+width] {
		if !digit(c) {
			return token{}, false
		}
	}
	return token{start: at, end: at + width, ints: width, zero: body[at] == '0', figure: figureFrom(false, string(body[at:at+width]), 0)}, true
}

// matches tells whether a number is the value shown, but for its sign, and how
// many digits stand behind a point that is not sent.
func (n figure) matches(want figure, shift int) (int, bool) {
	if n.digits != want.digits {
		return 0, false
	}
	if n.digits == "" {
		return max(shift, 0), true
	}
	d := n.exp - want.exp
	if d < -9 || d > 9 {
		return 0, false
	}
	return d, shift == anyShift || d == shift
}

// A hit is a frame that says what was shown.
type hit struct {
	frame *frame
	token token
	shown shown
	pull  int
	shift int
}

// A location is a spot and the values that were found at it.
type location struct {
	spot
	hits    []hit
	rivals  int     // other spots that fit as well and are not the same
	bits    float64 // of evidence
	signed  bool    // the numbers' own signs are those shown
	shifted bool    // the implied point is not always in the same place
}

// locate looks for the spots at which the values shown stand, the best first.
func locate(frames []*frame, t *take) (best *location) {
	byPull := make([][]*frame, len(t.pulls))
	for _, f := range frames {
		byPull[f.pull] = append(byPull[f.pull], f)
	}
	seen := map[spot]bool{}
	var spots []spot
	propose := func(s spot) {
		if !seen[s] && len(spots) < 400 {
			seen[s] = true
			spots = append(spots, s)
		}
	}
	for mark := range marks {
		for n, p := range t.pulls {
			for _, f := range byPull[n] {
				all := f.numbers(mark)
				for i, tok := range all {
					for _, want := range p.shown {
						if d, ok := tok.figure.matches(want.n, anyShift); ok && want.n.digits != "" {
							for _, shift := range []int{d, anyShift} {
								propose(spot{at: i, mark: mark, shift: shift})
								propose(spot{at: len(all) - 1 - i, last: true, mark: mark, shift: shift})
							}
						}
					}
				}
			}
		}
	}
	list := rank(spots, byPull, t, frames)
	if len(list) == 0 || len(list[0].hits) < t.shown() {
		// Digits that stand among others.
		spots = columns(byPull, t)
		if more := rank(spots, byPull, t, frames); len(more) > 0 && (len(list) == 0 || len(more[0].hits) > len(list[0].hits)) {
			list = more
		}
	}
	if len(list) == 0 {
		return nil
	}
	best = list[0]
	for _, other := range list[1:] {
		if len(other.hits) == len(best.hits) && !same(best, other) {
			best.rivals++
		}
	}
	best.bits -= math.Log2(float64(1 + len(seen) + len(spots)))
	return best
}

// same tells whether two spots are one in every frame that was shown.
func same(a, b *location) bool {
	for i := range a.hits {
		x, y := a.hits[i], b.hits[i]
		if x.frame != y.frame || x.shift != y.shift {
			return false
		}
		if x.token.start == y.token.start && x.token.end == y.token.end {
			continue
		}
		// Narrower or wider by leading zeros.
		if !a.column || !b.column || x.token.end != y.token.end {
			return false
		}
	}
	return true
}

// columns are spots by place in frames of the commonest length: digits alone.
func columns(byPull [][]*frame, t *take) (spots []spot) {
	var counts map[spot]int
	for n, p := range t.pulls {
		for _, want := range p.shown {
			if want.n.digits == "" {
				continue
			}
			here := map[spot]int{}
			for _, f := range byPull[n][:min(64, len(byPull[n]))] {
				for at := range min(len(f.body), 64) {
					for width := 2; width <= 12 && at+width <= len(f.body) && digit(f.body[at+width-1]); width++ {
						tok, ok := slice(f.body, at, width)
						if !ok {
							break
						}
						if d, ok := tok.figure.matches(want.n, anyShift); ok {
							here[spot{column: true, at: at, width: width, shift: d}] = 1
						}
					}
				}
			}
			if counts == nil {
				counts = here
				continue
			}
			for s := range counts {
				if here[s] == 0 {
					delete(counts, s)
				}
			}
		}
	}
	for s := range counts {
		spots = append(spots, s)
	}
	slices.SortFunc(spots, func(a, b spot) int { // the widest first
		return cmp.Or(cmp.Compare(b.width, a.width), cmp.Compare(a.at, b.at), cmp.Compare(a.shift, b.shift))
	})
	return spots[:min(len(spots), 50)]
}

// rank tries spots on all frames and orders them by how much they explain.
func rank(spots []spot, byPull [][]*frame, t *take, frames []*frame) (list []*location) {
	for _, s := range spots {
		l := &location{spot: s, signed: true}
		told := map[string]bool{}
		shifts := map[int]bool{}
		for n, p := range t.pulls {
			i, others := 0, map[string]bool{}
			for _, f := range byPull[n] {
				tok, ok := s.find(f)
				if !ok {
					continue
				}
				others[tok.figure.digits] = true
				if i == len(p.shown) {
					continue
				}
				want := p.shown[i]
				d, ok := tok.figure.matches(want.n, s.shift)
				if !ok {
					continue
				}
				if s.shift != anyShift {
					d = s.shift
				}
				if want.n.digits != "" {
					shifts[d] = true
				}
				l.hits = append(l.hits, hit{f, tok, want, n, d})
				if want.n.digits != "" && tok.figure.negative != want.n.negative {
					l.signed = false
				}
				i++
			}
			for _, want := range p.shown[:i] {
				if !told[want.n.digits] {
					told[want.n.digits] = true
					l.bits += math.Max(0, math.Log2(10)*float64(want.n.places)-math.Log2(float64(1+len(others)-1)))
				}
			}
		}
		if s.shift == anyShift && len(shifts) < 2 {
			continue
		}
		l.shifted = s.shift == anyShift
		if len(l.hits) > 0 {
			list = append(list, l)
		}
	}
	slices.SortStableFunc(list, func(a, b *location) int {
		return cmp.Or(
			cmp.Compare(len(b.hits), len(a.hits)),
			compareBool(b.signed, a.signed),
			compareBool(a.shifted, b.shifted),
			compareBool(b.shift == 0, a.shift == 0),
			cmp.Compare(a.mark, b.mark),
		)
	})
	return list
}

func compareBool(a, b bool) int { return boolInt(a) - boolInt(b) }
