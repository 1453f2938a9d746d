package learn

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"paintmark/calc/quantity"
)

// A member is a frame that is a reading, taken apart at its number.
type member struct {
	*frame
	token     token
	pre, post string // what stands before the number and behind it
	hit       *hit   // nil where nothing was shown for it
}

// blanks are those right before and right behind the number.
func (m *member) blanks() (before, behind int) {
	return len(m.pre) - len(strings.TrimRight(m.pre, " ")), len(m.post) - len(strings.TrimLeft(m.post, " "))
}

// skeleton is the frame's form without the lengths of its parts; a loose one does
// not tell digits from letters.
func skeleton(body []byte, t token, loose bool) string {
	var b strings.Builder
	last := byte(0)
	put := func(c byte) {
		if loose && (c == 'd' || c == 'a') {
			c = 'x'
		}
		if c != last || c != 'd' && c != 'a' && c != 'x' {
			b.WriteByte(c)
		}
		last = c
	}
	for i, c := range body {
		switch {
		case i >= t.start && i < t.end:
			if i == t.start {
				b.WriteByte('#')
			}
			last = '#'
		case digit(c):
			put('d')
		case letter(c):
			put('a')
		case c == ' ':
			last = ' '
		case sign(c) && (i+1 < len(body) && (digit(body[i+1]) || body[i+1] == ' ')):
		default:
			put(c)
		}
	}
	return b.String()
}

func letter(c byte) bool { return c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= 0x80 }

// members are the frames that have the number at its spot and the form of those
// that were shown, those in front. A frame whose form only the first of a pull
// has is left out: its beginning may be missing.
func (l *location) members(frames []*frame) (list []*member) {
	list = l.formed(frames, false)
	if len(list)*10 < 8*len(frames) { // a part may be of digits or of letters
		if more := l.formed(frames, true); len(more) > len(list) {
			list = more
		}
	}
	for _, m := range list {
		m.pre, m.post = string(m.body[:m.token.start]), string(m.body[m.token.end:])
	}
	list = l.alike(list)
	slices.SortStableFunc(list, func(a, b *member) int { return compareBool(a.hit == nil, b.hit == nil) })
	return whole(list)
}

// formed are the frames that have the form of those that were shown.
func (l *location) formed(frames []*frame, loose bool) (list []*member) {
	forms := map[string]int{}
	hits := map[*frame]*hit{}
	for i := range l.hits {
		h := &l.hits[i]
		hits[h.frame] = h
		forms[skeleton(h.frame.body, h.token, loose)]++
	}
	if len(l.hits) >= 4 {
		first := l.hits[0]
		form := skeleton(first.frame.body, first.token, loose)
		if first.frame.first && forms[form] == 1 && slices.Max(values(forms)) >= len(l.hits)-1 && len(first.frame.body) != len(l.hits[1].frame.body) {
			delete(forms, form)
		}
	}
	alone := map[int]int{} // frames of each pull that have the form
	for _, f := range frames {
		if t, ok := l.find(f); ok && forms[skeleton(f.body, t, loose)] > 0 {
			alone[f.pull]++
			list = append(list, &member{frame: f, token: t, hit: hits[f]})
		}
	}
	return slices.DeleteFunc(list, func(m *member) bool { return m.first && m.hit == nil && alone[m.pull] > 1 && len(list) > 3 })
}

// alike leaves out the few frames whose number has another count of decimals than
// all that were shown: they are damaged.
func (l *location) alike(list []*member) []*member {
	decs := l.hits[0].token.decs
	same := 0
	for _, m := range list {
		same += boolInt(m.token.decs == decs)
	}
	if len(l.hits) < 3 || same*10 < len(list)*8 && len(list)-same > 1 ||
		slices.ContainsFunc(l.hits, func(h hit) bool { return h.token.decs != decs }) {
		return list
	}
	return slices.DeleteFunc(list, func(m *member) bool { return m.token.decs != decs })
}

func values(m map[string]int) (list []int) {
	for _, v := range m {
		list = append(list, v)
	}
	return list
}

// whole leaves out a first frame of all that is shorter than all others, which
// are of one length: its beginning is missing.
func whole(list []*member) []*member {
	if len(list) < 4 {
		return list
	}
	lengths := map[int]int{}
	for _, m := range list {
		lengths[len(m.body)]++
	}
	if len(lengths) != 2 {
		return list
	}
	return slices.DeleteFunc(list, func(m *member) bool {
		short := lengths[len(m.body)] == 1 && m.pull == 0 && m.first
		for n := range lengths {
			short = short && n >= len(m.body)
		}
		return short
	})
}

// A cell is a part of the frame that stands in one place: its texts, one for
// each member.
type cell struct {
	texts []string
	kind  byte // 'd' digits, 'a' letters, ' ' blanks, 'x' anything, else the character itself
	role  string
	// loose is what may stand there, where it is neither constant nor a role.
	loose string
}

func (c *cell) constant() bool {
	return !slices.ContainsFunc(c.texts, func(t string) bool { return t != c.texts[0] })
}

