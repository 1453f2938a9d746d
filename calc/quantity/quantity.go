package quantity

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"unicode"

	"github.com/shopspring/decimal"
)

// MaxDigits is how many digits a number may have, also when it is written out
// without an exponent. No instrument comes near it; it keeps a hostile
// "1e999999999" from filling the memory, and whatever was read can be written
// and read again.
const MaxDigits = 40

// ErrDimension is wrapped by every error about comparing or converting
// quantities that do not measure the same thing.
var ErrDimension = errors.New("quantities of different kinds")

// A Quantity is an exact value with its unit. Text is what was read, to the
// letter; it is empty for computed quantities.
type Quantity struct {
	Value decimal.Decimal
	Unit  Unit
	Text  string
}

// New returns value in unit, without a text.
func New(value decimal.Decimal, unit Unit) Quantity { return Quantity{Value: value, Unit: unit} }

// MustParse is Parse for constants in code and tests; it panics on bad text.
func MustParse(text string) Quantity {
	q, err := Parse(text)
	if err != nil {
		panic(err)
	}
	return q
}

// Parse reads a number followed by a unit, as in "65 lbf·ft", "88 N·m" or
// "-0.05 mm". The number is as in [ParseNumber]; the unit as in [ParseUnit].
func Parse(text string) (Quantity, error) {
	trimmed := strings.TrimSpace(text)
	end := numberEnd(trimmed)
	if end == 0 {
		return Quantity{}, fmt.Errorf("%q does not start with a number", clip(text))
	}
	value, err := ParseNumber(trimmed[:end])
	if err != nil {
		return Quantity{}, err
	}
	rest := strings.TrimSpace(trimmed[end:])
	if strings.HasPrefix(rest, ",") {
		return Quantity{}, fmt.Errorf("%q has a comma in its number: write a decimal point", clip(text))
	}
	unit, err := ParseUnit(rest)
	if err != nil {
		return Quantity{}, fmt.Errorf("%q: %w", clip(text), err)
	}
	return Quantity{Value: value, Unit: unit, Text: text}, nil
}

// ParseNumber reads a decimal number exactly: an optional sign, digits with at
// most one decimal point, and an optional exponent (the forms NR1, NR2 and NR3
// of IEEE 488.2), of at most MaxDigits digits. It keeps trailing zeros.
func ParseNumber(text string) (decimal.Decimal, error) {
	s := strings.ReplaceAll(strings.TrimSpace(text), "\u2212", "-") // the minus sign proper
	if s == "" {
		return decimal.Decimal{}, errors.New("no number")
	}
	if numberEnd(s) != len(s) {
		return decimal.Decimal{}, fmt.Errorf("%q is not a number", clip(text))
	}
	digits := 0
	for _, r := range s {
		if r >= '0' && r <= '9' {
			digits++
		}
	}
	if digits > MaxDigits {
		return decimal.Decimal{}, fmt.Errorf("%q has more than %d digits", clip(text), MaxDigits)
	}
	d, err := decimal.NewFromString(s)
	if err != nil || writtenOut(d) > MaxDigits {
		return decimal.Decimal{}, fmt.Errorf("%q is too large or too small a number", clip(text))
	}
	if d.Exponent() > 0 { // 5e3 is kept as 5000: one form for one value
		d = decimal.NewFromBigInt(scaleUp(d), 0)
	}
	return d, nil
}

// writtenOut is the number of digits of d without an exponent: before the
// point at least one.
func writtenOut(d decimal.Decimal) int {
	decimals := max(0, -int(d.Exponent()))
	return decimals + max(1, d.NumDigits()+int(d.Exponent()))
}

func scaleUp(d decimal.Decimal) *big.Int {
	ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(d.Exponent())), nil)
	return ten.Mul(ten, d.Coefficient())
}

