package profile

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"time"
	"unicode/utf8"

	"paintmark/calc/quantity"
	"paintmark/device"
)

// reading is what a frame means.
type reading struct {
	byPattern                      bool
	pattern, ignore                *regexp.Regexp
	matcher                        *matcher // of the pattern
	length                         int      // of the body, where the reading is by fields
	value, sign, point             *field
	unit, angle, sequence, channel *field
	status                         []*field
	comma                          bool
	fixed, angleUnit               quantity.Unit // of the value, where the frame names none; and of the angle
	angleFirst                     bool
	pairWithin                     time.Duration
}

// A Measure is what one frame says, as a Decoder gives it: it needs no memory of
// its own and is good until the next frame is decoded. [Measure.Sample] can be
// kept.
type Measure struct {
	value, angle         number
	unit, angleUnit      quantity.Unit
	text, angleText, raw []byte
	status               []string
	at                   time.Time
	hasValue, hasAngle   bool
	counted              bool
	count, modulo        uint64 // a modulo of 0 is 2^64
}

// A Decoder decodes the frames of one link. It allocates nothing for a frame
// that makes a reading, but for numbers of more than 18 digits, unknown statuses
// and patterns that are very large. It is for one goroutine.
type Decoder struct {
	profile *Profile
	match   match
	status  []string
}

// NewDecoder makes a decoder.
func (p *Profile) NewDecoder() *Decoder {
	return &Decoder{profile: p, match: match{matcher: p.reading.matcher}}
}

// Decode turns a frame into a sample, which shares no memory with it.
//
// It fails with ErrIgnored for a frame that the profile says is no reading, and
// with a *Rejection, which says why, for every other that makes none: one that
// is not whole, that does not match, whose number or unit is not understood, or
// in which the instrument gives a status and no value. A status with a value
// makes a sample that carries it; a status the profile does not know is carried
// in the instrument's own text.
//
// Where torque and angle come in frames of their own, the sample has the one
// that is in this frame; a [Reader] puts them together.
func (p *Profile) Decode(f Frame) (device.Sample, error) {
	m, err := p.NewDecoder().Decode(f)
	if err != nil {
		return device.Sample{}, err
	}
	return m.Sample(), nil
}

// Sample is the measure with memory of its own.
func (m *Measure) Sample() device.Sample {
	s := device.Sample{Time: m.at, Raw: append([]byte(nil), m.raw...)}
	if len(m.status) > 0 {
		s.Status = append([]string(nil), m.status...)
	}
	if m.hasValue {
		s.Value = quantity.Quantity{Value: m.value.decimal(), Unit: m.unit, Text: string(m.text)}
	}
	if m.hasAngle {
		s.Angle = quantity.Quantity{Value: m.angle.decimal(), Unit: m.angleUnit, Text: string(m.angleText)}
	}
	return s
}

// Decode is what the frame says; see [Profile.Decode].
func (d *Decoder) Decode(f Frame) (Measure, error) {
	if f.Err != nil {
		return Measure{}, f.Err
	}
	r := &d.profile.reading
	var at []int
	if r.byPattern {
		at = d.match.find(f.Body)
	}
	if r.byPattern && at == nil || !r.byPattern && len(f.Body) != r.length {
		if r.ignore != nil && r.ignore.Match(f.Body) {
			return Measure{}, ErrIgnored
		}
		return Measure{}, d.profile.mismatch(f.Body)
	}
	m := Measure{at: f.Time, raw: f.Raw}
	d.status = d.status[:0]
	for _, s := range r.status {
		d.status = s.words(d.status, s.in(f.Body, at))
	}
	m.status = d.status
	if r.sequence != nil {
		if err := m.countIn(r.sequence, f.Body, at); err != nil {
			return Measure{}, reject(f.Body, err)
		}
	}
	of, angle := r.value, false
	if r.channel != nil {
		b := r.channel.in(f.Body, at)
		what, known := r.channel.meaning(b)
		if !known {
			return Measure{}, reject(f.Body, fmt.Errorf("%s is no channel that the profile knows", r.channel.shown(b)))
		}
		if angle = what.angle; angle && r.angle != nil {
			of = r.angle
		}
	}
	err := r.quantities(&m, of, angle, f.Body, at)
	return m, err
}

// countIn takes the frame's count, if it has one.
func (m *Measure) countIn(f *field, body []byte, at []int) (err error) {
	b := f.in(body, at)
	if len(b) == 0 {
		return nil
	}
	if m.count, m.modulo, err = f.counted(b); err != nil {
		return err
	}
	m.counted = true
	if f.modulo > 0 {
		m.modulo = f.modulo
	}
	return nil
}

