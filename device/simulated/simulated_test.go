package simulated_test

import (
	"errors"
	"io"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/profile"
	"paintmark/device/simulated"
)

// page gathers what an instrument sends, by piece.
type page struct{ pieces []string }

func (p *page) Write(b []byte) (int, error) {
	p.pieces = append(p.pieces, string(b))
	return len(b), nil
}
func (p *page) text() string { return strings.Join(p.pieces, "") }

// read reads a page through a profile of testdata, as a program would.
func read(t *testing.T, name, text string) (samples []device.Sample, rejected []string) {
	t.Helper()
	file, err := os.ReadFile("../../testdata/profiles/" + name)
	require.NoError(t, err)
	p, err := profile.Parse(name, file)
	require.NoError(t, err)
	framer := p.NewFramer()
	framer.Feed([]byte(text), time.Time{})
	for {
		f, ok := framer.Next()
		if !ok {
			break
		}
		s, err := p.Decode(f)
		switch {
		case err == nil:
			samples = append(samples, s)
		case !errors.Is(err, profile.ErrIgnored):
			rejected = append(rejected, err.Error())
		}
	}
	require.Empty(t, framer.Rest())
	return samples, rejected
}

func TestWrenchLines(t *testing.T) {
	var p page
	w, err := simulated.NewWrench(&p, simulated.WrenchOptions{Capacity: quantity.MustParse("200 N·m")})
	require.NoError(t, err)
	require.NoError(t, w.Greet())
	pull := func(torque, shown string) {
		t.Helper()
		q, err := w.Pull(quantity.MustParse(torque))
		require.NoError(t, err)
		require.Equal(t, shown, q.String())
	}
	pull("88.44 N·m", "88.4 N·m")
	pull("65 lbf·ft", "88.1 N·m") // 65 lbf·ft is 88.128 N·m
	pull("-12.25 N·m", "-12.3 N·m")
	pull("-0.01 N·m", "0.0 N·m")
	pull("200 N·m", "200.0 N·m")
	pull("200.1 N·m", "200.1 N·m")
	pull("12000 N·m", "")
	w.SetLowBattery(true)
	pull("5 N·m", "5.0 N·m")
	require.Equal(t, []string{
		"READY 1.2\r\n", "+0088.4 Nm OK\r\n", "+0088.1 Nm OK\r\n", "-0012.3 Nm OK\r\n", "+0000.0 Nm OK\r\n",
		"+0200.0 Nm OK\r\n", "+0200.1 Nm OL\r\n", "------- Nm OL\r\n", "+0005.0 Nm LB\r\n",
	}, p.pieces)

	samples, rejected := read(t, "wrench-line.toml", p.text())
	require.Len(t, samples, 7)
	require.Equal(t, []string{"overload"}, samples[5].Status)
	require.Equal(t, []string{"low battery"}, samples[6].Status)
	require.Equal(t, []string{`"------- Nm OL": the instrument says "overload" and gives no value`}, rejected)
}

func TestIndicatorLines(t *testing.T) {
	var p page
	i, err := simulated.NewIndicator(&p, simulated.IndicatorOptions{})
	require.NoError(t, err)
	for length, shown := range map[string]string{"9.9824 mm": "9.982 mm", "-0.0155 mm": "-0.016 mm", "123.4567 mm": "123.457 mm"} {
		q, err := i.Press(quantity.MustParse(length))
		require.NoError(t, err)
		require.Equal(t, shown, q.String())
	}
	inch, err := simulated.NewIndicator(&p, simulated.IndicatorOptions{Unit: quantity.Inch})
	require.NoError(t, err)
	q, err := inch.Press(quantity.MustParse("0.5 mm"))
	require.NoError(t, err)
	require.Equal(t, "0.0197 in", q.String())
	require.ElementsMatch(t, []string{"  +9.982 mm\r\n", "  -0.016 mm\r\n", "+123.457 mm\r\n", " +0.0197 in\r\n"}, p.pieces)
	_, err = i.Press(quantity.MustParse("1000 mm"))
	require.ErrorContains(t, err, "does not show")

	samples, rejected := read(t, "indicator-line.toml", p.text())
	require.Len(t, samples, 4)
	require.Empty(t, rejected)
}

// The noise is normal with the deviation asked for, and what is shown lies on
// the instrument's resolution. The bounds are five standard errors.
func TestNoise(t *testing.T) {
	const pulls, sigma = 4000, 0.7
	w, err := simulated.NewWrench(io.Discard, simulated.WrenchOptions{Noise: sigma, Seed: 1})
	require.NoError(t, err)
	var sum, squares float64
	for range pulls {
		q, err := w.Pull(quantity.MustParse("100 N·m"))
		require.NoError(t, err)
		require.True(t, q.Value.Equal(q.Value.Round(simulated.WrenchDecimals)))
		d := q.Value.Sub(decimal.NewFromInt(100)).InexactFloat64()
		sum += d
		squares += d * d
	}
	// Rounding to r adds a variance of r²/12.
	want := math.Sqrt(sigma*sigma + 0.1*0.1/12)
	require.InDelta(t, 0, sum/pulls, 5*want/math.Sqrt(pulls))
	require.InDelta(t, want, math.Sqrt(squares/pulls), 5*want/math.Sqrt(2*pulls))
}

func TestSeedGivesTheSameLines(t *testing.T) {
	run := func(seed uint64, chunks bool) page {
		var p page
		w, err := simulated.NewWrench(&p, simulated.WrenchOptions{Unit: quantity.PoundForceFoot, Noise: 2, Seed: seed, Chunks: chunks})
		require.NoError(t, err)
		for range 20 {
			_, err := w.Pull(quantity.MustParse("65 lbf·ft"))
			require.NoError(t, err)
		}
		return p
	}
	one, again, other := run(7, true), run(7, true), run(8, true)
	require.Equal(t, one, again)
	require.NotEqual(t, one.text(), other.text())
	require.Greater(t, len(one.pieces), 40, "the lines come in pieces")
	samples, rejected := read(t, "wrench-line.toml", one.text())
	require.Len(t, samples, 20)
	require.Empty(t, rejected)
	require.Equal(t, quantity.PoundForceFoot, samples[0].Value.Unit)
}

func TestWhatCannotBeMade(t *testing.T) {
	_, err := simulated.NewWrench(io.Discard, simulated.WrenchOptions{Unit: quantity.Millimetre})
	require.ErrorContains(t, err, "does not show mm")
	_, err = simulated.NewWrench(io.Discard, simulated.WrenchOptions{Capacity: quantity.MustParse("5 mm")})
	require.ErrorContains(t, err, "no length")
	_, err = simulated.NewIndicator(io.Discard, simulated.IndicatorOptions{Unit: quantity.Degree})
	require.ErrorContains(t, err, "does not show °")
	w, err := simulated.NewWrench(io.Discard, simulated.WrenchOptions{})
	require.NoError(t, err)
	_, err = w.Pull(quantity.MustParse("5 mm"))
	require.ErrorIs(t, err, quantity.ErrDimension)
}
