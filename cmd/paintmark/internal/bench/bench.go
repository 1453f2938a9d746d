// Package bench is a sitting at the engine stand: it joins the instruments, the
// book and the judge.
//
// A [Session] waits for what instruments and the builder say. A sample becomes
// a reading of the point that is next, or of the one the builder chose; it is
// committed to the book, judged, and only then shown. What is shown goes out as
// [Event]s, which a screen draws or prints as JSON. The builder's exceptions
// come in as [Command]s.
//
// Nothing that an instrument said is dropped: a sample that belongs to no point
// and bytes that make no sample are kept in the book as notes. A book that
// cannot be written is tried again until it can, and nothing is called saved
// before. When the sitting is ended, what has already arrived is recorded first;
// what the book does not take even then is told as given up, value by value.
package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/pull"
)

// A Book is what a sitting needs of a book.
type Book interface {
	// Append commits facts and returns their entries once they are on disk. With
	// entries and an error together, they are safe, and something about them
	// must be said.
	Append(ctx context.Context, bodies ...fact.Body) ([]fact.Entry, error)
	// Entries reads and verifies all there are.
	Entries(ctx context.Context) ([]fact.Entry, error)
}

// An Instrument is one that takes part in the sitting.
type Instrument struct {
	fact.Instrument
	// Measures is what its readings are of; None if that is only known from
	// their unit.
	Measures quantity.Dimension
	Adapter  device.Adapter
	// Zero is what sets it to zero, sent when the builder says so; nothing if it
	// cannot be. The adapter must be a device.Teller then.
	Zero []byte
	// Pull is how its stream of torque is cut into pulls; nil if each of its
	// samples is a reading.
	Pull *pull.Settings
}

// A Session is one sitting. Its fields are set before Run and not changed.
type Session struct {
	Build       string
	Book        Book
	Instruments []Instrument
	// Record begins the samples of a pull of a streaming wrench in the book; nil if
	// they are not kept.
	Record func(fact.Point, fact.Pass, string) (Recording, error)
	// Abandoned gives the pulls of earlier sittings that were never ended; may be nil.
	Abandoned func(context.Context) ([]fact.Interrupted, error)
	// Commands are the builder's. A closed channel means that none will come.
	Commands <-chan Command
	// Show is called with each event, always from the goroutine of Run.
	Show func(Event)
	// Now is the clock.
	Now func() time.Time
	// Final tells whether an error of the book cannot be waited out.
	Final func(error) bool
	// Retry is the time between two tries to write the book.
	Retry time.Duration
}

// sitting is the work in hand of one call of Run.
type sitting struct {
	*Session
	entries []fact.Entry
	plan    *plan.Plan
	state   *judge.State
	began   fact.Entry // the note of it
	chosen  *choice
	// joint and pass that the plan's order has led to. A wait that is over does
	// not turn the builder away from a pass in its middle.
	joint   string
	pass    fact.Pass
	paused  bool
	shown   Event // the last Next, Waiting or Complete, so that none is told twice
	heard   []Heard
	streams map[*Instrument]*stream
	hinted  map[string]string // what was last hinted at of each instrument
	failed  error             // why the book took something not even at last; nothing more is tried then
}

// choice is a point that the builder chose out of turn.
type choice struct {
	point fact.Point
	pass  fact.Pass
}

// heard is an event of one of the instruments.
type heard struct {
	from  *Instrument
	event device.Event
}

// Run holds the sitting until the builder leaves, nothing is left to do, every
// source of readings has ended, or ctx is done. It returns the last state. The
// adapters are closed when it returns.
func (s *Session) Run(ctx context.Context) (*judge.State, error) {
	w := &sitting{Session: s, hinted: map[string]string{}, streams: map[*Instrument]*stream{}}
	for _, i := range s.Instruments {
		w.heard = append(w.heard, Heard{Instrument: i.Name, Zeroes: len(i.Zero) > 0})
	}
	if err := w.refresh(ctx); err != nil {
		w.close()
		return nil, err
	}
	hears := w.listen()
	err := w.begin(ctx)
	if err == nil {
		err = w.loop(ctx, hears)
	}
	// What has arrived is recorded before the sitting ends.
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		w.close()
	}()
	for h := range hears {
		if failed := w.hear(ctx, h); failed != nil && (err == nil || err == ctx.Err()) {
			err = failed
		}
	}
	<-closed
	for i := range w.Instruments {
		if failed := w.cutOff(ctx, &w.Instruments[i]); err == nil {
			err = failed
		}
	}
	if ended := w.end(ctx); err == nil {
		err = ended
	}
	return w.state, err
}

