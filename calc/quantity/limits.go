package quantity

import (
	"errors"
	"fmt"
	"strings"

	"github.com/shopspring/decimal"
)

// Limits are what a value must lie between, both ends included. An end that is
// the zero Quantity is open.
type Limits struct {
	Least, Most Quantity
}

// IsZero tells that both ends are open.
func (l Limits) IsZero() bool { return l.Least.IsZero() && l.Most.IsZero() }

// Unit is that of the lower end, or of the upper where the lower is open.
func (l Limits) Unit() Unit {
	if l.Least.IsZero() {
		return l.Most.Unit
	}
	return l.Least.Unit
}

// Place is where a value lies against limits.
type Place int8

// The places.
const (
	Below  Place = -1
	Inside Place = 0
	Above  Place = 1
)

// Place compares v with the limits exactly. A value on a limit is inside.
func (l Limits) Place(v Quantity) (Place, error) {
	if !l.Least.IsZero() {
		c, err := v.Cmp(l.Least)
		if err != nil {
			return Inside, err
		}
		if c < 0 {
			return Below, nil
		}
	}
	if !l.Most.IsZero() {
		c, err := v.Cmp(l.Most)
		if err != nil {
			return Inside, err
		}
		if c > 0 {
			return Above, nil
		}
	}
	return Inside, nil
}

// String is "84.48–91.52 N·m", "at least 60 N·m" or "at most 0.05 mm".
func (l Limits) String() string {
	switch {
	case l.Least.IsZero() && l.Most.IsZero():
		return "any"
	case l.Most.IsZero():
		return "at least " + l.Least.String()
	case l.Least.IsZero():
		return "at most " + l.Most.String()
	case l.Least.Unit == l.Most.Unit:
		return l.Least.Number() + "–" + l.Most.String()
	default:
		return l.Least.String() + "–" + l.Most.String()
	}
}

// trimmed drops the trailing zeros that multiplying by a percentage makes.
func (q Quantity) trimmed() Quantity {
	v, err := decimal.NewFromString(q.Value.String())
	if err != nil {
		return q
	}
	return Quantity{Value: v, Unit: q.Unit}
}

// A Deviation is how far a value may lie from its target to one side: a share
// of the target in percent, or an absolute quantity. The zero Deviation is
// open: no limit on that side.
type Deviation struct {
	Percent  decimal.Decimal
	Absolute Quantity
	Set      bool
}

// A Tolerance says how far below and above its target a value may lie.
type Tolerance struct {
	Minus, Plus Deviation
	Text        string
}

// ParseDeviation reads "4 %" or "2 N·m": how far something may go, without a sign.
func ParseDeviation(text string) (Deviation, error) {
	s := strings.TrimSpace(text)
	if number, ok := strings.CutSuffix(s, "%"); ok {
		p, err := ParseNumber(number)
		if err != nil {
			return Deviation{}, err
		}
		if p.Sign() < 0 {
			return Deviation{}, fmt.Errorf("%q is negative", clip(text))
		}
		return Deviation{Percent: p, Set: true}, nil
	}
	q, err := Parse(s)
	if err != nil {
		return Deviation{}, err
	}
	if q.Value.Sign() < 0 {
		return Deviation{}, fmt.Errorf("%q is negative", clip(text))
	}
	return Deviation{Absolute: q, Set: true}, nil
}

// UnmarshalText reads a deviation out of a file; see ParseDeviation.
func (d *Deviation) UnmarshalText(text []byte) error {
	parsed, err := ParseDeviation(string(text))
	if err != nil {
		return hinted{err, `write how far it may go, as in "10 %" or "5 N·m"`}
	}
	*d = parsed
	return nil
}

// String is "4 %" or "2 N·m", or empty for an open one.
func (d Deviation) String() string {
	switch {
	case !d.Set:
		return ""
	case d.Absolute.IsZero():
		return d.Percent.String() + " %"
	default:
		return d.Absolute.String()
	}
}

var errTolerance = errors.New(`a tolerance is written "±4 %", "±2 N·m", "-2 % +6 %", "at least -3 %" or "at most +5 N·m"`)

