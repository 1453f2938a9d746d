package judge_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
)

// largePlan has joints of twenty bolts with four stages and a re-check: a
// hundred readings each.
func largePlan(joints int) string {
	var b strings.Builder
	b.WriteString("title = \"Exercise engine L\"\nedition = \"1\"\nsource = \"invented\"\n[engine]\nname = \"L\"\ncylinders = 12\n")
	for j := range joints {
		fmt.Fprintf(&b, "[[joint]]\nkey = \"j%d\"\ntitle = \"Joint %d\"\ntolerance = \"±4 %%\"\norder_from = \"middle\"\n", j, j)
		if j > 0 {
			fmt.Fprintf(&b, "after = [\"j%d\"]\n", j-1)
		}
		b.WriteString("[joint.bolts]\n")
		for i := range 20 {
			fmt.Fprintf(&b, "%d = { x = \"%d mm\", y = \"%d mm\" }\n", i+1, i/2*60, i%2*90)
		}
		for _, torque := range []int{20, 40, 60, 80} {
			fmt.Fprintf(&b, "[[joint.stage]]\ntorque = \"%d N·m\"\n", torque)
		}
		b.WriteString("[joint.recheck]\nall = true\nrelaxed = \"10 %\"\n")
	}
	return b.String()
}

// largeBuild is a build of the large plan; of each ten pulls one is low and made
// again, so that there are findings too.
func largeBuild(p *plan.Plan, entries int) []fact.Entry {
	list := make([]fact.Entry, 0, entries+1)
	now := start
	put := func(r fact.Reading) {
		now = now.Add(10 * time.Second)
		list = append(list, fact.Entry{Ref: fact.Ref{Station: "bench", Number: uint64(len(list) + 1)}, Time: now, Body: r})
	}
	for _, j := range p.Joints {
		for _, pass := range j.Passes {
			for _, b := range j.Bolts {
				r := fact.Reading{Point: j.Point(b.Key), Pass: pass.Key, Value: pass.Target, Instrument: fact.Instrument{Name: "wrench-a", Due: "2027-01-01"}}
				if len(list)%10 == 5 {
					low := r
					low.Value = times(pass.Target, "0.5")
					put(low)
				}
				put(r)
				if len(list) >= entries {
					return list[:entries]
				}
			}
		}
	}
	return list
}

// oneBolt is a book in which one bolt was gone over again and again.
func oneBolt(p *plan.Plan, entries int, factor string) []fact.Entry {
	list := make([]fact.Entry, entries)
	j := p.Joints[0]
	for i := range list {
		pass := j.Passes[i%len(j.Passes)]
		list[i] = fact.Entry{Ref: fact.Ref{Station: "bench", Number: uint64(i + 1)}, Time: start.Add(time.Duration(i) * time.Second),
			Body: fact.Reading{Point: j.Point("1"), Pass: pass.Key, Value: times(pass.Target, factor)}}
	}
	return list
}

func parsedLarge(t testing.TB, joints int) *plan.Plan {
	p, err := plan.Parse("large.toml", []byte(largePlan(joints)))
	require.NoError(t, err)
	return p
}

func TestLargeBuild(t *testing.T) {
	p := parsedLarge(t, 100)
	entries := largeBuild(p, 10_000)
	require.Len(t, entries, 10_000)
	s := judge.Judge(p, entries)
	require.Equal(t, 10_000, s.Readings)
	for _, f := range s.Findings {
		require.Contains(t, []judge.FindingKind{judge.BoltLow, judge.BoltRelaxed, judge.RecheckUnfinished, judge.RecheckDue}, f.Kind)
	}
}

// BenchmarkJudge judges a whole build of 10 000 entries. It is measured against
// putting the same entries in order, which is the least that has to be done
// with them, and against a build of 100 entries, entry by entry.
func BenchmarkJudge(b *testing.B) {
	large, small := parsedLarge(b, 100), parsedLarge(b, 1)
	many, few := largeBuild(large, 10_000), largeBuild(small, 100)
	run := func(name string, p *plan.Plan, entries []fact.Entry) {
		b.Run(name, func(b *testing.B) {
			var judged, sorted, little time.Duration
			for b.Loop() {
				at := time.Now()
				judge.Judge(p, entries)
				judged += time.Since(at)

				at = time.Now()
				fact.Sort(slices.Clone(entries))
				sorted += time.Since(at)

				at = time.Now()
				for range len(entries) / len(few) {
					judge.Judge(small, few)
				}
				little += time.Since(at)
			}
			b.ReportMetric(float64(judged.Microseconds())/float64(b.N)/1000, "ms/build")
			b.ReportMetric(float64(judged)/float64(sorted), "times-sorting")
			b.ReportMetric(float64(judged)/float64(little), "times-100-entries")
		})
	}
	run("build", large, many)
	run("low", large, oneBolt(large, 10_000, "0.5"))
	run("twice", large, oneBolt(large, 10_000, "1"))
}
