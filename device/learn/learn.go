// Package learn finds out how an instrument talks from what it sent and from
// what its display showed, and writes a profile of it.
//
// It is given bytes with their times, by the line setting under which they were
// heard, and the values that the user read off the display, and does no input
// or output itself. From outside to inside it looks for
//
//	line      under which setting the bytes make sense (wire.go, line.go)
//	framing   where a frame ends (framing.go)
//	check     a sum that every frame keeps (check.go)
//	number    where in the frame the values stand that were shown (number.go)
//	columns   what else stands in it: unit, status, counter (columns.go)
//
// and puts what it found into a pattern that is as strict as the evidence
// allows (text.go), or, where the frames are no text, into fields (binary.go).
// Whatever it writes is parsed by package profile and run over the bytes that
// were heard before it is given out.
//
// Each part of the result is a [Belief] that says how sure it is. Certain is
// said only where chance could not have made the same picture and where no other
// reading of it is left; what five pulls can't tell is said not to be told.
package learn

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"paintmark/calc/quantity"
	"paintmark/device"
)

// MaxHeard is how many bytes are looked at. Of more, each Heard's first and last
// are taken.
const MaxHeard = 256 << 10

// Heard is what came while the line was set in one way and the display showed
// certain values: one pull, as a rule.
type Heard struct {
	// Line is how the line was set; its zero value where that is not known.
	Line device.Settings
	// Shown is what the display showed, in its order, as ParseShown reads it.
	Shown []string
	// Chunks are what came, in the order of their times.
	Chunks []Chunk
}

// A Chunk is bytes that came at once.
type Chunk struct {
	At    time.Duration // since any fixed moment; it is one for all
	Bytes []byte
}

// Sure is how sure a belief is.
type Sure uint8

// The degrees of sureness. NotTold means that what was heard does not tell it.
const (
	NotTold Sure = iota
	Likely
	Certain
)

// String is "not told", "likely" or "certain".
func (s Sure) String() string { return [...]string{"not told", "likely", "certain"}[min(s, Certain)] }

// A Part is what a belief is about.
type Part string

// The parts of a profile.
const (
	Rate    Part = "rate"
	Parity  Part = "bits and parity"
	Framing Part = "framing"
	Check   Part = "check"
	Number  Part = "number"
	Sign    Part = "sign"
	Unit    Part = "unit"
	Columns Part = "other columns"
	Talk    Part = "talk"
	Damage  Part = "cut frames"
)

// A Belief is what is thought of one part, and why.
type Belief struct {
	Part  Part
	Value string
	Sure  Sure
	Why   string
}

// A Read is a value that was shown and what the written profile reads.
type Read struct {
	Shown string
	Read  string // empty where it reads nothing that is equal to it
}

// A Result is what was learnt.
type Result struct {
	// Profile is the text of the profile, empty where none could be written.
	Profile string
	// Beliefs are what it rests on, in the order of the parts.
	Beliefs []Belief
	// Reads are the values shown, in their order.
	Reads []Read
	// Why says why there is no profile.
	Why string
}

// Reproduced tells whether the profile reads every value that was shown.
func (r *Result) Reproduced() bool {
	return r.Profile != "" && len(r.Reads) > 0 && !slices.ContainsFunc(r.Reads, func(x Read) bool { return x.Read == "" })
}

// Of is the belief about a part.
func (r *Result) Of(p Part) Belief {
	for _, b := range r.Beliefs {
		if b.Part == p {
			return b
		}
	}
	return Belief{Part: p}
}

// ParseShown reads what the user says the display showed: a number, with its
// unit or without, as in "88.4 N·m", "-3.216" or "88,4".
func ParseShown(text string) (quantity.Quantity, error) {
	plain := strings.TrimSpace(text)
	if strings.Count(plain, ",") == 1 && !strings.Contains(plain, ".") {
		plain = strings.Replace(plain, ",", ".", 1)
	}
	end := strings.LastIndexAny(plain, "0123456789") + 1
	number, name := strings.TrimSpace(plain[:end]), strings.TrimSpace(plain[end:])
	value, err := quantity.ParseNumber(number)
	if err != nil {
		return quantity.Quantity{}, hinted{fmt.Errorf("%s is no value that a display shows", quoted(text)), `write it as in "88.4 N·m" or "-3.216"`}
	}
	q := quantity.Quantity{Value: value, Text: text}
	if name != "" {
		if q.Unit, err = quantity.ParseUnit(name); err != nil {
			return quantity.Quantity{}, hinted{fmt.Errorf("%s: %w", quoted(text), err), `units are written as in "N·m", "lbf·ft", "mm" or "in"; the number alone will do`}
		}
	}
	return q, nil
}

type hinted struct {
	error
	hint string
}

