package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/device"
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
	Zero     CommandKind = "zero"    // set the instrument Text to zero, or the only one that can be
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
//	zero [INSTRUMENT]
//	pause   go   quit
func ParseCommand(line string) (Command, error) {
	word, rest := firstWord(line)
	c := Command{Kind: CommandKind(word)}
	switch c.Kind {
	case Choose:
		point, pass := firstWord(rest)
		c.Point, c.Pass = point, fact.Pass(pass)
		if c.Point == "" {
			return c, errors.New("point: which?")
		}
	case Void:
		first, reason := firstWord(rest)
		if ref, err := fact.ParseRef(first); err == nil {
			c.Entry, rest = ref, reason
		} else if strings.Contains(first, "#") { // a slip here must not take back the last one
			return c, fmt.Errorf("void: %w", err)
		}
		c.Text = rest
		if c.Text == "" {
			return c, errors.New("void: a reason is needed")
		}
	case Leave:
		c.Text = rest
		if c.Text == "" {
			return c, errors.New("skip: a reason is needed")
		}
	case Assure:
		c.Point = rest
	case Zero:
		c.Text = rest
	case Attest:
		c.Text = rest
		if c.Text == "" {
			return c, errors.New("attest: which value?")
		}
	case Pause, Continue, Quit:
		if rest != "" {
			return c, fmt.Errorf("%s stands alone, without %q", word, rest)
		}
	default:
		return c, fmt.Errorf("%q is no command: they are point, void, skip, confirm, attest, zero, pause, go and quit", word)
	}
	return c, nil
}

// firstWord parts a text at its first space.
func firstWord(text string) (word, rest string) {
	text = strings.TrimSpace(text)
	if i := strings.IndexFunc(text, unicode.IsSpace); i >= 0 {
		return text[:i], strings.TrimSpace(text[i:])
	}
	return text, ""
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
	case Zero:
		return w.zero(ctx, c)
	case Choose:
		t, err := w.choose(w.point(c.Point, task), c.Pass, task)
		if err != nil {
			return refuse("%v", err)
		}
		w.chosen = &choice{t.Point, t.Pass}
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
		if w.done(task) {
			return refuse("%s was confirmed already", task.Point)
		}
		if _, err := w.save(ctx, fact.Confirmation{Point: task.Point}); err != nil {
			return err
		}
		w.settle(task, Event{Kind: Confirmed, Task: task})
	case Leave:
		if task.Pass == "" {
			return refuse("%s is preparation and cannot be left out; what is pulled without it is a finding", task.Point)
		}
		if c, ok := w.cell(task); ok && c.Done {
			return refuse("%s is done in %s, so there is nothing to leave out", task.Point, task.Name)
		}
		if task.LeftOut != "" {
			return refuse("%s is left out of %s already: %s", task.Point, task.Name, task.LeftOut)
		}
		if strings.TrimSpace(c.Text) == "" {
			return refuse("a reason is needed to leave %s out", task.Point)
		}
		if _, err := w.save(ctx, fact.Skip{Point: task.Point, Pass: task.Pass, Because: c.Text}); err != nil {
			return err
		}
		w.settle(task, Event{Kind: Skipped, Task: task, Text: c.Text})
	case Attest:
		r, err := Stated(c.Text, task)
		if err != nil {
			return refuse("%v", err)
		}
		if w.paused {
			return refuse("recording is paused")
		}
		return w.reading(ctx, "", task, r)
	default:
		return refuse("%q is not known", c.Kind)
	}
	return w.lookAgain(ctx)
}

// choose finds the task that the builder means: in the pass that is being made
// unless another is named.
func (w *sitting) choose(point fact.Point, pass fact.Pass, now judge.Task) (judge.Task, error) {
	if pass == "" && now.Pass != "" && point.Joint() == now.Joint {
		if t, err := w.state.TaskFor(point, now.Pass); err == nil {
			return t, nil
		}
	}
	return w.state.TaskFor(point, pass)
}