// ParseTolerance reads a tolerance as an engineer writes it:
//
//	±4 %            the same to both sides ("+-4 %" and "+/-4 %" too)
//	-2 % +6 %       each side its own, in percent or absolute
//	at least -3 %   a lower limit only
//	at most +5 N·m  an upper limit only
func ParseTolerance(text string) (Tolerance, error) {
	t := Tolerance{Text: text}
	s := strings.ReplaceAll(strings.TrimSpace(text), "\u2212", "-")
	for _, sign := range []string{"±", "+-", "+/-"} {
		if rest, ok := strings.CutPrefix(s, sign); ok {
			d, err := unsigned(rest)
			if err != nil {
				return Tolerance{}, err
			}
			t.Minus, t.Plus = d, d
			return t, nil
		}
	}
	var err error
	lower := strings.ToLower(s)
	if rest, ok := strings.CutPrefix(lower, "at least"); ok {
		t.Minus, err = oneSide(rest, "-")
		return t, err
	}
	if rest, ok := strings.CutPrefix(lower, "at most"); ok {
		t.Plus, err = oneSide(rest, "+")
		return t, err
	}
	// Two sides: the second begins at the other sign.
	if len(s) > 1 && (s[0] == '-' || s[0] == '+') {
		other := "+"
		if s[0] == '+' {
			other = "-"
		}
		if at := secondSide(s, other); at > 0 {
			first, second := s[:at], s[at:]
			if other == "-" {
				first, second = second, first
			}
			minus, err := unsigned(strings.TrimPrefix(first, "-"))
			if err != nil {
				return Tolerance{}, err
			}
			plus, err := unsigned(strings.TrimPrefix(second, "+"))
			if err != nil {
				return Tolerance{}, err
			}
			t.Minus, t.Plus = minus, plus
			return t, nil
		}
	}
	return Tolerance{}, fmt.Errorf("%q: %w", clip(text), errTolerance)
}

// secondSide finds the second side of "-2 % +6 %": the other sign, before a
// digit, so that the hyphen of "ft-lb" is none, and not that of an exponent.
func secondSide(s, sign string) int {
	from := 1 + numberEnd(s[1:])
	for i := from; i+1 < len(s); i++ {
		if s[i:i+1] == sign && (isDigit(s[i+1]) || s[i+1] == '.') {
			return i
		}
	}
	return -1
}

func oneSide(text, sign string) (Deviation, error) {
	rest, ok := strings.CutPrefix(strings.TrimSpace(text), sign)
	if !ok {
		return Deviation{}, fmt.Errorf("%q: %w", clip(text), errTolerance)
	}
	return unsigned(rest)
}

func unsigned(text string) (Deviation, error) {
	s := strings.TrimSpace(text)
	if s == "" || !isDigit(s[0]) && s[0] != '.' {
		return Deviation{}, fmt.Errorf("%q: %w", clip(text), errTolerance)
	}
	return ParseDeviation(s)
}

// UnmarshalText reads a tolerance out of a file; see ParseTolerance.
func (t *Tolerance) UnmarshalText(text []byte) error {
	parsed, err := ParseTolerance(string(text))
	if errors.Is(err, errTolerance) {
		return hinted{fmt.Errorf("%q is no tolerance", clip(string(text))), errTolerance.Error()}
	} else if err != nil {
		return hinted{err, errTolerance.Error()}
	}
	*t = parsed
	return nil
}

// IsZero tells that no tolerance was given.
func (t Tolerance) IsZero() bool { return !t.Minus.Set && !t.Plus.Set }

// Around gives the limits about a target, exactly:
//
//	least = target − |target| · minus/100   or   target − minus
//	most  = target + |target| · plus/100    or   target + plus
//
// A side without a deviation is open. It fails where there is no target, or an
// absolute deviation does not measure what the target measures.
func (t Tolerance) Around(target Quantity) (Limits, error) {
	least, err := t.Minus.from(target, decimal.NewFromInt(-1))
	if err != nil {
		return Limits{}, err
	}
	most, err := t.Plus.from(target, decimal.NewFromInt(1))
	if err != nil {
		return Limits{}, err
	}
	return Limits{Least: least, Most: most}, nil
}

// Below gives target less the deviation, as Around does for its lower side: the
// zero Quantity for an open one.
func (d Deviation) Below(target Quantity) (Quantity, error) {
	return d.from(target, decimal.NewFromInt(-1))
}

func (d Deviation) from(target Quantity, sign decimal.Decimal) (Quantity, error) {
	switch {
	case target.IsZero():
		return Quantity{}, errors.New("no target to lie around")
	case !d.Set:
		return Quantity{}, nil
	case d.Absolute.IsZero():
		share := d.Percent.Mul(sign).Shift(-2)
		return New(target.Value.Add(target.Value.Abs().Mul(share)), target.Unit).trimmed(), nil
	}
	if d.Absolute.Dimension() != target.Dimension() {
		return Quantity{}, fmt.Errorf("%w: %s and %s", ErrDimension, target.Dimension(), d.Absolute.Dimension())
	}
	if d.Absolute.Unit == target.Unit {
		return New(target.Value.Add(d.Absolute.Value.Mul(sign)), target.Unit), nil
	}
	// In the base unit, where the sum is exact.
	return New(target.Base().Add(d.Absolute.Base().Mul(sign)), baseUnit(target.Dimension())).trimmed(), nil
}

func baseUnit(d Dimension) Unit {
	switch d {
	case Torque:
		return NewtonMetre
	case Angle:
		return Degree
	case Length:
		return Millimetre
	default:
		return NoUnit
	}
}
