package joint_test

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/device/simulated/joint"
)

// stages are what the joints of the tests are pulled to, in newton metres.
var stages = []float64{25, 50, 70}

func newtonMetres(v float64) quantity.Quantity {
	return quantity.New(decimal.NewFromFloat(v).Round(6), quantity.NewtonMetre)
}

// A reading is a pull as it was and as it was read.
type reading struct {
	joint.Truth
	trace.Features
	stage, bolt int
}

// read pulls one bolt and reads the trace; last is the final torque of the pull before.
func read(j *joint.Joint, bolt, stage int, w joint.Wrench, last float64, faults ...joint.Fault) reading {
	pulled := j.Pull(bolt, w, stages[stage], faults...)
	known := trace.Known{Target: newtonMetres(stages[stage])}
	if last > 0 {
		known.Last = newtonMetres(last)
	}
	f, err := trace.Read(pulled.Trace, known)
	if err != nil {
		panic(err) // the samples of the simulated wrench make a trace
	}
	return reading{pulled.Truth, f, stage, bolt}
}

// parallel does n things on all processors.
func parallel(n int, do func(int)) {
	var group sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			for i := range next {
				do(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	group.Wait()
}

// soundJoints pulls whole joints through their stages.
func soundJoints(n int, w joint.Wrench) [][][]reading {
	all := make([][][]reading, n)
	parallel(n, func(i int) {
		j := joint.New(joint.Options{Seed: uint64(i) + 1})
		last := make([]float64, j.Len())
		for s := range stages {
			var pass []reading
			for b := range j.Len() {
				r := read(j, b, s, w, last[b])
				last[b] = r.Features.Final.Number()
				pass = append(pass, r)
			}
			all[i] = append(all[i], pass)
			j.Wait(60)
		}
	})
	return all
}

// A figure compares one feature with the truth.
type figure struct {
	name string
	// of gives the truth and whether there is one.
	of  func(r reading) (float64, bool)
	got func(r reading) trace.Value
	// relative tells that errors are shares of the truth.
	relative bool
	// bias, spread and untold are the most that is stated; within is the least share of
	// errors below three stated uncertainties.
	bias, spread, untold, within float64
}

var figures = []figure{
	{"peak torque, N·m", func(r reading) (float64, bool) { return r.Truth.Peak, true }, func(r reading) trace.Value { return r.Features.Peak }, false, 1, 1, 1, 0},
	{"final torque, N·m", func(r reading) (float64, bool) { return r.Truth.Final, true }, func(r reading) trace.Value { return r.Features.Final }, false, 1, 1, 1, 0},
	{"strokes", func(r reading) (float64, bool) { return float64(r.Truth.Strokes), true }, func(r reading) trace.Value { return trace.Told(float64(r.Features.Strokes), 0.1) }, false, 1, 1, 1, 0},
	{"flex, °/N·m", func(r reading) (float64, bool) { return r.Truth.Flex, true }, func(r reading) trace.Value { return r.Features.Flex }, true, 1, 1, 1, 0},
	{"turned, °", func(r reading) (float64, bool) { return r.Truth.Turned, true }, func(r reading) trace.Value { return r.Features.Turned }, false, 1, 1, 1, 0},
	{"stiffness, N·m/°", func(r reading) (float64, bool) { return r.Truth.Stiffness, r.Linear }, func(r reading) trace.Value { return r.Features.Stiffness }, true, 1, 1, 1, 0},
	{"beyond origin, °", func(r reading) (float64, bool) { return r.Travel - r.Truth.Origin, r.Linear }, func(r reading) trace.Value { return r.BeyondOrigin }, false, 1, 1, 1, 0},
	{"beyond snug, °", func(r reading) (float64, bool) {
		return r.Travel - 0.8*r.Alignment, r.Linear && r.Began < 0.5*r.Alignment
	}, func(r reading) trace.Value { return r.BeyondSnug }, false, 1, 1, 1, 0},
	{"yield torque, N·m", func(r reading) (float64, bool) { return r.YieldTorque, r.Yielded && r.AfterYield > 8 }, func(r reading) trace.Value { return r.Yield.Torque }, false, 1, 1, 1, 0},
	{"turn after yield, °", func(r reading) (float64, bool) { return r.AfterYield, r.Yielded && r.AfterYield > 8 }, func(r reading) trace.Value {
		if !r.Yield.Turn.Told() {
			return r.Yield.Turn
		}
		return trace.Told(r.Features.Turned.Number()-r.Yield.Turn.Number(), r.Yield.Turn.Uncertainty())
	}, false, 1, 1, 1, 0},
	{"energy, J", func(r reading) (float64, bool) { return r.Truth.Energy, true }, func(r reading) trace.Value { return r.Features.Energy }, false, 1, 1, 1, 0},
	{"breakaway, N·m", func(r reading) (float64, bool) { return r.Truth.Breakaway, r.Truth.Breakaway > 0.2*r.Truth.Final }, func(r reading) trace.Value { return r.Features.Breakaway }, true, 1, 1, 1, 0},
	{"eased back, °", func(r reading) (float64, bool) { return r.Truth.EasedBack, true }, func(r reading) trace.Value { return r.Features.EasedBack }, false, 1, 1, 1, 0},
}

// compare prints, for each feature, how it stands to the truth.
func compare(t *testing.T, title string, readings []reading) {
	t.Helper()
	var out strings.Builder
	fmt.Fprintf(&out, "%s: %d pulls\n%-22s %6s %9s %9s %9s %8s %8s\n", title, len(readings), "", "n", "bias", "s", "worst", "untold", "in 3u")
	for _, c := range figures {
		var errors []float64
		n, untold, within := 0, 0, 0
		for _, r := range readings {
			truth, ok := c.of(r)
			if !ok {
				continue
			}
			n++
			got := c.got(r)
			if !got.Told() {
				untold++
				continue
			}
			e, u := got.Number()-truth, got.Uncertainty()
			if math.Abs(e) <= 3*u {
				within++
			}
			if c.relative {
				e /= truth
			}
			errors = append(errors, e)
		}
		if n == 0 {
			continue
		}
		if len(errors) == 0 {
			fmt.Fprintf(&out, "%-22s %6d all untold\n", c.name, n)
			continue
		}
		mean, s, worst := 0.0, 0.0, 0.0
		for _, e := range errors {
			mean += e / float64(len(errors))
			worst = max(worst, math.Abs(e))
		}
		for _, e := range errors {
			s += (e - mean) * (e - mean) / float64(len(errors))
		}
		s = math.Sqrt(s)
		fmt.Fprintf(&out, "%-22s %6d %9.4f %9.4f %9.4f %7.2f%% %7.2f%%\n", c.name, n, mean, s, worst,
			100*float64(untold)/float64(n), 100*float64(within)/float64(len(errors)))
	}
	t.Log(out.String())
}

func TestFeaturesAreTheTruth(t *testing.T) {
	n := 20
	w := joint.DefaultWrench()
	var all []reading
	for _, passes := range soundJoints(n, w) {
		all = append(all, slices.Concat(passes...)...)
	}
	for s := range stages {
		compare(t, fmt.Sprintf("sound, %g N·m", stages[s]), slices.DeleteFunc(slices.Clone(all), func(r reading) bool { return r.stage != s }))
	}
	for _, f := range joint.Faults() {
		all := make([]reading, 100)
		parallel(len(all), func(i int) {
			j := joint.New(joint.Options{Seed: uint64(i) + 1})
			all[i] = read(j, 0, 2, w, 0, f)
		})
		compare(t, string(f), all)
	}
	require.NotEmpty(t, all)
}
