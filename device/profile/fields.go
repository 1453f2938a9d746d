package profile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"strconv"

	"paintmark/calc/quantity"
)

// fieldType is how the bytes of a field are read.
type fieldType uint8

const (
	asText fieldType = iota
	asHex
	asUnsigned
	asSigned
	asMagnitude
	asBCD
	asFloat
	asDecimalFloat
)

// fieldTypes are their words, in their order.
var fieldTypes = []string{"text", "hex", "unsigned", "signed", "magnitude", "bcd", "float", "decimal-float"}

func (t fieldType) integer() bool { return t >= asHex && t <= asMagnitude }

// A field is where in a frame something stands, and how it is to be read.
type field struct {
	group      int // of the pattern; without one, at and length say where
	at, length int
	kind       fieldType
	little     bool // bytes
	swapped    bool // 16-bit words, against the order of the bytes
	mask       uint64
	decimals   int32
	scale      *number
	modulo     uint64
	texts      map[string]meaning
	codes      map[uint64]meaning
	bits       map[int]string // nil where the status is no set of bits
}

// A meaning is what a code stands for: one of these, by the field's name.
type meaning struct {
	word   string
	unit   quantity.Unit
	minus  bool
	places int32
	angle  bool
}

// in is the field's bytes in a frame; at are the places of the pattern's groups.
// Blanks around a text do not count.
func (f *field) in(body []byte, at []int) []byte {
	if f == nil {
		return nil
	}
	var b []byte
	if f.group >= 0 {
		if at[2*f.group] < 0 {
			return nil
		}
		b = body[at[2*f.group]:at[2*f.group+1]]
	} else {
		from := place(f.at, len(body))
		b = body[from : from+f.length]
	}
	if f.kind == asText || f.kind == asHex {
		return trim(b)
	}
	return b
}

// ordered is the field's bytes with the highest first.
func (f *field) ordered(b []byte, room *[8]byte) []byte {
	out := room[:len(b)]
	copy(out, b)
	if f.little {
		for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
			out[i], out[j] = out[j], out[i]
		}
	}
	if f.swapped {
		for i, j := 0, len(out)-2; i < j; i, j = i+2, j-2 {
			out[i], out[i+1], out[j], out[j+1] = out[j], out[j+1], out[i], out[i+1]
		}
	}
	return out
}

// integer is the field's bits, and how many there are.
func (f *field) integer(b []byte) (v uint64, width int, err error) {
	if f.kind == asHex {
		if len(b) == 0 || len(b) > 16 {
			return 0, 0, fmt.Errorf("%d hexadecimal digits", len(b))
		}
		for _, c := range b {
			d := hexDigit(c)
			if d > 15 {
				return 0, 0, fmt.Errorf("%s are no hexadecimal digits", quote(b))
			}
			v = v<<4 | uint64(d)
		}
		width = 4 * len(b)
	} else {
		var room [8]byte
		for _, c := range f.ordered(b, &room) {
			v = v<<8 | uint64(c)
		}
		width = 8 * len(b)
	}
	if f.mask != 0 {
		v = v & f.mask >> bits.TrailingZeros64(f.mask)
		width = bits.Len64(f.mask) - bits.TrailingZeros64(f.mask)
	}
	return v, width, nil
}

func hexDigit(c byte) byte {
	switch {
	case c >= '0' && c <= '9':
		return c - '0'
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10
	}
	return 0xFF
}

// number is the number that stands in the field, with its scale and its implied
// decimals, or with places decimals where those are not negative.
func (f *field) number(b []byte, comma bool, places int32) (number, error) {
	n, err := f.read(b, comma)
	if err != nil {
		return number{}, err
	}
	if f.scale != nil {
		n = n.times(*f.scale)
	}
	if places < 0 {
		places = f.decimals
	}
	mark := byte('.')
	if comma {
		mark = ','
	}
	if places > 0 && f.kind == asText && bytes.IndexByte(b, mark) >= 0 {
		return number{}, fmt.Errorf("%s has a decimal mark, and the profile implies another place of it", quote(b))
	}
	return n.shifted(-places)
}

func (f *field) read(b []byte, comma bool) (number, error) {
	switch f.kind {
	case asText:
		return parseNumber(b, comma)
	case asBCD:
		return f.bcd(b)
	case asFloat:
		return f.float(b)
	case asDecimalFloat:
		return f.decimalFloat(b)
	}
	v, width, err := f.integer(b)
	if err != nil {
		return number{}, err
	}
	minus := false
	top := uint64(1) << (width - 1)
	switch f.kind {
	case asSigned:
		if minus = v&top != 0; minus {
			v = -v & (top<<1 - 1)
		}
	case asMagnitude:
		minus = v&top != 0
		v &^= top
	}
	return wholeNumber(v, minus), nil
}

// bcd is packed binary coded decimal: two digits a byte, the high one first.
func (f *field) bcd(b []byte) (number, error) {
	var room [8]byte
	v := uint64(0)
	for _, c := range f.ordered(b, &room) {
		if c>>4 > 9 || c&15 > 9 {
			return number{}, fmt.Errorf("% X is no BCD number", b)
		}
		v = v*100 + uint64(c>>4)*10 + uint64(c&15)
	}
	return wholeNumber(v, false), nil
}

