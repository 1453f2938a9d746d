package ble

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/big"
	"strconv"

	"paintmark/calc/quantity"
)

// A Format says how the value of a characteristic is to be read: what its
// presentation format descriptor (0x2904) holds.
type Format struct {
	Type        byte   // what kind of number, such as 0x0E for a signed one of 16 bits
	Exponent    int8   // value = integer · 10^Exponent
	Unit        uint16 // as in the assigned numbers, such as 0x2741 for newton metres
	Namespace   byte
	Description uint16
}

// String is what it says in words: "signed integer of 16 bits, 2 decimals, N·m".
func (f Format) String() string {
	number, ok := numberTypes[f.Type]
	if !ok {
		return fmt.Sprintf("format 0x%02X", f.Type)
	}
	text := ""
	switch number.kind {
	case unsignedInteger:
		text = "unsigned integer of"
	case signedInteger:
		text = "signed integer of"
	case binaryFloat:
		text = "IEEE 754 number of"
	case medicalFloat:
		text = "IEEE 11073 number of"
	}
	text += fmt.Sprintf(" %d bits", number.bits)
	switch integer := number.kind == unsignedInteger || number.kind == signedInteger; {
	case !integer || f.Exponent == 0:
	case f.Exponent == -1:
		text += ", 1 decimal"
	case f.Exponent < 0:
		text += fmt.Sprintf(", %d decimals", -int(f.Exponent))
	default:
		text += fmt.Sprintf(", times 10^%d", f.Exponent)
	}
	switch unit, ok := assignedUnits[f.Unit]; {
	case !ok:
		return text + fmt.Sprintf(", unit 0x%04X", f.Unit)
	case unit == quantity.NoUnit:
		return text + ", no unit"
	default:
		return text + ", " + unit.String()
	}
}

// ErrNoValue is wrapped by errors about values that say that there is none: not
// a number, out of range, not at this resolution.
var ErrNoValue = errors.New("the instrument has no value")

// units of the assigned numbers that this program has.
var assignedUnits = map[uint16]quantity.Unit{
	0x2700: quantity.NoUnit, // a bare number
	0x2701: quantity.Metre,
	0x2741: quantity.NewtonMetre,
	0x2763: quantity.Degree,
	0x27A2: quantity.Inch,
}

type numberKind uint8

const (
	unsignedInteger numberKind = iota + 1
	signedInteger
	binaryFloat  // IEEE 754
	medicalFloat // IEEE 11073-20601
)

// numberTypes are the number formats of the assigned numbers, by Format.Type.
// Those smaller than a byte, and those that are no one number, are left out.
var numberTypes = map[byte]struct {
	kind numberKind
	bits int
}{
	0x04: {unsignedInteger, 8}, 0x05: {unsignedInteger, 12}, 0x06: {unsignedInteger, 16}, 0x07: {unsignedInteger, 24},
	0x08: {unsignedInteger, 32}, 0x09: {unsignedInteger, 48}, 0x0A: {unsignedInteger, 64}, 0x0B: {unsignedInteger, 128},
	0x0C: {signedInteger, 8}, 0x0D: {signedInteger, 12}, 0x0E: {signedInteger, 16}, 0x0F: {signedInteger, 24},
	0x10: {signedInteger, 32}, 0x11: {signedInteger, 48}, 0x12: {signedInteger, 64}, 0x13: {signedInteger, 128},
	0x14: {binaryFloat, 32}, 0x15: {binaryFloat, 64},
	0x16: {medicalFloat, 16}, 0x17: {medicalFloat, 32},
}

// ParseFormat reads the seven bytes of a presentation format descriptor, little
// endian: format, exponent, unit (two), namespace, description (two). It fails
// where the format or the unit is none that this program knows.
func ParseFormat(raw []byte) (Format, error) {
	if len(raw) != 7 {
		return Format{}, fmt.Errorf("a presentation format descriptor has 7 bytes, not %d", len(raw))
	}
	f := Format{
		Type:        raw[0],
		Exponent:    int8(raw[1]),
		Unit:        binary.LittleEndian.Uint16(raw[2:]),
		Namespace:   raw[4],
		Description: binary.LittleEndian.Uint16(raw[5:]),
	}
	if _, ok := numberTypes[f.Type]; !ok {
		return Format{}, fmt.Errorf("the presentation format 0x%02X is none that can be read", f.Type)
	}
	if _, ok := assignedUnits[f.Unit]; !ok {
		return Format{}, fmt.Errorf("the unit 0x%04X is none of torque, angle or length that is known", f.Unit)
	}
	return f, nil
}

// Bytes is what ParseFormat reads.
func (f Format) Bytes() []byte {
	raw := []byte{f.Type, byte(f.Exponent)}
	raw = binary.LittleEndian.AppendUint16(raw, f.Unit)
	return binary.LittleEndian.AppendUint16(append(raw, f.Namespace), f.Description)
}

