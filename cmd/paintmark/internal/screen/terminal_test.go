package screen

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/mark"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var update = flag.Bool("update", false, "write the captures in testdata anew")

// capture compares with what stands in testdata.
func capture(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, strings.ReplaceAll(string(want), "\r\n", "\n"), got, "if this is as it should be, run the test with -update")
}

func show(t *testing.T, columns, rows int, events ...bench.Event) (*Terminal, *emulator) {
	t.Helper()
	screen := newEmulator(columns, rows)
	terminal := NewTerminal(screen, screen.size, time.UTC)
	for _, e := range events {
		terminal.Show(e)
		require.Empty(t, screen.faults)
	}
	return terminal, screen
}

// What the builder sees at the end of a sitting with one of nearly everything.
func TestWhatStandsOnTheScreen(t *testing.T) {
	for _, size := range [][2]int{{80, 24}, {100, 30}, {60, 15}} {
		name := fmt.Sprintf("%dx%d.txt", size[0], size[1])
		t.Run(name, func(t *testing.T) {
			_, screen := show(t, size[0], size[1], newTeller(t).story()...)
			capture(t, name, screen.String())
		})
	}
}

func TestSmallTerminalsHaveNoBigLetters(t *testing.T) {
	for size, want := range map[[2]int][]bool{{100, 30}: {true, true}, {80, 22}: {true, true}, {80, 21}: {false, true}, {80, 18}: {false, true}, {80, 17}: {false, false}, {60, 15}: {false, false}} {
		_, screen := show(t, size[0], size[1], newTeller(t).story()...)
		text := screen.String()
		banner, next := strings.Join(big("LOW 58.1"), ""), strings.Join(big("65"), "")
		for i, letters := range [][]string{big("LOW 58.1"), big("65")} {
			found := strings.Contains(text, strings.TrimRight(letters[2], " "))
			require.Equal(t, want[i], found, "%v: %q", size, []string{banner, next}[i])
		}
		require.Contains(t, text, "▼ LOW   head/7   58.1 lbf·ft (62.4–67.6)")
		require.Contains(t, text, "NEXT head/7 again, it was low")
	}
}

// Every event that says something about what an instrument sent, or about what
// was recorded, takes the verdict before it from the banner.
func TestTheBannerIsThatOfTheLastThing(t *testing.T) {
	l := newTeller(t)
	good := l.read(pulling("12"), "65.20 lbf·ft", judge.Within)
	void := l.tell(bench.Voided, func(e *bench.Event) {
		e.Entry, e.Text = fact.Ref{Station: "bench-1", Number: 3}, "it was bolt 7"
		e.Task.Point = "head/12"
	})
	early := l.read(pulling("7"), "64 lbf·ft", judge.Held, func(e *bench.Event) { e.Reading.Early = true })
	attested := l.read(pulling("7"), "65 lbf·ft", judge.Within, func(e *bench.Event) { e.Reading.Reading.Attested = true })
	doubtful := l.read(pulling("7"), "65 lbf·ft", judge.Doubtful, func(e *bench.Event) { e.Reading.Reading.Status = []string{"overload"} })
	tests := []struct {
		event  bench.Event
		line   string
		colour mark.Colour
	}{
		{early, "■ TOO EARLY   head/7   64 lbf·ft (62.4–67.6)   stage 1", mark.Purple},
		{attested, "✓ WITHIN   head/7   65 lbf·ft (62.4–67.6)   stage 1   ◊ ATTESTED", mark.Green},
		{doubtful, "? DOUBTFUL   head/7   65 lbf·ft (62.4–67.6)   stage 1   [overload]", mark.Purple},
		{l.read(pulling("7"), "70 lbf·ft", judge.High), "▲ HIGH   head/7   70 lbf·ft (62.4–67.6)   stage 1", mark.Vermilion},
		{l.tell(bench.NotCounted, func(e *bench.Event) {
			e.Value, e.Text = quantity.MustParse("31 deg"), "a torque is wanted at head/7, this is an angle"
		}), "● NOT COUNTED   31°: a torque is wanted at head/7, this is an angle", mark.Purple},
		{l.fails(bench.Unreadable, "no value in it", ""), "● UNREADABLE   wrench-a: no value in it", mark.Purple},
		{l.fails(bench.NotSaved, "65 lbf·ft at head/7", "x.book: locked"), "● NOT SAVED   65 lbf·ft at head/7: x.book: locked", mark.Vermilion},
		{l.tell(bench.Saved), "✓ SAVED", mark.Green},
		{l.fails(bench.GivenUp, "65 lbf·ft at head/7", "x.book: locked"), "● GIVEN UP   65 lbf·ft at head/7: x.book: locked", mark.Vermilion},
		{l.words(bench.Refused, "nothing is left to do"), "● NOT DONE   nothing is left to do", mark.Purple},
		{l.tell(bench.Confirmed, func(e *bench.Event) { e.Task = confirming() }), "✓ CONFIRMED   head/faces: Faces clean", mark.Green},
		{l.tell(bench.Skipped, func(e *bench.Event) { e.Task, e.Text = pulling("7"), "the stud is out" }), "» SKIPPED   head/7, stage 1: the stud is out", mark.SkyBlue},
		{void, "× TAKEN BACK   bench-1#3 at head/12: it was bolt 7", mark.White},
		{l.fails(bench.Lost, "", "serial:usb=A1: instrument lost"), "● LOST   wrench-a, which is looked for: serial:usb=A1: instrument lost", mark.Vermilion},
	}
	for _, size := range [][2]int{{80, 24}, {80, 15}} {
		for _, test := range tests {
			_, screen := show(t, size[0], size[1], good, l.next(pulling("7"), 1), test.event)
			at := screen.row(" " + test.line)
			require.GreaterOrEqual(t, at, 0, "%s\n%s", test.line, screen)
			require.Equal(t, " "+test.line, screen.lines()[at])
			for x := range size[0] {
				require.Contains(t, screen.screen[at][x].style, fmt.Sprintf("48;5;%dm", test.colour.Index), "%s: over the whole width", test.line)
			}
			require.NotContains(t, screen.String(), "✓ WITHIN   head/12", "the verdict before it")
		}
	}
	for _, kind := range []bench.EventKind{bench.Paused, bench.Resumed, bench.Warned, bench.Waiting, bench.Complete, bench.Ended} {
		_, screen := show(t, 80, 15, good, l.tell(kind))
		require.Contains(t, screen.String(), "✓ WITHIN   head/12", "%s leaves the banner", kind)
	}
}

