package pull_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/device/pull"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

// A hand draws what a wrench shows, at so many samples a second.
type hand struct {
	rate, noise, zero, torque, angle float64
	at                               time.Duration
	random                           *rand.Rand
	samples                          []pull.Sample
}

func newHand(rate, noise float64) *hand {
	return &hand{rate: rate, noise: noise, random: rand.New(rand.NewPCG(1, 2))}
}

// to goes to a torque and an angle in so many seconds.
func (h *hand) to(torque, angle, seconds float64) *hand {
	n := max(1, int(seconds*h.rate))
	fromTorque, fromAngle := h.torque, h.angle
	for i := 1; i <= n; i++ {
		share := float64(i) / float64(n)
		h.torque, h.angle = fromTorque+share*(torque-fromTorque), fromAngle+share*(angle-fromAngle)
		h.at += time.Duration(float64(time.Second) / h.rate)
		shown := h.zero + h.torque + h.noise*h.random.NormFloat64()
		h.samples = append(h.samples, pull.Sample{
			Time:   noon.Add(h.at),
			Torque: quantity.New(decimal.NewFromFloat(shown).Round(1), quantity.NewtonMetre),
			Angle:  quantity.New(decimal.NewFromFloat(h.angle).Round(0), quantity.Degree),
		})
	}
	return h
}

// stay keeps where it is.
func (h *hand) stay(seconds float64) *hand { return h.to(h.torque, h.angle, seconds) }

// story feeds a cutter and tells what it told, a word each, with the highest
// torque of a pull and its strokes.
func story(t testing.TB, c *pull.Cutter, samples []pull.Sample) (words []string) {
	t.Helper()
	for _, s := range samples {
		events, err := c.Feed(s)
		require.NoError(t, err)
		words = append(words, told(t, events)...)
	}
	return words
}

func told(t testing.TB, events []pull.Event) (words []string) {
	for _, e := range events {
		switch e.Kind {
		case pull.Over, pull.Bumped:
			require.NoError(t, e.Pull.Trace.Check())
			words = append(words, fmt.Sprintf("%s: %s at %.0f in %d", e.Kind, e.Pull.End, e.Pull.Trace.Torque.Float(e.Pull.Peak()), len(e.Pull.Strokes)))
		default:
			require.NoError(t, e.Pull.Trace.Check())
		}
	}
	return words
}

func TestPulls(t *testing.T) {
	aim := pull.Aim{Torque: 85}
	for _, tc := range []struct {
		name string
		draw func(h *hand)
		aim  pull.Aim
		want []string
	}{
		{"one stroke", func(h *hand) { h.stay(1).to(90, 40, 1.2).to(0, 40, 0.2).stay(0.5) }, aim, []string{"over: reached at 90 in 1"}},
		{"a shaking hand", func(h *hand) {
			h.stay(1).to(50, 20, 0.5).to(30, 20, 0.1).to(70, 30, 0.3).to(40, 30, 0.1).to(90, 40, 0.5).to(0, 40, 0.2).stay(0.5)
		}, aim, []string{"over: reached at 90 in 1"}},
		{"ratcheted", func(h *hand) {
			h.stay(1).to(40, 20, 0.6).to(0, 20, 0.1).to(0, 0, 0.5).to(60, 15, 0.5).to(0, 15, 0.1).to(0, 0, 0.5).to(90, 12, 0.5).to(0, 12, 0.1).stay(0.5)
		}, aim, []string{"over: reached at 90 in 3"}},
		{"short of the aim", func(h *hand) { h.stay(1).to(70, 30, 1).to(0, 30, 0.2).stay(2) }, aim, []string{"over: let go at 70 in 1"}},
		{"two bolts", func(h *hand) {
			h.stay(1).to(90, 40, 1).to(0, 40, 0.2).stay(3).to(88, 70, 1).to(0, 70, 0.2).stay(1)
		}, aim, []string{"over: reached at 90 in 1", "over: reached at 88 in 1"}},
		{"laid down", func(h *hand) { h.stay(1).to(12, 0, 0.02).to(0, 0, 0.02).stay(2) }, aim, []string{"bumped: let go at 12 in 1"}},
		{"jerked", func(h *hand) { h.stay(1).to(95, 5, 0.04).to(0, 5, 0.03).stay(2) }, aim, []string{"over: reached at 95 in 1"}},
		{"backed off and pulled again", func(h *hand) {
			h.stay(1).to(90, 40, 1).to(0, 40, 0.2).stay(0.5).to(-60, 30, 0.4).to(0, 0, 0.3).stay(2).to(90, 40, 1).to(0, 40, 0.2).stay(0.5)
		}, aim, []string{"over: reached at 90 in 1", "over: loosened at 0 in 1", "over: reached at 90 in 1"}},
		{"loosened at once", func(h *hand) { h.stay(1).to(60, 40, 1).to(-60, 40, 0.3).to(0, 0, 0.3).stay(2) }, aim,
			[]string{"over: let go at 60 in 1", "over: loosened at 0 in 1"}},
		{"a zero that drifts", func(h *hand) {
			for h.zero = 0; h.zero < 3; h.zero += 0.05 {
				h.stay(0.2)
			}
			h.to(90, 40, 1).to(0, 40, 0.2).stay(0.5)
		}, aim, []string{"over: reached at 93 in 1"}},
		{"noise alone", func(h *hand) { h.noise = 0.8; h.stay(30) }, aim, nil},
		{"an angle", func(h *hand) {
			h.stay(1).to(50, 45, 1).to(0, 45, 0.2).to(0, 0, 0.4).to(80, 46, 1).to(0, 46, 0.2).stay(0.5)
		}, pull.Aim{Angle: 88}, []string{"over: reached at 80 in 2"}},
		{"an angle not reached", func(h *hand) { h.stay(1).to(50, 45, 1).to(0, 45, 0.2).stay(2) }, pull.Aim{Angle: 88}, []string{"over: let go at 50 in 1"}},
		{"no aim", func(h *hand) { h.stay(1).to(50, 45, 1).to(0, 45, 0.2).stay(2) }, pull.Aim{}, []string{"over: let go at 50 in 1"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for _, rate := range []float64{25, 100, 1000} {
				if rate < 100 && (tc.name == "laid down" || tc.name == "jerked") {
					continue // between two samples
				}
				h := newHand(rate, 0.15)
				tc.draw(h)
				c := pull.New(pull.Settings{})
				c.Aim(tc.aim)
				var got []string
				for _, w := range story(t, c, h.samples) {
					if strings.Contains(w, "loosened") { // what it showed at most says nothing
						w = "over: loosened at 0 in 1"
					}
					got = append(got, w)
				}
				require.Equal(t, tc.want, got, "at %v samples a second", rate)
			}
		})
	}
}

