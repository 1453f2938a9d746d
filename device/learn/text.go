package learn

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/quantity"
	"paintmark/device/profile"
)

// A finding is one reading of a take: how it is cut, where the value stands, and
// the profile that says so.
type finding struct {
	take    *take
	cut     *cut
	sum     *sum
	loc     *location
	frames  []*frame
	members []*member
	lost    int // bytes in no frame

	reading string   // the tables [reading] and [field.…]
	notes   []string // about its parts, for the reader
	unread  []string // parts that vary and are not understood
	statuses,
	counters int
	form   form
	unit   Belief
	binary bool
	value  place // of a binary one

	text    string
	profile *profile.Profile
	reads   []Read
	matched int
	good    int // frames that the profile reads
	perPull []int
	times   []time.Time // when the frames came that it reads
}

// better tells whether f explains more than another finding.
func (f *finding) better(o *finding) bool {
	switch {
	case f == nil:
		return false
	case o == nil || f.matched != o.matched:
		return o == nil || f.matched > o.matched
	}
	a, b := f.share(), o.share()
	if math.Abs(a-b) > 0.4 {
		return a > b
	}
	if f.cut.kind == "silence" && o.cut.kind == "silence" {
		return false // the likelier gaps come first
	}
	if f.rank() != o.rank() {
		return f.rank() > o.rank()
	}
	return a > b+0.02
}

// share is the part of the bytes that stand in frames that are read.
func (f *finding) share() float64 {
	read := 0
	for _, m := range f.members {
		read += len(m.raw)
	}
	return float64(read) / float64(max(1, f.take.size()))
}

// rank prefers what says more of a frame's ends.
func (f *finding) rank() float64 {
	r := 0.0
	if f.sum != nil {
		r += 2 + f.sum.bits/1000
	}
	switch {
	case f.cut.kind == "marks", f.cut.kind == "lines" && control(f.cut.end[len(f.cut.end)-1]):
		r++
	case f.cut.kind == "length":
		r += 0.5
	case f.cut.kind == "lines":
		r += 0.4
	}
	return r
}

// learnText looks for values in frames of text.
func learnText(t *take) (best *finding) {
	for _, c := range cuts(t) {
		frames, lost := c.frames(t)
		if len(frames) == 0 || lost*2 > t.size() {
			continue
		}
		s := findCheck(frames, c)
		if c.checked && s == nil {
			continue
		}
		if s != nil && s.inBody {
			for _, f := range frames {
				if n := len(f.body) - s.size(); n >= 0 {
					f.body = f.body[:n]
				}
			}
		}
		l := locate(frames, t)
		if l == nil {
			continue
		}
		f := &finding{take: t, cut: c, sum: s, loc: l, frames: frames, lost: lost}
		if !f.build() {
			continue
		}
		if f.better(best) {
			best = f
		}
		if best.matched == t.shown() && best.share() > 0.95 && best.rank() >= 1 {
			break
		}
	}
	return best
}

// build writes the reading and tries it; false where it can't be read at all.
func (f *finding) build() bool {
	f.members = f.loc.members(f.frames)
	if f.sum != nil {
		f.members = slices.DeleteFunc(f.members, func(m *member) bool { return !f.sum.keeps(m.raw) })
	}
	if len(f.members) == 0 || f.members[0].hit == nil {
		return false
	}
	pattern, ok := f.pattern()
	if !ok || len(pattern) > profile.MaxPattern {
		return false
	}
	var b strings.Builder
	fmt.Fprintf(&b, "[reading]\npattern = '%s'\n", pattern)
	if f.form.mark == ',' && f.form.point {
		b.WriteString("decimal = \"comma\"\n")
	}
	f.reading = b.String() + f.reading
	longest := 0
	for _, m := range f.members {
		longest = max(longest, len(m.raw))
	}
	if f.cut.kind != "length" {
		f.cut.longest = min(profile.MaxFrame, max(32, 2*longest))
	}
	return f.try()
}

