package page

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/device/simulated/joint"
	"paintmark/log/book"
)

// The engines, shops, people and figures of these tests are invented.

// A work is a book that is filled with pulls of a simulated joint.
type work struct {
	t       testing.TB
	book    *book.Book
	joint   *joint.Joint
	samples map[string]*trace.Trace // by point and pass
}

var instrument = fact.Instrument{Name: "stream-wrench", Address: "serial:usb=INV0001", Identity: "INV0001", Profile: "wrench-stream"}

// planOf is a plan with one joint of two rows of bolts and three torques.
func planOf(bolts int, torques ...int) string {
	var p strings.Builder
	p.WriteString("title = \"Invented engine\"\nedition = \"1\"\nsource = \"Invented.\"\n[engine]\nname = \"Invented\"\ncylinders = 4\n[[joint]]\nkey = \"head\"\ntitle = \"Cylinder head\"\ntolerance = \"±4 %\"\norder_from = \"middle\"\n[joint.bolts]\n")
	for i := range bolts {
		fmt.Fprintf(&p, "%d = { x = \"%d mm\", y = \"%d mm\" }\n", i+1, i/2*90, i%2*90)
	}
	for _, torque := range torques {
		fmt.Fprintf(&p, "[[joint.stage]]\ntorque = \"%d N·m\"\n", torque)
	}
	return p.String()
}

func newWork(t testing.TB, plan string, bolts int) *work {
	t.Helper()
	o := book.Options{Station: "bench-1", Session: "s1", Now: func() time.Time { return time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) }}
	b, _, err := book.Create(filepath.Join(t.TempDir(), "ex-7.book"), o, fact.Opening{Build: "ex-7", Plan: plan, PlanName: "invented.toml",
		Identity: []fact.Identity{{Name: "engine number", Value: "EX-0007 </script><b>"}}, Program: "0.1.0"})
	require.NoError(t, err)
	var places []joint.Place
	for i := range bolts {
		places = append(places, joint.Place{X: float64(i / 2 * 90), Y: float64(i % 2 * 90)})
	}
	return &work{t: t, book: b, joint: joint.New(joint.Options{Seed: 11, Bolts: places}), samples: map[string]*trace.Trace{}}
}

// keep records a pull, in parts as it would come.
func (w *work) keep(place string, pass fact.Pass, samples *trace.Trace, body func(fact.Trace) fact.Body) {
	w.t.Helper()
	ctx := context.Background()
	p, err := w.book.BeginPull(fact.Point("head/"+place), pass, instrument.Name)
	require.NoError(w.t, err)
	require.NoError(w.t, p.Save(ctx, samples))
	_, err = w.book.Append(ctx, body(p.End()))
	require.NoError(w.t, err)
	w.samples["head/"+place+" "+string(pass)] = samples
}

func (w *work) pull(n int, pass fact.Pass, target float64, wrench joint.Wrench, faults ...joint.Fault) {
	w.t.Helper()
	pulled := w.joint.Pull(n, wrench, target, faults...)
	place := fmt.Sprint(n + 1)
	w.keep(place, pass, pulled.Trace, func(name fact.Trace) fact.Body {
		peak := int64(0)
		for _, v := range pulled.Trace.Torque.Values {
			peak = max(peak, v)
		}
		return fact.Reading{Point: fact.Point("head/" + place), Pass: pass, Instrument: instrument, Trace: name,
			Value: quantity.New(decimal.New(peak, pulled.Trace.Torque.Exponent), pulled.Trace.Torque.Unit)}
	})
}

func (w *work) input() Input {
	w.t.Helper()
	ctx := context.Background()
	entries, err := w.book.Entries(ctx)
	require.NoError(w.t, err)
	p, err := judge.PlanOf(entries)
	require.NoError(w.t, err)
	return Input{State: judge.Judge(p, entries), Entries: entries, Build: "ex-7", Verified: true, Summary: "sound",
		Printed: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC), Version: "0.1.0",
		Trace: func(t fact.Trace) (*trace.Trace, error) { return w.book.Trace(ctx, t) }}
}

func (w *work) page() string {
	w.t.Helper()
	var b bytes.Buffer
	require.NoError(w.t, Write(&b, w.input()))
	return b.String()
}

// order is the order in which the plan pulls the bolts of a joint.
func (w *work) order() []int {
	w.t.Helper()
	var list []int
	for _, b := range w.input().State.Joints[0].Joint.Bolts {
		n := 0
		_, err := fmt.Sscan(b.Key, &n)
		require.NoError(w.t, err)
		list = append(list, n-1)
	}
	return list
}

// head is a head of ten bolts in three passes, in which bolt 3 bottoms, bolt 8 is
// pulled in a jerk, bolt 5 breaks off in the last pass and bolt 6 gives no angle.
func head(t testing.TB) *work {
	t.Helper()
	w := newWork(t, planOf(10, 25, 45, 65), 10)
	for i, target := range []float64{25, 45, 65} {
		pass := fact.Pass(fmt.Sprintf("stage-%d", i+1))
		for _, n := range w.order() {
			wrench, faults := joint.DefaultWrench(), []joint.Fault(nil)
			wrench.Blind = i == 1 && n == 5
			switch {
			case n == 2 && i == 0:
				faults = append(faults, joint.Bottomed)
			case n == 7 && i == 2:
				faults = append(faults, joint.Jerk)
			case n == 4 && i == 2:
				w.keep("5", pass, w.joint.Pull(n, wrench, target, joint.Interrupted).Trace, func(name fact.Trace) fact.Body {
					return fact.Interrupted{Point: "head/5", Pass: pass, Instrument: instrument, Trace: name, Because: "the wrench was unplugged"}
				})
				continue
			}
			w.pull(n, pass, target, wrench, faults...)
		}
	}
	return w
}

// many are 100 pulls of 4000 samples: twenty bolts in five stages.
func many(t testing.TB) *work {
	t.Helper()
	w := newWork(t, planOf(20, 20, 35, 50, 60, 70), 20)
	random := rand.New(rand.NewPCG(1, 2))
	for i, target := range []int{20, 35, 50, 60, 70} {
		pass := fact.Pass(fmt.Sprintf("stage-%d", i+1))
		for n := range 20 {
			s := &trace.Trace{Tick: time.Millisecond, Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: -2}, Angle: trace.Series{Unit: quantity.Degree, Exponent: -2}}
			stiff := 0.9 + 0.2*random.Float64()
			for k := range 4000 {
				at := max(0, min(1, (float64(k)-300)/3200))
				torque := float64(target) * at * at * (1.5 - 0.5*at)
				if k > 3600 {
					torque = max(0, torque*(1-float64(k-3600)/100))
				}
				s.Times = append(s.Times, int64(k))
				s.Torque.Values = append(s.Torque.Values, int64(100*torque+random.NormFloat64()*6))
				s.Angle.Values = append(s.Angle.Values, int64(100*(at*60*stiff+0.03*torque)+random.NormFloat64()*8))
			}
			place := fmt.Sprint(n + 1)
			w.keep(place, pass, s, func(name fact.Trace) fact.Body {
				return fact.Reading{Point: fact.Point("head/" + place), Pass: pass, Instrument: instrument, Trace: name, Value: quantity.MustParse(fmt.Sprintf("%d.00 N·m", target))}
			})
		}
	}
	return w
}
