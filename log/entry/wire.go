package entry

import (
	"errors"
	"fmt"
	"math/big"
	"unicode/utf8"

	"github.com/fxamacker/cbor/v2"
	"github.com/shopspring/decimal"

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
	byteString = 2
	textString = 3
)

// A text is a string as it came: a CBOR text string if it is UTF-8, else a byte
// string, so that a stray byte from an instrument neither is lost nor keeps a
// reading from being stored.
type text string

func (t text) MarshalCBOR() ([]byte, error) {
	major := byte(textString)
	if !utf8.ValidString(string(t)) {
		major = byteString
	}
	if len(t) < 0x18 { // most are: the length stands in the head itself
		return append([]byte{major<<5 | byte(len(t))}, t...), nil
	}
	if major == textString {
		return encoding.Marshal(string(t))
	}
	return encoding.Marshal([]byte(t))
}

// UnmarshalCBOR takes one well-formed item.
func (t *text) UnmarshalCBOR(data []byte) error {
	switch major := data[0] >> 5; {
	case major != textString && major != byteString:
		return errors.New("no text")
	case data[0]&0x1f < 0x18:
		*t = text(data[1:])
		return nil
	case major == textString:
		return decoding.Unmarshal(data, (*string)(t))
	default:
		var b []byte
		err := decoding.Unmarshal(data, &b)
		*t = text(b)
		return err
	}
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

func checkDecimal(mantissa *big.Int, exponent int32) error {
	if mantissa.BitLen() > maxBits || exponent > maxExponent || exponent < -maxExponent {
		return errors.New("a number with too many digits")
	}
	return nil
}

// A fraction is a decimal as the decimal fraction of RFC 8949, section 3.4.4:
// tag 4 over exponent and mantissa, both as they are, so that 88.0 stays 880·10⁻¹.
type fraction struct{ decimal.Decimal }

const fractionTag = 4

type fractionParts struct {
	_        struct{} `cbor:",toarray"`
	Exponent int32
	Mantissa big.Int
}

func (f fraction) MarshalCBOR() ([]byte, error) {
	parts := fractionParts{Exponent: f.Exponent(), Mantissa: *f.Coefficient()}
	return encoding.Marshal(cbor.Tag{Number: fractionTag, Content: parts})
}

func (f *fraction) UnmarshalCBOR(data []byte) error {
	var tag cbor.RawTag
	if err := decoding.Unmarshal(data, &tag); err != nil {
		return err
	}
	if tag.Number != fractionTag {
		return fmt.Errorf("tag %d where a decimal fraction belongs", tag.Number)
	}
	var parts fractionParts
	if err := decoding.Unmarshal(tag.Content, &parts); err != nil {
		return err
	}
	if err := checkDecimal(&parts.Mantissa, parts.Exponent); err != nil {
		return err
	}
	f.Decimal = decimal.NewFromBigInt(&parts.Mantissa, parts.Exponent)
	return nil
}