// listen starts a goroutine for each instrument and merges what they tell. The
// channel is closed when all have ended.
func (w *sitting) listen() <-chan heard {
	hears := make(chan heard)
	var group sync.WaitGroup
	for i := range w.Instruments {
		from := &w.Instruments[i]
		group.Go(func() {
			for {
				event, err := from.Adapter.Next(context.Background())
				if err != nil {
					return
				}
				hears <- heard{from, event}
			}
		})
	}
	go func() {
		group.Wait()
		close(hears)
	}()
	return hears
}

func (w *sitting) close() {
	for i := range w.Instruments {
		_ = w.Instruments[i].Adapter.Close()
	}
}

func (w *sitting) begin(ctx context.Context) error {
	var names []string
	for _, i := range w.Instruments {
		names = append(names, strings.TrimSpace(i.Name+" "+i.Address))
	}
	saved, err := w.save(ctx, fact.Note{What: fact.SessionBegan, Text: strings.Join(names, "; ")})
	if err != nil {
		return err
	}
	w.began = saved[0]
	w.show(Event{Kind: Began})
	return w.abandoned(ctx)
}

func (w *sitting) end(ctx context.Context) error {
	var err error
	if !w.began.IsZero() {
		_, err = w.saveOnce(ctx, fact.Note{What: fact.SessionEnded})
	}
	w.show(Event{Kind: Ended, Err: err})
	return err
}

var errLeave = errors.New("the builder leaves")

func (w *sitting) loop(ctx context.Context, hears <-chan heard) error {
	commands := w.Commands
	for {
		wake := w.next()
		if w.state.Complete() {
			return nil
		}
		if hears == nil && commands == nil {
			return nil
		}
		var silence <-chan time.Time
		if w.streaming() {
			silence = time.After(listened)
		}
		var err error
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-wake:
		case <-silence:
			err = w.silence(ctx)
		case h, ok := <-hears:
			if !ok {
				hears = nil
				break
			}
			err = w.hear(ctx, h)
		case c, ok := <-commands:
			if !ok {
				commands = nil
				break
			}
			err = w.command(ctx, c)
		}
		switch {
		case errors.Is(err, errLeave):
			return nil
		case err != nil:
			return err
		}
	}
}

// refresh reads the book anew: another station may have written to it.
func (w *sitting) refresh(ctx context.Context) error {
	entries, err := w.Book.Entries(context.WithoutCancel(ctx))
	if err != nil {
		return err
	}
	p, err := judge.PlanOf(entries)
	if err != nil {
		return err
	}
	w.entries, w.plan, w.state = slices.Clip(entries), p, judge.Judge(p, entries)
	return nil
}

// lookAgain is refresh after something was saved. A book that cannot be read
// just now does not end the sitting: what this sitting saved is known anyway.
func (w *sitting) lookAgain(ctx context.Context) error {
	err := w.refresh(ctx)
	if err == nil || w.Final(err) {
		return err
	}
	w.show(Event{Kind: Warned, Err: err})
	return nil
}

// current is the task that the next fitting sample belongs to, which may have
// to wait; no task if nothing is left. It is the one the builder chose; else the
// first that may be done now, of the pass that is being made if it has one; else
// the one that may be done the earliest.
func (w *sitting) current() (judge.Task, bool) {
	tasks := w.state.Tasks
	if len(tasks) == 0 {
		return judge.Task{}, false
	}
	if w.chosen != nil {
		if t, err := w.state.TaskFor(w.chosen.point, w.chosen.pass); err == nil {
			return t, true
		}
		w.chosen = nil
	}
	now := w.Now()
	ready := func(t judge.Task) bool { return !t.NotBefore.After(now) }
	begun := func(t judge.Task) bool { return ready(t) && t.Joint == w.joint && t.Pass == w.pass && t.LeftOut == "" }
	for _, fits := range []func(judge.Task) bool{begun, ready} {
		if i := slices.IndexFunc(tasks, fits); i >= 0 {
			return tasks[i], true
		}
	}
	return slices.MinFunc(tasks, func(a, b judge.Task) int { return a.NotBefore.Compare(b.NotBefore) }), true
}