// The verdict comes while the wrench is still on the bolt.
func TestSoon(t *testing.T) {
	h := newHand(100, 0.1)
	h.stay(1).to(90, 40, 1).to(0, 40, 0.2)
	let := len(h.samples)
	h.stay(1)
	c := pull.New(pull.Settings{})
	c.Aim(pull.Aim{Torque: 85})
	for i, s := range h.samples {
		events, err := c.Feed(s)
		require.NoError(t, err)
		if len(told(t, events)) > 0 {
			require.Less(t, i-let, 7, "samples of 10 ms after the hand has let go")
			return
		}
	}
	require.Fail(t, "never over")
}

// What is told on the way is the pull, sample by sample, with what came before it
// and nothing twice.
func TestNothingIsLostOnTheWay(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		h := newHand(rapid.SampledFrom([]float64{20, 100, 500}).Draw(rt, "rate"), rapid.Float64Range(0, 0.5).Draw(rt, "noise"))
		h.stay(1)
		for range rapid.IntRange(1, 6).Draw(rt, "moves") {
			h.to(rapid.Float64Range(-30, 120).Draw(rt, "torque"), rapid.Float64Range(-20, 90).Draw(rt, "angle"), rapid.Float64Range(0.01, 1.5).Draw(rt, "seconds"))
		}
		c := pull.New(pull.Settings{})
		c.Aim(pull.Aim{Torque: rapid.Float64Range(0, 100).Draw(rt, "aim")})
		var way trace.Trace // as it was told last
		began := false
		whole := func(p *pull.Pull) {
			require.NoError(rt, p.Trace.Check())
			n := way.Len()
			require.GreaterOrEqual(rt, p.Trace.Len(), n)
			require.Equal(rt, way.Times, p.Trace.Times[:n:n])
			require.Equal(rt, way.Torque.Values, p.Trace.Torque.Values[:n:n])
			require.Equal(rt, way.Angle.Values, p.Trace.Angle.Values[:n:n])
			way = p.Trace
			way.Times, way.Torque.Values, way.Angle.Values = slices.Clone(way.Times), slices.Clone(way.Torque.Values), slices.Clone(way.Angle.Values)
		}
		see := func(events []pull.Event) {
			for _, e := range events {
				switch e.Kind {
				case pull.Began, pull.Went:
					require.Equal(rt, !began, e.Kind == pull.Began)
					if began {
						require.Greater(rt, e.Pull.Trace.Len(), way.Len())
					} else {
						way = trace.Trace{Times: []int64{}, Torque: trace.Series{Values: []int64{}}, Angle: trace.Series{Values: []int64{}}}
					}
					began = true
					whole(e.Pull)
				case pull.Bumped:
					require.False(rt, began, "a bump is not told before")
				case pull.Over:
					require.True(rt, began)
					whole(e.Pull)
					for _, s := range e.Pull.Strokes {
						require.True(rt, s.From <= s.Peak && s.Peak < s.To && s.To <= e.Pull.Trace.Len(), "%+v", s)
					}
					began = false
				}
			}
		}
		for _, s := range h.samples {
			events, err := c.Feed(s)
			require.NoError(rt, err)
			see(events)
		}
		see(c.Lost())
		require.False(rt, began, "nothing goes on after the wrench is gone")
	})
}