func TestAnInstrumentThatIsLostStaysOnTheScreenUntilItIsFound(t *testing.T) {
	l := newTeller(t)
	lost := l.fails(bench.Lost, "", "serial:usb=A1: instrument lost")
	terminal, screen := show(t, 80, 24, lost, l.next(pulling("7"), 1))
	require.Equal(t, 1, strings.Count(screen.String(), "● LOST   wrench-a"), "in the banner")
	terminal.Show(l.read(pulling("7"), "65 lbf·ft", judge.Within, func(e *bench.Event) { e.Instrument = "wrench-b" }))
	terminal.Show(lost)
	terminal.Show(l.read(pulling("7"), "65 lbf·ft", judge.Within))
	require.Equal(t, 1, strings.Count(screen.String(), "● LOST   wrench-a"), "below the banner")
	terminal.Show(l.tell(bench.Found, func(e *bench.Event) { e.Instrument = "wrench-a" }))
	require.NotContains(t, screen.String(), "● LOST")
}

// The findings that a pull brought up stand below its verdict, which alone
// could be taken for all is well.
func TestFindingsStandBelowTheVerdict(t *testing.T) {
	l := newTeller(t)
	found := func(kind judge.FindingKind, status judge.Status, text string) judge.Finding {
		return judge.Finding{Kind: kind, Status: status, Text: text}
	}
	_, screen := show(t, 80, 24, l.read(pulling("7"), "65 lbf·ft", judge.Within, func(e *bench.Event) {
		e.Findings = []judge.Finding{
			found(judge.OutOfOrder, judge.ForReview, "pulled in stage 1 before bolt 12"),
			found(judge.StepMissing, judge.Open, "the joint was begun before this was done"),
			found(judge.InstrumentOverdue, judge.ForReview, "wrench-a was used after its calibration was due"),
		}
	}))
	at := screen.row("✓ WITHIN   head/7")
	lines := screen.lines()
	require.Equal(t, " ■ OUT OF ORDER: pulled in stage 1 before bolt 12", lines[at+1])
	require.Equal(t, " ● NOT PREPARED: the joint was begun before this was done", lines[at+2])
	require.Contains(t, screen.screen[at+1][70].style, fmt.Sprintf("48;5;%dm", mark.Purple.Index))
	require.Contains(t, screen.screen[at+2][70].style, fmt.Sprintf("48;5;%dm", mark.Vermilion.Index))
	require.NotContains(t, screen.String(), "CALIBRATION OVERDUE", "two are enough there")
	require.Contains(t, screen.String(), "■ calibration overdue: wrench-a was used", "the record has all")
}

