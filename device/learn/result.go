package learn

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"paintmark/device/profile"
)

// result says what the finding comes to.
func (f *finding) result(takes []*take, values int, o Options) Result {
	whole := f.matched == values
	number := Belief{Number, f.numberWords(), Likely, ""}
	distinct := map[string]bool{}
	for _, h := range f.loc.hits {
		distinct[h.shown.n.digits] = true
	}
	switch {
	case !whole:
		number.Why = fmt.Sprintf("%d of the %d values that were shown are read; for the others nothing that is equal was heard", f.matched, values)
	case f.loc.rivals > 0:
		number.Why = "another number in the frame was always equal to it: which of them the display shows is not told"
	case f.loc.bits < certainBits || len(distinct) < 3:
		number.Why = fmt.Sprintf("it is what the display showed, but with %s that may be chance", plural(len(distinct), "a single value", "different values"))
	default:
		number.Sure = Certain
		number.Why = fmt.Sprintf("it is what the display showed %d times, with %d different values", f.matched, len(distinct))
	}
	framing := f.framingBelief(whole)
	if framing.Sure < number.Sure {
		number.Sure = Likely
		number.Why += "; where its frame ends is not certain"
	}
	if !f.digitsTold() && number.Sure == Certain {
		number.Sure = Likely
		number.Why += "; all values had as many digits, so that it is not told whether fewer are filled up"
	}
	if f.good*10 < 8*len(f.frames) && number.Sure == Certain {
		number.Sure = Likely
		number.Why += fmt.Sprintf("; %d of %d frames are not read", len(f.frames)-f.good, len(f.frames))
	}
	if f.binary && number.Sure == Certain {
		number.Sure = Likely
		number.Why += "; how larger and negative values look in bytes is only told by showing them"
	}
	if len(f.unread) > 0 && len(f.members) < 30 && number.Sure == Certain {
		number.Sure = Likely
		number.Why += "; a part of the frame is not understood, and frames in which it has another form are not read"
	}
	if f.form.decs[0] != f.form.decs[1] && f.form.total == 0 && number.Sure == Certain {
		number.Sure = Likely
		number.Why += "; the count of decimals varies, so that a number which lost its last digits looks like another"
	}
	if f.allNegative() && number.Sure == Certain {
		number.Sure = Likely
		number.Why += "; all values shown were negative"
	}
	if f.loc.column && number.Sure == Certain {
		number.Sure = Likely
		number.Why += "; digits that are none of it stand right beside it"
	}
	damage := f.damage()
	beliefs := append(f.lineBeliefs(takes, whole), framing, f.checkBelief(), number, f.signBelief())
	beliefs = append(beliefs, f.unit, f.columnsBelief(), f.talkBelief(), damage)
	for i := range beliefs { // these are no surer than the number they belong to
		if b := &beliefs[i]; (b.Part == Sign || b.Part == Unit) && number.Sure != Certain {
			b.Sure = min(b.Sure, Likely)
		}
	}
	r := Result{Beliefs: beliefs}
	// The shown values of all takes, in their order: those of another setting are not read.
	r.Reads = f.reads
	for _, t := range takes {
		if t.line == f.take.heard {
			continue
		}
		for _, p := range t.pulls {
			for _, s := range p.shown {
				r.Reads = append(r.Reads, Read{Shown: s.text})
			}
		}
	}
	r.Profile = f.write(&r, o, damage.Sure == NotTold)
	if _, err := profile.Parse("learnt", []byte(r.Profile)); err != nil {
		return Result{Why: "the profile that was written cannot be read: " + err.Error()}
	}
	return r
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// allNegative tells whether no positive value was shown.
func (f *finding) allNegative() bool {
	return !slices.ContainsFunc(f.loc.hits, func(h hit) bool { return !h.shown.n.negative && h.shown.n.digits != "" })
}

// digitsTold tells whether it is known that numbers are filled up, or that they
// are not.
func (f *finding) digitsTold() bool {
	return f.binary || f.form.digitsKnown || f.form.exponent != ""
}

func (f *finding) numberWords() string {
	var words []string
	if f.binary {
		return f.layoutWords()
	}
	switch {
	case f.form.exponent != "":
		words = append(words, "with an exponent (NR3)")
	case f.form.point:
		words = append(words, fmt.Sprintf("with a decimal %s (NR2)", map[byte]string{'.': "point", ',': "comma"}[f.form.mark]))
	default:
		words = append(words, "without a point (NR1)")
	}
	switch {
	case f.loc.shifted:
		words = append(words, "its decimals in a part of the frame")
	case f.loc.shift != 0:
		words = append(words, fmt.Sprintf("%d decimals implied", f.loc.shift))
	case f.form.total > 0:
		words = append(words, fmt.Sprintf("the point floating among %d digits", f.form.total))
	case f.form.point && f.form.decs[0] == f.form.decs[1]:
		words = append(words, plural(f.form.decs[0], "1 decimal", "decimals"))
	}
	switch {
	case f.form.zeros:
		words = append(words, "filled up with zeros")
	case f.form.width > 0:
		words = append(words, fmt.Sprintf("%d characters wide with blanks", f.form.width))
	case f.form.left > 0:
		words = append(words, "followed by blanks")
	case f.form.exponent == "":
		words = append(words, "as many digits as it needs")
	}
	return strings.Join(words, ", ")
}

// sounding tells whether a take is text as it was heard.
func sounding(t *take) bool {
	mended := readable([]*take{t})
	return len(mended) > 0 && mended[0].line == t.line
}

func (f *finding) lineBeliefs(takes []*take, whole bool) []Belief {
	line := f.take.line
	if line.Baud == 0 {
		return []Belief{
			{Rate, "unknown", NotTold, "a recording does not say how the line was set"},
			{Parity, "unknown", NotTold, "a recording does not say how the line was set"},
		}
	}
	rate := Belief{Rate, fmt.Sprintf("%d baud", line.Baud), Likely, "what came is read at this rate"}
	if whole && f.loc.bits >= certainBits {
		rate.Sure, rate.Why = Certain, "at another rate the values shown would not have come"
	}
	parity := Belief{Parity, formatWords(line), Likely, ""}
	others, errors := 0, map[string]bool{}
	for _, t := range takes {
		if t.line == f.take.heard || t.size() < 8 || t.line.Baud == 0 {
			continue
		}
		if t.line.Baud != line.Baud && sounding(t) {
			others++
		}
		if t.line.Baud == line.Baud && t.line.DataBits == 8 && (t.line.Parity == "even" || t.line.Parity == "odd") {
			errors[t.line.Parity] = errors[t.line.Parity] || parityErrors(t)
		}
	}
	if others > 0 {
		rate.Sure, rate.Why = NotTold, "it is understood at another rate as well, as over USB or Bluetooth, where there is no rate"
	}
	switch heard := f.take.heard; {
	case others > 0:
		parity.Sure, parity.Why = NotTold, rate.Why
	case heard != line && line.Parity == "none":
		parity.Why = "the eighth bit was always set: a second stop bit, or a parity that is always 1; both are read this way"
	case heard != line:
		parity.Why = fmt.Sprintf("heard with eight bits, the eighth was the %s parity of the seven, always", line.Parity)
		parity.Sure = rate.Sure
	case line.Parity == "none" && errors["even"] && errors["odd"]:
		parity.Sure, parity.Why = rate.Sure, "with a parity bit half of it would be wrong, as was heard"
	case line.Parity == "none":
		parity.Why = "it is read this way; a line with a parity bit behind eight others may sound the same"
	case parityErrors(f.take):
		parity.Why = "some characters had a wrong parity"
	default:
		parity.Sure, parity.Why = rate.Sure, "no character had a wrong parity"
	}
	if f.binary && parity.Sure == Certain {
		parity.Sure = Likely
	}
	return []Belief{rate, parity}
}

// parityErrors tells whether characters came with a wrong parity, which systems
// give as zeros.
func parityErrors(t *take) bool {
	zeros, total := 0, 0
	for _, p := range t.pulls {
		b := p.bytes()
		zeros += bytes.Count(b, []byte{0})
		total += len(b)
	}
	return zeros*10 > total
}

func (f *finding) framingBelief(whole bool) Belief {
	b := Belief{Framing, f.cut.words(), Likely, ""}
	rest := f.take.size()
	for _, fr := range f.frames {
		rest -= len(fr.raw)
	}
	switch {
	case f.cut.kind == "silence":
		b.Why = fmt.Sprintf("nothing marks a frame's end; %d frames were heard this way. Adapters hold bytes back: if frames come in pieces, choose a longer gap", len(f.frames))
	case f.cut.kind == "length" && (len(f.frames) < 8 || rest > 2*f.cut.length):
		b.Why = fmt.Sprintf("%d frames were heard this way", len(f.frames))
	case f.cut.kind == "length" && f.again():
		b.Why = "the start stands in the rest of the frame as well, so that it may be found in the wrong place"
	case f.cut.kind == "marks" && f.cut.tail > 0 && f.sum == nil:
		b.Why = "what stands behind the end is not understood"
	case f.good < 3 || !whole && f.matched < 3:
		b.Why = fmt.Sprintf("only %s read", plural(f.good, "1 frame is", "frames are"))
	case f.cut.kind == "lines" && !control(f.cut.end[0]):
		b.Why = "all frames end so; it may be a part of a longer ending"
	default:
		b.Sure, b.Why = Certain, fmt.Sprintf("%d frames were heard this way", len(f.frames))
	}
	return b
}

// again tells whether the start of frames of one length stands within one.
func (f *finding) again() bool {
	return slices.ContainsFunc(f.frames, func(fr *frame) bool { return bytes.Contains(fr.raw[1:], f.cut.start) })
}

func (f *finding) checkBelief() Belief {
	switch {
	case f.sum != nil && f.sum.bits >= certainBits && f.sum.rivals == 0:
		return Belief{Check, f.sum.words(), Certain, fmt.Sprintf("every frame keeps it: by chance, once in 2^%.0f", min(f.sum.bits, 999))}
	case f.sum != nil && f.sum.rivals > 0:
		return Belief{Check, f.sum.words(), Likely, "it is kept, and so would be another sum or another range"}
	case f.sum != nil:
		return Belief{Check, f.sum.words(), Likely, "it is kept, but few different frames were heard"}
	case len(f.unread) == 0 && f.good >= 3 && f.cut.tail == 0:
		return Belief{Check, "none", Certain, "nothing in the frame goes with the number as a check would"}
	}
	return Belief{Check, "none that is known", NotTold, "a part that varies is not understood; it may be a check"}
}

func (f *finding) signBelief() Belief {
	seen := false
	for _, h := range f.loc.hits {
		seen = seen || h.shown.n.negative
	}
	switch {
	case f.allNegative():
		return Belief{Sign, f.signWords(), NotTold, "all values shown were negative: how a positive one is written is not told"}
	case seen && !f.loc.signed:
		return Belief{Sign, "in a part of the frame of its own", Likely, "it goes with the values shown"}
	case seen && f.loc.bits >= certainBits:
		return Belief{Sign, f.signWords(), Certain, "negative values were shown and are read"}
	case seen:
		return Belief{Sign, f.signWords(), Likely, "negative values were shown and are read"}
	case f.binary:
		return Belief{Sign, f.signWords(), NotTold, "no negative value was shown"}
	case !strings.Contains(f.form.lead, " ") || !strings.Contains(f.form.trail, " "):
		return Belief{Sign, f.signWords(), Likely, "every number has a sign, but no negative value was shown"}
	}
	return Belief{Sign, "a minus before the digits would be understood", NotTold, "no negative value was shown: pull one the other way, or measure one"}
}

func (f *finding) signWords() string {
	switch {
	case f.binary:
		return f.layoutSign()
	case strings.Contains(f.form.trail, "-") || strings.Contains(f.form.trail, "+"):
		return "behind the digits"
	case !strings.Contains(f.form.lead, " "):
		return "before the digits, always"
	}
	return "before the digits, a minus where it is negative"
}

func (f *finding) columnsBelief() Belief {
	var words []string
	if f.statuses > 0 {
		words = append(words, plural(f.statuses, "a status", "statuses"))
	}
	if f.counters > 0 {
		words = append(words, "a counter")
	}
	if len(f.unread) > 0 {
		words = append(words, plural(len(f.unread), "a part that is not understood", "parts that are not understood"))
	}
	if len(words) == 0 {
		return Belief{Columns, "none that varies", NotTold, "what never changed is taken to be so always: a frame in which it changes, as in overload, is rejected until the profile says what it means"}
	}
	return Belief{Columns, strings.Join(words, ", "), NotTold, "what they mean was not shown; see the profile's comments"}
}

func (f *finding) talkBelief() Belief {
	once, pulls, stream := true, 0, true
	for i, p := range f.take.pulls {
		if n := len(p.shown); n > 0 {
			pulls += n
			once = once && f.perPull[i] == n
			stream = stream && f.perPull[i] >= n+4
		}
	}
	switch {
	case once && pulls >= 3:
		return Belief{Talk, "sends one frame for each value", Certain, fmt.Sprintf("%d values, and one frame for each", pulls)}
	case once:
		return Belief{Talk, "sends one frame for each value", Likely, "few values were shown"}
	case stream && len(f.times) >= 8:
		var list []time.Duration
		for i := 1; i < len(f.times); i++ {
			list = append(list, f.times[i].Sub(f.times[i-1]))
		}
		slices.Sort(list)
		value := "streams"
		if d := list[len(list)/2]; d > 0 {
			value = fmt.Sprintf("streams, a frame each %v or so", d.Round(time.Millisecond))
		}
		return Belief{Talk, value, Certain, fmt.Sprintf("%d frames for %d values", len(f.times), pulls)}
	}
	return Belief{Talk, "sends by itself", NotTold, fmt.Sprintf("%d frames were read for %d values", len(f.times), pulls)}
}

// damage tries frames that lost their beginnings: none of them must be read as
// another value.
func (f *finding) damage() Belief {
	decoder := f.profile.NewDecoder()
	value := func(raw []byte) (string, bool) {
		framer := f.profile.NewFramer()
		framer.Feed(raw, moment(0))
		if p, ok := framer.(profile.Patient); ok {
			p.Elapse(moment(stillness))
		}
		for {
			fr, ok := framer.Next()
			if !ok {
				return "", false
			}
			if m, err := decoder.Decode(fr); err == nil {
				s := m.Sample()
				return s.Value.Value.String() + s.Value.Unit.String(), true
			}
		}
	}
	for n, m := range f.members {
		if n >= 12 || len(m.raw) > 200 {
			break
		}
		want, _ := value(m.raw)
		for i := 1; i < len(m.raw); i++ {
			if got, ok := value(m.raw[i:]); ok && got != want {
				return Belief{Damage, "cannot always be known", NotTold, fmt.Sprintf("%s without its beginning could be read as %s", quoted(string(m.raw)), got)}
			}
		}
	}
	return Belief{Damage, "are rejected", Likely, "all frames that were heard were tried without their beginnings"}
}

// write is the profile with its comments.
func (f *finding) write(r *Result, o Options, cuttable bool) string {
	var b strings.Builder
	read := 0
	for _, x := range r.Reads {
		read += boolInt(x.Read != "")
	}
	comment(&b, fmt.Sprintf("Learnt by listening: %s shown and %d of them read again from what was heard. Read it before you rely on it, and try it with values that were not shown yet.", plural(len(r.Reads), "1 value was", "values were"), read))
	if read < len(r.Reads) {
		comment(&b, "IT DOES NOT READ ALL VALUES THAT WERE SHOWN:")
		for _, x := range r.Reads {
			if x.Read == "" {
				comment(&b, "  not read: "+clean(x.Shown))
			}
		}
	}
	fmt.Fprintf(&b, "\nname = %s\nnote = %s\n\n", quoteTOML(o.name()), quoteTOML("Learnt by listening; see the comments."))
	say := func(p Part) {
		v := r.Of(p)
		comment(&b, fmt.Sprintf("%s, %s: %s. %s.", v.Part, v.Sure, v.Value, capital(v.Why)))
	}
	say(Rate)
	say(Parity)
	if l := f.take.line; l.Baud > 0 {
		fmt.Fprintf(&b, "[line]\nbaud = %d\ndata_bits = %d\nparity = %q\nstop_bits = %s\n", l.Baud, l.DataBits, l.Parity, l.StopBits)
	}
	b.WriteString("\n")
	say(Framing)
	b.WriteString("[framing]\n" + f.cut.table())
	streams := strings.HasPrefix(r.Of(Talk).Value, "streams")
	if cuttable && streams && (f.cut.kind == "lines" || f.cut.kind == "silence") {
		b.WriteString("first = \"discard\" # the port may be opened in the middle of a frame\n")
	}
	b.WriteString("\n")
	say(Check)
	if f.sum != nil {
		b.WriteString("[check]\n" + f.sum.table())
	}
	b.WriteString("\n")
	for _, p := range []Part{Number, Sign, Unit, Columns, Damage, Talk} {
		say(p)
	}
	for _, n := range f.notes {
		comment(&b, n)
	}
	if len(f.members) > 0 {
		comment(&b, "As heard: "+fmt.Sprintf("%q", f.members[0].raw))
	}
	b.WriteString(f.reading)
	if len(o.Request) > 0 {
		comment(&b, "It was asked in this way each time. Choose how often.")
		fmt.Fprintf(&b, "\n[talk]\nrequest = %s\nevery = \"1 s\"\n", bytesTOML(o.Request))
	}
	return b.String()
}

func capital(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// clean is a text that may stand in a comment.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
}

// comment writes a text as comment lines.
func comment(b *strings.Builder, text string) {
	const width = 100
	line := "#"
	for _, word := range strings.Fields(clean(text)) {
		if len(line)+1+len(word) > width && line != "#" {
			b.WriteString(line + "\n")
			line = "#"
		}
		line += " " + word
	}
	b.WriteString(line + "\n")
}
