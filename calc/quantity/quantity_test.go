package quantity_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
)

var allUnits = func() []quantity.Unit {
	var list []quantity.Unit
	for u := quantity.NewtonMetre; u.Known(); u++ {
		list = append(list, u)
	}
	return list
}()

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

// The exact values follow from the definitions: 1 in = 25.4 mm, 1 ft = 0.3048 m,
// 1 lb = 0.45359237 kg (international yard and pound, 1959), g_n = 9.80665 m/s²
// (3rd CGPM, 1901). GNU units 2.22 gives the same.
func TestUnitsAreExact(t *testing.T) {
	for _, row := range []struct {
		one, base, source string
	}{
		{"1 N·m", "1", "base unit"},
		{"1 lbf·ft", "1.3558179483314004", "definitions; GNU units 2.22"},
		{"1 lbf·in", "0.1129848290276167", "definitions; GNU units 2.22"},
		{"1 kgf·m", "9.80665", "definitions; GNU units 2.22"},
		{"1 kgf·cm", "0.0980665", "definitions"},
		{"1 cN·m", "0.01", "SI prefix"},
		{"1 ozf·in", "0.00706155181422604375", "definitions, 16 oz = 1 lb"},
		{"1°", "1", "base unit"},
		{"1 turn", "360", "definition"},
		{"1 mm", "1", "base unit"},
		{"1 in", "25.4", "definition"},
		{"1 thou", "0.0254", "definition"},
		{"1 µm", "0.001", "SI prefix"},
		{"1 cm", "10", "SI prefix"},
		{"1 m", "1000", "SI prefix"},
	} {
		q, err := quantity.Parse(row.one)
		require.NoError(t, err)
		require.True(t, q.Base().Equal(dec(row.base)), "%s is %s, not %s (%s)", row.one, q.Base(), row.base, row.source)
	}
}

// Seven digits, to 5e-7 relative.
func TestUnitsAgreeWithHandbook(t *testing.T) {
	for _, row := range []struct {
		one    string
		base   float64
		source string
	}{
		{"1 lbf·ft", 1.355818, "NIST SP 811 App. B (copy)"},
		{"1 lbf·in", 0.1129848, "NIST SP 811 App. B (copy)"},
		{"1 kgf·m", 9.806650, "NIST SP 811 App. B (memory)"},
		{"1 ozf·in", 7.061552e-3, "NIST SP 811 App. B (memory)"},
		{"1 thou", 2.54e-2, "NIST SP 811 App. B, mil (memory)"},
	} {
		got, _ := quantity.MustParse(row.one).Base().Float64()
		require.InEpsilon(t, row.base, got, 5e-7, row.source)
	}
}

func TestConversions(t *testing.T) {
	for _, row := range []struct {
		from   string
		to     quantity.Unit
		places int32
		want   string
		why    string
	}{
		{"1 N·m", quantity.PoundForceFoot, 16, "0.7375621492772654 lbf·ft", "computed to 1e-15 from the definitions"},
		{"12 lbf·in", quantity.PoundForceFoot, 4, "1.0000 lbf·ft", "12 in = 1 ft"},
		{"16 ozf·in", quantity.PoundForceInch, 4, "1.0000 lbf·in", "16 oz = 1 lb"},
		{"1 in", quantity.Thou, 0, "1000 thou", "definition"},
		{"0.5 turn", quantity.Degree, 0, "180°", "definition"},
		{"1 thou", quantity.Micrometre, 1, "25.4 µm", "definition"},
		{"88.0 N·m", quantity.NewtonMetre, 3, "88.0 N·m", "the same unit keeps its digits"},
		{"0.5 mm", quantity.Centimetre, 1, "0.1 cm", "half away from zero"},
		{"-0.5 mm", quantity.Centimetre, 1, "-0.1 cm", "half away from zero"},
		{"0.49 mm", quantity.Centimetre, 1, "0.0 cm", "less than half"},
		{"0 N·m", quantity.PoundForceFoot, 2, "0.00 lbf·ft", "a measured nothing"},
	} {
		got, err := quantity.MustParse(row.from).In(row.to, row.places)
		require.NoError(t, err)
		require.Equal(t, row.want, got.String(), "%s: %s", row.from, row.why)
		require.Empty(t, got.Text)
	}
	for _, row := range []struct {
		from string
		to   quantity.Unit
	}{{"1 N·m", quantity.Degree}, {"1 mm", quantity.NewtonMetre}, {"1 mm", quantity.NoUnit}, {"1 mm", quantity.Unit(200)}} {
		_, err := quantity.MustParse(row.from).In(row.to, 2)
		require.ErrorIs(t, err, quantity.ErrDimension)
	}
	_, err := quantity.Quantity{}.In(quantity.NoUnit, 2)
	require.ErrorIs(t, err, quantity.ErrDimension)
}

