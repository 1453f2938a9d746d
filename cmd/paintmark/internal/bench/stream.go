package bench

import (
	"context"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/device"
	"paintmark/device/pull"
)

// A Recording is the samples of a pull on their way into the book.
type Recording interface {
	// Save puts on disk what of the trace is not there yet. After an error it can
	// be called again, with more.
	Save(ctx context.Context, t *trace.Trace) error
	// End gives the name of what was saved; the zero one if nothing was.
	End() fact.Trace
}

const (
	// drawn is the time between two looks at a pull that goes on.
	drawn = 100 * time.Millisecond
	// listened is how often a pull is looked after that nothing comes of.
	listened = 500 * time.Millisecond
)

// A stream is a wrench that sends its torque all the time, and the pull that goes
// on.
type stream struct {
	cutter    *pull.Cutter
	aimed     judge.Task // what the cutter's aim was taken from
	unit      quantity.Unit
	recording Recording
	task      judge.Task // when the pull began
	status    []string
	peak      quantity.Quantity
	raw       []byte // the frame of the highest torque
	shown     time.Time
}

// stream takes a sample of a wrench that streams.
func (w *sitting) stream(ctx context.Context, from *Instrument, e device.Event) error {
	st, ok := w.streams[from]
	if !ok {
		st = &stream{cutter: pull.New(*from.Pull)}
		w.streams[from] = st
	}
	w.aim(st, e.Sample.Value.Unit)
	events, err := st.cutter.Feed(pull.Sample{Time: e.Sample.Time, Torque: e.Sample.Value, Angle: e.Sample.Angle})
	if err != nil {
		_, err = w.save(ctx, fact.Note{What: fact.Unreadable, Instrument: from.Name, Text: err.Error(), Raw: e.Sample.Raw})
		return err
	}
	if st.cutter.Going() != nil || len(events) > 0 {
		st.see(e.Sample)
	}
	if err := w.pulls(ctx, from, st, events, e.Identity); err != nil {
		return err
	}
	if p := st.cutter.Going(); p != nil && st.recording != nil && e.Time.Sub(st.shown) >= drawn {
		st.shown = e.Time
		w.show(Event{Kind: Pulling, Instrument: from.Name, Task: st.task, Value: e.Sample.Value, Angle: e.Sample.Angle})
	}
	return nil
}

// see keeps of a sample what the trace does not.
func (st *stream) see(s device.Sample) {
	for _, word := range s.Status {
		if !slices.Contains(st.status, word) {
			st.status = append(st.status, word)
		}
	}
	if c, err := s.Value.Cmp(st.peak); st.peak.IsZero() || err == nil && c > 0 {
		st.peak, st.raw = s.Value, s.Raw
	}
}

// aim tells the cutter what the next pull is to reach: the least that the task's
// target allows.
func (w *sitting) aim(st *stream, unit quantity.Unit) {
	t := w.shown.Task
	if t.Point == st.aimed.Point && t.Pass == st.aimed.Pass && t.Left == st.aimed.Left && unit == st.unit {
		return
	}
	st.aimed, st.unit = t, unit
	var a pull.Aim
	least := t.Limits.Least
	switch {
	case !t.Left.IsZero():
		least = t.Left
	case least.IsZero():
		least = t.Target
	}
	if in, err := least.In(unit, 9); err == nil {
		a.Torque = in.Value.InexactFloat64()
	} else if in, err := least.In(quantity.Degree, 9); err == nil {
		a.Angle = in.Value.InexactFloat64()
		a.Snug = w.snug(t, unit)
	}
	st.cutter.Aim(a)
}

// snug is the torque from which a stage by angle counts.
func (w *sitting) snug(t judge.Task, unit quantity.Unit) float64 {
	j, ok := w.plan.Joint(t.Joint)
	if !ok {
		return 0
	}
	pass, ok := j.Pass(t.Pass)
	if !ok {
		return 0
	}
	in, err := pass.Snug.In(unit, 9)
	if err != nil {
		return 0
	}
	return in.Value.InexactFloat64()
}

// pulls takes what a cutter told.
func (w *sitting) pulls(ctx context.Context, from *Instrument, st *stream, events []pull.Event, identity string) error {
	for _, e := range events {
		switch e.Kind {
		case pull.Began:
			st.task, _ = w.current()
			st.recording = nil
			if w.Record != nil {
				r, err := w.Record(st.task.Point, st.task.Pass, from.Name)
				if err != nil {
					w.show(Event{Kind: Warned, Err: err})
				} else {
					st.recording = r
				}
			}
			_ = w.keep(ctx, st, e.Pull)
		case pull.Went:
			_ = w.keep(ctx, st, e.Pull)
		case pull.Bumped:
			st.forget()
		case pull.Over:
			err := w.over(ctx, from, st, e.Pull, identity)
			st.forget()
			if err != nil {
				return err
			}
		}
	}
	return nil
}

