package judge_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// What the bytes of the fuzzer are unpacked into.
var (
	fuzzPoints = []fact.Point{"head/1", "head/2", "head/3", "head/4", "head/5", "head/faces", "head/dowel", "head/heat-cycles", "lid/a", "lid/b",
		"", "/", "head", "head/", "tail/1", "head/1/2", "head/9", "rod/a", "rod/b", "cap/1"}
	fuzzPasses = []fact.Pass{"stage-1", "stage-2", "stage-3", "recheck", "retorque", "", "stage-4", "stage-99999999999999999999"}
	fuzzValues = []quantity.Quantity{
		{Value: decimal.NewFromInt(30), Unit: quantity.NewtonMetre}, {Value: decimal.NewFromInt(60), Unit: quantity.NewtonMetre},
		{Value: decimal.NewFromInt(90), Unit: quantity.NewtonMetre}, {Value: decimal.NewFromInt(20), Unit: quantity.NewtonMetre},
		{Value: decimal.NewFromInt(75), Unit: quantity.Millimetre}, {Value: decimal.New(76, -1), Unit: quantity.Millimetre},
		{Value: decimal.NewFromInt(2), Unit: quantity.Degree}, {Value: decimal.NewFromInt(9), Unit: quantity.Degree},
		{}, {Value: decimal.New(1, 30), Unit: quantity.NewtonMetre}, {Value: decimal.New(-1, 30), Unit: quantity.PoundForceFoot},
		{Value: decimal.New(1, -70), Unit: quantity.NewtonMetre}, {Value: decimal.NewFromInt(30), Unit: quantity.Unit(250)},
		{Value: decimal.NewFromInt(66), Unit: quantity.PoundForceFoot}, {Value: decimal.NewFromInt(-5), Unit: quantity.NewtonMetre},
		{Value: decimal.NewFromInt(90), Unit: quantity.Degree}, {Value: decimal.New(7515, -2), Unit: quantity.Millimetre},
	}
	fuzzTimes = []time.Duration{0, 10 * time.Second, time.Minute, 31 * time.Minute, -time.Hour, 1 << 62, -1 << 62}
	fuzzNames = []string{"bench", "desk", ""}
)

// packed makes bytes of a build, for the fuzzer to start from.
func packed(t testing.TB, p *plan.Plan, notation string) []byte {
	var data []byte
	last := start
	for _, e := range recorded(t, p, notation) {
		b := [6]byte{1: byte(slices.Index(fuzzPoints, e.Body.About())), 4: 1}
		if e.Time.Sub(last) > time.Minute {
			b[4] = 3
		}
		last = e.Time
		switch body := e.Body.(type) {
		case fact.Skip:
			b[2] = byte(slices.Index(fuzzPasses, body.Pass))
		case fact.Confirmation:
			b[0] = 1
		case fact.Reading:
			b[0], b[2] = 8, byte(slices.Index(fuzzPasses, body.Pass))
			b[3] = byte(slices.IndexFunc(fuzzValues, func(q quantity.Quantity) bool { c, err := q.Cmp(body.Value); return err == nil && c == 0 }))
			b[5] = 8 << 4 // no angle
		}
		data = append(data, b[:]...)
	}
	return data
}

// unpacked makes entries of any bytes, each of six: what it is, where, in which
// pass, the value, when, and by whom. Most are nearly right, since those go
// deepest; all that a damaged or foreign book could hold is among them.
func unpacked(data []byte) []fact.Entry {
	points, passes, values, times, names := fuzzPoints, fuzzPasses, fuzzValues, fuzzTimes, fuzzNames
	words := [][]string{nil, {fact.Overload}, {fact.NotSettled, ""}, {"low battery"}}
	var entries []fact.Entry
	numbers := map[string]uint64{}
	now := start
	for ; len(data) >= 6 && len(entries) < 300; data = data[6:] {
		what, point, pass := data[0], points[int(data[1])%len(points)], passes[int(data[2])%len(passes)]
		value, by := values[int(data[3])%len(values)], names[int(data[5]&15)%len(names)]
		now = now.Add(times[int(data[4])%len(times)])
		numbers[by]++
		e := fact.Entry{Ref: fact.Ref{Station: by, Number: numbers[by]}, Time: now}
		if what&128 != 0 { // numbers that leap, and twice the same
			e.Number = 1 + uint64(data[5])<<(data[4]%50)
		}
		of := fact.Ref{Station: names[int(data[2])%len(names)], Number: uint64(data[3])}
		switch what % 16 {
		case 0:
			e.Body = fact.Skip{Point: point, Pass: pass, Because: []string{"", "no room"}[data[3]%2]}
		case 1:
			e.Body = fact.Confirmation{Point: point}
		case 2:
			e.Body = fact.Void{Of: of, Point: point}
		case 3:
			e.Body = fact.Void{Of: e.Ref}
		case 4:
			e.Body = fact.Opening{Build: "1", Plan: "nonsense"}
		case 5:
			e.Body = fact.Replan{Plan: "nonsense"}
		case 6:
			e.Body = fact.Note{Point: point, What: fact.SessionBegan}
		case 7:
			e.Body = nil
		case 14:
			e.Body = fact.SentBack{Point: point, Pass: pass, Because: "look again"}
		case 15:
			e.Body = fact.Accepted{Point: point, Pass: pass, Of: []fact.Ref{of}, Because: "enough",
				Kind: string([]judge.FindingKind{judge.BoltLow, judge.BoltHigh, judge.OverStretched, judge.AngleMissing}[data[4]%4])}
		default:
			r := fact.Reading{Point: point, Pass: pass, Value: value, Attested: what&16 != 0, Angle: values[int(data[5]>>4)%len(values)]}
			if what&32 != 0 {
				r.Status = words[data[4]%4]
			}
			if what&64 != 0 {
				r.Instrument = fact.Instrument{Name: names[int(data[1])%len(names)], Due: []string{"", "2026-03-01", "x"}[data[2]%3],
					Range: quantity.Limits{Least: values[data[2]%8], Most: values[data[3]%8]}}
			}
			e.Body = r
		}
		entries = append(entries, e)
	}
	return entries
}