// pattern is the regular expression; what goes beside it is put into f.reading.
func (f *finding) pattern() (string, bool) {
	f.form = formOf(f.members, f.loc)
	for _, m := range f.members {
		m.pre = strings.TrimRight(m.pre, " ")
		switch {
		case f.form.left > 0:
			m.post = strings.TrimLeft(m.post, " ")
		case f.form.takesBehind && m.token.trail == 0:
			m.post = strings.TrimPrefix(m.post, " ")
		}
	}
	value := "(?P<value>" + f.form.expression() + ")"
	var tables strings.Builder
	before, unit, behind, ok := f.splitUnit(&tables)
	if !ok {
		return "", false
	}
	side := func(texts func(*member) string) []*cell {
		list := make([]string, len(f.members))
		for i, m := range f.members {
			list[i] = texts(m)
		}
		return align(list)
	}
	pre, post := side(func(m *member) string { return m.pre }), side(func(m *member) string { return m.post })
	var middle, rest []*cell
	switch {
	case unit != "" && behind:
		middle = side(func(m *member) string { return m.post[:before[m][0]] })
		rest = side(func(m *member) string { return m.post[before[m][1]:] })
		post = append(append([]*cell{}, middle...), rest...)
	case unit != "":
		middle = side(func(m *member) string { return m.pre[before[m][1]:] })
		rest = side(func(m *member) string { return m.pre[:before[m][0]] })
		pre = append(append([]*cell{}, rest...), middle...)
	}
	all := append(append([]*cell{}, pre...), post...)
	if !f.roles(all, unit != "", &tables) {
		return "", false
	}
	f.reading = tables.String()
	text := ""
	switch {
	case unit != "" && behind:
		text = join(pre) + value + join(middle) + unit + join(rest)
	case unit != "":
		text = join(rest) + unit + join(middle) + value + join(post)
	default:
		text = join(pre) + value + join(post)
	}
	if f.sum != nil && f.sum.inBody {
		switch {
		case !f.sum.hex:
			text += fmt.Sprintf("(?s:.{1,%d})", f.sum.size())
		case f.sum.upper:
			text += fmt.Sprintf("[0-9A-F]{%d}", f.sum.size())
		default:
			text += fmt.Sprintf("[0-9A-Fa-f]{%d}", f.sum.size())
		}
	}
	return text, true
}

// join writes cells one behind the other. A number that varies may grow into
// the blanks before it.
func join(cells []*cell) string {
	var b strings.Builder
	for i, c := range cells {
		grows := func(c *cell) bool {
			return c.kind == 'd' && c.role == "" && c.loose == "" && !c.constant()
		}
		if c.kind == ' ' && i+1 < len(cells) && grows(cells[i+1]) {
			most := 0
			for n := range c.texts {
				most = max(most, len(c.texts[n])+len(cells[i+1].texts[n])-1)
			}
			b.WriteString(times(" ", 0, most))
			continue
		}
		padded := 0
		if i > 0 && cells[i-1].kind == ' ' && grows(c) {
			for _, t := range cells[i-1].texts {
				padded = max(padded, len(t))
			}
		}
		x := c.expression(padded)
		if c.role != "" {
			x = "(?P<" + c.role + ">" + x + ")"
		}
		b.WriteString(x)
	}
	return b.String()
}

// splitUnit finds the unit's text: for each member its place, the group that
// reads it, and whether it stands behind the number. Members with a text that
// was never shown are left out.
func (f *finding) splitUnit(tables *strings.Builder) (places map[*member][2]int, group string, behind, ok bool) {
	shown := map[quantity.Unit]bool{}
	for _, m := range f.members {
		if m.hit != nil && m.hit.shown.q.Unit.Known() {
			shown[m.hit.shown.q.Unit] = true
		}
	}
	told := len(shown) > 0
	if !told {
		// What stands right behind the number may be its unit.
		for _, m := range f.members {
			u := longest(runs(strings.TrimLeft(m.post, " ")), quantity.Unit.Known)
			if u == "" {
				shown = nil
				break
			}
			unit, _ := quantity.ParseUnit(u)
			shown[unit] = true
			if m.hit != nil {
				m.hit.shown.q.Unit = unit
			}
		}
		defer func() {
			for _, m := range f.members {
				if m.hit != nil {
					m.hit.shown.q.Unit = quantity.NoUnit
				}
			}
		}()
	}
	if len(shown) == 0 {
		f.unit = Belief{Unit, "none", NotTold, "no unit was told, and no text in the frame is one: readings have no unit until the profile says unit = \"…\""}
		return nil, "", false, true
	}
	var list [][2]int
	for _, behind = range []bool{true, false} {
		if list, ok = unitText(f.members, behind); ok {
			break
		}
	}
	if !ok {
		if len(shown) == 1 {
			for u := range shown {
				f.unit = Belief{Unit, u.String() + ", always", Likely,
					"the display showed it; no text in the frame says it, so that readings in another unit would be taken for it where nothing else in the frame changes"}
				fmt.Fprintf(tables, "unit = %q\n", u)
			}
		}
		return nil, "", false, true
	}
	texts := map[string]bool{}
	places = map[*member][2]int{}
	text := func(m *member, at [2]int) string {
		if behind {
			return m.post[at[0]:at[1]]
		}
		return m.pre[at[0]:at[1]]
	}
	for i, m := range f.members {
		if m.hit != nil {
			texts[text(m, list[i])] = true
		}
		places[m] = list[i]
	}
	f.members = slices.DeleteFunc(f.members, func(m *member) bool { return !texts[text(m, places[m])] })
	words := make([]string, 0, len(texts))
	for t := range texts {
		words = append(words, t)
	}
	slices.Sort(words)
	f.unit = Belief{Unit, "as a text in the frame: " + strings.Join(words, ", "), Certain, "it is what the display showed; frames with another unit's text are not read until it is added to the pattern"}
	switch {
	case !told:
		f.unit.Sure, f.unit.Why = Likely, "it stands behind the number; the display's unit was not told"
	case f.loc.bits < certainBits:
		f.unit.Sure = Likely
	}
	return places, "(?P<unit>" + oneOf(words) + ")", behind, true
}