func (h hinted) Unwrap() error    { return h.error }
func (h hinted) HintText() string { return h.hint }

func quoted(text string) string {
	if len(text) > 40 {
		text = text[:40] + "…"
	}
	return fmt.Sprintf("%q", strings.ToValidUTF8(text, "\uFFFD"))
}

// a shown value, made ready for comparing.
type shown struct {
	text string
	q    quantity.Quantity
	n    figure
}

// A pull is a Heard, made ready: its values understood and its bytes within
// bounds.
type pull struct {
	chunks []Chunk
	shown  []shown
}

func (p *pull) bytes() (all []byte) {
	for _, c := range p.chunks {
		all = append(all, c.Bytes...)
	}
	return all
}

// A take is all that was heard under one setting of the line.
type take struct {
	line  device.Settings
	heard device.Settings // under which it was heard; line is what that means
	pulls []*pull
}

func (t *take) shown() (n int) {
	for _, p := range t.pulls {
		n += len(p.shown)
	}
	return n
}

func (t *take) size() (n int) {
	for _, p := range t.pulls {
		for _, c := range p.chunks {
			n += len(c.Bytes)
		}
	}
	return n
}

// Options are what the profile says beside what was heard.
type Options struct {
	// Name is the profile's name; "learnt" if empty.
	Name string
	// Request is what was sent each time to ask for a value; none, if nothing was.
	Request []byte
}

func (o *Options) name() string {
	if strings.TrimSpace(o.Name) == "" {
		return "learnt"
	}
	return strings.ToValidUTF8(o.Name, "?")
}

// Learn learns from all that was heard. Values that ParseShown does not read
// are as if they were not given.
func Learn(heard []Heard, o Options) Result {
	takes := gather(heard)
	values := 0
	for _, t := range takes {
		values += t.shown()
	}
	switch {
	case len(takes) == 0:
		return Result{Why: "nothing was heard"}
	case values == 0:
		return Result{Why: "what the display showed was not told, so nothing says which number is the value"}
	}
	var best *finding
	for _, t := range readable(takes) {
		if f := learnText(t); f.better(best) {
			best = f
		}
	}
	if best == nil || best.matched < values {
		for _, t := range takes {
			if f := learnBinary(t); f.better(best) {
				best = f
			}
		}
	}
	if best == nil {
		return Result{Why: hearsay(takes)}
	}
	return best.result(takes, values, o)
}

// gather sorts what was heard by the line's settings, within MaxHeard.
func gather(heard []Heard) (takes []*take) {
	room := MaxHeard / max(1, len(heard))
	last := time.Duration(0)
	for _, h := range heard {
		p := &pull{}
		for _, text := range h.Shown {
			if q, err := ParseShown(text); err == nil {
				p.shown = append(p.shown, shown{text: text, q: q, n: figureOf(q.Value)})
			}
		}
		for _, c := range within(h.Chunks, room) {
			last = max(last, c.At)
			p.chunks = append(p.chunks, Chunk{last, c.Bytes})
		}
		if len(p.chunks) == 0 {
			continue
		}
		i := slices.IndexFunc(takes, func(t *take) bool { return t.line == h.Line })
		if i < 0 {
			takes = append(takes, &take{line: h.Line, heard: h.Line})
			i = len(takes) - 1
		}
		takes[i].pulls = append(takes[i].pulls, p)
	}
	return takes
}

// within takes the first and the last of chunks, up to so many bytes.
func within(chunks []Chunk, room int) []Chunk {
	total := 0
	for _, c := range chunks {
		total += len(c.Bytes)
	}
	if total <= room {
		return slices.DeleteFunc(slices.Clone(chunks), func(c Chunk) bool { return len(c.Bytes) == 0 })
	}
	var head, tail []Chunk
	for used, i := 0, 0; i < len(chunks) && used < room/2; i++ {
		c := chunks[i]
		c.Bytes = c.Bytes[:min(len(c.Bytes), room/2-used)]
		used += len(c.Bytes)
		head = append(head, c)
	}
	for used, i := 0, len(chunks)-1; i >= len(head) && used < room/2; i-- {
		c := chunks[i]
		c.Bytes = c.Bytes[max(0, len(c.Bytes)-(room/2-used)):]
		used += len(c.Bytes)
		tail = append(tail, c)
	}
	slices.Reverse(tail)
	return append(head, tail...)
}

// hearsay says why nothing was made of what was heard.
func hearsay(takes []*take) string {
	size := 0
	text := false
	for _, t := range takes {
		size += t.size()
		text = text || clarity(t) >= clear
	}
	if text {
		return fmt.Sprintf("%d bytes were heard, and no number in them follows what the display showed", size)
	}
	return fmt.Sprintf("%d bytes were heard, and they are no text at any setting that was tried, nor numbers that follow what the display showed", size)
}