// Decode gives the value that the bytes of one notification hold, all of them:
//
//	integers   raw · 10^Exponent, exactly, with the decimals the exponent says
//	IEEE 754   the shortest decimal that is read back as the same number
//	medical    mantissa · 10^exponent, both out of the value
//
// Format.Exponent counts for integers only. The quantity has no Text, and no
// unit where the unit is "unitless". It fails for another number of bytes than
// the format's, with ErrNoValue for what is marked as no number, infinite or
// reserved, and for numbers of more than quantity.MaxDigits digits. (Bluetooth
// Core Specification, Vol 3 Part G, 3.3.3.5; Assigned Numbers 2.4.1; IEEE
// 11073-20601 for SFLOAT and FLOAT.)
func (f Format) Decode(raw []byte) (quantity.Quantity, error) {
	number, ok := numberTypes[f.Type]
	if !ok {
		return quantity.Quantity{}, fmt.Errorf("the presentation format 0x%02X is none that can be read", f.Type)
	}
	unit, ok := assignedUnits[f.Unit]
	if !ok {
		return quantity.Quantity{}, fmt.Errorf("the unit 0x%04X is none of torque, angle or length that is known", f.Unit)
	}
	if size := (number.bits + 7) / 8; len(raw) != size {
		return quantity.Quantity{}, fmt.Errorf("a value of format 0x%02X has %d bytes, not %d", f.Type, size, len(raw))
	}
	var text string
	var err error
	switch number.kind {
	case binaryFloat:
		text, err = binaryText(raw)
	case medicalFloat:
		text, err = medicalText(raw)
	default:
		var n *big.Int
		if n, err = integer(raw, number.bits, number.kind == signedInteger); err == nil {
			text = scaled(n.String(), int(f.Exponent))
		}
	}
	if err != nil {
		return quantity.Quantity{}, err
	}
	value, err := quantity.ParseNumber(text)
	if err != nil {
		return quantity.Quantity{}, err
	}
	return quantity.New(value, unit), nil
}

// integer reads a little-endian one. What its last byte has beyond bits must be
// zero or, for a negative one, its sign.
func integer(raw []byte, bits int, signed bool) (*big.Int, error) {
	big1 := big.NewInt(1)
	n := new(big.Int)
	for i := len(raw) - 1; i >= 0; i-- {
		n.Or(n.Lsh(n, 8), big.NewInt(int64(raw[i])))
	}
	size := new(big.Int).Lsh(big1, uint(bits))
	beyond := new(big.Int).Rsh(n, uint(bits))
	negative := signed && n.Bit(bits-1) == 1
	filled := new(big.Int).Sub(new(big.Int).Lsh(big1, uint(len(raw)*8-bits)), big1)
	if beyond.Sign() != 0 && (!negative || beyond.Cmp(filled) != 0) {
		return nil, fmt.Errorf("% X is no integer of %d bits", raw, bits)
	}
	n.Mod(n, size)
	if negative {
		n.Sub(n, size)
	}
	return n, nil
}

func binaryText(raw []byte) (string, error) {
	var value float64
	bits := len(raw) * 8
	if bits == 32 {
		value = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw)))
	} else {
		value = math.Float64frombits(binary.LittleEndian.Uint64(raw))
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return "", fmt.Errorf("%w: %v", ErrNoValue, value)
	}
	return strconv.FormatFloat(value, 'e', -1, bits), nil
}

// medicalText reads SFLOAT (4 bits of exponent, 12 of mantissa) and FLOAT (8 and
// 24). The five mantissas at the ends of the range stand for no number with
// exponent 0, and are none of a number's with another one.
func medicalText(raw []byte) (string, error) {
	var mantissa, exponent, highest int32
	if len(raw) == 2 {
		v := int16(binary.LittleEndian.Uint16(raw))
		mantissa, exponent, highest = int32(v<<4>>4), int32(v>>12), 1<<11-1
	} else {
		v := int32(binary.LittleEndian.Uint32(raw))
		mantissa, exponent, highest = v<<8>>8, v>>24, 1<<23-1
	}
	switch mantissa {
	case highest:
		return "", fmt.Errorf("%w: not a number", ErrNoValue)
	case -highest - 1:
		return "", fmt.Errorf("%w: not at this resolution", ErrNoValue)
	case highest - 1:
		return "", fmt.Errorf("%w: above its range", ErrNoValue)
	case -highest + 1:
		return "", fmt.Errorf("%w: below its range", ErrNoValue)
	case -highest:
		return "", fmt.Errorf("%w: a reserved number", ErrNoValue)
	}
	return scaled(strconv.Itoa(int(mantissa)), int(exponent)), nil
}

// scaled writes digits·10^exponent. Zero is zero however it is scaled up.
func scaled(digits string, exponent int) string {
	if digits == "0" && exponent > 0 {
		return digits
	}
	return digits + "e" + strconv.Itoa(exponent)
}
