package profile

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"strings"

	"github.com/shopspring/decimal"

	"paintmark/calc/quantity"
)

// mostDecimals bounds an implied decimal point.
const mostDecimals = 12

// A number is a decimal, exactly: coefficient·10^exponent, the exponent 0 or
// less; or wide, where that does not hold it. It needs no memory of its own as
// long as it is not wide.
type number struct {
	coefficient int64
	exponent    int32
	wide        *decimal.Decimal
}

func wholeNumber(v uint64, minus bool) number {
	if v > math.MaxInt64 {
		d := decimal.NewFromUint64(v)
		if minus {
			d = d.Neg()
		}
		return number{wide: &d}
	}
	if minus {
		return number{coefficient: -int64(v)}
	}
	return number{coefficient: int64(v)}
}

// decimal is the number as a value that can be handed on.
func (n number) decimal() decimal.Decimal {
	if n.wide != nil {
		return *n.wide
	}
	return decimal.New(n.coefficient, n.exponent)
}

func (n number) neg() number {
	if n.wide != nil {
		d := n.wide.Neg()
		return number{wide: &d}
	}
	n.coefficient = -n.coefficient
	return n
}

func (n number) negative() bool {
	if n.wide != nil {
		return n.wide.IsNegative()
	}
	return n.coefficient < 0
}

func (n number) times(o number) number {
	if n.wide == nil && o.wide == nil {
		hi, lo := bits.Mul64(magnitude(n.coefficient), magnitude(o.coefficient))
		if hi == 0 && lo <= math.MaxInt64 {
			product := number{coefficient: int64(lo), exponent: n.exponent + o.exponent}
			if n.coefficient < 0 != (o.coefficient < 0) {
				product.coefficient = -product.coefficient
			}
			return product
		}
	}
	d := n.decimal().Mul(o.decimal())
	return number{wide: &d}
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

// shifted is n·10^by, of at most quantity.MaxDigits digits when written out.
func (n number) shifted(by int32) (number, error) {
	if n.wide == nil {
		n.exponent += by
		for n.exponent > 0 && magnitude(n.coefficient) <= math.MaxInt64/10 {
			n.coefficient *= 10
			n.exponent--
			if n.coefficient == 0 {
				n.exponent = 0
			}
		}
		if n.exponent <= 0 {
			if n.exponent < -quantity.MaxDigits+1 || int(-n.exponent)+max(1, digits(n.coefficient)+int(n.exponent)) > quantity.MaxDigits {
				return number{}, errSize
			}
			return n, nil
		}
	}
	d := n.decimal()
	if n.wide != nil {
		d = d.Shift(by)
	}
	// Written out and read again: one rule for what is too large.
	d, err := quantity.ParseNumber(d.StringFixed(max(0, -d.Exponent())))
	if err != nil {
		return number{}, errSize
	}
	return number{wide: &d}, nil
}

var errSize = errors.New("too large or too small a number")

func digits(v int64) int {
	n := 1
	for m := magnitude(v); m > 9; m /= 10 {
		n++
	}
	return n
}

// parseNumber reads a number as instruments write it: with blanks between its
// sign and its digits, with leading zeros, with its sign behind it, and with the
// profile's decimal mark.
func parseNumber(text []byte, comma bool) (number, error) {
	var room [64]byte
	if len(text) > len(room) {
		return number{}, fmt.Errorf("a number of %d characters", len(text))
	}
	rest, minus, signed := cutSign(text)
	plain := room[:1]
	plain[0] = '+'
	if minus {
		plain[0] = '-'
	}
	if !signed && len(rest) > 1 {
		switch last := rest[len(rest)-1]; last {
		case '-', '+':
			plain[0] = last
			rest = trim(rest[:len(rest)-1])
		}
	}
	for _, c := range rest {
		switch {
		case c == ',' && !comma:
			return number{}, fmt.Errorf("%s has a comma in it, and the decimal mark is the point", quote(text))
		case c == '.' && comma:
			return number{}, fmt.Errorf("%s has a point in it, and the decimal mark is the comma", quote(text))
		case c == ',':
			c = '.'
		}
		plain = append(plain, c)
	}
	if n, ok := plainNumber(plain); ok {
		return n, nil
	}
	if strings.TrimSpace(string(plain)) != string(plain) { // a CR, say, that quantity takes for a blank
		return number{}, fmt.Errorf("%s is not a number", quote(text))
	}
	d, err := quantity.ParseNumber(string(plain))
	if err != nil {
		// In the instrument's own text.
		if _, own := quantity.ParseNumber(string(text)); own != nil {
			return number{}, own
		}
		return number{}, fmt.Errorf("%s is not a number", quote(text))
	}
	return number{wide: &d}, nil
}

// signed tells whether a text has a sign, before its digits or behind them.
func signed(text []byte) bool {
	if _, _, before := cutSign(text); before {
		return true
	}
	last := text[len(text)-1]
	return last == '-' || last == '+'
}

func cutSign(text []byte) (rest []byte, minus, signed bool) {
	for _, sign := range [...]string{"+", "-", "\u2212"} {
		if len(text) > len(sign) && string(text[:len(sign)]) == sign {
			return trim(text[len(sign):]), sign != "+", true
		}
	}
	return text, false, false
}

// plainNumber reads a sign, digits with at most one point, and an exponent, of
// as many digits as surely fit; it says no to everything else.
func plainNumber(text []byte) (number, bool) {
	minus := text[0] == '-'
	var n number
	seen, point := 0, false
	i := 1
	for ; i < len(text); i++ {
		switch c := text[i]; {
		case c >= '0' && c <= '9':
			if seen++; seen > 18 {
				return number{}, false
			}
			n.coefficient = n.coefficient*10 + int64(c-'0')
			if point {
				n.exponent--
			}
			continue
		case c == '.' && !point:
			point = true
			continue
		}
		break
	}
	if seen == 0 {
		return number{}, false
	}
	if minus {
		n.coefficient = -n.coefficient
	}
	if i == len(text) {
		return n, true
	}
	if c := text[i]; c != 'e' && c != 'E' {
		return number{}, false
	}
	i++
	down := false
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		down = text[i] == '-'
		i++
	}
	by := int32(0)
	for from := i; ; i++ {
		if i == len(text) {
			if i == from {
				return number{}, false
			}
			break
		}
		if c := text[i]; c < '0' || c > '9' || i-from > 3 {
			return number{}, false
		}
		by = by*10 + int32(text[i]-'0')
	}
	if down {
		by = -by
	}
	if by >= quantity.MaxDigits { // of a zero, it is the digits it has when written out
		return number{}, false
	}
	n, err := n.shifted(by)
	return n, err == nil && n.wide == nil
}
