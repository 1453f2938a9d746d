package quantity_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
)

func limits(least, most string) quantity.Limits {
	var l quantity.Limits
	if least != "" {
		l.Least = quantity.MustParse(least)
	}
	if most != "" {
		l.Most = quantity.MustParse(most)
	}
	return l
}

// A reading exactly on a limit is inside it, whatever units the two are in.
func TestPlace(t *testing.T) {
	for _, row := range []struct {
		value, least, most string
		want               quantity.Place
	}{
		{"84.48 N·m", "84.48 N·m", "91.52 N·m", quantity.Inside},
		{"91.520 N·m", "84.48 N·m", "91.52 N·m", quantity.Inside},
		{"84.4799 N·m", "84.48 N·m", "91.52 N·m", quantity.Below},
		{"91.5200000000000000000000001 N·m", "84.48 N·m", "91.52 N·m", quantity.Above},
		// 65 lbf·ft = 88.128166641541026 N·m exactly, by the definitions of foot and pound.
		{"65 lbf·ft", "88.128166641541026 N·m", "100 N·m", quantity.Inside},
		{"65 lbf·ft", "88.1281666415410260000001 N·m", "100 N·m", quantity.Below},
		{"88.128166641541026 N·m", "60 lbf·ft", "65 lbf·ft", quantity.Inside},
		{"88.128166641541027 N·m", "60 lbf·ft", "65 lbf·ft", quantity.Above},
		{"780 lbf·in", "65 lbf·ft", "65 lbf·ft", quantity.Inside},
		{"1 thou", "25.4 µm", "0.0254 mm", quantity.Inside},
		{"0.3 mm", "0.1 mm", "0.3 mm", quantity.Inside}, // 0.1+0.2 in binary lies above
		{"5 mm", "", "5 mm", quantity.Inside},
		{"-5 mm", "", "5 mm", quantity.Inside},
		{"6 mm", "", "5 mm", quantity.Above},
		{"5 mm", "5 mm", "", quantity.Inside},
		{"4 mm", "5 mm", "", quantity.Below},
		{"4 mm", "", "", quantity.Inside},
	} {
		got, err := limits(row.least, row.most).Place(quantity.MustParse(row.value))
		require.NoError(t, err)
		require.Equal(t, row.want, got, "%s against %s to %s", row.value, row.least, row.most)
	}
	for _, l := range []quantity.Limits{limits("1°", ""), limits("", "1°"), limits("1 mm", "1°")} {
		_, err := l.Place(quantity.MustParse("5 mm"))
		require.ErrorIs(t, err, quantity.ErrDimension)
	}
}

func TestLimitsInWords(t *testing.T) {
	for _, row := range []struct{ least, most, want string }{
		{"", "", "any"},
		{"60 N·m", "", "at least 60 N·m"},
		{"", "0.05 mm", "at most 0.05 mm"},
		{"84.48 N·m", "91.52 N·m", "84.48–91.52 N·m"},
		{"80°", "0.3 turn", "80°–0.3 turn"},
	} {
		require.Equal(t, row.want, limits(row.least, row.most).String())
	}
	require.True(t, quantity.Limits{}.IsZero())
	require.False(t, limits("", "5 mm").IsZero())
}

