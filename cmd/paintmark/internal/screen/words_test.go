package screen

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/inconsolata"
	"golang.org/x/image/math/fixed"
	"pgregory.net/rapid"

	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

func TestPlain(t *testing.T) {
	var out bytes.Buffer
	l := newTeller(t)
	plain := Plain(&out, time.FixedZone("", 3600))
	for _, e := range l.story() {
		plain(e)
	}
	for _, e := range []bench.Event{
		l.tell(bench.Waiting, func(e *bench.Event) {
			e.Task = pulling("7")
			e.Task.Name, e.Task.NotBefore = "re-check", noon.Add(20*time.Minute)
		}),
		l.tell(bench.Skipped, func(e *bench.Event) { e.Task, e.Text = pulling("7"), "the stud\nis out" }),
		l.tell(bench.Voided, func(e *bench.Event) {
			e.Task.Point, e.Text = "head/12", "slipped"
			e.Entry.Station, e.Entry.Number = "bench-1", 2
		}),
		l.tell(bench.NotCounted, func(e *bench.Event) {
			e.Value, e.Text = quantity.Quantity{Value: quantity.MustParse("25.30 mm").Value}, "the instrument gave no unit"
		}),
		l.tell(bench.Unreadable, func(e *bench.Event) {
			e.Instrument, e.Raw, e.Text = "wrench-a", []byte("\x1b[2J\x0065\xff\r\n"), "no value in it"
		}),
		l.tell(bench.Unreadable, func(e *bench.Event) {
			e.Instrument, e.Raw = "wrench-a", []byte(strings.Repeat("x", 100))
		}),
		l.tell(bench.Paused), l.tell(bench.Resumed), l.words(bench.Refused, "nothing is left to do"),
		l.fails(bench.NotSaved, "65 lbf·ft at head/7", "x.book: locked"), l.tell(bench.Saved),
		l.fails(bench.GivenUp, "65 lbf·ft at head/7", "x.book: locked"),
		l.fails(bench.Warned, "", "x.book: the witness could not be written"),
		l.tell(bench.Lost, func(e *bench.Event) { e.Instrument = "gauge-b" }),
		l.tell(bench.Found, func(e *bench.Event) { e.Instrument = "gauge-b" }),
		l.read(pulling("7"), "65 lbf·ft", judge.Held, func(e *bench.Event) {
			e.Reading.Early, e.Reading.Reading.Attested = true, true
			e.Reading.Reading.Angle, e.Reading.Reading.Status = quantity.MustParse("31 deg"), []string{"low battery", "peak"}
		}),
		l.tell(bench.Complete), l.tell(bench.Ended), l.fails(bench.Ended, "", "x.book: locked"),
	} {
		plain(e)
	}
	capture(t, "plain.txt", out.String())
}

// Each kind of event that changes something for the builder says so in a line.
func TestEveryEventHasItsWords(t *testing.T) {
	quiet := []bench.EventKind{bench.Next, bench.Waiting, bench.Complete, bench.Ended, bench.Pulling}
	for _, kind := range kinds(t) {
		l := newTeller(t)
		e := l.read(pulling("7"), "65 lbf·ft", judge.Within)
		e.Kind = kind
		require.Equal(t, slices.Contains(quiet, kind), len(sentences(e, time.UTC)) == 0, kind)
	}
}

func TestNextWords(t *testing.T) {
	l := newTeller(t)
	again := pulling("7")
	again.Again = judge.Low
	left := pulling("7")
	left.LeftOut = "the stud is out"
	metric := pulling("7")
	metric.Limits = limits("85 N·m", "91 N·m")
	open := pulling("7")
	open.Limits = quantity.Limits{Least: quantity.MustParse("62.4 lbf·ft")}
	high := measuring()
	high.Again = judge.High
	for want, task := range map[string]judge.Task{
		"NEXT head/7   stage 1   65 lbf·ft (62.4–67.6)   1 of 2 done":                             pulling("7"),
		"NEXT head/7 again, it was low   stage 1   65 lbf·ft (62.4–67.6)   1 of 2 done":           again,
		"NEXT head/7, left out: the stud is out   stage 1   65 lbf·ft (62.4–67.6)   1 of 2 done":  left,
		"NEXT head/7   stage 1   65 lbf·ft (85–91 N·m)   1 of 2 done":                             metric,
		"NEXT head/7   stage 1   65 lbf·ft (at least 62.4)   1 of 2 done":                         open,
		"CONFIRM head/faces: Faces clean":                                                         confirming(),
		"MEASURE head/dowel-front (0.290–0.320 in): Height of the front dowel":                    measuring(),
		"MEASURE head/dowel-front again, it was high (0.290–0.320 in): Height of the front dowel": high,
	} {
		require.Equal(t, want, nextWords(l.next(task, 1), time.UTC))
	}
}