// roles gives cells that follow what was shown, that count, or that look like a
// status, their roles. It fails where the sign or the point is not found.
func (f *finding) roles(cells []*cell, unitKnown bool, tables *strings.Builder) bool {
	table := func(name string, means map[string]string) {
		fmt.Fprintf(tables, "\n[field.%s.means]\n", name)
		keys := make([]string, 0, len(means))
		for k := range means {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			fmt.Fprintf(tables, "%s = %s\n", quoteTOML(k), quoteTOML(means[k]))
		}
	}
	free := func(yield func(*cell) bool) {
		for _, c := range cells {
			if c.role == "" && !c.constant() && valid(c.texts) && !yield(c) {
				return
			}
		}
	}
	if f.loc.shift != 0 && !f.loc.shifted {
		fmt.Fprintf(tables, "\n[field.value]\ndecimals = %d\n", f.loc.shift)
	}
	if f.loc.shifted {
		found := false
		for c := range free {
			by, ok := follows(c, f.members, func(h *hit) (int, bool) { return h.shift, h.shown.n.digits != "" })
			if !ok {
				continue
			}
			c.role, found = "point", true
			means, plain := map[string]string{}, true
			for k, v := range by {
				if v < 0 {
					return false
				}
				means[k] = strconv.Itoa(v)
				plain = plain && strings.TrimLeft(k, "0") == strings.TrimLeft(means[k], "0")
			}
			if !plain {
				table("point", means)
				c.loose = oneOf(c.distinct())
			} else {
				c.loose = times(`\d`, len(c.texts[0]), len(c.texts[0]))
			}
			break
		}
		if !found {
			return false
		}
	}
	if !f.loc.signed {
		found := false
		for c := range free {
			by, ok := follows(c, f.members, func(h *hit) (bool, bool) { return h.shown.n.negative, h.shown.n.digits != "" })
			if !ok || slices.ContainsFunc(f.members, func(m *member) bool { return m.token.figure.negative }) {
				continue
			}
			c.role, found = "sign", true
			c.loose = oneOf(c.distinct())
			means, plain := map[string]string{}, true
			for k, minus := range by {
				means[k] = map[bool]string{true: "-", false: "+"}[minus]
				plain = plain && (minus && k == "-" || !minus && (k == "+" || k == ""))
			}
			if !plain {
				table("sign", means)
			}
			break
		}
		if !found {
			return false
		}
	}
	if !unitKnown {
		for c := range free {
			by, ok := follows(c, f.members, func(h *hit) (quantity.Unit, bool) { return h.shown.q.Unit, h.shown.q.Unit.Known() })
			if !ok {
				continue
			}
			means := map[string]string{}
			for k, u := range by {
				means[k] = u.String()
			}
			c.role = "unit"
			c.loose = oneOf(c.distinct())
			table("unit", means)
			f.unit = Belief{Unit, "as a code in the frame", Likely, "its text goes with the unit that the display showed; other codes are not read"}
			break
		}
	}
	for i, c := range cells {
		if c.role != "" || c.constant() {
			continue
		}
		part := func(dot, beyond int) bool { // of a number with a point
			return beyond >= 0 && beyond < len(cells) && cells[beyond].kind == 'd' && cells[beyond].role == "" && cells[dot].constant() &&
				(cells[dot].texts[0] == "." || cells[dot].texts[0] == string(f.form.mark))
		}
		f.describe(c, !valid(c.texts) || part(i-1, i-2) || part(i+1, i+2), table)
	}
	return true
}

func valid(texts []string) bool {
	return !slices.ContainsFunc(texts, func(t string) bool {
		return strings.ToValidUTF8(t, "") != t || strings.ContainsFunc(t, func(r rune) bool { return r < ' ' || r == 0x7f })
	})
}