func TestParse(t *testing.T) {
	for _, row := range []struct{ text, want string }{
		{"65 lbf·ft", "65 lbf·ft"}, {"88.0 N·m", "88.0 N·m"}, {"88Nm", "88 N·m"}, {" 88  NM ", "88 N·m"}, {"88 N-m", "88 N·m"},
		{"88 N*m", "88 N·m"}, {"88 N⋅m", "88 N·m"}, {"88 N.m.", "88 N·m"}, {"88 newton metres", "88 N·m"}, {"88 Newton-meter", "88 N·m"},
		{"65 ft-lb", "65 lbf·ft"}, {"65 ft.lbs", "65 lbf·ft"}, {"65 lb-ft", "65 lbf·ft"}, {"65 foot-pounds", "65 lbf·ft"}, {"65 LBF FT", "65 lbf·ft"},
		{"95 in-lb", "95 lbf·in"}, {"95 lbf.in", "95 lbf·in"}, {"95 inch pounds", "95 lbf·in"},
		{"9 kgf·m", "9 kgf·m"}, {"9 mkg", "9 kgf·m"}, {"9 kgm", "9 kgf·m"}, {"90 kgf·cm", "90 kgf·cm"}, {"90 cN·m", "90 cN·m"}, {"90 oz-in", "90 ozf·in"},
		{"90°", "90°"}, {"90 deg", "90°"}, {"90 degrees", "90°"}, {"0.5 turn", "0.5 turn"},
		{"-0.05 mm", "-0.05 mm"}, {"\u22120.05 mm", "-0.05 mm"}, {"+.5 in", "0.5 in"}, {`5"`, "5 in"}, {"5 in.", "5 in"}, {"5-in", "5 in"},
		{"5 µm", "5 µm"}, {"5 μm", "5 µm"}, {"5 um", "5 µm"}, {"3 thou", "3 thou"}, {"3 mil", "3 thou"}, {"1\u00a0m", "1 m"}, {"2\u202fcm", "2 cm"},
		{"1e2 mm", "100 mm"}, {"8.80e1 N·m", "88.0 N·m"}, {"1E-3 mm", "0.001 mm"}, {"0.0000 mm", "0.0000 mm"}, {"007 mm", "7 mm"}, {"5. mm", "5 mm"},
	} {
		q, err := quantity.Parse(row.text)
		require.NoError(t, err, row.text)
		require.Equal(t, row.want, q.String(), row.text)
		require.Equal(t, row.text, q.Text, "what was read is kept to the letter")
	}
}

