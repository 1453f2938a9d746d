package entry

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/big"
	"unicode/utf8"

	"github.com/fxamacker/cbor/v2"
	"github.com/shopspring/decimal"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// maxBits and maxExponent bound the decimals that are stored; what package
// quantity reads stays far inside.
const (
	maxBits     = 512
	maxExponent = 256
)

var encoding, decoding = func() (cbor.EncMode, cbor.DecMode) {
	e, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		panic(err)
	}
	d, err := cbor.DecOptions{
		DupMapKey:         cbor.DupMapKeyEnforcedAPF,
		IndefLength:       cbor.IndefLengthForbidden,
		ExtraReturnErrors: cbor.ExtraDecErrorUnknownField,
		FieldNameMatching: cbor.FieldNameMatchingCaseSensitive,
		MaxNestedLevels:   8,
		MaxArrayElements:  4096,
		MaxMapPairs:       64,
	}.DecMode()
	if err != nil {
		panic(err)
	}
	return e, d
}()

// Major types of CBOR items.
const (
	positive   = 0
	negative   = 1
	byteString = 2
	textString = 3
)

// appendHead adds the head of an item, as short as it can be.
func appendHead(data []byte, major byte, argument uint64) []byte {
	major <<= 5
	switch {
	case argument < 24:
		return append(data, major|byte(argument))
	case argument <= math.MaxUint8:
		return append(data, major|24, byte(argument))
	case argument <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(data, major|25), uint16(argument))
	case argument <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(data, major|26), uint32(argument))
	default:
		return binary.BigEndian.AppendUint64(append(data, major|27), argument)
	}
}

// readHead reads the head of a well-formed item of definite length.
func readHead(data []byte) (major byte, argument uint64, rest []byte) {
	major, argument, rest = data[0]>>5, uint64(data[0]&31), data[1:]
	if argument < 24 {
		return major, argument, rest
	}
	size := 1 << (argument - 24)
	argument = 0
	for _, b := range rest[:size] {
		argument = argument<<8 | uint64(b)
	}
	return major, argument, rest[size:]
}

// A text is a string as it came: a CBOR text string if it is UTF-8, else a byte
// string, so that a stray byte from an instrument neither is lost nor keeps a
// reading from being stored.
type text string

func (t text) MarshalCBOR() ([]byte, error) {
	major := byte(textString)
	if !utf8.ValidString(string(t)) {
		major = byteString
	}
	return append(appendHead(make([]byte, 0, len(t)+9), major, uint64(len(t))), t...), nil
}

// UnmarshalCBOR takes one well-formed item. That a text string is UTF-8, and a
// byte string is not, shows when it is encoded again.
func (t *text) UnmarshalCBOR(data []byte) error {
	major, _, rest := readHead(data)
	if major != textString && major != byteString {
		return errors.New("no text")
	}
	*t = text(rest)
	return nil
}

// A wireQuantity is a quantity as it is stored; nil stands for none.
type wireQuantity struct {
	_     struct{} `cbor:",toarray"`
	Value fraction
	Unit  uint64
	Text  text
}

func toWire(q quantity.Quantity) (*wireQuantity, error) {
	if q.Unit == quantity.NoUnit && q.Text == "" && q.Value.IsZero() && q.Value.Exponent() == 0 {
		return nil, nil
	}
	if q.Unit != quantity.NoUnit && !q.Unit.Known() {
		return nil, fmt.Errorf("unit %d is not known", q.Unit)
	}
	if err := checkDecimal(q.Value.Coefficient(), q.Value.Exponent()); err != nil {
		return nil, err
	}
	return &wireQuantity{Value: fraction{q.Value}, Unit: uint64(q.Unit), Text: text(q.Text)}, nil
}

func (w *wireQuantity) quantity() (quantity.Quantity, error) {
	if w == nil {
		return quantity.Quantity{}, nil
	}
	unit := quantity.Unit(w.Unit)
	if w.Unit != uint64(unit) || unit != quantity.NoUnit && !unit.Known() {
		return quantity.Quantity{}, fmt.Errorf("%w: unit %d", ErrNewer, w.Unit)
	}
	return quantity.Quantity{Value: w.Value.Decimal, Unit: unit, Text: string(w.Text)}, nil
}

// A wireTrace is what an entry says of a trace; nil stands for none.
type wireTrace struct {
	_       struct{} `cbor:",toarray"`
	Station string
	Number  uint64
	Samples uint64
	Hash    []byte
}

func traceToWire(t fact.Trace) (*wireTrace, error) {
	if t.IsZero() {
		return nil, nil
	}
	if err := CheckStation(t.Station); err != nil {
		return nil, err
	}
	if t.Number == 0 || t.Samples <= 0 {
		return nil, fmt.Errorf("a trace with number %d and %d samples", t.Number, t.Samples)
	}
	return &wireTrace{Station: t.Station, Number: t.Number, Samples: uint64(t.Samples), Hash: t.Hash[:]}, nil
}

func (w *wireTrace) trace() (fact.Trace, error) {
	if w == nil {
		return fact.Trace{}, nil
	}
	if len(w.Hash) != len(Hash{}) || w.Samples > math.MaxInt {
		return fact.Trace{}, errors.New("a trace that cannot be")
	}
	return fact.Trace{Station: w.Station, Number: w.Number, Samples: int(w.Samples), Hash: Hash(w.Hash)}, nil
}

func checkDecimal(mantissa *big.Int, exponent int32) error {
	if mantissa.BitLen() > maxBits || exponent > maxExponent || exponent < -maxExponent {
		return errors.New("a number with too many digits")
	}
	return nil
}

// A fraction is a decimal as the decimal fraction of RFC 8949, section 3.4.4:
// tag 4 over exponent and mantissa, both as they are, so that 88.0 stays 880·10⁻¹.
type fraction struct{ decimal.Decimal }

// fractionHead is what every one starts with: tag 4, an array of two.
var fractionHead = []byte{0xc4, 0x82}

func (f fraction) MarshalCBOR() ([]byte, error) {
	data := appendInt(append(make([]byte, 0, 16), fractionHead...), int64(f.Exponent()))
	mantissa := f.Coefficient()
	if mantissa.IsInt64() {
		return appendInt(data, mantissa.Int64()), nil
	}
	large, err := encoding.Marshal(mantissa)
	return append(data, large...), err
}

func appendInt(data []byte, n int64) []byte {
	if n < 0 {
		return appendHead(data, negative, uint64(^n)) // -1 - n
	}
	return appendHead(data, positive, uint64(n))
}

// UnmarshalCBOR takes one well-formed item.
func (f *fraction) UnmarshalCBOR(data []byte) error {
	parts, ok := bytes.CutPrefix(data, fractionHead)
	if !ok {
		return errors.New("no decimal fraction")
	}
	major, argument, rest := readHead(parts)
	if major > negative || argument > maxExponent {
		return errors.New("an exponent that is too large or none")
	}
	exponent := int32(argument)
	if major == negative {
		exponent = ^exponent
	}
	if major, argument, _ := readHead(rest); major <= negative && argument <= math.MaxInt64 {
		n := int64(argument)
		if major == negative {
			n = ^n
		}
		f.Decimal = decimal.New(n, exponent)
		return nil
	}
	var mantissa big.Int
	if err := decoding.Unmarshal(rest, &mantissa); err != nil {
		return err
	}
	if err := checkDecimal(&mantissa, exponent); err != nil {
		return err
	}
	f.Decimal = decimal.NewFromBigInt(&mantissa, exponent)
	return nil
}