// quantities takes what was measured: the field says where the number is, and
// whether it is an angle.
func (r *reading) quantities(m *Measure, of *field, angle bool, body []byte, at []int) error {
	text := of.in(body, at)
	if len(text) == 0 {
		if len(m.status) > 0 {
			return &Rejection{Reason: fmt.Sprintf("%s: the instrument says %q and gives no value", quote(body), m.status[0])}
		}
		return &Rejection{Reason: quote(body) + " has no value"}
	}
	places := int32(-1)
	var err error
	if r.point != nil {
		if places, err = r.point.places(r.point.in(body, at)); err != nil {
			return reject(body, err)
		}
	}
	n, err := of.number(text, r.comma, places)
	if err != nil {
		if len(m.status) > 0 {
			err = fmt.Errorf("the instrument says %q, and %w", m.status[0], err)
		}
		return reject(body, err)
	}
	if r.sign != nil {
		minus, err := r.sign.minus(r.sign.in(body, at))
		switch {
		case err != nil:
			return reject(body, err)
		case n.negative(), of.kind == asText && signed(text):
			return reject(body, errors.New("a sign beside a number that has one"))
		case minus:
			n = n.neg()
		}
	}
	unit, code := r.fixed, []byte(nil)
	if r.unit != nil {
		if code = r.unit.in(body, at); len(code) > 0 {
			if unit, err = r.unit.unit(code); err != nil {
				return &Rejection{
					Reason: fmt.Sprintf("%s: %v", quote(body), err),
					Hint:   "say in the profile, under [reading.units], what the code means",
				}
			}
		}
	}
	if of.kind != asText || r.sign != nil || r.point != nil || of.decimals != 0 || of.scale != nil {
		text = nil // what was read is not the number alone
	}
	if angle {
		m.angle, m.angleText, m.angleUnit, m.hasAngle = n, text, r.angleUnit, true
		if unit.Known() && unit.Dimension() == quantity.Angle {
			m.angleUnit = unit
		}
		return nil
	}
	m.value, m.unit, m.hasValue = n, unit, true
	if text != nil {
		m.text = r.span(text, code, body, at)
	}
	if r.angle == nil || r.channel != nil {
		return nil
	}
	if text = r.angle.in(body, at); len(text) == 0 {
		return nil
	}
	if m.angle, err = r.angle.number(text, r.comma, -1); err != nil {
		return reject(body, err)
	}
	m.angleUnit, m.hasAngle = r.angleUnit, true
	if r.angle.kind == asText && r.angle.decimals == 0 && r.angle.scale == nil {
		m.angleText = text
	}
	return nil
}

// mismatch says why a frame is not as the profile has it.
func (p *Profile) mismatch(body []byte) error {
	if !p.reading.byPattern {
		return &Rejection{
			Reason: fmt.Sprintf("%s has %d bytes, and profile %s says %d", quote(body), len(body), p.Name, p.reading.length),
			Hint:   hintMismatch(body),
		}
	}
	return &Rejection{
		Reason: fmt.Sprintf("%s does not match the pattern of profile %s", quote(body), p.Name),
		Hint:   hintMismatch(body),
	}
}

func reject(body []byte, err error) error {
	return &Rejection{Reason: fmt.Sprintf("%s: %v", quote(body), err)}
}

// span is the text of the value, with its unit where that follows it.
func (r *reading) span(text, code, body []byte, at []int) []byte {
	if len(code) == 0 || !r.byPattern || r.unit.kind != asText {
		return text
	}
	value, unit := 2*r.value.group, 2*r.unit.group
	if at[unit] < at[value+1] || len(trim(body[at[value+1]:at[unit]])) > 0 {
		return text
	}
	return trim(body[at[value]:at[unit+1]])
}

func trim(b []byte) []byte {
	for len(b) > 0 && blank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && blank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

func blank(c byte) bool { return c == ' ' || c == '\t' }

// quote writes bytes so that they can be read in one short line of a message.
func quote(b []byte) string {
	const most = 60
	if len(b) > most {
		return strconv.Quote(string(b[:most])) + "…"
	}
	return strconv.Quote(string(b))
}

func hintMismatch(body []byte) string {
	if n := len(body); n == 0 {
		return ""
	} else if body[n-1] == '\r' || body[n-1] == '\n' || body[0] == '\r' || body[0] == '\n' {
		return `the line's ending is another than the profile says: try ending = "either"`
	}
	for i := 0; i < len(body); {
		c, n := utf8.DecodeRune(body[i:])
		if c < ' ' && c != '\t' || c == 0x7f || c == utf8.RuneError && n == 1 {
			return "bytes that are no text: is the baud rate, the parity or the number of bits another than the profile says?"
		}
		i += n
	}
	return ""
}