// next shows what is next, if that was not shown yet, and gives a channel that
// wakes the session when a wait is over.
func (w *sitting) next() <-chan time.Time {
	t, ok := w.current()
	e := Event{Kind: Next, Task: t, Paused: w.paused}
	var wake <-chan time.Time
	switch {
	case !ok:
		e = Event{Kind: Complete}
	case t.NotBefore.After(w.Now()):
		e.Kind = Waiting
		wake = time.After(min(t.NotBefore.Sub(w.Now()), time.Second))
	}
	if js, found := w.state.Joint(t.Joint); found && ok {
		if ps, found := js.Pass(t.Pass); found {
			e.Done, e.Of = ps.Done(), len(ps.Cells)
		}
	}
	if ok && w.chosen == nil && e.Kind == Next {
		w.joint, w.pass = t.Joint, t.Pass
	}
	if !sameNext(e, w.shown) {
		w.shown = e
		w.show(e)
	}
	return wake
}

func sameNext(a, b Event) bool {
	return a.Kind == b.Kind && a.Task.Point == b.Task.Point && a.Task.Pass == b.Task.Pass && a.Task.Kind == b.Task.Kind &&
		a.Task.Again == b.Task.Again && a.Done == b.Done
}

func (w *sitting) show(e Event) {
	e.Build, e.Time, e.State, e.Last, e.Heard = w.Build, w.Now(), w.state, w.last(), slices.Clone(w.heard)
	w.Show(e)
}

// hear takes one event of an instrument.
func (w *sitting) hear(ctx context.Context, h heard) error {
	name, stands := h.from.Name, w.stands(h.from)
	if kind := h.event.Kind; kind == device.Sampled || kind == device.Resumed {
		stands.Quiet = false
	}
	switch e := h.event; e.Kind {
	case device.Sampled:
		stands.Last = e.Time
		delete(w.hinted, name)
		if h.from.Pull != nil {
			return w.stream(ctx, h.from, e)
		}
		return w.sample(ctx, h.from, e)
	case device.Quiet:
		stands.Quiet = true
		w.show(Event{Kind: Quiet, Instrument: name, Err: e.Err, Since: e.Since, Hint: w.hint(name, e.Err)})
		return nil
	case device.Resumed:
		w.show(Event{Kind: Talking, Instrument: name, Since: e.Since})
		return nil
	case device.Unfinished:
		w.show(Event{Kind: Unfinished, Instrument: name, Text: text(e.Err), Raw: e.Raw, Hint: w.hint(name, e.Err)})
		return nil
	case device.Rejected:
		_, err := w.save(ctx, fact.Note{What: fact.Unreadable, Instrument: name, Text: text(e.Err), Raw: e.Raw})
		if err == nil {
			w.show(Event{Kind: Unreadable, Instrument: name, Text: text(e.Err), Raw: e.Raw, Pieces: e.Pieces, Bytes: e.Bytes, Hint: w.hint(name, e.Err)})
		}
		return err
	case device.Lost:
		stands.Lost, stands.Quiet = true, false
		if err := w.cutOff(ctx, h.from); err != nil {
			return err
		}
		_, err := w.save(ctx, fact.Note{What: fact.InstrumentLost, Instrument: name, Text: text(e.Err)})
		if err == nil {
			w.show(Event{Kind: Lost, Instrument: name, Err: e.Err, Hint: w.hint(name, e.Err)})
		}
		return err
	case device.Found:
		stands.Lost = false
		known := e.Identity
		if e.Err != nil {
			known = text(e.Err)
		}
		_, err := w.save(ctx, fact.Note{What: fact.InstrumentFound, Instrument: name, Text: known})
		if err == nil {
			w.show(Event{Kind: Found, Instrument: name, Text: e.Identity, Err: e.Err, Hint: w.hint(name, e.Err)})
		}
		return err
	case device.Ended:
		if err := w.cutOff(ctx, h.from); err != nil || e.Err == nil {
			return err
		}
		stands.Lost = true
		_, err := w.save(ctx, fact.Note{What: fact.InstrumentLost, Instrument: name, Text: text(e.Err)})
		if err == nil {
			w.show(Event{Kind: Lost, Instrument: name, Err: e.Err})
		}
		return err
	default:
		return nil
	}
}

// stands is how an instrument of the sitting stands.
func (w *sitting) stands(of *Instrument) *Heard {
	for i := range w.Instruments {
		if &w.Instruments[i] == of {
			return &w.heard[i]
		}
	}
	return &Heard{}
}

// hint is what to do about an error of an instrument, where that was not just
// said.
func (w *sitting) hint(name string, err error) string {
	var hinted interface{ HintText() string }
	if err == nil || !errors.As(err, &hinted) || hinted.HintText() == w.hinted[name] {
		return ""
	}
	w.hinted[name] = hinted.HintText()
	return w.hinted[name]
}

