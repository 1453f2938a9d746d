package learn

import (
	"fmt"
	"slices"
	"strings"
)

// A form is how the instrument writes its numbers, as far as the members show it.
type form struct {
	mark          byte
	point         bool
	decs          [2]int // least and most digits behind the point
	total         int    // digits in all, where the point floats among them; else 0
	ints          [2]int // least and most before it
	zeros         bool   // filled up with zeros, or at a fixed place
	exponent      string // an expression, "" for none
	lead, trail   string // the signs seen: "+", "-", " " for none
	inner         bool   // blanks between sign and digits
	before        [2]int // least and most blanks before it
	behind        [2]int
	width         int  // with the blanks before it, where that is always the same; else 0
	left          int  // with the blanks behind it, where that is always the same; else 0
	signed        bool // a negative value was shown
	signElsewhere bool
	// takesBlank and takesDigit tell what gives way where a sign stands.
	takesBlank, takesDigit bool
	takesBehind            bool
	apart                  bool // digits stand before the blanks before it
	digitsKnown            bool // widths of numbers were seen to be fixed, or to vary
}

// mostInts is how many digits before the point are read where the instrument
// does not fill them up, unless more were seen.
const mostInts = 6

// formOf looks at the numbers of the members.
func formOf(members []*member, l *location) form {
	f := form{mark: marks[l.mark], decs: [2]int{99, 0}, ints: [2]int{99, 0}, before: [2]int{99, 0}, behind: [2]int{99, 0}, zeros: l.column, signElsewhere: !l.signed}
	width, left, total := -1, -1, -1
	note := func(of *int, v int) {
		switch {
		case *of == -1:
			*of = v
		case *of != v:
			*of = 0
		}
	}
	span := func(of *[2]int, v int) { of[0], of[1] = min(of[0], v), max(of[1], v) }
	add := func(to *string, c byte) {
		if c == 0 {
			c = ' '
		}
		if strings.IndexByte(*to, c) < 0 {
			*to += string(c)
		}
	}
	var exponents []string
	wide := [2][]int{} // blanks before, without and with a minus
	long := [2][]int{} // digits before the point
	after := [2][]int{}
	for _, m := range members {
		t := m.token
		before, behind := m.blanks()
		span(&f.before, before)
		span(&f.behind, behind)
		span(&f.ints, t.ints)
		span(&f.decs, t.decs)
		f.point = f.point || t.point
		f.zeros = f.zeros || t.zero
		f.inner = f.inner || t.inner > 0
		note(&width, before+t.end-t.start)
		note(&left, behind+t.end-t.start)
		note(&total, t.ints+t.decs)
		add(&f.lead, t.sign)
		add(&f.trail, t.trail)
		minus := boolInt(t.sign == '-')
		wide[minus] = append(wide[minus], before)
		long[minus] = append(long[minus], t.ints)
		minus = boolInt(t.trail == '-')
		after[minus] = append(after[minus], behind)
		if bare := m.pre[:len(m.pre)-before]; bare != "" && digit(bare[len(bare)-1]) {
			f.apart = true
		}
		f.signed = f.signed || t.figure.negative
		exponents = append(exponents, t.exponent)
	}
	same := f.ints[0] == f.ints[1]
	if width > 0 && (!f.zeros || f.inner) && (f.before[0] != f.before[1] || f.before[0] >= 2 || f.inner) {
		f.width = width
	}
	if left > 0 && (f.behind[0] != f.behind[1] || f.behind[0] >= 2) && f.width == 0 {
		f.left = left
	}
	if total > 0 && f.decs[0] != f.decs[1] {
		f.total = total
	}
	f.exponent = exponentForm(exponents)
	one := func(list []int) (int, bool) {
		return append(list, 0)[0], len(list) > 0 && slices.Min(list) == slices.Max(list)
	}
	if f.lead == " -" || f.lead == "- " {
		plus, ok := one(wide[0])
		minus, ok2 := one(wide[1])
		f.takesBlank = ok && ok2 && plus == minus+1
		n, ok := one(long[0])
		k, ok2 := one(long[1])
		f.takesDigit = ok && ok2 && n == k+1 && f.zeros
	}
	if f.trail == " -" || f.trail == "- " {
		plus, ok := one(after[0])
		minus, ok2 := one(after[1])
		f.takesBehind = ok && ok2 && plus == minus+1
	}
	f.digitsKnown = f.zeros || f.width > 0 || f.left > 0 || !same || f.total > 0
	return f
}

