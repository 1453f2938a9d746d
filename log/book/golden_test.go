package book

import (
	"bytes"
	"context"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/log/entry"
	"paintmark/log/pages"
	"paintmark/log/samples"
)

var update = flag.Bool("update", false, "make the example book of testdata anew")

// The example book is committed, because a book must stay readable for as long
// as an engine runs: what this version wrote, every later one reads. Its build is
// invented. It has every kind of entry, by two stations.
const example = "testdata/2117.book"

func exampleFacts() (first fact.Opening, bench1, bench2 []fact.Body) {
	wrench := fact.Instrument{
		Name: "wrench-2", Address: "serial:usb=A1", Identity: "A1", Profile: "lines", Calibrated: "2026-01-03",
		Range: quantity.Limits{Least: quantity.MustParse("20 N·m"), Most: quantity.MustParse("200 N·m")},
	}
	first = fact.Opening{
		Build: "2117", Plan: "title = \"An invented plan\"\n", PlanName: "six.toml", Program: "0.1",
		Identity: []fact.Identity{{Name: "engine number", Value: "E-2117"}},
	}
	bench1 = []fact.Body{
		fact.Reading{Point: "head/7", Pass: "stage-1", Value: quantity.MustParse("88.0 N·m"), Raw: []byte("88.0 Nm\r\n"), Told: "within"},
		fact.Reading{Point: "head/8", Pass: "stage-1", Value: quantity.MustParse("91 N·m"), Angle: quantity.MustParse("31.5 °"),
			Instrument: wrench, Status: []string{"ok"}, Raw: []byte("91 Nm,31.5\r\n"), Told: "high"},
		fact.Void{Of: fact.Ref{Station: "bench-1", Number: 3}, Point: "head/8", Because: "wrong bolt"},
		fact.Skip{Point: "head/9", Pass: "stage-1", Because: "stud to be replaced"},
		fact.Replan{Plan: "title = \"An invented plan, studs\"\n", PlanName: "six-b.toml", Because: "studs instead of bolts"},
	}
	bench2 = []fact.Body{
		fact.Confirmation{Point: "head/gasket"},
		fact.Reading{Point: "head/dowel", Value: quantity.MustParse("-0.05 mm"), Attested: true},
		fact.Note{What: fact.Unreadable, Instrument: "wrench-2", Text: "no unit in \"88 N\xb7m\"", Raw: []byte("88 N\xb7m\r\n")},
	}
	return first, bench1, bench2
}

func makeExample(t *testing.T) {
	require.NoError(t, os.RemoveAll(example))
	require.NoError(t, os.RemoveAll(WitnessPath(example)))
	first, bench1, bench2 := exampleFacts()
	o := Options{Station: "bench-1", Session: "20260302T073000", Now: newClock().Now}
	b, _, err := Create(example, o, first)
	require.NoError(t, err)
	record(t, b, bench1...)
	o.Station, o.Start = "bench-2", time.Date(2026, 3, 2, 7, 30, 30, 0, time.UTC)
	other, err := Open(example, o)
	require.NoError(t, err)
	record(t, other, bench2...)
}

// readExample gives the example book's files.
func readExample(t testing.TB) specimen {
	var s specimen
	var err error
	s.book, err = os.ReadFile(example)
	require.NoError(t, err)
	s.witness, err = os.ReadFile(WitnessPath(example))
	require.NoError(t, err)
	var r Report
	r, s.entries = s.look()
	require.Empty(t, r.Faults)
	return s
}

// The second example book has traces: one with an entry, of an interrupted pull
// with its own, and one without any.
const tracedExample = "testdata/2118.book"

// shortPull is four samples of a pull of an invented wrench, easy to follow in
// FORMAT.md.
func shortPull() *trace.Trace {
	return &trace.Trace{
		Tick: time.Millisecond, Times: []int64{0, 20, 40, 61},
		Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: -1, Values: []int64{0, 125, 250, 372}},
		Angle:  trace.Series{Unit: quantity.Degree, Values: []int64{0, 3, 6, 9}},
	}
}

func makeTracedExample(t *testing.T) {
	require.NoError(t, os.RemoveAll(tracedExample))
	require.NoError(t, os.RemoveAll(WitnessPath(tracedExample)))
	b, _, err := Create(tracedExample, Options{Station: "bench-1", Session: "20260302T073000", Now: newClock().Now},
		fact.Opening{Build: "2118", Plan: "title = \"An invented plan\"\n", PlanName: "six.toml", Program: "0.2"})
	require.NoError(t, err)
	ctx := context.Background()
	for n, pull := range tracedPulls() {
		p, err := b.BeginPull(fact.NewPoint("head", fmt.Sprint(n+7)), "stage-1", "wrench-2")
		require.NoError(t, err)
		require.NoError(t, p.Save(ctx, pull))
		switch n {
		case 0:
			record(t, b, fact.Reading{Point: "head/7", Pass: "stage-1", Value: quantity.MustParse("37.2 N·m"), Trace: p.End()})
		case 1:
			record(t, b, fact.Interrupted{Point: "head/8", Pass: "stage-1", Trace: p.End(), Because: "the power failed"})
		}
	}
}

