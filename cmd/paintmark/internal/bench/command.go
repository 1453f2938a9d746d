package bench

import (
	"context"
	"fmt"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
)

// A CommandKind is what the builder wants.
type CommandKind string

// The kinds of command. Their names are the words of [ParseCommand].
const (
	Choose   CommandKind = "point"   // work on Point in Pass now
	Void     CommandKind = "void"    // take the reading Entry back, or the last, because of Text
	Leave    CommandKind = "skip"    // leave Point, or what is next, out of its pass because of Text
	Assure   CommandKind = "confirm" // the step at Point, or what is next, is done
	Attest   CommandKind = "attest"  // Text is the value of Point, or what is next, stated by hand
	Pause    CommandKind = "pause"
	Continue CommandKind = "go"
	Quit     CommandKind = "quit"
)

// A Command is one thing the builder wants.
type Command struct {
	Kind  CommandKind
	Point string // "head/7", or "7" in the joint that is being worked on
	Pass  fact.Pass
	Entry fact.Ref
	Text  string
}

// ParseCommand reads a command from a line, as it is typed where there is no
// terminal to press keys at:
//
//	point 7 [PASS]      point head/7 [PASS]
//	void REASON         void STATION#NUMBER REASON
//	skip REASON
//	confirm [POINT]
//	attest VALUE
//	pause   go   quit
func ParseCommand(line string) (Command, error) {
	word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	rest = strings.TrimSpace(rest)
	c := Command{Kind: CommandKind(word)}
	switch c.Kind {
	case Choose:
		point, pass, _ := strings.Cut(rest, " ")
		c.Point, c.Pass = point, fact.Pass(strings.TrimSpace(pass))
		if c.Point == "" {
			return c, fmt.Errorf("point: which?")
		}
	case Void:
		first, reason, _ := strings.Cut(rest, " ")
		if ref, err := fact.ParseRef(first); err == nil {
			c.Entry, rest = ref, strings.TrimSpace(reason)
		}
		c.Text = rest
		if c.Text == "" {
			return c, fmt.Errorf("void: a reason is needed")
		}
	case Leave:
		c.Text = rest
		if c.Text == "" {
			return c, fmt.Errorf("skip: a reason is needed")
		}
	case Assure:
		c.Point = rest
	case Attest:
		c.Text = rest
		if c.Text == "" {
			return c, fmt.Errorf("attest: which value?")
		}
	case Pause, Continue, Quit:
	default:
		return c, fmt.Errorf("%q is no command: they are point, void, skip, confirm, attest, pause, go and quit", word)
	}
	return c, nil
}

// command does what the builder wants, or says why it cannot.
func (w *sitting) command(ctx context.Context, c Command) error {
	refuse := func(format string, args ...any) error {
		w.show(Event{Kind: Refused, Text: fmt.Sprintf(format, args...)})
		return nil
	}
	task, ok := w.current()
	switch c.Kind {
	case Quit:
		return errLeave
	case Pause, Continue:
		w.paused = c.Kind == Pause
		kind := Resumed
		if w.paused {
			kind = Paused
		}
		w.show(Event{Kind: kind})
		return nil
	case Void:
		return w.void(ctx, c)
	case Choose:
		point := w.point(c.Point, task)
		t, err := w.state.TaskFor(point, c.Pass)
		if err != nil {
			return refuse("%v", err)
		}
		w.chosen = &choice{point, t.Pass}
		return nil
	}
	if c.Point != "" {
		t, err := w.state.TaskFor(w.point(c.Point, task), c.Pass)
		if err != nil {
			return refuse("%v", err)
		}
		task, ok = t, true
	}
	if !ok {
		return refuse("nothing is left to do")
	}
	switch c.Kind {
	case Assure:
		if task.Kind != judge.Confirm {
			return refuse("%s is nothing to confirm: it wants a reading", task.Point)
		}
		if _, err := w.save(ctx, fact.Confirmation{Point: task.Point}); err != nil {
			return err
		}
		w.settle(task, Event{Kind: Confirmed, Task: task})
	case Leave:
		if task.Pass == "" {
			return refuse("%s is preparation and cannot be left out; what is pulled without it is a finding", task.Point)
		}
		if _, err := w.save(ctx, fact.Skip{Point: task.Point, Pass: task.Pass, Because: c.Text}); err != nil {
			return err
		}
		w.settle(task, Event{Kind: Skipped, Task: task, Text: c.Text})
	case Attest:
		v, err := StatedValue(c.Text, task)
		if err != nil {
			return refuse("%v", err)
		}
		w.chosen = &choice{task.Point, task.Pass}
		return w.reading(ctx, "", fact.Reading{Value: v, Attested: true})
	default:
		return refuse("%q is not known", c.Kind)
	}
	return w.refresh(ctx)
}