// settle ends a choice that this task was, and shows what was done.
func (w *sitting) settle(task judge.Task, e Event) {
	if w.chosen != nil && w.chosen.point == task.Point && w.chosen.pass == task.Pass {
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

// Stated reads what a person stated for a task: a value, and where a bolt is to
// be turned through an angle that angle, with the torque at its end if it is
// known: "90°", or "90°, 62 N·m".
func Stated(text string, task judge.Task) (fact.Reading, error) {
	r := fact.Reading{Attested: true}
	if !byAngle(task) {
		v, err := StatedValue(text, task)
		r.Value = v
		return r, err
	}
	for part := range strings.SplitSeq(text, ",") {
		if v, err := quantity.Parse(strings.TrimSpace(part)); err == nil && v.Dimension() == quantity.Torque && v.Value.Sign() >= 0 && r.Value.IsZero() {
			r.Value = v
			continue
		}
		v, err := StatedValue(strings.TrimSpace(part), task)
		if err != nil {
			return r, err
		}
		if !r.Angle.IsZero() {
			return r, fmt.Errorf("%s and %s are two angles; with a decimal point, one is written 90.5°", r.Angle, v)
		}
		r.Angle = v
	}
	if r.Angle.IsZero() {
		return r, fmt.Errorf("an angle is wanted at %s, %s is a torque", task.Point, r.Value)
	}
	return r, nil
}

// StatedValue reads a value that a person stated for a task; without a unit it
// is in the unit of the task.
func StatedValue(text string, task judge.Task) (quantity.Quantity, error) {
	if task.Kind == judge.Confirm {
		return quantity.Quantity{}, fmt.Errorf("%s wants to be confirmed, not read", task.Point)
	}
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
	if v.Dimension() != dimension(task) {
		return v, fmt.Errorf("%s is wanted at %s, %s is %s", article(dimension(task)), task.Point, v, article(v.Dimension()))
	}
	return v, nil
}

// void takes a reading back: the one named, or the last one in force.
func (w *sitting) void(ctx context.Context, c Command) error {
	target := c.Entry
	if target.IsZero() {
		target = w.last().Ref
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
	return w.lookAgain(ctx)
}

// telling is how long an instrument is given to take what it is told.
const telling = 3 * time.Second

// zero sets an instrument to zero. That is noted, since it changes what its
// values mean.
func (w *sitting) zero(ctx context.Context, c Command) error {
	refuse := func(format string, args ...any) error {
		w.show(Event{Kind: Refused, Text: fmt.Sprintf(format, args...)})
		return nil
	}
	name := strings.TrimSpace(c.Text)
	var can []string
	var chosen *Instrument
	for n := range w.Instruments {
		i := &w.Instruments[n]
		if i.Name == name {
			chosen = i
		}
		if len(i.Zero) > 0 {
			can = append(can, i.Name)
			if name == "" {
				chosen = i
			}
		}
	}
	switch {
	case len(can) == 0:
		return refuse("no instrument here can be set to zero: no profile has a zero in [talk]")
	case name == "" && len(can) > 1:
		return refuse("set which to zero? %s", strings.Join(can, ", "))
	case chosen == nil:
		return refuse("there is no instrument %q here; those that can be set to zero are %s", name, strings.Join(can, ", "))
	case len(chosen.Zero) == 0:
		return refuse("%s cannot be set to zero from here: its profile has no zero in [talk]", chosen.Name)
	case w.stands(chosen).Lost:
		return refuse("%s is not there", chosen.Name)
	}
	teller, ok := chosen.Adapter.(device.Teller)
	if !ok {
		return refuse("%s: %v", chosen.Name, device.ErrDeaf)
	}
	limited, cancel := context.WithTimeout(ctx, telling)
	defer cancel()
	if err := teller.Tell(limited, chosen.Zero); err != nil {
		return refuse("%s was not set to zero: %v", chosen.Name, err)
	}
	sent := fmt.Sprintf("zero, by %q", chosen.Zero)
	if _, err := w.save(ctx, fact.Note{What: fact.InstrumentTold, Instrument: chosen.Name, Text: sent, Raw: chosen.Zero}); err != nil {
		return err
	}
	w.show(Event{Kind: Zeroed, Instrument: chosen.Name, Text: sent})
	return nil
}

// last is the last entry that can be taken back, of this sitting; else of this
// station. What another station did is taken back only by its name.
func (w *sitting) last() fact.Entry {
	gone := voided(w.entries)
	var last fact.Entry
	for _, e := range w.entries {
		ours := e.Session == w.began.Session
		if e.Station != w.began.Station || !retractable(e.Body) || gone[e.Ref] {
			continue
		}
		if was := last.Session == w.began.Session; last.IsZero() || ours && !was || ours == was && e.Number > last.Number {
			last = e
		}
	}
	return last
}

func retractable(b fact.Body) bool {
	switch b.(type) {
	case fact.Reading, fact.Confirmation, fact.Skip:
		return true
	}
	return false
}

// decision tells of what a person decided, which is taken back only by name.
func decision(b fact.Body) bool {
	switch b.(type) {
	case fact.Accepted, fact.SentBack:
		return true
	}
	return false
}

// LastReading is the last entry that is a reading, a confirmation or a skip and
// was not taken back.
func LastReading(entries []fact.Entry) (fact.Ref, bool) {
	sorted := append([]fact.Entry(nil), entries...)
	fact.Sort(sorted)
	gone := voided(entries)
	for i := len(sorted) - 1; i >= 0; i-- {
		if retractable(sorted[i].Body) && !gone[sorted[i].Ref] {
			return sorted[i].Ref, true
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
		if !retractable(e.Body) && !decision(e.Body) {
			return fact.Void{}, fmt.Errorf("%s is no reading, confirmation, skip or decision, so it cannot be taken back", target)
		}
		return fact.Void{Of: target, Point: e.Body.About(), Because: because}, nil
	}
	return fact.Void{}, fmt.Errorf("the book has no entry %s", target)
}
