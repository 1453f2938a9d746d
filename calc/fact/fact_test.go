package fact_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// entry is station, number, and the minute that the station's clock showed.
func entry(station string, number uint64, minute int) fact.Entry {
	return fact.Entry{Ref: fact.Ref{Station: station, Number: number}, Time: start.Add(time.Duration(minute) * time.Minute)}
}

func refs(entries []fact.Entry) string {
	var list []string
	for _, e := range entries {
		list = append(list, e.Ref.String())
	}
	return strings.Join(list, " ")
}

func TestSort(t *testing.T) {
	for _, row := range []struct {
		name    string
		entries []fact.Entry // as they happened
	}{
		{"nothing", nil},
		{"one station", []fact.Entry{entry("a", 1, 0), entry("a", 2, 1), entry("a", 3, 2), entry("a", 10, 3)}},
		{"a clock that is set back", []fact.Entry{entry("a", 1, 10), entry("a", 2, 0), entry("a", 3, 5), entry("a", 4, 11)}},
		{"two stations", []fact.Entry{entry("a", 1, 0), entry("b", 1, 1), entry("a", 2, 2), entry("b", 2, 3)}},
		{"two stations at one time", []fact.Entry{entry("a", 1, 0), entry("a", 2, 0), entry("b", 1, 0), entry("b", 2, 0)}},
		{"two stations, one set back", []fact.Entry{
			entry("b", 1, 9), entry("a", 1, 10), entry("a", 2, 3), entry("a", 3, 4), entry("b", 2, 11), entry("a", 4, 12)}},
		{"a station whose first entries came before the other's clock went back", []fact.Entry{
			entry("b", 1, 1), entry("a", 1, 2), entry("b", 2, 3), entry("b", 3, 0), entry("a", 2, 4)}},
		{"one zone is as good as another", []fact.Entry{entry("a", 1, 0),
			{Ref: fact.Ref{Station: "b", Number: 1}, Time: start.Add(time.Minute).In(time.FixedZone("", -5*3600))}, entry("a", 2, 2)}},
	} {
		t.Run(row.name, func(t *testing.T) {
			want := refs(row.entries)
			random := rand.New(rand.NewPCG(1, 2))
			for range 20 {
				shuffled := slices.Clone(row.entries)
				random.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
				fact.Sort(shuffled)
				require.Equal(t, want, refs(shuffled))
			}
		})
	}
}

// Two entries with one number are a fault that package book finds; the order
// must not depend on luck all the same.
func TestSortOfTwinsIsFixed(t *testing.T) {
	a, b, c := entry("a", 1, 0), entry("a", 1, 0), entry("a", 1, 1)
	a.Hash[31], b.Hash[31] = 1, 2
	for _, order := range [][]fact.Entry{{a, b, c}, {c, b, a}, {b, c, a}} {
		fact.Sort(order)
		require.Equal(t, []fact.Entry{a, b, c}, order)
	}
}

func TestSortProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var entries []fact.Entry
		for _, station := range []string{"a", "b", "c"} {
			minute := rapid.IntRange(0, 50).Draw(t, "start")
			for n := range rapid.IntRange(0, 8).Draw(t, "entries") {
				minute += rapid.IntRange(-5, 10).Draw(t, "step") // the clock may go back
				entries = append(entries, entry(station, uint64(n)+1, minute))
			}
		}
		sorted := slices.Clone(entries)
		fact.Sort(sorted)

		shuffled := rapid.Permutation(entries).Draw(t, "shuffled")
		fact.Sort(shuffled)
		require.Equal(t, sorted, shuffled, "the order does not depend on that of the input")
		again := slices.Clone(sorted)
		fact.Sort(again)
		require.Equal(t, sorted, again, "sorting again changes nothing")
		require.ElementsMatch(t, entries, sorted, "nothing is lost and nothing added")

		last := map[string]uint64{}
		latest := map[string]time.Time{}
		var now time.Time
		for _, e := range sorted {
			require.Equal(t, last[e.Station]+1, e.Number, "a station's entries stay in their order")
			last[e.Station] = e.Number
			if e.Time.After(latest[e.Station]) {
				latest[e.Station] = e.Time
			}
			require.False(t, latest[e.Station].Before(now), "times never go back, a clock that did counting as standing")
			now = latest[e.Station]
		}
	})
}