// distinct are the cell's texts, each once, in order.
func (c *cell) distinct() []string {
	list := slices.Clone(c.texts)
	slices.Sort(list)
	return slices.Compact(list)
}

func kindOf(c byte) byte {
	switch {
	case digit(c):
		return 'd'
	case letter(c):
		return 'a'
	case sign(c):
		return 's'
	}
	return c
}

type piece struct {
	kind byte
	text string
}

func runs(text string) (list []piece) {
	for i := 0; i < len(text); {
		k := kindOf(text[i])
		j := i + 1
		for j < len(text) && kindOf(text[j]) == k && (k == 'd' || k == 'a' || k == ' ') {
			j++
		}
		list = append(list, piece{k, text[i:j]})
		i = j
	}
	return list
}

// align cuts texts into cells: by runs of digits and letters where all have the
// same, else by column where all have the same length, else not.
func align(texts []string) (cells []*cell) {
	if len(texts) == 0 || !slices.ContainsFunc(texts, func(t string) bool { return t != "" }) {
		return nil
	}
	first := runs(texts[0])
	alike := true
	all := make([][]piece, len(texts))
	for i, t := range texts {
		all[i] = runs(t)
		alike = alike && slices.EqualFunc(all[i], first, func(a, b piece) bool { return a.kind == b.kind })
		if !alike {
			break
		}
	}
	if alike {
		for n, p := range first {
			c := &cell{kind: p.kind}
			for _, r := range all {
				c.texts = append(c.texts, r[n].text)
			}
			cells = append(cells, c)
		}
		return cells
	}
	if slices.ContainsFunc(texts, func(t string) bool { return len(t) != len(texts[0]) }) {
		return []*cell{{texts: texts, kind: 'x'}}
	}
	return byColumn(texts)
}

// byColumn cuts texts of one length: columns that vary go together with their
// neighbours of the same kind.
func byColumn(texts []string) (cells []*cell) {
	n := len(texts[0])
	kinds := make([]byte, n) // 'd' or 'a', with blanks among them; 0 for others
	varies := make([]bool, n)
	for i := range n {
		k := byte(' ')
		for _, t := range texts {
			varies[i] = varies[i] || t[i] != texts[0][i]
			switch c := kindOf(t[i]); {
			case c == ' ' || c == k:
			case k == ' ' && (c == 'd' || c == 'a'):
				k = c
			default:
				k = 'x'
			}
		}
		kinds[i] = k
	}
	for i := 0; i < n; {
		j := i + 1
		for j < n && kinds[j] == kinds[i] && kinds[i] != 'x' && kinds[i] != ' ' {
			j++
		}
		// A constant stretch of other characters is one cell.
		for kinds[i] == 'x' && !varies[i] && j < n && kinds[j] == 'x' && !varies[j] {
			j++
		}
		c := &cell{kind: kinds[i]}
		for _, t := range texts {
			c.texts = append(c.texts, t[i:j])
		}
		cells = append(cells, c)
		i = j
	}
	return hexadecimal(cells)
}

// hexadecimal puts neighbours together that vary and are hexadecimal digits with
// letters among them, as a check is.
func hexadecimal(cells []*cell) (list []*cell) {
	hex := func(c *cell) bool {
		return !c.constant() && !slices.ContainsFunc(c.texts, func(t string) bool { return strings.Trim(t, "0123456789ABCDEFabcdef") != "" })
	}
	for _, c := range cells {
		if n := len(list); n > 0 && hex(c) && hex(list[n-1]) {
			last := list[n-1]
			for i := range last.texts {
				last.texts[i] += c.texts[i]
			}
			last.kind = 'h'
			continue
		}
		list = append(list, c)
	}
	return list
}

// literal is a regular expression for a text, in printable characters.
func literal(text string) string {
	var b strings.Builder
	for len(text) > 0 {
		r, n := utf8.DecodeRuneInString(text)
		switch {
		case r == utf8.RuneError && n == 1:
			b.WriteString(`\x{FFFD}`) // as which bytes that are no UTF-8 are matched
		case r < ' ' || r == 0x7f || r == '\'':
			fmt.Fprintf(&b, `\x%02x`, r)
		default:
			b.WriteString(regexp.QuoteMeta(string(r)))
		}
		text = text[n:]
	}
	return b.String()
}

// oneOf is a regular expression for any of some texts, the longest first.
func oneOf(texts []string) string {
	texts = slices.Clone(texts)
	slices.SortFunc(texts, func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) })
	if len(texts) == 1 {
		return literal(texts[0])
	}
	words := make([]string, len(texts))
	for i, t := range texts {
		words[i] = literal(t)
	}
	return "(?:" + strings.Join(words, "|") + ")"
}

func times(what string, least, most int) string {
	switch {
	case least == most && least == 1:
		return what
	case least == most:
		return fmt.Sprintf("%s{%d}", what, least)
	}
	return fmt.Sprintf("%s{%d,%d}", what, least, most)
}

