// Package screen shows a sitting: drawn in a terminal, as plain lines where
// there is none to draw in, or as JSON.
//
// The terminal is made for eyes two metres away and hands that hold a wrench.
// Above, line by line, stands the record as it grows. Below stands a panel that
// is redrawn in place: the last verdict as one bar across the whole width, in
// colour, with a symbol and a word; what is next in letters several lines high;
// and the keys, which are needed for exceptions only.
package screen

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/mark"
)

// A Terminal draws a sitting in a terminal.
type Terminal struct {
	to io.Writer
	// size gives the terminal's columns and rows.
	size func() (columns, rows int)
	zone *time.Location

	mutex      sync.Mutex
	bar        string // the last verdict, drawn
	last       bench.Event
	prompt     *prompt
	drawn      int // lines of the panel that stand on the screen
	latest     fact.Ref
	latestText string
}

// NewTerminal draws to a terminal that is in raw mode.
func NewTerminal(to io.Writer, size func() (columns, rows int), zone *time.Location) *Terminal {
	return &Terminal{to: to, size: size, zone: zone}
}

// Show draws an event.
func (t *Terminal) Show(e bench.Event) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	switch e.Kind {
	case bench.Next, bench.Waiting, bench.Complete:
		t.last = e
	case bench.Read:
		t.latest, t.latestText = e.Reading.Entry.Ref, string(e.Task.Point)+" "+e.Reading.Reading.Value.String()
		t.bar = t.verdictBar(e)
	case bench.Paused, bench.Resumed:
		t.last.Paused = e.Kind == bench.Paused
	case bench.Confirmed, bench.Skipped, bench.Voided:
		t.latest, t.latestText = fact.Ref{}, ""
	}
	t.draw(sentences(e, t.zone))
}

// Close leaves the record on the screen and takes the panel away.
func (t *Terminal) Close() {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	t.erase(&strings.Builder{}, true)
}

func (t *Terminal) redraw() { t.draw(nil) }

// draw writes lines above the panel, and the panel anew, in one write.
func (t *Terminal) draw(lines []string) {
	var b strings.Builder
	t.erase(&b, false)
	columns, rows := t.size()
	for _, line := range lines {
		b.WriteString(line + "\r\n")
	}
	panel := t.panel(columns, rows)
	for i, line := range panel {
		if i > 0 {
			b.WriteString("\r\n")
		}
		b.WriteString(line + reset)
	}
	t.drawn = len(panel)
	_, _ = io.WriteString(t.to, b.String())
}

const (
	reset   = "\x1b[0m"
	bold    = "\x1b[1m"
	dim     = "\x1b[2m"
	upLine  = "\x1b[A"
	toClear = "\r\x1b[J" // from the line's start to the screen's end
)

func (t *Terminal) erase(b *strings.Builder, write bool) {
	for range t.drawn - 1 {
		b.WriteString(upLine)
	}
	if t.drawn > 0 {
		b.WriteString(toClear)
	}
	t.drawn = 0
	if write {
		_, _ = io.WriteString(t.to, b.String())
	}
}

// verdictBar is the verdict in one line that is seen from afar.
func (t *Terminal) verdictBar(e bench.Event) string {
	m := mark.Verdict(e.Reading.Verdict)
	text := fmt.Sprintf(" %s %s   %s   %s", m.Symbol, strings.ToUpper(m.Word), e.Task.Point, e.Reading.Reading.Value)
	if e.Reading.Early {
		text += "   TOO EARLY"
	}
	if e.Reading.Reading.Attested {
		text += "   " + mark.Attested.Symbol + " ATTESTED"
	}
	for _, f := range e.Findings {
		if !ownVerdict(f, e.Reading.Verdict) {
			text += "   " + strings.ToUpper(string(f.Kind))
		}
	}
	columns, _ := t.size()
	return fmt.Sprintf("\x1b[1;38;5;%d;48;5;%dm%s", m.Colour.Ink().Index, m.Colour.Index, fit(clean(text), columns))
}

// ownVerdict tells whether a finding says no more than the verdict itself.
func ownVerdict(f judge.Finding, v judge.Verdict) bool { return string(f.Kind) == string(v) }

// panel is what stands below the record.
func (t *Terminal) panel(columns, rows int) []string {
	var lines []string
	if t.bar != "" {
		lines = append(lines, t.bar)
	}
	if rows >= 18 {
		if letters := big(t.bigText()); letters != nil && utf8.RuneCountInString(letters[0])+2 <= columns {
			lines = append(lines, "")
			for _, l := range letters {
				lines = append(lines, " "+bold+l)
			}
		}
	}
	lines = append(lines, bold+clipTo(" "+t.caption(), columns))
	if t.prompt != nil {
		return append(lines, lastColumns(clean(" "+t.prompt.question+" "+string(t.prompt.text)), columns-1))
	}
	return append(lines, dim+clipTo(" "+keysHelp, columns))
}

// bigText is the bolt and its target in few letters.
func (t *Terminal) bigText() string {
	switch {
	case t.last.Kind == bench.Complete:
		return "done"
	case t.last.Paused:
		return "paused"
	case t.last.Kind == bench.Waiting:
		return "wait"
	case t.last.Kind != bench.Next:
		return ""
	case t.last.Task.Kind == judge.Confirm:
		return t.last.Task.Place + " ?"
	case t.last.Task.Kind == judge.Measure:
		return t.last.Task.Place
	}
	return t.last.Task.Place + "  " + t.last.Task.Target.Number()
}

// caption is what is next in words.
func (t *Terminal) caption() string {
	if t.last.Paused {
		return "PAUSED: what instruments say is not counted until space is pressed"
	}
	return clean(nextWords(t.last, t.zone))
}

