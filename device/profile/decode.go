package profile

import (
	"fmt"
	"regexp"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	"paintmark/calc/quantity"
	"paintmark/device"
)

// reading is what a frame means.
type reading struct {
	pattern, ignore                    *regexp.Regexp
	valueAt, unitAt, statusAt, angleAt int // number of the group, -1 for none
	comma                              bool
	unit, angleUnit                    quantity.Unit
	units                              map[string]quantity.Unit
	status                             map[string]string
}

// Decode turns a frame into a sample, which shares no memory with it.
//
// It fails with ErrIgnored for a frame that the profile says is no reading, and
// with a *Rejection, which says why, for every other that makes none: one that
// is not whole, that does not match, whose number or unit is not understood, or
// in which the instrument gives a status and no value. A status with a value
// makes a sample that carries it; a status the profile does not know is carried
// in the instrument's own text.
func (p *Profile) Decode(f Frame) (device.Sample, error) {
	if f.Err != nil {
		return device.Sample{}, f.Err
	}
	r := &p.reading
	at := r.pattern.FindSubmatchIndex(f.Body)
	if at == nil {
		if r.ignore != nil && r.ignore.Match(f.Body) {
			return device.Sample{}, ErrIgnored
		}
		return device.Sample{}, &Rejection{
			Reason: fmt.Sprintf("%s does not match the pattern of profile %s", quote(f.Body), p.Name),
			Hint:   hintMismatch(f.Body),
		}
	}
	s := device.Sample{Time: f.Time, Status: r.words(group(f.Body, at, r.statusAt))}
	value := group(f.Body, at, r.valueAt)
	if len(value) == 0 {
		if len(s.Status) > 0 {
			return device.Sample{}, &Rejection{Reason: fmt.Sprintf("%s: the instrument says %q and gives no value", quote(f.Body), s.Status[0])}
		}
		return device.Sample{}, &Rejection{Reason: quote(f.Body) + " has no value"}
	}
	number, err := r.number(value)
	if err != nil {
		return device.Sample{}, reject(f.Body, err)
	}
	unit := r.unit
	code := group(f.Body, at, r.unitAt)
	if len(code) > 0 {
		if unit, err = r.unitOf(code); err != nil {
			return device.Sample{}, &Rejection{
				Reason: fmt.Sprintf("%s: %v", quote(f.Body), err),
				Hint:   "say in the profile, under [reading.units], what the code means",
			}
		}
	}
	s.Value = quantity.Quantity{Value: number, Unit: unit, Text: string(span(f.Body, at, r.valueAt, r.unitAt))}
	if angle := group(f.Body, at, r.angleAt); len(angle) > 0 {
		turned, err := r.number(angle)
		if err != nil {
			return device.Sample{}, reject(f.Body, err)
		}
		s.Angle = quantity.Quantity{Value: turned, Unit: r.angleUnit, Text: string(angle)}
	}
	s.Raw = append([]byte(nil), f.Raw...)
	return s, nil
}

func reject(body []byte, err error) error {
	return &Rejection{Reason: fmt.Sprintf("%s: %v", quote(body), err)}
}

// group is the text of a group without the blanks around it, empty where it has
// none.
func group(body []byte, at []int, n int) []byte {
	if n < 0 || at[2*n] < 0 {
		return nil
	}
	return trim(body[at[2*n]:at[2*n+1]])
}

// span is the text of the value, with its unit where that follows it.
func span(body []byte, at []int, value, unit int) []byte {
	text := group(body, at, value)
	if code := group(body, at, unit); len(code) > 0 && at[2*unit] >= at[2*value+1] && len(trim(body[at[2*value+1]:at[2*unit]])) == 0 {
		return trim(body[at[2*value]:at[2*unit+1]])
	}
	return text
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

// number reads a number as instruments write it: with blanks between its sign
// and its digits, with leading zeros, and with the profile's decimal mark.
func (r *reading) number(text []byte) (decimal.Decimal, error) {
	var room [64]byte
	if len(text) > len(room) {
		return decimal.Decimal{}, fmt.Errorf("a number of %d characters", len(text))
	}
	plain := room[:0]
	for _, sign := range []string{"+", "-", "\u2212"} {
		if len(text) > len(sign) && string(text[:len(sign)]) == sign {
			plain = append(plain, sign...)
			text = trim(text[len(sign):])
			break
		}
	}
	for _, c := range text {
		switch {
		case c == ',' && !r.comma:
			return decimal.Decimal{}, fmt.Errorf("%s has a comma in it, and the decimal mark is the point", quote(text))
		case c == '.' && r.comma:
			return decimal.Decimal{}, fmt.Errorf("%s has a point in it, and the decimal mark is the comma", quote(text))
		case c == ',':
			c = '.'
		}
		plain = append(plain, c)
	}
	return quantity.ParseNumber(string(plain))
}

func (r *reading) unitOf(code []byte) (quantity.Unit, error) {
	if u, ok := r.units[string(code)]; ok {
		return u, nil
	}
	if u, err := quantity.ParseUnit(string(code)); err == nil {
		return u, nil
	}
	return quantity.NoUnit, fmt.Errorf("%s is no known unit", quote(code))
}

// words are what a status text says, none for one that says nothing.
func (r *reading) words(text []byte) []string {
	if r.statusAt < 0 {
		return nil
	}
	word, ok := r.status[string(text)]
	if !ok && len(text) > 0 {
		word = "unknown status " + quote(text)
	}
	if word == "" {
		return nil
	}
	return []string{word}
}

// quote writes bytes so that they can be read in one short line of a message.
func quote(b []byte) string {
	const most = 60
	if len(b) > most {
		return fmt.Sprintf("%q…", b[:most])
	}
	return fmt.Sprintf("%q", b)
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