// FuzzJudge: whatever entries there are, judging them does not panic, and gives
// an answer that agrees with itself.
func FuzzJudge(f *testing.F) {
	p := parsed(f, smallPlan)
	first, err := plan.Parse("plan.toml", []byte(smallPlan))
	require.NoError(f, err)
	first.Joints[0].Passes[3].First = 2
	first.Joints[0].Passes[4].First = 3
	byAngle := parsed(f, turnedPlan)
	f.Add(packed(f, byAngle, "rod: pre a=75mm b=75mm s1 a=20 b=20 s2 a=75.15mm b=75.15mm head: s1 1=30 2=30 s2 1=90 2=90"))
	f.Add([]byte{})
	f.Add([]byte("a book of nonsense, sixty bytes long or thereabouts, of any kind"))
	for _, notation := range []string{done,
		stages + "+30m rc 1=30 1 2 3 skip4 5 lid: s1 a b head: s3 4 +30m rc 4",
		prepared + "s1 1 2 4 5 s2 1 3 s1 3 s3 1 s2 2 4 5 s3 2 3 4 5 rc 1 2 3 +30m 1 2 3 4 5",
	} {
		f.Add(packed(f, p, notation))
	}
	// The packed form still holds what it was made of.
	require.Empty(f, judge.Judge(p, unpacked(packed(f, p, done))).Findings)
	f.Fuzz(func(t *testing.T, data []byte) {
		entries := unpacked(data)
		for _, p := range []*plan.Plan{p, first, byAngle} {
			s := judge.Judge(p, entries)
			consistent(t, s, entries)
			random := rand.New(rand.NewPCG(uint64(len(data)), 1))
			shuffled := slices.Clone(entries)
			random.Shuffle(len(shuffled), func(i, k int) { shuffled[i], shuffled[k] = shuffled[k], shuffled[i] })
			if unique(entries) {
				require.Equal(t, s, judge.Judge(p, shuffled))
			}
		}
	})
}

func unique(entries []fact.Entry) bool {
	seen := map[fact.Ref]bool{}
	for _, e := range entries {
		if seen[e.Ref] {
			return false
		}
		seen[e.Ref] = true
	}
	return true
}

func consistent(t *testing.T, s *judge.State, entries []fact.Entry) {
	refs := map[fact.Ref]bool{}
	readings := map[fact.Ref]bool{}
	for _, e := range entries {
		refs[e.Ref] = true
		if _, ok := e.Body.(fact.Reading); ok {
			readings[e.Ref] = true
		}
	}
	if unique(entries) {
		require.Equal(t, len(readings), s.Readings+s.Voided)
		require.Equal(t, len(entries), s.Entries)
	}
	require.LessOrEqual(t, s.Attested, s.Readings)
	for _, f := range s.Findings {
		require.Contains(t, kinds, f.Kind)
		for _, r := range append(f.Entries, f.By) {
			require.True(t, r.IsZero() || refs[r], "%s of %s", r, f.Kind)
		}
	}
	plainWords(t, s)
	for _, k := range s.Tasks {
		same, err := s.TaskFor(k.Point, k.Pass)
		require.NoError(t, err)
		require.Equal(t, k, same)
	}
	// Nothing is left to do only if every joint is whole.
	for _, js := range s.Joints {
		whole := js.Finished()
		for _, ps := range js.Passes {
			whole = whole && ps.Done() == len(ps.Cells)
		}
		require.True(t, whole || !s.Complete(), "%s is not whole, and there is no task", js.Joint.Key)
	}
	for r := range readings {
		_, ok := s.Reading(r)
		require.True(t, ok || !unique(entries))
	}
}