// numberEnd is the length of the number that s starts with, 0 if none.
func numberEnd(s string) int {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	} else if strings.HasPrefix(s, "\u2212") {
		i += len("\u2212")
	}
	digits := 0
	for i < len(s) && isDigit(s[i]) {
		i, digits = i+1, digits+1
	}
	if i < len(s) && s[i] == '.' {
		i++
		for i < len(s) && isDigit(s[i]) {
			i, digits = i+1, digits+1
		}
	}
	if digits == 0 {
		return 0
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		k := j
		for k < len(s) && isDigit(s[k]) {
			k++
		}
		if k > j {
			i = k
		}
	}
	return i
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// IsZero tells that there is no quantity here at all (a measured 0 has a unit).
func (q Quantity) IsZero() bool { return q.Unit == NoUnit }

// Dimension is what the quantity measures.
func (q Quantity) Dimension() Dimension { return q.Unit.Dimension() }

// Base is the exact value in the base unit of its dimension:
//
//	base = value · factor(unit)
func (q Quantity) Base() decimal.Decimal { return q.Value.Mul(q.Unit.Factor()) }

// Cmp compares exactly, across units: -1 if q is smaller than o, 0 if they are
// equal, 1 if it is larger. Quantities of different dimensions do not compare.
func (q Quantity) Cmp(o Quantity) (int, error) {
	if q.Dimension() != o.Dimension() {
		return 0, fmt.Errorf("%w: %s and %s", ErrDimension, q.Dimension(), o.Dimension())
	}
	if q.Unit == o.Unit {
		return q.Value.Cmp(o.Value), nil
	}
	return q.Base().Cmp(o.Base()), nil
}

// In converts q to unit u:
//
//	value(u) = value · factor(unit) / factor(u)
//
// rounded half away from zero to places decimals where the quotient is not
// finite in them. The result has no text. It fails for different dimensions.
func (q Quantity) In(u Unit, places int32) (Quantity, error) {
	if q.Dimension() != u.Dimension() || q.IsZero() {
		return Quantity{}, fmt.Errorf("%w: %s and %s", ErrDimension, q.Dimension(), u.Dimension())
	}
	if q.Unit == u {
		return Quantity{Value: q.Value, Unit: u}, nil
	}
	return Quantity{Value: q.Base().DivRound(u.Factor(), places), Unit: u}, nil
}

// Add returns q + o in q's unit. It fails for different dimensions. The sum is
// exact where the units are the same; otherwise o is converted to 30 places.
func (q Quantity) Add(o Quantity) (Quantity, error) {
	c, err := o.In(q.Unit, 30)
	if err != nil {
		return Quantity{}, err
	}
	return Quantity{Value: q.Value.Add(c.Value), Unit: q.Unit}, nil
}

// Decimals is the number of digits written after the decimal point.
func (q Quantity) Decimals() int32 { return max(0, -q.Value.Exponent()) }

// Number is the value's digits as they were read, trailing zeros included.
func (q Quantity) Number() string { return q.Value.StringFixed(q.Decimals()) }

// String is the value with every digit that was read and the unit in its one
// spelling: "88.0 N·m".
func (q Quantity) String() string {
	if q.IsZero() {
		return ""
	}
	if q.Unit == Degree {
		return q.Number() + "°"
	}
	return q.Number() + " " + q.Unit.String()
}

// UnmarshalText reads a quantity out of a file; see Parse.
func (q *Quantity) UnmarshalText(text []byte) error {
	parsed, err := Parse(string(text))
	if err != nil {
		return hinted{err, `write a number and its unit, as in "88 N·m", "65 lbf·ft", "7.4 mm" or "3°"`}
	}
	*q = parsed
	return nil
}

// hinted is an error about a text out of a file, with what to write instead.
type hinted struct {
	error
	hint string
}

// Unwrap gives the error itself.
func (h hinted) Unwrap() error { return h.error }

// HintText is what to write instead.
func (h hinted) HintText() string { return h.hint }

// MarshalText writes the form that String gives.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// clip keeps error messages to one short line, whatever was read.
func clip(s string) string {
	r := []rune(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '\uFFFD'
		}
		return r
	}, s))
	if len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return string(r)
}