// tracedPulls are the traces of the second example book.
func tracedPulls() []*trace.Trace {
	return []*trace.Trace{shortPull(), curve(samples.MaxSamples+200, 1), curve(150, 2)}
}

func TestTracedExample(t *testing.T) {
	if *update {
		makeTracedExample(t)
	}
	s := specimen{}
	var err error
	s.book, err = os.ReadFile(tracedExample)
	require.NoError(t, err)
	s.witness, err = os.ReadFile(WitnessPath(tracedExample))
	require.NoError(t, err)
	path := s.write(t, t.TempDir())
	r := requireSound(t, path)
	require.Equal(t, []int{2, 2, 1}, []int{r.Traces, r.TracesIntact, r.Unnamed})
	require.Len(t, r.Notes, 1)
	b, err := Open(path, options("bench-3"))
	require.NoError(t, err)
	entries, err := b.Entries(context.Background())
	require.NoError(t, err)
	require.Len(t, entries, 3)
	pulls := tracedPulls()
	requireCurve(t, b, entries[1].Body.(fact.Reading).Trace, pulls[0])
	requireCurve(t, b, entries[2].Body.(fact.Interrupted).Trace, pulls[1])
	list := unnamed(t, b)
	require.Len(t, list, 1)
	requireCurve(t, b, list[0].Name, pulls[2])
	record(t, b, pulled(t, b, reading(1), 30))
	requireSound(t, path)
}

func TestExample(t *testing.T) {
	if *update {
		makeExample(t)
	}
	s := readExample(t)
	path := s.write(t, t.TempDir()) // opening a book must not touch it, but who knows
	requireSound(t, path)
	b, err := Open(path, options("bench-3"))
	require.NoError(t, err)
	entries, err := b.Entries(context.Background())
	require.NoError(t, err)
	first, bench1, bench2 := exampleFacts()
	said := map[string][]fact.Body{"bench-1": append([]fact.Body{first}, bench1...), "bench-2": bench2}
	require.Len(t, entries, len(said["bench-1"])+len(said["bench-2"]))
	for _, e := range entries {
		require.Equal(t, said[e.Station][e.Number-1], e.Body, e.String())
	}
	record(t, b, reading(1))
	requireSound(t, path)
}

// The worked example of FORMAT.md is bench-1#2 of the example book, byte by byte.
func TestFormat(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "FORMAT.md"))
	require.NoError(t, err)
	block := func(name string) []byte {
		found := regexp.MustCompile("(?s)```" + name + "\n(.*?)```").FindSubmatch(text)
		require.NotNil(t, found, "no block %q", name)
		return found[1]
	}
	fromHex := func(name string) []byte {
		var digits strings.Builder
		for text := range strings.Lines(string(block(name))) {
			text, _, _ = strings.Cut(text, "#")
			digits.WriteString(strings.Join(strings.Fields(text), ""))
		}
		data, err := hex.DecodeString(digits.String())
		require.NoError(t, err)
		return data
	}
	s := readExample(t)
	e, data := s.find("bench-1#2")
	require.Equal(t, hex.EncodeToString(data), hex.EncodeToString(fromHex("entry")))
	require.Equal(t, entryKey(e.Body.About(), e.Ref), fromHex("key"))
	require.Equal(t, chainKey(e.Ref), fromHex("chain-key"))
	require.Equal(t, chainRecord{entry.Sum(data), e.Body.About()}.bytes(), fromHex("chain-value"))
	from, to := s.line("bench-1#2")
	require.Equal(t, string(s.witness[from:to]), string(bytes.TrimSpace(block("witness")))+"\n")

	parts := partsOf(t, tracedExample, "bench-1", 1)
	require.Len(t, parts, 2)
	require.Equal(t, traceKey("bench-1", 1, 0), fromHex("trace-head-key"))
	require.Equal(t, hex.EncodeToString(parts[0]), hex.EncodeToString(fromHex("trace-head")))
	require.Equal(t, hex.EncodeToString(parts[1]), hex.EncodeToString(fromHex("trace-block")))
	pull, _, err := samples.Decode(fromHex("trace-block"))
	require.NoError(t, err)
	require.Equal(t, shortPull(), pull)
	whole, err := os.ReadFile(tracedExample)
	require.NoError(t, err)
	require.Contains(t, string(whole), string(fromHex("trace-name")))
	sum := sumParts(parts)
	require.True(t, bytes.HasSuffix(fromHex("trace-name"), sum[:]))
}

// partsOf gives what a book holds of a trace.
func partsOf(t testing.TB, path, station string, number uint64) (parts [][]byte) {
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	f, err := pages.Open(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	buckets, faults := f.Buckets()
	require.Empty(t, faults)
	require.NoError(t, buckets["traces"].Prefix(tracePrefix(station, number), func(_, value []byte) error {
		parts = append(parts, value)
		return nil
	}))
	return parts
}