// The panel leaves a row to the record, whatever there is to say.
func TestThePanelIsLowerThanTheTerminal(t *testing.T) {
	l := newTeller(t)
	for _, rows := range []int{1, 2, 3, 5, 17, 18, 22, 24} {
		terminal, screen := show(t, 80, rows, l.story()...)
		for i := range 10 {
			terminal.Show(l.tell(bench.Lost, func(e *bench.Event) { e.Instrument = fmt.Sprint("wrench-", i) }))
		}
		require.LessOrEqual(t, len(terminal.panel(80, rows)), max(1, rows-1))
		require.Contains(t, screen.String(), keysHelp)
		terminal.Close()
		require.NotContains(t, screen.String(), "NEXT")
	}
}

func TestWhatIsNextInBigLetters(t *testing.T) {
	l := newTeller(t)
	waiting := l.tell(bench.Waiting, func(e *bench.Event) {
		e.Task = pulling("7")
		e.Task.NotBefore = noon.Add(24*time.Minute + time.Second)
	})
	paused := l.next(pulling("7"), 1)
	paused.Paused = true
	strange := pulling("7")
	strange.Place = "первый"
	heat := confirming()
	heat.Place = "heat-cycles"
	tests := []struct {
		event   bench.Event
		columns int
		want    []string // the badge, and what stands beside it
	}{
		{l.next(pulling("12"), 1), 100, []string{"12", "65 lbf·ft"}},
		{l.next(pulling("12"), 1), 80, []string{"12", "65"}},
		{l.next(pulling("12"), 1), 24, []string{"12"}},
		{l.next(confirming(), 0), 80, []string{"faces", "?"}},
		{l.next(heat, 0), 80, []string{"", "CONFIRM ?"}},
		{l.next(measuring(), 0), 100, []string{"dowel-front"}},
		{l.next(measuring(), 0), 80, []string{"", "MEASURE"}},
		{waiting, 100, []string{"", "WAIT 12:25"}}, // a whole minute, and not before the wait is over
		{waiting, 60, []string{"", "12:25"}},
		{paused, 80, []string{"", "PAUSED"}},
		{l.tell(bench.Complete), 80, []string{"", "DONE"}},
		{l.next(strange, 1), 80, []string{"", "65 lbf·ft"}}, // what the letters lack is in the line below
		{l.next(pulling("12"), 1), 10, nil},
	}
	for _, test := range tests {
		lines := nextLetters(test.event, time.UTC, test.columns)
		if test.want == nil {
			require.Nil(t, lines)
			continue
		}
		require.Len(t, lines, 7)
		screen := newEmulator(test.columns, 8)
		_, _ = screen.Write([]byte(strings.Join(lines, reset+"\r\n") + reset))
		require.Empty(t, screen.faults)
		badge, rest := big(test.want[0]), []string(nil)
		if len(test.want) > 1 {
			rest = big(test.want[1])
		}
		for i := range 5 {
			want := " "
			if badge != nil {
				want += " " + badge[i] + " "
			}
			if rest != nil {
				want += "   " + rest[i]
			}
			require.Equal(t, strings.TrimRight(want, " "), screen.lines()[i+1], "%q in %d columns\n%s", test.want, test.columns, screen)
		}
		require.Equal(t, badge != nil, strings.Contains(screen.screen[3][1].style, "7m"), "the badge is in reverse")
	}
}

// When another joint or pass comes, the line that says so stands out until the
// first pull in it.
func TestAnotherPassStandsOut(t *testing.T) {
	l := newTeller(t)
	second := pulling("7")
	second.Pass, second.Name = "stage-2", "stage 2"
	reversed := func(screen *emulator) bool {
		return strings.Contains(screen.screen[screen.row("NEXT head/")][79].style, "7m")
	}
	terminal, screen := show(t, 80, 24, l.next(pulling("12"), 0))
	require.False(t, reversed(screen), "at the beginning everything is new")
	terminal.Show(l.read(pulling("12"), "65 lbf·ft", judge.Within))
	terminal.Show(l.next(pulling("7"), 1))
	require.False(t, reversed(screen))
	terminal.Show(l.read(pulling("7"), "65 lbf·ft", judge.Within))
	terminal.Show(l.next(second, 0))
	require.True(t, reversed(screen))
	terminal.Show(l.words(bench.Refused, "something"))
	require.True(t, reversed(screen))
	terminal.Show(l.read(second, "65 lbf·ft", judge.Low))
	terminal.Show(l.next(second, 0))
	require.False(t, reversed(screen))
}