func text(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// sample makes a reading of a sample, or a note where it belongs to no point.
func (w *sitting) sample(ctx context.Context, from *Instrument, e device.Event) error {
	v := e.Sample
	r := fact.Reading{Value: v.Value, Angle: v.Angle, Attested: v.Attested, Status: v.Status, Raw: v.Raw}
	if !r.Attested {
		r.Instrument = from.Instrument
		if e.Identity != "" {
			r.Instrument.Identity = e.Identity
		}
	}
	return w.assign(ctx, from, r, nil)
}

// assign records a reading of an instrument at the point that it belongs to, or
// makes a note of it where there is none. Fit may change it to what the task asks.
func (w *sitting) assign(ctx context.Context, from *Instrument, r fact.Reading, fit func(judge.Task, *fact.Reading)) error {
	t, why := w.taskFor(&r)
	if d := r.Value.Dimension(); why == "" && from.Measures != quantity.None && d != from.Measures {
		why = fmt.Sprintf("%s is listed as measuring %s, and this is a %s", from.Name, from.Measures, d)
	}
	if why != "" {
		return w.unassigned(ctx, from, r, why)
	}
	if fit != nil {
		fit(t, &r)
	}
	if byAngle(t) && r.Value.Dimension() == quantity.Angle && r.Angle.IsZero() {
		r.Value, r.Angle = quantity.Quantity{}, r.Value
	}
	return w.reading(ctx, from.Name, t, r)
}

// unassigned makes a note of a reading that belongs to no point.
func (w *sitting) unassigned(ctx context.Context, from *Instrument, r fact.Reading, why string) error {
	_, err := w.save(ctx, fact.Note{What: fact.NotAssigned, Instrument: from.Name, Text: spoken(r.Value) + ": " + why, Raw: r.Raw, Trace: r.Trace})
	if err == nil {
		w.show(Event{Kind: NotCounted, Instrument: from.Name, Value: r.Value, Text: why})
	}
	return err
}

// spoken is a value as a person says it, also where it has no unit.
func spoken(v quantity.Quantity) string {
	if v.IsZero() {
		return v.Number()
	}
	return v.String()
}

// reading records a reading of a task, and only then shows it.
func (w *sitting) reading(ctx context.Context, name string, t judge.Task, r fact.Reading) error {
	r.Point, r.Pass = t.Point, t.Pass
	r.Told = string(judge.Foresee(w.plan, w.entries, r).Verdict)
	before := w.state.Findings
	saved, err := w.save(ctx, r)
	if err != nil {
		return err
	}
	if w.chosen != nil && w.chosen.point == t.Point && w.chosen.pass == t.Pass && w.done(t) {
		w.chosen = nil
	}
	judged, _ := w.state.Reading(saved[0].Ref)
	w.show(Event{Kind: Read, Instrument: name, Task: t, Reading: judged, Findings: fresh(before, w.state.Findings)})
	w.shown = Event{}
	return w.lookAgain(ctx)
}

// taskFor finds the task that a reading belongs to, or says why there is none.
// In a joint's preparation, several steps may be open at once: a reading goes
// to the first that is measured in its kind.
func (w *sitting) taskFor(r *fact.Reading) (judge.Task, string) {
	t, ok := w.current()
	switch {
	case !ok:
		return t, "nothing is left to do"
	case w.paused:
		return t, "recording is paused"
	}
	if r.Value.Unit == quantity.NoUnit {
		if !r.Attested {
			return t, "the instrument gave no unit, and its profile fixes none"
		}
		r.Value.Unit = unitOf(t)
	}
	if fits(t, r.Value) {
		return t, ""
	}
	if w.chosen == nil {
		for _, other := range w.state.Tasks {
			if other.Joint == t.Joint && other.Kind == judge.Measure && fits(other, r.Value) {
				return other, ""
			}
		}
	}
	if t.Kind == judge.Confirm {
		return t, fmt.Sprintf("first confirm %s: %s", t.Point, t.Name)
	}
	return t, fmt.Sprintf("%s is wanted at %s, this is %s", article(dimension(t)), t.Point, article(r.Value.Dimension()))
}

func article(d quantity.Dimension) string {
	if d == quantity.Angle {
		return "an " + d.String()
	}
	return "a " + d.String()
}

func dimension(t judge.Task) quantity.Dimension { return unitOf(t).Dimension() }

func unitOf(t judge.Task) quantity.Unit {
	if t.Unit.Known() {
		return t.Unit
	}
	if !t.Target.IsZero() {
		return t.Target.Unit
	}
	return t.Limits.Unit()
}

// byAngle tells whether a task is to turn a bolt through an angle.
func byAngle(t judge.Task) bool { return t.Target.Dimension() == quantity.Angle }

func fits(t judge.Task, v quantity.Quantity) bool {
	if byAngle(t) && v.Dimension() == quantity.Torque {
		return true // the angle comes with it, or cannot be judged
	}
	return t.Kind != judge.Confirm && v.Dimension() != quantity.None && v.Dimension() == dimension(t)
}

// cell is where the plan and the record meet for a task; none for a bolt that
// its pass need not go over.
func (w *sitting) cell(t judge.Task) (*judge.Cell, bool) {
	js, ok := w.state.Joint(t.Joint)
	if !ok {
		return nil, false
	}
	if ps, ok := js.Pass(t.Pass); ok {
		return ps.Cell(t.Place)
	}
	for _, c := range append(slices.Clip(js.Steps), js.Heat) {
		if c != nil && c.Point == t.Point {
			return c, true
		}
	}
	return nil, false
}

func (w *sitting) done(t judge.Task) bool {
	c, ok := w.cell(t)
	return !ok || c.Done
}

// fresh are the findings that were not there before and want something done.
func fresh(before, after []judge.Finding) []judge.Finding {
	var list []judge.Finding
	for _, f := range after {
		same := func(o judge.Finding) bool {
			return o.Kind == f.Kind && o.Point == f.Point && o.Pass == f.Pass && o.Status == f.Status && o.Joint == f.Joint &&
				slices.Equal(o.Entries, f.Entries)
		}
		if f.Status != judge.Settled && !slices.ContainsFunc(before, same) {
			list = append(list, f)
		}
	}
	return list
}

// save commits facts, and judges anew. While the book cannot be written it says
// so and tries again, for as long as ctx is not done, and then once more. What
// is not saved even so is told as given up.
func (w *sitting) save(ctx context.Context, body fact.Body) ([]fact.Entry, error) {
	told := false
	for w.failed == nil {
		last := ctx.Err() != nil
		saved, err := w.saveOnce(ctx, body)
		if err == nil {
			if told {
				w.show(Event{Kind: Saved})
			}
			return saved, nil
		}
		if last || w.Final(err) {
			w.failed = err
			break
		}
		if !told {
			e, _ := inHand(body)
			e.Kind, e.Err = NotSaved, err
			w.show(e)
			told = true
		}
		select {
		case <-ctx.Done():
		case <-time.After(w.Retry):
		}
	}
	if e, matters := inHand(body); matters {
		e.Kind, e.Err = GivenUp, w.failed
		w.show(e)
	}
	return nil, w.failed
}

// inHand is what a fact that is not saved yet looks like to the builder, and
// whether it would be missed.
func inHand(body fact.Body) (Event, bool) {
	switch b := body.(type) {
	case fact.Reading:
		return Event{Text: fmt.Sprintf("%s at %s", b.Spoken(), b.Point), Instrument: b.Instrument.Name, Value: b.Value, Raw: b.Raw}, true
	case fact.Note:
		matters := b.What == fact.NotAssigned || b.What == fact.Unreadable
		return Event{Text: b.What + ": " + b.Text, Instrument: b.Instrument, Raw: b.Raw}, matters
	case fact.Interrupted:
		return Event{Text: fmt.Sprintf("interrupted pull at %s", b.Point), Instrument: b.Instrument.Name}, true
	case fact.Confirmation:
		return Event{Text: fmt.Sprintf("%s confirmed", b.Point)}, true
	case fact.Skip:
		return Event{Text: fmt.Sprintf("%s skipped: %s", b.Point, b.Because)}, true
	case fact.Void:
		return Event{Text: fmt.Sprintf("%s taken back: %s", b.Of, b.Because)}, true
	}
	return Event{}, false
}

func (w *sitting) saveOnce(ctx context.Context, body fact.Body) ([]fact.Entry, error) {
	saved, err := w.Book.Append(context.WithoutCancel(ctx), body)
	if len(saved) == 0 {
		return nil, err
	}
	w.entries = append(w.entries, saved...)
	w.state = judge.Judge(w.plan, w.entries)
	if err != nil {
		w.show(Event{Kind: Warned, Err: err})
	}
	return saved, nil
}