// exponentForm is an expression for exponents, empty where there are none.
func exponentForm(texts []string) string {
	some, none := false, false
	letters, signs := "", ""
	digits := [2]int{99, 0}
	unsigned := false
	for _, e := range texts {
		if e == "" {
			none = true
			continue
		}
		some = true
		if !strings.Contains(letters, e[:1]) {
			letters += e[:1]
		}
		n := len(e) - 1
		if sign(e[1]) {
			signs, n = "[+-]", n-1
		} else {
			unsigned = true
		}
		digits = [2]int{min(digits[0], n), max(digits[1], n)}
	}
	if !some {
		return ""
	}
	if signs == "" {
		signs = "-?"
	} else if unsigned {
		signs = "[+-]?"
	}
	x := letters
	if len(letters) > 1 {
		x = "[" + letters + "]"
	}
	x += signs + times(`\d`, digits[0], digits[1])
	if none {
		return "(?:" + x + ")?"
	}
	return x
}

// digits is an expression for a number of n digits before its point, and its
// length where that is known.
func (f *form) digits(n string, count int) (string, int) {
	dot := literal(string(f.mark))
	switch {
	case f.total > 0 && count > 0 && count < f.total:
		return fmt.Sprintf(`%s%s\d{%d}`, n, dot, f.total-count), f.total + 1
	case f.total > 0 && count == f.total:
		return n + dot + "?", f.total + 1
	case !f.point:
		return n + f.exponent, count
	case f.decs[0] == f.decs[1] && f.decs[0] == 0:
		return n + dot + f.exponent, count + 1
	case f.decs[0] == f.decs[1]:
		return n + dot + times(`\d`, f.decs[0], f.decs[0]) + f.exponent, count + 1 + f.decs[0]
	case f.decs[0] == 0:
		return n + "(?:" + dot + times(`\d`, 1, f.decs[1]) + ")?" + f.exponent, 0
	}
	return n + dot + times(`\d`, f.decs[0], f.decs[1]) + f.exponent, 0
}

func blanks(n int) string {
	switch n {
	case 0:
		return ""
	case 1:
		return " "
	}
	return fmt.Sprintf(" {%d}", n)
}

func exactly(n int) string { return times(`\d`, n, n) }

// lengths are the numbers of digits before the point that are allowed for.
func (f *form) lengths(room int) (list []int) {
	least, most := max(1, min(1, f.ints[0])), room
	if f.total > 0 {
		most = min(most, f.total)
	}
	for n := least; n <= min(most, 9); n++ {
		list = append(list, n)
	}
	return list
}

