package profile

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Bounds of a gap of silence.
const (
	leastGap = time.Millisecond
	mostGap  = 10 * time.Second
)

// framingKeys are the keys that mean something for each kind of framing, beside
// kind, longest and coding.
var framingKeys = map[string][]string{
	"lines":   {"ending", "first"},
	"marks":   {"start", "end", "tail", "escape", "escape_xor"},
	"length":  {"start", "length"},
	"silence": {"gap", "first"},
	"packet":  nil,
}

func (r reader) framing(form framingForm, c *check) framing {
	kinds := []string{"lines", "marks", "length", "silence", "packet"}
	f := framing{
		kind:    r.word("framing.kind", form.Kind, kinds...),
		longest: DefaultFrame,
		discard: r.word("framing.first", form.First, "keep", "discard") == "discard",
		hex:     r.word("framing.coding", form.Coding, "plain", "hex") == "hex",
		check:   c,
		first:   r.bytes("framing.start", form.Start, mostMark),
		tail:    form.Tail,
		length:  form.Length,
	}
	if !slices.Contains(kinds, f.kind) {
		return f
	}
	for _, key := range []string{"ending", "first", "start", "end", "tail", "escape", "escape_xor", "length", "gap"} {
		if path := "framing." + key; r.file.Has(path) && !slices.Contains(framingKeys[f.kind], key) {
			hint := "this kind has no keys of its own"
			if known := framingKeys[f.kind]; len(known) > 0 {
				hint = "the keys of this kind are " + strings.Join(known, ", ")
			}
			r.file.Fault(path, fmt.Sprintf("%q means nothing where the framing is %q", key, f.kind), hint)
		}
	}
	thing := "frame"
	if f.kind == "lines" {
		thing = "line"
	}
	if r.file.Has("framing.longest") {
		f.longest = form.Longest
		if f.longest < 1 || f.longest > MaxFrame {
			r.file.Fault("framing.longest", fmt.Sprintf("a longest %s of %d bytes cannot be", thing, f.longest), fmt.Sprintf("it lies between 1 and %d", MaxFrame))
			f.longest = DefaultFrame
		}
	}
	long := &Rejection{Reason: fmt.Sprintf("a %s of more than %d bytes", thing, f.longest)}
	f.tooLong = long
	switch f.kind {
	case "lines":
		r.ending(&f, form)
		long.Hint = "is the line's ending, or the baud rate, another than the profile says?"
	case "marks":
		r.marks(&f, form)
		long.Hint = "is the end, or the baud rate, another than the profile says?"
	case "length":
		r.fixed(&f, form)
	case "silence":
		r.silence(&f, form)
		long.Hint = "is the gap shorter, or does the instrument send without one?"
	case "packet":
		long.Hint = "does the link give more than a packet at a time?"
	}
	return f
}

func (r reader) ending(f *framing, form framingForm) {
	words := []string{string(endsEither), string(endsCRLF), string(endsCR), string(endsLF)}
	f.ending = endsEither
	if !r.file.Has("framing.ending") {
		return
	}
	if slices.Contains(words, form.Ending) {
		f.ending = ending(form.Ending)
		return
	}
	var err error
	if f.last, err = parseBytes(form.Ending, mostMark); err != nil {
		r.file.Fault("framing.ending", fmt.Sprintf("%q is not known here", form.Ending),
			"it is one of "+strings.Join(words, ", ")+`; or bytes, as in "03" or '"END" 0A'`)
	}
}

func (r reader) marks(f *framing, form framingForm) {
	f.last = r.bytes("framing.end", form.End, mostMark)
	if len(f.first) == 0 {
		r.file.Fault("framing.start", "where does a frame start?", `add start = "02", say; where frames have an end only, kind = "lines" takes any ending`)
	}
	if len(f.last) == 0 {
		r.file.Fault("framing.end", "where does a frame end?", `add end = "03", say; where frames have a start only, kind = "length" or "silence" may do`)
	}
	if len(f.first) > 0 && bytes.Equal(f.first, f.last) {
		r.file.Fault("framing.end", "start and end are the same", `use kind = "lines" with this ending: frames without bytes are nothing`)
	}
	if f.tail < 0 || f.tail > 8 {
		r.file.Fault("framing.tail", fmt.Sprintf("%d bytes after the end cannot be", f.tail), "it is the length of the check that stands there, 0 to 8")
		f.tail = 0
	}
	if f.check != nil && f.tail > 0 && f.check.at == nil && f.check.before == nil && f.check.size() > f.tail {
		r.file.Fault("framing.tail", fmt.Sprintf("a check of %d bytes does not fit in %d", f.check.size(), f.tail), "")
	}
	if f.escaped = r.file.Has("framing.escape"); f.escaped {
		f.escape = r.single("framing.escape", form.Escape)
		if f.hex {
			r.file.Fault("framing.escape", "hexadecimal digits need no escape", "drop one of escape and coding")
		}
		if slices.Contains(f.first, f.escape) || slices.Contains(f.last, f.escape) {
			r.file.Fault("framing.escape", "the escape stands in the start or the end", "leave it out of them")
		}
	}
	if r.file.Has("framing.escape_xor") {
		f.flip = r.single("framing.escape_xor", form.Flip)
		if !f.escaped {
			r.file.Fault("framing.escape_xor", "there is no escape", `add escape = "7D", say`)
		}
	}
	f.restarts = f.check == nil || f.escaped
}

func (r reader) single(path, text string) byte {
	b := r.bytes(path, text, mostMark)
	if len(b) != 1 {
		r.file.Fault(path, fmt.Sprintf("%d bytes, and there must be one", len(b)), `write it as in "10"`)
		return 0
	}
	return b[0]
}

func (r reader) fixed(f *framing, form framingForm) {
	if len(f.first) == 0 {
		r.file.Fault("framing.start", "how is the start of a frame known?", `add start = "AA 55", say: the bytes with which every frame begins`)
	}
	if f.length <= len(f.first) || f.length > MaxFrame {
		r.file.Fault("framing.length", fmt.Sprintf("frames of %d bytes cannot be", f.length), fmt.Sprintf("it lies between %d and %d, the start included", len(f.first)+1, MaxFrame))
		f.length = len(f.first) + 1
	}
	if !r.file.Has("framing.longest") {
		f.longest = max(f.longest, f.length)
	}
	if f.hex {
		r.file.Fault("framing.coding", `frames of fixed length are "plain"`, `use kind = "marks" or "lines"`)
	}
}

func (r reader) silence(f *framing, form framingForm) {
	f.gap = r.duration("framing.gap", form.Gap, leastGap, mostGap, "gap of silence", "20 ms")
}