func TestTolerances(t *testing.T) {
	const refused = "refused"
	for _, row := range []struct{ text, target, want string }{
		{"±4 %", "88 N·m", "84.48–91.52 N·m"},
		{"± 4%", "88.0 N·m", "84.48–91.52 N·m"},
		{"+-4 %", "88 N·m", "84.48–91.52 N·m"},
		{"+/-4 %", "88 N·m", "84.48–91.52 N·m"},
		{"±0 %", "88 N·m", "88–88 N·m"},
		{"±2.5 N·m", "88 N·m", "85.5–90.5 N·m"},
		{"±2 ft-lb", "65 lbf·ft", "63–67 lbf·ft"},
		{"±12 lbf·in", "1.3558179483314004 N·m", "0–2.7116358966628008 N·m"},
		{"-2 % +6 %", "50 N·m", "49–53 N·m"},
		{"+6 % -2 %", "50 N·m", "49–53 N·m"},
		{"-2%+6%", "50 N·m", "49–53 N·m"},
		{"\u22122 % +6 %", "50 N·m", "49–53 N·m"},
		{"-2 ft-lb +6 ft-lb", "50 lbf·ft", "48–56 lbf·ft"},
		{"+6 ft-lb -2 ft-lb", "50 lbf·ft", "48–56 lbf·ft"},
		{"-2 N·m +6 %", "50 N·m", "48–53 N·m"},
		{"-2degree+6degree", "90°", "88–96°"},
		{"-1e+0 % +2e+0 %", "50 N·m", "49.5–51 N·m"},
		{"-.5 mm +.25 mm", "1 mm", "0.5–1.25 mm"},
		{"at least -3 %", "100 N·m", "at least 97 N·m"},
		{"At Least - 3 %", "100 N·m", "at least 97 N·m"},
		{"at most +5 N·m", "100 N·m", "at most 105 N·m"},
		// A share of a negative target, such as a dowel that stands back from the face.
		{"±10 %", "-0.50 mm", "-0.55–-0.45 mm"},
		{"-10 % +20 %", "-0.50 mm", "-0.55–-0.4 mm"},
		{"at least -10 %", "-0.50 mm", "at least -0.55 mm"},
		{"±10 %", "0 mm", "0–0 mm"},

		{"", "", refused}, {"4 %", "", refused}, {"4", "", refused}, {"±4", "", refused}, {"±", "", refused}, {"± %", "", refused},
		{"±-4 %", "", refused}, {"±+4 %", "", refused}, {"+4 %", "", refused}, {"-4 %", "", refused}, {"-4 % -2 %", "", refused},
		{"+4 % +2 %", "", refused}, {"-4 % +2", "", refused}, {"-4 +2 %", "", refused}, {"±4 %%", "", refused}, {"±4 N·m %", "", refused},
		{"at least 3 %", "", refused}, {"at least +3 %", "", refused}, {"at most -3 %", "", refused}, {"at most", "", refused},
		{"about 3 %", "", refused}, {"±4,5 %", "", refused}, {"±1e99 %", "", refused}, {"±4 x", "", refused},
		{"±" + strings.Repeat("9", 1e6), "", refused}, {"-" + strings.Repeat("-", 1e6), "", refused},
	} {
		tolerance, err := quantity.ParseTolerance(row.text)
		if row.want == refused {
			require.Error(t, err, row.text)
			require.Less(t, len(err.Error()), 400)
			require.True(t, tolerance.IsZero(), row.text)
			continue
		}
		require.NoError(t, err, row.text)
		require.Equal(t, row.text, tolerance.Text)
		got, err := tolerance.Around(quantity.MustParse(row.target))
		require.NoError(t, err)
		require.Equal(t, row.want, got.String(), "%s around %s", row.text, row.target)

		var read quantity.Tolerance
		require.NoError(t, read.UnmarshalText([]byte(row.text)))
		require.Equal(t, tolerance, read)
	}
}

func TestTolerancesThatDoNotFitTheirTarget(t *testing.T) {
	for _, row := range []struct{ text, target string }{{"±2 mm", "88 N·m"}, {"at least -2°", "88 N·m"}, {"-1 % +2°", "88 N·m"}} {
		tolerance, err := quantity.ParseTolerance(row.text)
		require.NoError(t, err)
		_, err = tolerance.Around(quantity.MustParse(row.target))
		require.ErrorIs(t, err, quantity.ErrDimension, row.text)
	}
	// Limits around nothing would be open ones, which all is inside.
	tolerance, err := quantity.ParseTolerance("±4 %")
	require.NoError(t, err)
	_, err = tolerance.Around(quantity.Quantity{})
	require.Error(t, err)
}

func TestNoToleranceIsOpen(t *testing.T) {
	l, err := quantity.Tolerance{}.Around(quantity.MustParse("88 N·m"))
	require.NoError(t, err)
	require.True(t, l.IsZero())
}