// expression is a pattern for the number with the blanks that belong to it, and
// how many of the blanks before it those are.
func (f *form) expression() string {
	var list []string
	add := func(texts ...string) {
		if x := strings.Join(texts, ""); !slices.Contains(list, x) {
			list = append(list, x)
		}
	}
	always := !strings.Contains(f.lead, " ") // a sign stands before each
	behind := ""
	switch {
	case !strings.Contains(f.trail, " "):
		behind = "[+-]"
	case f.takesBehind:
		behind = "[ -]"
	case strings.Contains(f.trail, "-"):
		behind = "-?"
	}
	free := behind == "" && !f.signElsewhere // a minus may stand before the digits
	switch {
	case f.width > 0 && f.decs[0] == f.decs[1] && f.exponent == "" || f.width > 0 && f.total > 0:
		for _, n := range f.lengths(f.width) {
			d, length := f.digits(exactly(n), n)
			length += boolInt(!strings.Contains(f.trail, " "))
			room := f.width - length
			switch {
			case room < 0 || room == 0 && f.apart:
			case always:
				if room >= 1+boolInt(f.apart) && (!f.inner || f.before[1] > f.before[0]) {
					add(blanks(room-1), "[+-]", d, behind)
				}
				if room >= 1 && f.before[0] == f.before[1] && room-1-f.before[0] >= 0 {
					add(blanks(f.before[0]), "[+-]", blanks(room-1-f.before[0]), d, behind)
				}
			default:
				add(blanks(room), d, behind)
				if free && room >= 1+boolInt(f.apart) {
					add(blanks(room-1), "-", d)
					if room >= 2 && f.before[0] == 0 && !f.apart {
						add("-", blanks(room-1), d)
					}
				}
			}
		}
	case f.left > 0 && f.decs[0] == f.decs[1] && f.exponent == "":
		for _, n := range f.lengths(f.left) {
			d, length := f.digits(exactly(n), n)
			gap, room := blanks(f.before[0]), f.left-length
			switch {
			case always && room >= 1:
				add(gap, "[+-]", d, blanks(room-1))
			case always || room < 0:
			default:
				add(gap, d, behind, blanks(room))
				if free && room >= 1 {
					add(gap, "-", d, blanks(room-1))
				}
			}
		}
	default:
		f.open(add, always, free, behind)
	}
	if len(list) == 1 {
		return list[0]
	}
	return strings.Join(list, "|")
}

// open adds the ways of writing a number whose width is not filled up with
// blanks.
func (f *form) open(add func(...string), always, free bool, behind string) {
	var whole []string
	short := "" // with a digit less, for a sign that takes one
	switch {
	case f.total > 0:
		for _, n := range f.lengths(f.total) {
			d, _ := f.digits(exactly(n), n)
			whole = append(whole, d)
		}
	case f.zeros && f.takesDigit:
		d, _ := f.digits(exactly(f.ints[1]), f.ints[1])
		whole = append(whole, d)
		short, _ = f.digits(exactly(f.ints[1]-1), f.ints[1]-1)
	case f.zeros || f.exponent != "":
		d, _ := f.digits(times(`\d`, f.ints[0], f.ints[1]), f.ints[1])
		whole = append(whole, d)
	default:
		d, _ := f.digits(times(`\d`, min(1, f.ints[0]), max(mostInts, f.ints[1]+1)), 0)
		whole = append(whole, d)
	}
	number := whole[0]
	if len(whole) > 1 {
		number = "(?:" + strings.Join(whole, "|") + ")"
	}
	gap := times(" ", f.before[0], f.before[1])
	if f.before[1] == 0 {
		gap = ""
	}
	inner := ""
	if f.inner {
		inner = " *"
	}
	switch {
	case always:
		add(gap, "[+-]", inner, number, behind)
	case short != "":
		add(gap, number)
		add(gap, "-", short)
	case f.takesBlank && f.before[1] > 0:
		add(blanks(f.before[1]-1), "[ -]", number)
	case f.signed && strings.Contains(f.lead, "-"):
		add(gap, "-?", inner, number)
	case !free:
		add(gap, number, behind)
	case f.before[0] == f.before[1] && f.before[0] > 0:
		// The minus may take the last blank's place, or stand behind it.
		add(blanks(f.before[0]-1), "(?: ?-| )", number)
		if f.before[0] == 1 && !f.zeros && !f.apart && f.total == 0 && f.exponent == "" && f.decs[0] == f.decs[1] {
			// The blank may be there to fill the number up.
			n := f.ints[0]
			for k := 1; k <= n+1; k++ {
				d, _ := f.digits(exactly(k), k)
				if k < n {
					add(blanks(n+1-k), d)
					add(blanks(n-k), "-", d)
				} else if k > n {
					add(d)
				}
			}
		}
	default:
		add(gap, "-?", number)
	}
}