func TestCells(t *testing.T) {
	// Unicode's EastAsianWidth: W for the kana, the ideograph, the syllable, the
	// full-width letter and the wrench; 0 for the combining accent.
	for text, want := range map[string]int{"": 0, "a": 1, "65 lbf·ft": 9, "✓▼▲◄►●■×»◊": 10, "ゼ": 2, "順": 2, "각": 2, "Ａ": 2, "🔧": 2, "e\u0301": 1, "\u00a0": 1} {
		require.Equal(t, want, width(text), "%q", text)
	}
	for _, test := range []struct {
		text    string
		columns int
		clipped string
		fitted  string
		last    string
	}{
		{"bolt 7", 6, "bolt 7", "bolt 7", "bolt 7"},
		{"bolt 7", 8, "bolt 7", "bolt 7  ", "bolt 7"},
		{"bolt 7", 5, "bolt…", "bolt…", "olt 7"},
		{"bolt 7", 1, "…", "…", "7"},
		{"手順書", 6, "手順書", "手順書", "手順書"},
		{"手順書", 5, "手順…", "手順…", "順書"},
		{"手順書", 4, "手…", "手… ", "順書"},
		{"e\u0301e\u0301e\u0301", 2, "e\u0301…", "e\u0301…", "e\u0301e\u0301"},
	} {
		require.Equal(t, test.clipped, clipTo(test.text, test.columns))
		require.Equal(t, test.fitted, fit(test.text, test.columns))
		require.Equal(t, test.last, strings.TrimPrefix(lastColumns(test.text, test.columns), "\u0301"))
	}
}

func TestWrap(t *testing.T) {
	for _, test := range []struct {
		text    string
		columns int
		want    []string
	}{
		{"short", 10, []string{"short"}},
		{"", 10, []string{""}},
		{"12:00:01  one two three four", 20, []string{"12:00:01  one two", "     three four"}},
		{"12:00:01  one two three four", 40, []string{"12:00:01  one two three four"}},
		{"exactly ten and more", 11, []string{"exactly ten", "  and more"}},
		{"aaaaaaaaaaaaaaa", 6, []string{"aaaaaa", " aaaaa", " aaaa"}},
		{"手順書手順書", 5, []string{"手順", " 書手", " 順書"}},
		{"手", 1, []string{"手"}}, // there is no room for it, and it is not left out
	} {
		require.Equal(t, test.want, wrap(test.text, test.columns), "%q", test.text)
	}
	rapid.Check(t, func(t *rapid.T) {
		text := clean(rapid.String().Draw(t, "text"))
		columns := rapid.IntRange(2, 40).Draw(t, "columns")
		lines := wrap(text, columns)
		for _, line := range lines {
			if width(line) > columns {
				t.Fatalf("%q is wider than %d", line, columns)
			}
		}
		if bare(strings.Join(lines, "")) != bare(text) {
			t.Fatalf("%q is not all of %q", lines, text)
		}
	})
}

// bare is a text without its spaces.
func bare(text string) string { return strings.ReplaceAll(text, " ", "") }

func TestCleanLeavesOneHarmlessLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := clean(rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) })).Draw(t, "text"))
		for _, r := range text {
			if unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp) {
				t.Fatalf("%q has %q", text, r)
			}
		}
	})
	for _, text := range []string{"65 lbf·ft", "±4 %", "Zylinderköpfe", "1\u00a0234", "手順書", "e\u0301"} {
		require.Equal(t, text, clean(text), "what is harmless stays")
	}
}

func TestBigLetters(t *testing.T) {
	seen := map[string]rune{}
	const used = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ?.-:"
	for _, r := range used {
		lines := big(string(r))
		require.Len(t, lines, 5, "%q", r)
		for _, line := range lines {
			require.Equal(t, 8, utf8.RuneCountInString(line), "%q", r)
			require.Empty(t, strings.Trim(line, " █▀▄"))
		}
		drawn := strings.Join(lines, "\n")
		require.NotContains(t, seen, drawn, "%q and %q look alike", r, seen[drawn])
		seen[drawn] = r
	}
	require.Nil(t, big(""))
	require.Nil(t, big("手順"), "nothing that the font has")
	require.Equal(t, big("7"), big("順7"), "what the font lacks is left out")
}

// Nothing of the digits and capitals lies outside of the rows that are drawn.
func TestBigLettersAreWhole(t *testing.T) {
	face := inconsolata.Bold8x16
	for _, r := range "0123456789ABCDEFGHIJKLMNOPRSTUVWXYZ.:" {
		rect, mask, at, _, ok := face.Glyph(fixed.P(0, face.Ascent), r)
		require.True(t, ok)
		ink := 0
		for y := range rect.Dy() {
			for x := range rect.Dx() {
				if _, _, _, a := mask.At(at.X+x, at.Y+y).RGBA(); a >= 0x8000 {
					ink++
				}
			}
		}
		shown := 0
		for _, line := range big(string(r)) {
			shown += 2*strings.Count(line, "█") + strings.Count(line, "▀") + strings.Count(line, "▄")
		}
		require.Equal(t, ink, shown, "%q is cut off", r)
	}
}

// The instrument's own figures come first, and what they are in the plan's unit
// beside them: 1 lbf·ft is 1.3558179483314004 N·m by the definitions of foot,
// pound and standard gravity.
func TestAValueInAnotherUnitThanThePlans(t *testing.T) {
	limits := quantity.Limits{Least: quantity.MustParse("24 lbf·ft"), Most: quantity.MustParse("26 lbf·ft")}
	require.Equal(t, " ≈ 25.00 lbf·ft (24–26)", besideLimits(quantity.MustParse("33.9 N·m"), limits))
	require.Equal(t, " (24–26)", besideLimits(quantity.MustParse("25.0 lbf·ft"), limits))
	require.Equal(t, " ≈ 25.00 lbf·ft (at least 24)", besideLimits(quantity.MustParse("33.9 N·m"), quantity.Limits{Least: limits.Least}))
	require.Empty(t, besideLimits(quantity.MustParse("33.9 N·m"), quantity.Limits{}))
	require.Equal(t, " (24–26)", besideLimits(quantity.MustParse("1 mm"), limits))
}