func TestDeviations(t *testing.T) {
	for _, row := range []struct{ text, shown, below string }{
		{"4 %", "4 %", "84.48 N·m"},
		{"4.0%", "4 %", "84.48 N·m"},
		{"2 N·m", "2 N·m", "86 N·m"},
		{" 2.0 Nm", "2.0 N·m", "86.0 N·m"},
		{"0 %", "0 %", "88 N·m"},
	} {
		d, err := quantity.ParseDeviation(row.text)
		require.NoError(t, err)
		require.Equal(t, row.shown, d.String())
		below, err := d.Below(quantity.MustParse("88 N·m"))
		require.NoError(t, err)
		require.Equal(t, row.below, below.String())
		var read quantity.Deviation
		require.NoError(t, read.UnmarshalText([]byte(row.text)))
		require.Equal(t, d, read)
	}
	for _, text := range []string{"", "%", "-4 %", "-2 N·m", "4", "4 x", "4 %%", "±4 %"} {
		_, err := quantity.ParseDeviation(text)
		require.Error(t, err, text)
		require.Error(t, new(quantity.Deviation).UnmarshalText([]byte(text)))
	}
	open, err := quantity.Deviation{}.Below(quantity.MustParse("88 N·m"))
	require.NoError(t, err)
	require.True(t, open.IsZero(), "an open deviation gives no limit")
	require.Empty(t, quantity.Deviation{}.String())
}

// The target lies inside the limits around it, the limits are inside themselves,
// and a hair beyond them is outside, in any unit.
func TestLimitsHoldTheirTarget(t *testing.T) {
	place := func(t *rapid.T, l quantity.Limits, v quantity.Quantity) quantity.Place {
		p, err := l.Place(v)
		require.NoError(t, err)
		return p
	}
	rapid.Check(t, func(t *rapid.T) {
		target := alike(t, 1)[0]
		deviation := func(name string) string {
			n := rapid.StringMatching(`[0-9]{1,3}(\.[0-9]{1,3})?`).Draw(t, name)
			units := append(unitsOf(target.Dimension()), quantity.NoUnit)
			if u := rapid.SampledFrom(units).Draw(t, name+" unit"); u != quantity.NoUnit {
				return n + " " + u.String()
			}
			return n + " %"
		}
		tolerance, err := quantity.ParseTolerance("-" + deviation("minus") + " +" + deviation("plus"))
		require.NoError(t, err)
		l, err := tolerance.Around(target)
		require.NoError(t, err)
		require.Equal(t, quantity.Inside, place(t, l, target))
		base := unitsOf(target.Dimension())[0]
		hair := dec("1e-90")
		for limit, beyond := range map[quantity.Quantity]quantity.Place{l.Least: quantity.Below, l.Most: quantity.Above} {
			require.Equal(t, quantity.Inside, place(t, l, limit))
			require.Equal(t, quantity.Inside, place(t, l, quantity.New(limit.Base(), base)))
			out := hair
			if beyond == quantity.Below {
				out = hair.Neg()
			}
			require.Equal(t, beyond, place(t, l, quantity.New(limit.Base().Add(out), base)))
		}
	})
}

func FuzzTolerance(f *testing.F) {
	for _, text := range []string{"±4 %", "+-2 N·m", "-2 % +6 %", "+6 ft-lb -2 ft-lb", "at least -3 %", "at most +5 N·m", "-1e+0 % +2e+0 %", "\u22122 % +6 %", "-\u2212", "±\xff"} {
		f.Add(text)
	}
	target := quantity.MustParse("88 N·m")
	f.Fuzz(func(t *testing.T, text string) {
		tolerance, err := quantity.ParseTolerance(text)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			require.Less(t, len(err.Error()), 600)
			return
		}
		require.False(t, tolerance.IsZero())
		l, err := tolerance.Around(target)
		if err != nil {
			require.ErrorIs(t, err, quantity.ErrDimension)
			return
		}
		p, err := l.Place(target)
		require.NoError(t, err)
		require.Equal(t, quantity.Inside, p, "%q gives %s", text, l)
	})
}