func TestParseRefuses(t *testing.T) {
	for _, row := range []struct{ text, because string }{
		{"", `"" does not start with a number`},
		{"N·m", `"N·m" does not start with a number`},
		{"- 5 mm", `"- 5 mm" does not start with a number`},
		{"±5 mm", `"±5 mm" does not start with a number`},
		{"--5 mm", `does not start with a number`},
		{".", `does not start with a number`},
		{"NaN mm", `does not start with a number`},
		{"Inf mm", `does not start with a number`},
		{"0x10 mm", `unknown unit "x10 mm"`},
		{"88", `"88": no unit`},
		{"88 ", `"88 ": no unit`},
		{"88,5 N·m", `"88,5 N·m" has a comma in its number: write a decimal point`},
		{"1 000 mm", `unknown unit "000 mm"`},
		{"1.2.3 mm", `unknown unit ".3 mm"`},
		{"1e mm", `unknown unit "e mm"`},
		{"88 N", `unknown unit "N"`},
		{"88 Nmm", `unknown unit "Nmm"`},
		{"88 mN·m", `unknown unit "mN·m"`},
		{"88 lb", `unknown unit "lb"`},
		{"5 m·m", `unknown unit "m·m"`},
		{"5 m m", `unknown unit "m m"`},
		{"5 i-n", `unknown unit "i-n"`},
		{"5 ·", `unknown unit "·"`},
		{"٣ mm", `does not start with a number`},
		{"5 mm\x00", `unknown unit "mm�"`},
		{strings.Repeat("9", 41) + " mm", `has more than 40 digits`},
		{"1e40 mm", `is too large or too small a number`},
		{"1e-40 mm", `is too large or too small a number`},
		{"12345678901e30 mm", `is too large or too small a number`},
		{"1e999999999 mm", `is too large or too small a number`},
		{"1e-999999999 mm", `is too large or too small a number`},
		{"1e9223372036854775808 mm", `is too large or too small a number`},
		{"1e" + strings.Repeat("9", 1e6) + " mm", `has more than 40 digits`},
		{strings.Repeat("-", 1e6), `does not start with a number`},
		{"1 " + strings.Repeat("x", 1e6), `unknown unit "xxxxxx`},
	} {
		q, err := quantity.Parse(row.text)
		require.ErrorContains(t, err, row.because, "%.40q", row.text)
		require.True(t, q.IsZero())
		require.Less(t, len(err.Error()), 300)
		require.NotContains(t, err.Error(), "\n")
		require.Error(t, new(quantity.Quantity).UnmarshalText([]byte(row.text)))
	}
	require.Panics(t, func() { quantity.MustParse("88") })
}

// The largest and smallest numbers that are read still compute exactly.
func TestEdgesOfWhatIsRead(t *testing.T) {
	largest := quantity.MustParse(strings.Repeat("9", 40) + " in")
	require.Equal(t, strings.Repeat("9", 40)+" in", largest.String())
	smallest := quantity.MustParse("1e-39 µm")
	require.Equal(t, "0."+strings.Repeat("0", 38)+"1 µm", smallest.String())
	c, err := largest.Cmp(smallest)
	require.NoError(t, err)
	require.Equal(t, 1, c)
	sum, err := largest.Add(quantity.MustParse("1 in"))
	require.NoError(t, err)
	require.Equal(t, "1"+strings.Repeat("0", 40)+" in", sum.String())
	require.Equal(t, "1"+strings.Repeat("0", 39)+" mm", quantity.MustParse("1e39 mm").String())
}

func TestAdd(t *testing.T) {
	for _, row := range []struct{ a, b, want string }{
		{"0.1 mm", "0.2 mm", "0.3 mm"},
		{"10 lbf·ft", "12 lbf·in", "11.000000000000000000000000000000 lbf·ft"},
		{"90°", "0.25 turn", "180.000000000000000000000000000000°"},
	} {
		sum, err := quantity.MustParse(row.a).Add(quantity.MustParse(row.b))
		require.NoError(t, err)
		require.Equal(t, row.want, sum.String())
	}
	_, err := quantity.MustParse("1 mm").Add(quantity.MustParse("1°"))
	require.ErrorIs(t, err, quantity.ErrDimension)
	_, err = quantity.MustParse("1 mm").Add(quantity.Quantity{})
	require.ErrorIs(t, err, quantity.ErrDimension)
}

func TestZeroQuantityIsNone(t *testing.T) {
	var none quantity.Quantity
	require.True(t, none.IsZero())
	require.Empty(t, none.String())
	require.Equal(t, quantity.None, none.Dimension())
	require.False(t, quantity.MustParse("0 N·m").IsZero())
	_, err := none.Cmp(quantity.MustParse("0 N·m"))
	require.ErrorIs(t, err, quantity.ErrDimension)
	require.Equal(t, "", quantity.NoUnit.String())
	require.Equal(t, "", quantity.Unit(200).String())
	require.True(t, quantity.Unit(200).Factor().IsZero())
}