func TestPoints(t *testing.T) {
	for _, row := range []struct {
		point        fact.Point
		joint, place string
	}{
		{"head/7", "head", "7"},
		{fact.NewPoint("head-left", "dowel-front"), "head-left", "dowel-front"},
		{"valve/3/exhaust", "valve", "3/exhaust"},
		{"head", "head", ""},
		{"", "", ""},
	} {
		require.Equal(t, row.joint, row.point.Joint())
		require.Equal(t, row.place, row.point.Place())
	}
}

func TestRefs(t *testing.T) {
	for _, text := range []string{"bench-1#17", "a#1", "#1#2", "bänk#18446744073709551615"} {
		ref, err := fact.ParseRef(text)
		require.NoError(t, err)
		require.Equal(t, text, ref.String())
		require.False(t, ref.IsZero())
	}
	for _, text := range []string{"", "17", "#17", "bench-1#", "bench-1#0", "bench-1#-1", "bench-1#+1", "bench-1#1.5", "bench-1#18446744073709551616", "bench-1 17"} {
		_, err := fact.ParseRef(text)
		require.ErrorContains(t, err, fmt.Sprintf("%q is no entry", text))
	}
	require.True(t, fact.Ref{}.IsZero())
}

func TestSpoken(t *testing.T) {
	torque, angle := quantity.MustParse("62.0 N·m"), quantity.MustParse("90°")
	for want, r := range map[string]fact.Reading{
		"62.0 N·m":      {Value: torque},
		"62.0 N·m, 90°": {Value: torque, Angle: angle},
		"90°":           {Angle: angle},
		"0":             {},
		"62.0":          {Value: quantity.New(torque.Value, quantity.Unit(250))},
	} {
		require.Equal(t, want, r.Spoken())
	}
}

func TestRefRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ref := fact.Ref{Station: rapid.StringN(1, 20, -1).Draw(t, "station"), Number: rapid.Uint64Min(1).Draw(t, "number")}
		back, err := fact.ParseRef(ref.String())
		require.NoError(t, err)
		require.Equal(t, ref, back)
	})
}

// The point of a fact is where its history is looked up.
func TestFactsKnowTheirPoint(t *testing.T) {
	for _, row := range []struct {
		body fact.Body
		want fact.Point
	}{
		{fact.Opening{Build: "2117"}, ""},
		{fact.Replan{Because: "a new edition"}, ""},
		{fact.Reading{Point: "head/7"}, "head/7"},
		{fact.Confirmation{Point: "head/clean"}, "head/clean"},
		{fact.Skip{Point: "head/7"}, "head/7"},
		{fact.Void{Point: "head/7"}, "head/7"},
		{fact.Note{Point: "head/7"}, "head/7"},
		{fact.Note{What: fact.SessionBegan}, ""},
	} {
		require.Equal(t, row.want, row.body.About(), "%T", row.body)
	}
}

func TestTraceOf(t *testing.T) {
	trace := fact.Trace{Station: "bench-2", Number: 17, Samples: 300}
	require.Equal(t, "trace 17 of bench-2", trace.String())
	for _, body := range []fact.Body{fact.Reading{Trace: trace}, fact.Note{Trace: trace}, fact.Interrupted{Trace: trace, Point: "head/7"}} {
		require.Equal(t, trace, fact.TraceOf(body), "%T", body)
	}
	require.True(t, fact.TraceOf(fact.Void{}).IsZero())
	require.Equal(t, fact.Point("head/7"), fact.Interrupted{Point: "head/7"}.About())
}