// settle ends a choice that this task was, and shows what was done.
func (w *sitting) settle(task judge.Task, e Event) {
	if w.chosen != nil && w.chosen.point == task.Point {
		w.chosen = nil
	}
	w.show(e)
	w.shown = Event{}
}

// point completes a place to a point of the joint that is being worked on.
func (w *sitting) point(text string, task judge.Task) fact.Point {
	if strings.Contains(text, "/") || task.Joint == "" {
		return fact.Point(text)
	}
	return fact.NewPoint(task.Joint, text)
}

// StatedValue reads a value that a person stated for a task; without a unit it
// is in the unit of the task.
func StatedValue(text string, task judge.Task) (quantity.Quantity, error) {
	v, err := quantity.Parse(text)
	if err != nil {
		number, bad := quantity.ParseNumber(text)
		if bad != nil {
			return v, err
		}
		v = quantity.Quantity{Value: number, Unit: unitOf(task), Text: text}
	}
	if v.Value.Sign() < 0 && v.Dimension() == quantity.Torque {
		return v, fmt.Errorf("%s is no pull", v)
	}
	if task.Kind == judge.Confirm || v.Dimension() != dimension(task) {
		return v, fmt.Errorf("%s is not what %s wants", v, task.Point)
	}
	return v, nil
}

// void takes a reading back: the one named, or the last one in force.
func (w *sitting) void(ctx context.Context, c Command) error {
	target := c.Entry
	if target.IsZero() {
		if last, ok := LastReading(w.entries); ok {
			target = last
		}
	}
	body, err := Retraction(w.entries, target, c.Text)
	if err != nil {
		w.show(Event{Kind: Refused, Text: err.Error()})
		return nil
	}
	if _, err := w.save(ctx, body); err != nil {
		return err
	}
	w.show(Event{Kind: Voided, Entry: target, Task: judge.Task{Point: body.Point}, Text: c.Text})
	w.shown = Event{}
	return w.refresh(ctx)
}

// LastReading is the last entry that is a reading, a confirmation or a skip and
// was not taken back.
func LastReading(entries []fact.Entry) (fact.Ref, bool) {
	sorted := append([]fact.Entry(nil), entries...)
	fact.Sort(sorted)
	gone := voided(entries)
	for i := len(sorted) - 1; i >= 0; i-- {
		switch sorted[i].Body.(type) {
		case fact.Reading, fact.Confirmation, fact.Skip:
			if !gone[sorted[i].Ref] {
				return sorted[i].Ref, true
			}
		}
	}
	return fact.Ref{}, false
}

func voided(entries []fact.Entry) map[fact.Ref]bool {
	m := map[fact.Ref]bool{}
	for _, e := range entries {
		if v, ok := e.Body.(fact.Void); ok {
			m[v.Of] = true
		}
	}
	return m
}

// Retraction is the fact that takes an entry back. It fails for an entry that
// is not there, cannot be taken back, or was.
func Retraction(entries []fact.Entry, target fact.Ref, because string) (fact.Void, error) {
	if strings.TrimSpace(because) == "" {
		return fact.Void{}, fmt.Errorf("a reason is needed to take an entry back")
	}
	if target.IsZero() {
		return fact.Void{}, fmt.Errorf("there is nothing to take back")
	}
	if voided(entries)[target] {
		return fact.Void{}, fmt.Errorf("%s was taken back already", target)
	}
	for _, e := range entries {
		if e.Ref != target {
			continue
		}
		switch e.Body.(type) {
		case fact.Reading, fact.Confirmation, fact.Skip:
			return fact.Void{Of: target, Point: e.Body.About(), Because: because}, nil
		}
		return fact.Void{}, fmt.Errorf("%s is no reading, confirmation or skip, so it cannot be taken back", target)
	}
	return fact.Void{}, fmt.Errorf("the book has no entry %s", target)
}