func TestCloseLeavesTheRecord(t *testing.T) {
	for _, size := range [][2]int{{80, 24}, {60, 15}} {
		terminal, screen := show(t, size[0], size[1], newTeller(t).story()...)
		terminal.Close()
		lines := strings.Split(strings.TrimRight(screen.String(), "\n"), "\n")
		require.Equal(t, indentation+"■ out of order: pulled in stage 1 before bolt 12", lines[len(lines)-1])
		require.Equal(t, 0, screen.x)
		require.Equal(t, len(lines), screen.y, "the shell's next line comes right below")
		require.True(t, screen.wrap)
		before := screen.String()
		terminal.Close()
		require.Equal(t, before, screen.String())
	}
}

func TestSayPutsALineIntoTheRecord(t *testing.T) {
	terminal, screen := show(t, 80, 24, newTeller(t).story()...)
	terminal.Say("the list of\x1b[2J instruments")
	require.Contains(t, screen.String(), indentation+"the list of\ufffd[2J instruments\n")
	require.Empty(t, screen.faults)
	require.Equal(t, 1, strings.Count(screen.String(), keysHelp))
}

// A terminal that cannot tell its size is taken for one of 80 by 24.
func TestATerminalWithoutASize(t *testing.T) {
	screen := newEmulator(80, 24)
	terminal := NewTerminal(screen, func() (int, int) { return 0, 0 }, time.UTC)
	for _, e := range newTeller(t).story() {
		terminal.Show(e)
	}
	require.Empty(t, screen.faults)
	capture(t, "80x24.txt", screen.String())
}

// hostile are texts as they may come out of a plan, an instrument or an error.
var hostile = []string{
	"\x1b[2J\x1b[H", "\x9b2J", "two\nlines\r\n", "tab\tand\vbell\a\b\b", "\x00\x7f", "right\u202eto left\u2066", "line\u2028paragraph\u2029",
	"ゼロ点トルク締め付け手順書", "e\u0301\u0301\u0301", "👩\u200d🔧✅", "\xff\xfe", "\u200b\ufeff", "ﷺ", strings.Repeat("long ", 60), "x" + strings.Repeat("y", 300), "", " ", "\u00a0",
}

// A drawn is what the builder sees: all lines of the record, then the panel, as
// many of the last as fit; and nothing else. It compares what stands on the
// screen with that after each event, whatever the texts are.
type drawn struct {
	terminal *Terminal
	screen   *emulator
	lines    []string // of the record, since the screen was last drawn anew
	offset   int      // how many of all lines have left at the top
}

// check compares the screen after lines were added to the record.
func (d *drawn) check(added []string, anew bool) error {
	for _, line := range added {
		d.lines = append(d.lines, wrap(line, d.screen.columns)...)
	}
	panel := d.terminal.panel(d.screen.columns, d.screen.rows)
	if anew {
		d.lines, d.offset = nil, 0
		for _, line := range d.terminal.record {
			d.lines = append(d.lines, wrap(line, d.screen.columns)...)
		}
		d.lines = d.lines[max(0, len(d.lines)-max(0, d.screen.rows-len(panel))):]
	}
	var all []string
	for _, line := range append(slices.Clip(d.lines), panel...) {
		all = append(all, plainly(line, d.screen.columns))
	}
	d.offset = max(d.offset, len(all)-d.screen.rows)
	got := d.screen.lines()
	for i := range d.screen.rows {
		want := ""
		if d.offset+i < len(all) {
			want = all[d.offset+i]
		}
		if got[i] != want {
			return fmt.Errorf("row %d is %q, it should be %q; the screen is\n%s", i, got[i], want, d.screen)
		}
	}
	if len(d.screen.faults) > 0 {
		return fmt.Errorf("%v", d.screen.faults)
	}
	return nil
}

// plainly is a line as a terminal shows it that is wide enough.
func plainly(line string, columns int) string {
	screen := newEmulator(columns, 1)
	screen.wrap = false
	_, _ = screen.Write([]byte(line))
	return screen.lines()[0]
}