func TestInterrupted(t *testing.T) {
	h := newHand(100, 0.1)
	h.stay(1).to(60, 20, 0.8)
	c := pull.New(pull.Settings{})
	c.Aim(pull.Aim{Torque: 85})
	require.Empty(t, story(t, c, h.samples))
	require.Equal(t, []string{"over: interrupted at 60 in 1"}, told(t, c.Lost()))
	require.Empty(t, c.Lost())

	c = pull.New(pull.Settings{})
	require.Empty(t, story(t, c, h.samples))
	last := h.samples[len(h.samples)-1].Time
	require.Empty(t, c.Elapse(last.Add(time.Second)))
	require.Equal(t, []string{"over: interrupted at 60 in 1"}, told(t, c.Elapse(last.Add(2*time.Second))))
}

func TestSamplesThatCannotBe(t *testing.T) {
	c := pull.New(pull.Settings{})
	_, err := c.Feed(pull.Sample{Time: noon, Torque: quantity.MustParse("3 mm")})
	require.EqualError(t, err, "3 mm is no torque")
	_, err = c.Feed(pull.Sample{Time: noon, Torque: quantity.MustParse("88.4 N·m")})
	require.NoError(t, err)
	_, err = c.Feed(pull.Sample{Time: noon, Torque: quantity.MustParse("65.2 lbf·ft")})
	require.ErrorIs(t, err, pull.ErrUnits)
	_, err = c.Feed(pull.Sample{Time: noon, Torque: quantity.MustParse("1.0000000000001 N·m")})
	require.ErrorContains(t, err, "more digits than a trace keeps")
}

// A value with more decimals than those before it changes no value.
func TestDecimals(t *testing.T) {
	c := pull.New(pull.Settings{Least: quantity.MustParse("5 N·m")})
	var all []pull.Event
	for i, text := range []string{"0 N·m", "30 N·m", "40.5 N·m", "50.25 N·m", "60 N·m"} {
		events, err := c.Feed(pull.Sample{Time: noon.Add(time.Duration(i) * 100 * time.Millisecond), Torque: quantity.MustParse(text)})
		require.NoError(t, err)
		all = append(all, events...)
	}
	all = append(all, c.Lost()...)
	p := all[len(all)-1].Pull
	require.Equal(t, trace.Series{Unit: quantity.NewtonMetre, Exponent: -2, Values: []int64{0, 3000, 4050, 5025, 6000}}, p.Trace.Torque)
	require.False(t, p.Trace.HasAngle())
}

func TestTurnedAndHighest(t *testing.T) {
	p := &pull.Pull{Strokes: []pull.Stroke{{From: 0, To: 4, Peak: 3}, {From: 5, To: 7, Peak: 6}}, Trace: trace.Trace{
		Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: -1, Values: []int64{5, 100, 310, 882, 0, 50, 880}},
		Angle:  trace.Series{Unit: quantity.Degree, Exponent: -1, Values: []int64{0, 100, 310, 300, 0, 50, 250}},
	}}
	require.Equal(t, "56.0°", p.Turned().String(), "31 and 25 degrees")
	require.Equal(t, "88.2 N·m", p.Highest().String())
	p.Snug = 30
	require.Equal(t, "41.0°", p.Turned().String(), "21 from 10° on and 20 from 5° on: below 30 N·m the wrench gave way")
	p.Snug = 200
	require.Equal(t, "0.0°", p.Turned().String())
	p.Trace.Angle.Values = nil
	require.True(t, p.Turned().IsZero())
}

// BenchmarkFeed gives the share of one core that a stream of a thousand samples a
// second takes.
func BenchmarkFeed(b *testing.B) {
	h := newHand(1000, 0.2)
	for range 5 {
		h.stay(1).to(90, 40, 1).to(0, 40, 0.2)
	}
	span := h.samples[len(h.samples)-1].Time.Sub(h.samples[0].Time)
	c := pull.New(pull.Settings{})
	c.Aim(pull.Aim{Torque: 85})
	n := 0
	for b.Loop() {
		s := h.samples[n%len(h.samples)]
		s.Time = s.Time.Add(time.Duration(n/len(h.samples)) * (span + time.Millisecond))
		if _, err := c.Feed(s); err != nil {
			b.Fatal(err)
		}
		n++
	}
	perSample := float64(b.Elapsed()) / float64(n)
	b.ReportMetric(100*perSample*1000/float64(time.Second), "%core")
	if math.IsNaN(perSample) {
		b.Fatal("nothing fed")
	}
}