// nextWords says what is next.
func nextWords(e bench.Event, zone *time.Location) string {
	task := e.Task
	switch e.Kind {
	case bench.Complete:
		return "Nothing is left to do."
	case bench.Waiting:
		return fmt.Sprintf("WAIT until %s, then %s at %s", task.NotBefore.In(zone).Format("15:04:05"), task.Name, task.Point)
	case bench.Next:
	default:
		return ""
	}
	switch task.Kind {
	case judge.Confirm:
		return fmt.Sprintf("CONFIRM %s: %s", task.Point, task.Name)
	case judge.Measure:
		return fmt.Sprintf("MEASURE %s: %s, allowed is %s%s", task.Point, task.Name, task.Limits, againWords(task))
	}
	return fmt.Sprintf("NEXT %s   %s   %s (%s)   %d of %d done%s", task.Point, task.Name, task.Target, task.Limits, e.Done, e.Of, againWords(task))
}

func againWords(task judge.Task) string {
	if task.Again == "" {
		return ""
	}
	return ", again: it was " + string(task.Again)
}

// The symbols of what went right, and of what wants attention.
var (
	good = mark.Verdict(judge.Within).Symbol
	warn = mark.Status(judge.Open).Symbol
)

// sentences says an event in plain lines; none where there is nothing to keep.
// What comes from files and instruments cannot bring control characters along.
func sentences(e bench.Event, zone *time.Location) []string {
	lines := say(e, zone)
	for i := range lines {
		lines[i] = clean(lines[i])
	}
	return lines
}

func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return utf8.RuneError
		}
		return r
	}, s)
}

func say(e bench.Event, zone *time.Location) []string {
	clock := e.Time.In(zone).Format("15:04:05")
	line := func(format string, args ...any) []string {
		return []string{clock + "  " + fmt.Sprintf(format, args...)}
	}
	switch e.Kind {
	case bench.Began:
		return line("%s: %s", e.Build, e.State.Plan.Title)
	case bench.Read:
		return readingLines(e, clock)
	case bench.Confirmed:
		return line("%s confirmed  %s: %s", good, e.Task.Point, e.Task.Name)
	case bench.Skipped:
		return line("%s skipped    %s, %s: %s", mark.Skipped.Symbol, e.Task.Point, e.Task.Name, e.Text)
	case bench.Voided:
		return line("%s voided     %s at %s: %s", mark.TakenBack.Symbol, e.Entry, e.Task.Point, e.Text)
	case bench.NotCounted:
		return line("%s not counted  %s: %s", warn, e.Value, e.Text)
	case bench.Unreadable:
		return line("%s unreadable  %s sent %s: %s", warn, e.Instrument, strconv.Quote(clipTo(string(e.Raw), 40)), e.Text)
	case bench.Lost:
		return line("%s lost       %s: %v. Looking for it; what is recorded is safe.", warn, e.Instrument, e.Err)
	case bench.Found:
		name := e.Instrument
		if e.Text != "" {
			name += ", " + e.Text
		}
		return line("%s found      %s", good, name)
	case bench.Paused:
		return line("paused")
	case bench.Resumed:
		return line("going on")
	case bench.Refused:
		return line("%s not done: %s", warn, e.Text)
	case bench.NotSaved:
		return line("%s NOT SAVED: %v. Trying again.", warn, e.Err)
	case bench.Saved:
		return line("%s saved now", good)
	case bench.Warned:
		return line("%s warning    %v", warn, e.Err)
	case bench.Ended:
		if e.Err != nil {
			return line("%s the end of the sitting could not be noted: %v", warn, e.Err)
		}
		return nil
	}
	return nil
}

func readingLines(e bench.Event, clock string) []string {
	r := e.Reading
	m := mark.Verdict(r.Verdict)
	text := fmt.Sprintf("%s  %s %-9s  %-16s %s", clock, m.Symbol, m.Word, e.Task.Point, r.Reading.Value)
	if !r.Reading.Angle.IsZero() {
		text += ", " + r.Reading.Angle.String()
	}
	if !e.Task.Limits.IsZero() {
		text += fmt.Sprintf("  (%s)", e.Task.Limits)
	}
	if e.Task.Pass != "" {
		text += "  " + e.Task.Name
	}
	if r.Reading.Attested {
		text += "  " + mark.Attested.Symbol + " attested"
	}
	if len(r.Reading.Status) > 0 {
		text += "  [" + strings.Join(r.Reading.Status, ", ") + "]"
	}
	lines := []string{text + "  " + r.Entry.String()}
	for _, f := range e.Findings {
		if !ownVerdict(f, r.Verdict) {
			lines = append(lines, fmt.Sprintf("          %s %s: %s", warn, f.Kind, f.Text))
		}
	}
	return lines
}

// Plain gives a screen that writes plain lines.
func Plain(to io.Writer, zone *time.Location) func(bench.Event) {
	return func(e bench.Event) {
		lines := sentences(e, zone)
		if next := clean(nextWords(e, zone)); next != "" {
			lines = append(lines, "          "+next)
		}
		for _, line := range lines {
			_, _ = fmt.Fprintln(to, line)
		}
	}
}

// fit makes a text exactly so many columns wide.
func fit(text string, columns int) string {
	text = clipTo(text, columns)
	return text + strings.Repeat(" ", max(0, columns-utf8.RuneCountInString(text)))
}

// lastColumns leaves of a text what ends it, so that what is typed stays in view.
func lastColumns(text string, columns int) string {
	runes := []rune(text)
	return string(runes[max(0, len(runes)-columns):])
}

// clipTo cuts a text to so many columns.
func clipTo(text string, columns int) string {
	if utf8.RuneCountInString(text) <= columns {
		return text
	}
	runes := []rune(text)
	return string(runes[:max(0, columns-1)]) + "…"
}
