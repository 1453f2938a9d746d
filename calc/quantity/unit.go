package quantity

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"
)

// A Dimension is what a quantity measures.
type Dimension uint8

// The dimensions of an engine's assembly.
const (
	None Dimension = iota
	Torque
	Angle
	Length
)

func (d Dimension) String() string {
	switch d {
	case Torque:
		return "torque"
	case Angle:
		return "angle"
	case Length:
		return "length"
	default:
		return "none"
	}
}

// ParseDimension reads a dimension by the name that String gives it.
func ParseDimension(name string) (Dimension, error) {
	for _, d := range []Dimension{Torque, Angle, Length} {
		if name == d.String() {
			return d, nil
		}
	}
	return None, fmt.Errorf("unknown dimension %q: it is torque, angle or length", name)
}

// A Unit is a unit of measurement. The zero Unit is no unit.
type Unit uint8

// The units that are understood. Their numbers are stored in books and never reused.
const (
	NoUnit Unit = iota
	NewtonMetre
	PoundForceFoot
	PoundForceInch
	KilogramForceMetre
	CentinewtonMetre
	KilogramForceCentimetre
	OunceForceInch
	Degree
	Turn
	Millimetre
	Inch
	Micrometre
	Thou
	Metre
	Centimetre
	units // how many there are
)

type unitFacts struct {
	symbol    string
	dimension Dimension
	// factor is the size of one unit in the base unit of its dimension (N·m, degree, mm).
	factor decimal.Decimal
	// spellings are the other ways of writing it, folded by fold.
	spellings []string
}

// Exact by definition: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg
// (international yard and pound, 1959), g_n = 9.80665 m/s² (3rd CGPM, 1901).
var (
	poundForce = decimal.RequireFromString("0.45359237").Mul(standardGravity) // newtons
	foot       = decimal.RequireFromString("0.3048")                          // metres
	inchMetre  = decimal.RequireFromString("0.0254")                          // metres

	standardGravity = decimal.RequireFromString("9.80665")
)

var unitTable = [units]unitFacts{
	NewtonMetre: {"N·m", Torque, decimal.NewFromInt(1),
		[]string{"nm", "newtonmetre", "newtonmetres", "newtonmeter", "newtonmeters"}},
	PoundForceFoot: {"lbf·ft", Torque, poundForce.Mul(foot),
		[]string{"lbfft", "lbft", "lbsft", "ftlb", "ftlbf", "ftlbs", "footpound", "footpounds", "poundfoot", "poundfeet", "poundforcefoot", "poundforcefeet"}},
	PoundForceInch: {"lbf·in", Torque, poundForce.Mul(inchMetre),
		[]string{"lbfin", "lbin", "lbsin", "inlb", "inlbf", "inlbs", "inchpound", "inchpounds", "poundinch", "poundinches", "poundforceinch"}},
	KilogramForceMetre: {"kgf·m", Torque, standardGravity,
		[]string{"kgfm", "kgm", "mkg", "mkgf", "kpm", "mkp"}},
	CentinewtonMetre: {"cN·m", Torque, decimal.New(1, -2),
		[]string{"cnm", "centinewtonmetre", "centinewtonmeter"}},
	KilogramForceCentimetre: {"kgf·cm", Torque, standardGravity.Shift(-2),
		[]string{"kgfcm", "kgcm", "cmkg", "cmkgf"}},
	OunceForceInch: {"ozf·in", Torque, poundForce.Mul(inchMetre).Mul(decimal.RequireFromString("0.0625")),
		[]string{"ozfin", "ozin", "inoz", "inozf"}},
	Degree:     {"°", Angle, decimal.NewFromInt(1), []string{"°", "deg", "degree", "degrees"}},
	Turn:       {"turn", Angle, decimal.NewFromInt(360), []string{"turn", "turns", "rev", "revs"}},
	Millimetre: {"mm", Length, decimal.NewFromInt(1), []string{"mm", "millimetre", "millimetres", "millimeter", "millimeters"}},
	Inch:       {"in", Length, decimal.RequireFromString("25.4"), []string{"in", "inch", "inches", `"`}},
	Micrometre: {"µm", Length, decimal.New(1, -3), []string{"µm", "um", "micrometre", "micrometres", "micrometer", "micrometers", "micron", "microns"}},
	Thou:       {"thou", Length, decimal.RequireFromString("0.0254"), []string{"thou", "mil", "mils"}},
	Metre:      {"m", Length, decimal.NewFromInt(1000), []string{"m", "metre", "metres", "meter", "meters"}},
	Centimetre: {"cm", Length, decimal.NewFromInt(10), []string{"cm", "centimetre", "centimetres", "centimeter", "centimeters"}},
}

var unitBySpelling = func() map[string]Unit {
	m := make(map[string]Unit)
	for u := NewtonMetre; u < units; u++ {
		for _, s := range unitTable[u].spellings {
			m[s] = u
		}
	}
	return m
}()

// joins tells what may stand between the parts of a unit: spaces, dots, hyphens
// and product signs.
func joins(r rune) bool { return strings.ContainsRune(" \u00a0\u202f.-*·⋅∙×_\u2010\u2011", r) }

// fold leaves of a unit's spelling what tells it from others: case and what
// joins its parts are free.
func fold(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case joins(r):
			return -1
		case r == 'μ': // Greek mu for the micro sign
			return 'µ'
		}
		return r
	}, strings.ToLower(s))
}

// ParseUnit reads a unit as people and instruments write it: "N·m", "Nm",
// "lbf·ft", "ft-lb", "in-lb", "kgf·m", "mm", "deg". Case, spaces, hyphens and
// product signs do not matter; inside a unit that is no product, they do.
func ParseUnit(text string) (Unit, error) {
	if u, ok := parsePlain(text); ok {
		return u, nil
	}
	if u, ok := unitBySpelling[fold(text)]; ok {
		product := strings.ContainsFunc(strings.TrimFunc(text, joins), joins)
		if !product || u.Dimension() == Torque { // "m·m" is no millimetre
			return u, nil
		}
	}
	if strings.TrimSpace(text) == "" {
		return NoUnit, fmt.Errorf("no unit")
	}
	return NoUnit, fmt.Errorf("unknown unit %q", clip(text))
}

// parsePlain is ParseUnit for what is written in plain letters, with plain joins
// in torques, as nearly all is; it allocates nothing.
func parsePlain(text string) (Unit, bool) {
	var room [16]byte
	if len(text) > len(room) {
		return NoUnit, false
	}
	letters := room[:0]
	for i := range len(text) {
		if strings.IndexByte(" .-*_", text[i]) >= 0 {
			continue
		}
		c := text[i] | 0x20
		if c < 'a' || c > 'z' {
			return NoUnit, false
		}
		letters = append(letters, c)
	}
	u, ok := unitBySpelling[string(letters)]
	return u, ok && (len(letters) == len(text) || u.Dimension() == Torque)
}

// Known tells whether u is a unit of this program (and not NoUnit).
func (u Unit) Known() bool { return u > NoUnit && u < units }

// String is the one spelling used in all output.
func (u Unit) String() string {
	if !u.Known() {
		return ""
	}
	return unitTable[u].symbol
}

// Dimension is what the unit measures.
func (u Unit) Dimension() Dimension {
	if !u.Known() {
		return None
	}
	return unitTable[u].dimension
}

// Factor is the exact size of one unit in the base unit of its dimension:
// newton metres, degrees or millimetres. It is 0 for NoUnit.
func (u Unit) Factor() decimal.Decimal {
	if !u.Known() {
		return decimal.Decimal{}
	}
	return unitTable[u].factor
}