// describe says what a part that varies and has no role may be; a plain one can
// be no status.
func (f *finding) describe(c *cell, plain bool, table func(string, map[string]string)) {
	texts := map[string]int{}
	of := 0 // those for which a value was shown
	for i, m := range f.members {
		t := strings.Trim(c.texts[i], " ")
		texts[t] += 0
		if m.hit != nil {
			texts[t]++
			of++
		}
	}
	most := ""
	for _, t := range c.distinct() {
		if t = strings.Trim(t, " "); texts[t] > texts[most] || most == "" {
			most = t
		}
	}
	words := fmt.Sprintf("%d different texts, as %s", len(texts), quoted(c.texts[0]))
	letters := strings.ContainsFunc(strings.Join(c.distinct(), ""), func(r rune) bool { return letter(byte(min(r, 0xFF))) })
	hexadecimal := c.kind == 'h'
	few := len(texts) <= 3 || len(texts) <= 8 && len(texts)*3 <= len(f.members)
	switch {
	case plain:
		f.unread = append(f.unread, words)
		f.notes = append(f.notes, "a part that is not understood and may be anything of its form: "+words)
	case counts(c, f.members):
		c.role = "sequence"
		c.loose = exactly(len(c.texts[0]))
		f.counters++
		f.notes = append(f.notes, "sequence: goes up by one with each frame")
	case (c.kind == 'a' || letters && few || c.kind == 'd' && len(c.texts[0]) == 1 && few && texts[most]*2 >= of) && !hexadecimal && f.statuses < 4:
		f.statuses++
		c.role = "status"
		if f.statuses > 1 {
			c.role += strconv.Itoa(f.statuses)
		}
		means := map[string]string{}
		for t := range texts {
			if t != "" {
				means[t] = t
			}
		}
		note := "no text of it is usual, so every reading carries it"
		if well, ok := usual(texts, most, of); ok {
			means[well] = ""
			note = fmt.Sprintf("%s is taken for \"all is well\"", quoted(well))
		}
		if len(means) == 0 {
			means["-"] = ""
		}
		table(c.role, means)
		f.notes = append(f.notes, fmt.Sprintf("%s: %s; %s. Say what the others mean", c.role, words, note))
	default:
		f.unread = append(f.unread, words)
		f.notes = append(f.notes, "a part that is not understood and may be anything of its form: "+words)
	}
}

// Words that instruments use for "all is well", and for the contrary (common
// practice).
var (
	wellWords = []string{"OK", "PASS", "GOOD", "GO", "G", "0"}
	illWords  = []string{"OL", "LB", "LO", "LOW", "HI", "HIGH", "NG", "FAIL", "ERR", "BAD", "L", "H", "E", "U", "1", "2", "3"}
)

// usual is the text of a status that says that all is well: by its word, or
// because most values shown had it.
func usual(texts map[string]int, most string, of int) (string, bool) {
	for _, w := range wellWords {
		for t := range texts {
			if strings.EqualFold(t, w) {
				return t, true
			}
		}
	}
	return most, most != "" && texts[most]*5 >= of*3 && !slices.Contains(illWords, strings.ToUpper(most))
}

// try parses the profile and runs it over what was heard.
func (f *finding) try() bool {
	f.text = "name = \"learnt\"\n\n[framing]\n" + f.cut.table()
	if f.sum != nil {
		f.text += "\n[check]\n" + f.sum.table()
	}
	f.text += "\n" + f.reading
	p, err := profile.Parse("learnt", []byte(f.text))
	if err != nil {
		return false
	}
	f.profile = p
	f.run()
	return f.matched > 0
}

// run reads what was heard through the profile.
func (f *finding) run() {
	f.reads, f.matched, f.good = nil, 0, 0
	f.perPull = make([]int, len(f.take.pulls))
	next := make([]int, len(f.take.pulls))
	for _, p := range f.take.pulls {
		for _, s := range p.shown {
			f.reads = append(f.reads, Read{Shown: s.text})
		}
	}
	base := make([]int, len(f.take.pulls)+1)
	for i, p := range f.take.pulls {
		base[i+1] = base[i] + len(p.shown)
	}
	decoder := f.profile.NewDecoder()
	f.times = nil
	play(f.take, f.profile.NewFramer(), func(n int, fr profile.Frame) {
		m, err := decoder.Decode(fr)
		if err != nil {
			return
		}
		f.good++
		f.perPull[n]++
		sample := m.Sample()
		f.times = append(f.times, fr.Time)
		p := f.take.pulls[n]
		if i := next[n]; i < len(p.shown) {
			want := p.shown[i].q
			if sample.Value.Value.Equal(want.Value) && (!want.Unit.Known() || want.Unit == sample.Value.Unit) {
				f.reads[base[n]+i].Read = strings.TrimSpace(sample.Value.Number() + " " + sample.Value.Unit.String())
				next[n]++
				f.matched++
			}
		}
	})
}