// randomEvent is an event of any kind with hostile texts.
func randomEvent(l *teller) *rapid.Generator[bench.Event] {
	kinds := []bench.EventKind{bench.Began, bench.Next, bench.Waiting, bench.Read, bench.Confirmed, bench.Skipped, bench.Voided, bench.NotCounted, bench.Unreadable,
		bench.Lost, bench.Found, bench.Paused, bench.Resumed, bench.Refused, bench.NotSaved, bench.Saved, bench.GivenUp, bench.Warned, bench.Complete, bench.Ended}
	return rapid.Custom(func(t *rapid.T) bench.Event {
		text := func(name string) string {
			return rapid.OneOf(rapid.SampledFrom(hostile), rapid.String()).Draw(t, name)
		}
		task := rapid.SampledFrom([]judge.Task{pulling("7"), pulling("12"), confirming(), measuring()}).Draw(t, "task")
		task.Name, task.Point, task.Place, task.LeftOut = text("name"), fact.NewPoint("head", text("point")), text("place"), text("left out")
		e := l.read(task, "65 lbf·ft", rapid.SampledFrom([]judge.Verdict{judge.Within, judge.Low, judge.Moved, "stretched"}).Draw(t, "verdict"))
		e.Kind = rapid.SampledFrom(kinds).Draw(t, "kind")
		e.Build, e.Text, e.Instrument, e.Raw = text("build"), text("text"), text("instrument"), []byte(text("raw"))
		e.Reading.Reading.Status = []string{text("status")}
		e.Paused = rapid.Bool().Draw(t, "paused")
		if rapid.Bool().Draw(t, "error") {
			e.Err = fmt.Errorf("%s", text("why"))
		}
		for range rapid.IntRange(0, 3).Draw(t, "findings") {
			e.Findings = append(e.Findings, judge.Finding{Kind: judge.OutOfOrder, Status: judge.ForReview, Text: text("finding")})
		}
		return e
	})
}

func TestThePanelIsRedrawnInPlace(t *testing.T) {
	sizes := [][2]int{{80, 24}, {100, 30}, {60, 15}, {40, 8}, {20, 40}, {7, 5}, {2, 3}, {1, 1}}
	rapid.Check(t, func(rt *rapid.T) {
		l := newTeller(t)
		size := rapid.SampledFrom(sizes).Draw(rt, "size")
		screen := newEmulator(size[0], size[1])
		d := &drawn{terminal: NewTerminal(screen, screen.size, time.UTC), screen: screen}
		d.terminal.Redraw()
		for range rapid.IntRange(1, 12).Draw(rt, "events") {
			switch rapid.SampledFrom([]string{"show", "show", "show", "key", "resize"}).Draw(rt, "what") {
			case "show":
				e := randomEvent(l).Draw(rt, "event")
				d.terminal.Show(e)
				if err := d.check(sentences(e, time.UTC), false); err != nil {
					rt.Fatal(err)
				}
			case "key":
				before := len(d.terminal.record)
				d.terminal.key(rapid.SampledFrom([]rune("pvsmy 7x\r\x1b\x7f\x15\u3042")).Draw(rt, "key"))
				if err := d.check(d.terminal.record[before:], false); err != nil {
					rt.Fatal(err)
				}
			case "resize":
				size := rapid.SampledFrom(sizes).Draw(rt, "to")
				anew := d.terminal.drawn > 0 && size != [2]int{screen.columns, screen.rows}
				screen.resize(size[0], size[1], rapid.Bool().Draw(rt, "rewrap"))
				d.terminal.Redraw()
				if !anew {
					continue
				}
				if err := d.check(nil, true); err != nil {
					rt.Fatal(err)
				}
			}
		}
	})
}

// Terminals do not agree on how wide a character is. One that finds every
// symbol wider than we do shows less of a line, and still all lines in place.
func TestATerminalThatFindsCharactersWider(t *testing.T) {
	screen := newEmulator(80, 24)
	screen.cells = func(r rune) int {
		if r > 0x2000 {
			return 2
		}
		return cells(r)
	}
	terminal := NewTerminal(screen, screen.size, time.UTC)
	l := newTeller(t)
	for range 3 {
		for _, e := range l.story() {
			terminal.Show(e)
		}
	}
	require.Empty(t, screen.faults)
	require.Equal(t, 1, strings.Count(screen.String(), "NEXT head/7"))
	require.Equal(t, 1, strings.Count(screen.String(), "p point   v void"))
	lines := screen.lines()
	require.Contains(t, lines[23], "p point", "the panel ends at the last row")
	require.Contains(t, lines[22], "NEXT head/7")
	var record int
	for _, line := range lines {
		if strings.HasPrefix(line, "12:00:") {
			record++
		}
	}
	require.Positive(t, record, "the record stands above")
}
