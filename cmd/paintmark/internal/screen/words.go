package screen

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/mark"
)

// indentation stands under the time and before what belongs to the line above.
const indentation = "          "

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
		if task.Limits.IsZero() {
			return fmt.Sprintf("MEASURE %s%s: %s", task.Point, againWords(task), task.Name)
		}
		return fmt.Sprintf("MEASURE %s%s (%s): %s", task.Point, againWords(task), task.Limits, task.Name)
	}
	return fmt.Sprintf("NEXT %s%s   %s   %s (%s)%s   %d of %d done", task.Point, againWords(task), task.Name, plan.TargetWords(task.Target),
		limitWords(task.Limits, task.Target.Unit), watchWords(task), e.Done, e.Of)
}

// watchWords are what is to be looked at besides the target: the torque at the
// end of an angle, and what the indicator must show for a stretch.
func watchWords(task judge.Task) string {
	if !task.Left.IsZero() {
		left := task
		left.Left = quantity.Quantity{}
		return ", " + task.Left.String() + " more" + watchWords(left)
	}
	switch {
	case !task.Watch.IsZero():
		return "   torque at the end " + task.Watch.String()
	case !task.Shows.IsZero():
		return "   the indicator must show " + task.Shows.String()
	default:
		return ""
	}
}

// limitWords are limits beside a value of a unit, which is not said twice.
func limitWords(l quantity.Limits, beside quantity.Unit) string {
	text := l.String()
	for _, end := range []quantity.Quantity{l.Least, l.Most} {
		if !end.IsZero() && end.Unit != beside {
			return text
		}
	}
	return strings.TrimSuffix(text, " "+beside.String())
}

// besideLimits goes behind a value: what it is in the plan's own unit, where the
// instrument has another, and the limits.
func besideLimits(v quantity.Quantity, l quantity.Limits) string {
	if l.IsZero() {
		return ""
	}
	text, unit := "", l.Unit()
	if v.Unit != unit {
		if shown, err := l.Shown(v, unit); err == nil {
			text = " ≈ " + shown.String()
		}
	}
	return text + " (" + limitWords(l, unit) + ")"
}

// judgedWords go behind what was read: what of it is compared with the limits,
// where that is not the value itself, and the limits.
func judgedWords(r judge.Judged, task judge.Task) string {
	switch {
	case task.Target.Dimension() == quantity.Angle:
		text := ""
		if c, err := r.Turned.Cmp(r.Reading.Angle); err == nil && c != 0 {
			text = ", " + r.Turned.String() + " in all"
		}
		return text + besideLimits(r.Turned, task.Limits)
	case task.Target.Dimension() == quantity.Length && !r.Stretch.IsZero():
		return ", stretch " + r.Stretch.String() + besideLimits(r.Stretch, task.Limits)
	default:
		return besideLimits(r.Reading.Value, task.Limits)
	}
}

func againWords(task judge.Task) string {
	words := ""
	if task.Again != "" {
		words = " again, it was " + string(task.Again)
	}
	if task.SentBack != "" {
		words += ", sent back: " + task.SentBack
	}
	if task.Loosen != "" {
		words += ", LOOSEN IT FIRST (" + task.Loosen + ")"
	}
	if task.LeftOut != "" {
		words += ", left out: " + task.LeftOut
	}
	return words
}

// The symbols of what went right, and of what wants attention.
var (
	good = mark.Verdict(judge.Within).Symbol
	warn = mark.Status(judge.Open).Symbol
)

