package book

import (
	"bytes"
	"context"
	"encoding/hex"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/log/entry"
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
}