// expression is the cell as a part of a pattern. padded tells that blanks stand
// before it which it may grow into.
func (c *cell) expression(padded int) string {
	text := ""
	if c.role == "" && c.constant() {
		return literal(c.texts[0])
	}
	if c.loose != "" {
		return c.loose
	}
	least, most := len(c.texts[0]), 0
	blank, zero := false, false
	upper, lower, digits, other, high := false, false, false, false, false
	for _, t := range c.texts {
		least, most = min(least, len(t)), max(most, len(t))
		zero = zero || len(t) > 1 && t[0] == '0'
		for _, b := range []byte(t) {
			switch {
			case b == ' ':
				blank = true
			case b >= 'A' && b <= 'Z':
				upper = true
			case b >= 'a' && b <= 'z':
				lower = true
			case digit(b):
				digits = true
			case b >= 0x80:
				high = true
			default:
				other = true
			}
		}
	}
	switch {
	case c.kind == 'h':
		return times("[0-9A-Fa-f]", least, most)
	case other || high:
		if few := c.distinct(); len(few) <= 6 {
			return oneOf(few)
		}
		return times(`[ -~]`, least, most)
	case digits && !upper && !lower && !blank:
		switch {
		case least == most && (most == 1 || zero || padded == 0 && most > 3):
		case padded > 0:
			most += padded
			least = 1
		default:
			least, most = 1, most+2
		}
		return times(`\d`, least, most)
	}
	class := ""
	if upper {
		class += "A-Z"
	}
	if lower {
		class += "a-z"
	}
	if digits {
		class += "0-9"
	}
	if blank {
		class += " "
	}
	text = times("["+class+"]", least, most)
	return text
}

// follows tells whether a cell's text is another one for each of some answers,
// and always the same for one: which text stands for which answer. It needs two
// different answers.
func follows[T comparable](c *cell, members []*member, answer func(*hit) (T, bool)) (map[string]T, bool) {
	by, back := map[string]T{}, map[T]string{}
	for i, m := range members {
		if m.hit == nil {
			continue
		}
		a, ok := answer(m.hit)
		if !ok {
			continue
		}
		text := strings.Trim(c.texts[i], " ")
		if was, ok := by[text]; ok && was != a {
			return nil, false
		}
		if was, ok := back[a]; ok && was != text {
			return nil, false
		}
		by[text], back[a] = a, text
	}
	return by, len(by) >= 2
}

// counts tells whether a cell of digits goes up by one with each frame.
func counts(c *cell, members []*member) bool {
	if c.kind != 'd' || len(members) < 5 {
		return false
	}
	order := make([]int, len(members))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return members[a].number - members[b].number })
	width := len(c.texts[0])
	modulo := 1
	for range min(width, 9) {
		modulo *= 10
	}
	last := -1
	for n, i := range order {
		if len(c.texts[i]) != width {
			return false
		}
		v := 0
		if _, err := fmt.Sscanf(c.texts[i], "%d", &v); err != nil || width > 9 {
			return false
		}
		if n > 0 && v != (last+1)%modulo {
			return false
		}
		last = v
	}
	return true
}

// unitText finds a text in which the unit shown stands: for each member the
// place of it in what is before or behind the number.
func unitText(members []*member, behind bool) (places [][2]int, ok bool) {
	text := func(m *member) string {
		if behind {
			return m.post
		}
		return m.pre
	}
	// The run of letters at which the unit's text begins, counted from the number.
	var at *int
	known := map[string]bool{}
	for _, m := range members {
		if m.hit == nil || !m.hit.shown.q.Unit.Known() {
			continue
		}
		list := runs(text(m))
		here := map[int]string{}
		for i, p := range list {
			if p.kind != 'a' && p.kind != '"' {
				continue
			}
			n := i
			if !behind {
				n = len(list) - i
			}
			if u := longest(list[i:], func(u quantity.Unit) bool { return u == m.hit.shown.q.Unit }); u != "" {
				here[n] = u
			}
		}
		if at == nil {
			for n := range 64 {
				if here[n] != "" {
					at = &n
					break
				}
			}
		}
		if at == nil || here[*at] == "" {
			return nil, false
		}
		known[here[*at]] = true
	}
	if at == nil {
		return nil, false
	}
	for _, m := range members {
		list := runs(text(m))
		i := *at
		if !behind {
			i = len(list) - *at
		}
		if i < 0 || i >= len(list) {
			return nil, false
		}
		u := longest(list[i:], quantity.Unit.Known)
		from := 0
		for _, p := range list[:i] {
			from += len(p.text)
		}
		places = append(places, [2]int{from, from + len(u)})
	}
	return places, true
}

// longest is the longest text from the first piece on that is a unit as wanted.
func longest(list []piece, want func(quantity.Unit) bool) (found string) {
	text := ""
	for _, p := range list[:min(6, len(list))] {
		if p.kind == 'd' || p.kind == ' ' || p.kind == '*' && found != "" {
			break
		}
		text += p.text
		if u, err := quantity.ParseUnit(text); err == nil && want(u) && strings.IndexByte("a\"", kindOf(text[len(text)-1])) >= 0 {
			found = text
		}
	}
	return found
}