func TestJSONIsTheText(t *testing.T) {
	text, err := json.Marshal(map[string]quantity.Quantity{"torque": quantity.MustParse("88.0Nm")})
	require.NoError(t, err)
	require.JSONEq(t, `{"torque": "88.0 N·m"}`, string(text))
	var back map[string]quantity.Quantity
	require.NoError(t, json.Unmarshal(text, &back))
	require.Equal(t, "88.0 N·m", back["torque"].String())
}

func TestDimensionsByName(t *testing.T) {
	for _, d := range []quantity.Dimension{quantity.Torque, quantity.Angle, quantity.Length} {
		got, err := quantity.ParseDimension(d.String())
		require.NoError(t, err)
		require.Equal(t, d, got)
	}
	for _, name := range []string{"", "none", "Torque", "mass"} {
		_, err := quantity.ParseDimension(name)
		require.Error(t, err)
	}
}

// Stored numbers of units are never changed.
func TestUnitNumbersAreFixed(t *testing.T) {
	var symbols []string
	for _, u := range allUnits {
		symbols = append(symbols, u.String())
	}
	require.Equal(t, []string{"N·m", "lbf·ft", "lbf·in", "kgf·m", "cN·m", "kgf·cm", "ozf·in", "°", "turn", "mm", "in", "µm", "thou", "m", "cm"}, symbols)
	require.Equal(t, quantity.NewtonMetre, quantity.Unit(1))
}

// number draws what a person or an instrument may write, up to the bounds.
func number() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.StringMatching(`-?[0-9]{1,4}(\.[0-9]{0,4})?`),
		rapid.StringMatching(`[+-]?([0-9]{1,18}\.[0-9]{0,18}|\.[0-9]{1,30})`),
		rapid.StringMatching(`-?[0-9]\.[0-9]{0,8}[eE][+-]?[12]?[0-9]`),
	)
}

func quantities(units ...quantity.Unit) *rapid.Generator[quantity.Quantity] {
	return rapid.Custom(func(t *rapid.T) quantity.Quantity {
		text := number().Draw(t, "number") + " " + rapid.SampledFrom(units).Draw(t, "unit").String()
		q, err := quantity.Parse(text)
		require.NoError(t, err)
		return q
	})
}

func unitsOf(d quantity.Dimension) []quantity.Unit {
	var list []quantity.Unit
	for _, u := range allUnits {
		if u.Dimension() == d {
			list = append(list, u)
		}
	}
	return list
}

// alike draws n quantities of one dimension. Some are equal on purpose, in
// other units or with other digits.
func alike(t *rapid.T, n int) []quantity.Quantity {
	units := unitsOf(rapid.SampledFrom([]quantity.Dimension{quantity.Torque, quantity.Angle, quantity.Length}).Draw(t, "dimension"))
	list := []quantity.Quantity{quantities(units...).Draw(t, "first")}
	for len(list) < n {
		last := list[len(list)-1]
		next := quantities(units...).Draw(t, "next")
		switch rapid.IntRange(0, 2).Draw(t, "equal") {
		case 0:
			next = quantity.New(last.Base(), units[0]) // the base unit stands first
		case 1:
			next = quantity.New(last.Value.Add(dec("0.000")), last.Unit)
		}
		list = append(list, next)
	}
	return list
}

func TestParseAndStringRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := quantities(allUnits...).Draw(t, "quantity")
		back, err := quantity.Parse(q.String())
		require.NoError(t, err, q.String())
		require.True(t, back.Value.Equal(q.Value))
		require.Equal(t, q.Unit, back.Unit)
		require.Equal(t, q.Decimals(), back.Decimals(), "every digit that was read is written")
		require.Equal(t, q.String(), back.String())
	})
}

func TestCmpIsATotalOrder(t *testing.T) {
	cmp := func(t *rapid.T, a, b quantity.Quantity) int {
		c, err := a.Cmp(b)
		require.NoError(t, err)
		return c
	}
	rapid.Check(t, func(t *rapid.T) {
		q := alike(t, 3)
		a, b, c := q[0], q[1], q[2]
		require.Zero(t, cmp(t, a, a))
		require.Equal(t, cmp(t, a, b), -cmp(t, b, a))
		if cmp(t, a, b) <= 0 && cmp(t, b, c) <= 0 {
			require.LessOrEqual(t, cmp(t, a, c), 0)
			if cmp(t, a, b) < 0 || cmp(t, b, c) < 0 {
				require.Negative(t, cmp(t, a, c))
			}
		}
		require.Equal(t, a.Base().Cmp(b.Base()), cmp(t, a, b), "the order is that of the base unit")
	})
}