// sentences says an event in plain lines; none where there is nothing to keep.
func sentences(e bench.Event, zone *time.Location) []string {
	lines := say(e, zone)
	if e.Hint != "" {
		lines = append(lines, indentation+"hint: "+e.Hint)
	}
	for i := range lines {
		lines[i] = clean(lines[i])
	}
	return lines
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
		return line("%s confirmed %s: %s", good, e.Task.Point, e.Task.Name)
	case bench.Skipped:
		return line("%s skipped   %s, %s: %s", mark.Skipped.Symbol, e.Task.Point, e.Task.Name, e.Text)
	case bench.Voided:
		return line("%s taken back %s at %s: %s", mark.TakenBack.Symbol, e.Entry, e.Task.Point, e.Text)
	case bench.NotCounted:
		return line("%s not counted %s: %s", warn, spoken(e.Value), e.Text)
	case bench.Unreadable:
		return line("%s unreadable %s sent %s: %s", warn, e.Instrument, strconv.Quote(clipTo(string(e.Raw), 40)), e.Text)
	case bench.Lost:
		return line("%s lost      %s: %s. Looking for it; what is recorded is safe.", warn, e.Instrument, why(e.Err))
	case bench.Found:
		name := e.Instrument
		if e.Text != "" {
			name += ", " + e.Text
		}
		if e.Err != nil {
			return line("%s found     %s: %s", warn, name, why(e.Err))
		}
		return line("%s found     %s", good, name)
	case bench.Quiet:
		return line("%s quiet     %s: %s; %s. What is recorded is safe.", warn, e.Instrument, why(e.Err), lastValue(e.Time, e.Since))
	case bench.Talking:
		return line("%s talking   %s; before that, %s", good, e.Instrument, lastValue(e.Time, e.Since))
	case bench.Unfinished:
		return line("%s unfinished %s sent %s: %s", warn, e.Instrument, strconv.Quote(clipTo(string(e.Raw), 40)), e.Text)
	case bench.CutOff:
		return line("%s interrupted pull at %s: %s. Its samples are kept; it is no reading.", warn, orUnknown(string(e.Task.Point)), e.Text)
	case bench.Zeroed:
		return line("%s zeroed    %s: %s. What it says from here on counts from there.", good, e.Instrument, e.Text)
	case bench.Paused:
		return line("paused")
	case bench.Resumed:
		return line("going on")
	case bench.Refused:
		return line("%s not done  %s", warn, e.Text)
	case bench.NotSaved:
		return line("%s NOT SAVED %s: %s. Trying again.", warn, e.Text, why(e.Err))
	case bench.Saved:
		return line("%s saved now", good)
	case bench.GivenUp:
		return line("%s GIVEN UP  %s: it is not in the book, %s", warn, e.Text, why(e.Err))
	case bench.Warned:
		return line("%s warning   %s", warn, why(e.Err))
	case bench.Ended:
		if e.Err != nil {
			return line("%s the end of the sitting could not be noted: %s", warn, why(e.Err))
		}
	}
	return nil
}

// orUnknown is a place, also where none is known.
func orUnknown(point string) string {
	if point == "" {
		return "a point that is not known"
	}
	return point
}

// lastValue is how long before now the last value came.
func lastValue(now, then time.Time) string {
	if then.IsZero() {
		return "no value came yet"
	}
	return "the last value came " + bench.Age(now.Sub(then))
}

// why is an error in words, also where none is given.
func why(err error) string {
	if err == nil {
		return "no reason given"
	}
	return err.Error()
}

// spoken is a value as a person says it, also where it has no unit.
func spoken(v quantity.Quantity) string {
	if v.IsZero() {
		return v.Number()
	}
	return v.String()
}

func readingLines(e bench.Event, clock string) []string {
	r := e.Reading
	m := mark.Verdict(r.Verdict)
	text := fmt.Sprintf("%s  %s %-8s  %-12s  %s", clock, m.Symbol, m.Word, e.Task.Point, r.Reading.Spoken())
	text += judgedWords(r, e.Task)
	if e.Task.Pass != "" {
		text += "  " + e.Task.Name
	}
	if r.Early {
		text += "  " + mark.Early.Symbol + " " + mark.Early.Word
	}
	if r.Reading.Attested {
		text += "  " + mark.Attested.Symbol + " " + mark.Attested.Word
	}
	if len(r.Reading.Status) > 0 {
		text += "  [" + strings.Join(r.Reading.Status, ", ") + "]"
	}
	lines := []string{text + "  " + r.Entry.String()}
	for _, f := range e.Findings {
		if !ownVerdict(f, r.Verdict) {
			lines = append(lines, fmt.Sprintf(indentation+"%s %s: %s", mark.Status(f.Status).Symbol, f.Kind, f.Text))
		}
	}
	return lines
}

// ownVerdict tells whether a finding says no more than the verdict itself.
func ownVerdict(f judge.Finding, v judge.Verdict) bool { return string(f.Kind) == string(v) }

// entryWords is an entry that can be taken back, in few words.
func entryWords(e fact.Entry) string {
	switch b := e.Body.(type) {
	case fact.Reading:
		return fmt.Sprintf("%s %s", b.Point, b.Spoken())
	case fact.Confirmation:
		return fmt.Sprintf("the confirmation of %s", b.Point)
	case fact.Skip:
		return fmt.Sprintf("the skip of %s", b.Point)
	}
	return e.String()
}

// Plain gives a screen that writes plain lines.
func Plain(to io.Writer, zone *time.Location) func(bench.Event) {
	return func(e bench.Event) {
		lines := sentences(e, zone)
		if next := clean(nextWords(e, zone)); next != "" {
			lines = append(lines, indentation+next)
		}
		for _, line := range lines {
			_, _ = fmt.Fprintln(to, line)
		}
	}
}
