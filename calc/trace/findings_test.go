package trace_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// pull is a pull of an elastic joint to 48 N·m, at some times the turn of the textbook's.
func pull(t *testing.T, times float64) trace.Features {
	t.Helper()
	d := &drawing{flex: flex}
	d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0)
	for x := 0.0; x < 70; x += 0.1 {
		d.to(0.0025*times, shape(x, 1e9), x*times)
	}
	d.to(0.0025, 48, 70*times).to(0.2, 48, 70*times).to(0.15, 0, 70*times).to(0.3, 0, 70*times)
	return read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
}

// held is one of a bolt that does not move.
func held(t *testing.T) trace.Features {
	t.Helper()
	d := &drawing{flex: flex}
	d.to(0, 0, 70).to(0.3, 0, 70).to(0.3, 48, 70).to(0.1, 47.9, 70).to(0.15, 0, 70).to(0.3, 0, 70)
	return read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
}

func TestTurnAgainstCompany(t *testing.T) {
	var others []trace.Features
	for _, times := range []float64{0.93, 1.04, 0.98, 1.1, 1.01, 0.95, 1.06} {
		others = append(others, pull(t, times))
	}
	company := trace.Stage{Turns: true, Neighbours: others}
	for _, c := range []struct {
		name  string
		pull  trace.Features
		stage trace.Stage
		want  trace.Kind
		text  string
	}{
		{"as the others", pull(t, 1), company, "", ""},
		{"a little less", pull(t, 0.8), company, "", ""},
		{"half", pull(t, 0.5), company, trace.TooLittleTurn, "where the other bolts of this pass turn"},
		{"twice", pull(t, 2), company, trace.TooMuchTurn, "(median of 7)"},
		{"none", held(t), company, trace.HardlyTurned, "so another bolt was probably missed"},
		{"none, in a re-check", held(t), trace.Stage{Neighbours: others}, "", ""},
		{"half, alone", pull(t, 0.5), trace.Stage{Turns: true}, "", ""},
		{"half, of three", pull(t, 0.5), trace.Stage{Turns: true, Neighbours: others[:3]}, "", ""},
		{"half of what it was", pull(t, 0.5), trace.Stage{Turns: true, Before: others}, trace.TooLittleTurn, "where this bolt in other builds turn"},
		{"two of the others are wild", pull(t, 0.5), trace.Stage{Turns: true, Neighbours: append([]trace.Features{pull(t, 0.4), held(t)}, others...)}, trace.TooLittleTurn, "(median of 9)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			found := trace.Find(c.pull, c.stage)
			if c.want == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, c.want, found[0].Kind)
			require.Contains(t, found[0].Text, c.text)
		})
	}
}

func TestYieldedWhereItMustNot(t *testing.T) {
	corner := w/2 + 45/s
	end := corner + 30
	d := &drawing{flex: flex}
	d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, end, 45).to(0.2, shape(end, 45), end).to(0.15, 0, end).to(0.3, 0, end)
	f := read(t, d.trace(200, quantity.NewtonMetre), trace.Known{Target: newtonMetres(47)})
	found := trace.Find(f, trace.Stage{Turns: true})
	require.Len(t, found, 1)
	require.Equal(t, trace.Yielded, found[0].Kind)
	require.True(t, strings.HasPrefix(found[0].Text, "yielded at 44."), found[0].Text)
	require.Empty(t, trace.Find(f, trace.Stage{Turns: true, MayYield: true}))
}

func TestJerk(t *testing.T) {
	for _, c := range []struct {
		speed float64
		want  bool
	}{{60, false}, {150, false}, {260, true}, {500, true}} {
		d := &drawing{flex: flex}
		d.to(0, 0, -10).to(0.3, 0, -10).to(0.25, 0, 0).tighten(0, 35, 1e9)
		for x := 35.0; x <= 70; x += 0.1 {
			// the handle is faster than the bolt by the flex: 1 + flex·s
			d.to(0.1*(1+flex*s)/c.speed, shape(x, 1e9), x)
		}
		d.to(0.2, 48, 70).to(0.15, 0, 70).to(0.3, 0, 70)
		f := read(t, d.trace(500, quantity.NewtonMetre), trace.Known{Target: newtonMetres(48)})
		require.InEpsilon(t, c.speed, f.EndSpeed.Number(), 0.02)
		found := trace.Find(f, trace.Stage{})
		require.Equal(t, c.want, len(found) == 1 && found[0].Kind == trace.Jerked, "%v", found)
	}
}