func TestDimensionsDoNotCompare(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := quantities(allUnits...)
		a, b := q.Draw(t, "a"), q.Draw(t, "b")
		_, err := a.Cmp(b)
		if a.Dimension() == b.Dimension() {
			require.NoError(t, err)
		} else {
			require.ErrorIs(t, err, quantity.ErrDimension)
		}
	})
}

// In rounds once, by half of its last digit at most; going back is off by no
// more than that, in the other unit's size, and its own half.
func TestInRoundsOnceAndComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := alike(t, 1)[0]
		u := rapid.SampledFrom(unitsOf(q.Dimension())).Filter(func(u quantity.Unit) bool { return u != q.Unit }).Draw(t, "to")
		places := rapid.Int32Range(0, 40).Draw(t, "places")
		there, err := q.In(u, places)
		require.NoError(t, err)
		half := decimal.New(5, -places-1)
		off := there.Base().Sub(q.Base()).Abs()
		require.True(t, off.LessThanOrEqual(half.Mul(u.Factor())), "%s is %s", q, there)

		back, err := there.In(q.Unit, places)
		require.NoError(t, err)
		off = back.Base().Sub(q.Base()).Abs()
		require.True(t, off.LessThanOrEqual(half.Mul(u.Factor()).Add(half.Mul(q.Unit.Factor()))), "%s is %s is %s", q, there, back)
	})
}

// Binary floating point is the outside here: the decimal result lies where the
// float does, to its own accuracy.
func TestConversionsAgreeWithFloatingPoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := alike(t, 1)[0]
		u := rapid.SampledFrom(unitsOf(q.Dimension())).Draw(t, "to")
		value, _ := q.Value.Float64()
		from, _ := q.Unit.Factor().Float64()
		to, _ := u.Factor().Float64()
		got, err := q.In(u, 60)
		require.NoError(t, err)
		float, _ := got.Value.Float64()
		want := value * from / to
		require.LessOrEqual(t, math.Abs(float-want), 1e-14*math.Abs(want)+1e-59, "%s in %s", q, u)
	})
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"65 lbf·ft", "88.0 N·m", "-0.05 mm", "1e-39 µm", "1e999999999 mm", "88,5 N·m", "5 m·m", "−.5°", "+0 in", "9\u00a0kgf\u202fm", "\xff1 mm"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q, err := quantity.Parse(text)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			require.Less(t, len(err.Error()), 400)
			return
		}
		require.Equal(t, text, q.Text)
		require.True(t, q.Unit.Known())
		back, err := quantity.Parse(q.String())
		require.NoError(t, err)
		require.True(t, back.Value.Equal(q.Value))
		require.Equal(t, q.String(), back.String())
	})
}

// What is written in plain letters takes a short way to the same unit.
func TestPlainUnits(t *testing.T) {
	letters := rapid.StringMatching(`[A-Za-z]{0,4}|[mMiInN -]{1,4}|(?i:(ft|in|lbf|oz)[ .*_-]{0,2}(lb|in|ft))|[Nn][Mm]|[FfTtLlBb]{4}|[CcNnMmKkGgFf]{2,5}|(?i:inlb|lbfft|thou|um|deg|turns|kgfcm)`)
	rapid.Check(t, func(t *rapid.T) {
		text := letters.Draw(t, "unit")
		plain, err := quantity.ParseUnit(text)
		long, errLong := quantity.ParseUnit("\u00a0" + text)
		require.Equal(t, long, plain, text)
		require.Equal(t, errLong == nil, err == nil)
	})
	for _, unit := range [][]byte{[]byte("Nm"), []byte("ft-lb"), []byte("N.m")} {
		require.Zero(t, testing.AllocsPerRun(10, func() { _, _ = quantity.ParseUnit(string(unit)) }))
	}
}