// float is an IEEE 754 number: the shortest decimal that stands for it.
func (f *field) float(b []byte) (number, error) {
	var room [8]byte
	o := f.ordered(b, &room)
	v, size := 0.0, 64
	if len(o) == 4 {
		v, size = float64(math.Float32frombits(binary.BigEndian.Uint32(o))), 32
	} else {
		v = math.Float64frombits(binary.BigEndian.Uint64(o))
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return number{}, errNoNumber
	}
	var text [40]byte
	return parseNumber(strconv.AppendFloat(text[:0], v, 'e', -1, size), false)
}

var errNoNumber = errors.New("the instrument gives no number there (not a number, or infinite)")

// decimalFloat is a number of IEEE 11073-20601: an exponent of ten above a
// mantissa, of 4 and 12 bits, or of 8 and 24. The five highest mantissas in
// size are no numbers.
func (f *field) decimalFloat(b []byte) (number, error) {
	var room [8]byte
	v := uint32(0)
	for _, c := range f.ordered(b, &room) {
		v = v<<8 | uint32(c)
	}
	mantissa, exponent, most := int64(int32(v<<8)>>8), int32(int8(v>>24)), int64(1<<23-1)
	if len(b) == 2 {
		mantissa, exponent, most = int64(int16(v<<4)>>4), int32(int8(v>>8)>>4), 1<<11-1
	}
	if mantissa >= most-1 || mantissa <= -most+1 {
		return number{}, errNoNumber
	}
	return number{coefficient: mantissa}.shifted(exponent)
}

// counted is the number of a counter or of decimals, and where a counter of
// this length begins again at 0; that is 0 for 2^64.
func (f *field) counted(b []byte) (v, modulo uint64, err error) {
	switch f.kind {
	case asText:
		if v, err = strconv.ParseUint(string(b), 10, 64); err != nil {
			return 0, 0, fmt.Errorf("%s is no count", quote(b))
		}
		return v, power(10, len(b)), nil
	case asBCD:
		n, err := f.bcd(b)
		return uint64(n.coefficient), power(100, len(b)), err
	}
	v, width, err := f.integer(b)
	return v, 1 << width, err
}

// power is base^n, or 0 where that does not fit.
func power(base uint64, n int) uint64 {
	v := uint64(1)
	for range n {
		hi, lo := bits.Mul64(v, base)
		if hi != 0 {
			return 0
		}
		v = lo
	}
	return v
}

// meaning looks up what the field's bytes stand for.
func (f *field) meaning(b []byte) (m meaning, known bool) {
	if f.kind == asText {
		m, known = f.texts[string(b)]
		return m, known
	}
	v, _, err := f.integer(b)
	if err != nil {
		return meaning{}, false
	}
	m, known = f.codes[v]
	return m, known
}

// shown is the field's bytes as a message shows them.
func (f *field) shown(b []byte) string {
	if f.kind == asText || f.kind == asHex {
		return quote(b)
	}
	return fmt.Sprintf("% X", b)
}

// minus tells whether a sign's bytes mean minus.
func (f *field) minus(b []byte) (bool, error) {
	if f.texts != nil || f.codes != nil {
		if m, ok := f.meaning(b); ok {
			return m.minus, nil
		}
		return false, fmt.Errorf("%s is no sign that the profile knows", f.shown(b))
	}
	if f.kind == asText {
		switch string(b) {
		case "-", "\u2212":
			return true, nil
		case "+", "":
			return false, nil
		}
		return false, fmt.Errorf("%s is no sign", quote(b))
	}
	v, _, err := f.integer(b)
	if err == nil && v > 1 {
		err = fmt.Errorf("%s is no sign", f.shown(b))
	}
	return v == 1, err
}

// places is how many decimals a point's bytes mean.
func (f *field) places(b []byte) (int32, error) {
	if f.texts != nil || f.codes != nil {
		if m, ok := f.meaning(b); ok {
			return m.places, nil
		}
		return 0, fmt.Errorf("%s is no place of the decimal point that the profile knows", f.shown(b))
	}
	v, _, err := f.counted(b)
	if err == nil && v > mostDecimals {
		err = fmt.Errorf("%s: %d decimals", f.shown(b), v)
	}
	return int32(v), err
}

// unit is the unit that the field's bytes stand for.
func (f *field) unit(b []byte) (quantity.Unit, error) {
	if m, ok := f.meaning(b); ok {
		return m.unit, nil
	}
	if f.kind == asText {
		if u, err := quantity.ParseUnit(string(b)); err == nil {
			return u, nil
		}
	}
	return quantity.NoUnit, fmt.Errorf("%s is no known unit", f.shown(b))
}

// words appends what a status says, nothing where all is well.
func (f *field) words(to []string, b []byte) []string {
	if f.bits == nil {
		m, ok := f.meaning(b)
		if !ok && len(b) > 0 {
			m.word = "unknown status " + f.shown(b)
		}
		if m.word != "" {
			to = append(to, m.word)
		}
		return to
	}
	if len(b) == 0 {
		return to
	}
	v, _, err := f.integer(b)
	if err != nil {
		return append(to, "unknown status "+f.shown(b))
	}
	for ; v != 0; v &= v - 1 {
		bit := bits.TrailingZeros64(v)
		word, known := f.bits[bit]
		if !known {
			word = "unknown status bit " + strconv.Itoa(bit)
		}
		if word != "" {
			to = append(to, word)
		}
	}
	return to
}