func (st *stream) forget() {
	st.recording, st.status, st.peak, st.raw = nil, nil, quantity.Quantity{}, nil
}

// keep saves the samples so far. What could not be saved is saved with those that
// follow; that it could not is said once the pull is over.
func (w *sitting) keep(ctx context.Context, st *stream, p *pull.Pull) error {
	if st.recording == nil {
		return nil
	}
	return st.recording.Save(context.WithoutCancel(ctx), &p.Trace)
}

// over makes of a pull what it is: a reading, or a pull that was interrupted, or
// something that belongs to no point.
func (w *sitting) over(ctx context.Context, from *Instrument, st *stream, p *pull.Pull, identity string) error {
	var kept fact.Trace
	if err := w.keep(ctx, st, p); err != nil {
		w.show(Event{Kind: Warned, Instrument: from.Name, Err: err})
	}
	if st.recording != nil {
		kept = st.recording.End()
	}
	instrument := from.Instrument
	if identity != "" {
		instrument.Identity = identity
	}
	switch p.End {
	case pull.Cut:
		body := fact.Interrupted{Point: st.task.Point, Pass: st.task.Pass, Instrument: instrument, Trace: kept,
			Because: "nothing more came of it, at " + p.Highest().String()}
		if _, err := w.save(ctx, body); err != nil {
			return err
		}
		w.show(Event{Kind: CutOff, Instrument: from.Name, Task: st.task, Value: p.Highest(), Text: body.Because})
		return w.lookAgain(ctx)
	case pull.Loosened:
		return w.unassigned(ctx, from, fact.Reading{Value: p.Lowest(), Trace: kept}, "the bolt was turned back")
	}
	r := fact.Reading{Value: p.Highest(), Angle: p.Turned(), Instrument: instrument, Status: st.status, Raw: st.raw, Trace: kept}
	return w.assign(ctx, from, r, func(t judge.Task, r *fact.Reading) {
		if w.checks(t) {
			r.Value = breakaway(p, t.Target)
		}
	})
}

// checks tells whether a task asks at which torque a bolt moves again.
func (w *sitting) checks(t judge.Task) bool {
	if t.Again != "" { // it is pulled to the target again
		return false
	}
	j, ok := w.plan.Joint(t.Joint)
	if !ok {
		return false
	}
	pass, ok := j.Pass(t.Pass)
	return ok && pass.Kind == plan.Recheck
}

// breakaway is the torque at which a bolt first moved again, as far as the trace
// tells it, in steps of the wrench; else the highest.
func breakaway(p *pull.Pull, target quantity.Quantity) quantity.Quantity {
	f, err := trace.Read(&p.Trace, trace.Known{Target: target})
	if err != nil || !f.Breakaway.Told() {
		return p.Highest()
	}
	return quantity.New(decimal.NewFromFloat(f.Breakaway.Number()).Round(-p.Trace.Torque.Exponent), p.Trace.Torque.Unit)
}

// streaming tells whether a pull goes on, which silence may end.
func (w *sitting) streaming() bool {
	for _, st := range w.streams {
		if st.cutter.Going() != nil {
			return true
		}
	}
	return false
}

// silence ends pulls of which nothing comes any more.
func (w *sitting) silence(ctx context.Context) error {
	now := w.Now()
	for i := range w.Instruments {
		from := &w.Instruments[i]
		if st := w.streams[from]; st != nil {
			if err := w.pulls(ctx, from, st, st.cutter.Elapse(now), ""); err != nil {
				return err
			}
		}
	}
	return nil
}

// cutOff ends the pull of an instrument of which nothing will come for now.
func (w *sitting) cutOff(ctx context.Context, from *Instrument) error {
	st := w.streams[from]
	if st == nil {
		return nil
	}
	return w.pulls(ctx, from, st, st.cutter.Lost(), "")
}

// abandoned keeps the pulls that an earlier sitting of this station left without
// an end.
func (w *sitting) abandoned(ctx context.Context) error {
	if w.Abandoned == nil {
		return nil
	}
	list, err := w.Abandoned(ctx)
	if err != nil {
		w.show(Event{Kind: Warned, Err: err})
		return nil
	}
	for _, body := range list {
		if _, err := w.save(ctx, body); err != nil {
			return err
		}
		w.show(Event{Kind: CutOff, Instrument: body.Instrument.Name, Task: judge.Task{Point: body.Point, Pass: body.Pass}, Text: body.Because})
	}
	return nil
}
