package screen

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

// Engine and figures are invented.
const exercise = `
title   = "Exercise engine, top end"
edition = "1"
source  = "Invented for the tests."

[engine]
name      = "Exercise engine"
cylinders = 1

[[joint]]
key       = "head"
title     = "Cylinder head"
tolerance = "±4 %"
order     = ["12", "7"]

[joint.bolts]
7  = { x = "-20 mm", y = "0 mm" }
12 = { x = "20 mm", y = "0 mm" }

[[joint.prepare]]
key  = "faces"
text = "Faces clean"

[[joint.prepare]]
key   = "dowel-front"
text  = "Height of the front dowel"
least = "0.290 in"
most  = "0.320 in"

[[joint.stage]]
torque = "65 lbf·ft"
`

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// A teller makes events as a sitting would, second by second.
type teller struct {
	state *judge.State
	at    time.Time
	entry uint64
	last  fact.Entry
}

func newTeller(t testing.TB) *teller {
	p, err := plan.Parse("exercise.toml", []byte(exercise))
	require.NoError(t, err)
	return &teller{state: judge.Judge(p, nil), at: noon}
}

func (l *teller) tell(kind bench.EventKind, change ...func(*bench.Event)) bench.Event {
	l.at = l.at.Add(time.Second)
	e := bench.Event{Kind: kind, Build: "exercise", Time: l.at, State: l.state, Last: l.last}
	for _, c := range change {
		c(&e)
	}
	return e
}

func limits(least, most string) quantity.Limits {
	return quantity.Limits{Least: quantity.MustParse(least), Most: quantity.MustParse(most)}
}

// pulling is the task of a bolt.
func pulling(place string) judge.Task {
	return judge.Task{Kind: judge.Pull, Joint: "head", Point: fact.NewPoint("head", place), Pass: "stage-1", Place: place, Name: "stage 1",
		Target: quantity.MustParse("65 lbf·ft"), Limits: limits("62.4 lbf·ft", "67.6 lbf·ft")}
}

func confirming() judge.Task {
	return judge.Task{Kind: judge.Confirm, Joint: "head", Point: "head/faces", Place: "faces", Name: "Faces clean"}
}

func measuring() judge.Task {
	return judge.Task{Kind: judge.Measure, Joint: "head", Point: "head/dowel-front", Place: "dowel-front", Name: "Height of the front dowel",
		Limits: limits("0.290 in", "0.320 in")}
}

func (l *teller) next(task judge.Task, done int) bench.Event {
	return l.tell(bench.Next, func(e *bench.Event) {
		e.Task = task
		if task.Pass != "" {
			e.Done, e.Of = done, 2
		}
	})
}

func (l *teller) read(task judge.Task, value string, verdict judge.Verdict, change ...func(*bench.Event)) bench.Event {
	l.entry++
	return l.tell(bench.Read, append([]func(*bench.Event){func(e *bench.Event) {
		e.Task, e.Instrument = task, "wrench-a"
		e.Reading = judge.Judged{Verdict: verdict,
			Reading: fact.Reading{Point: task.Point, Pass: task.Pass, Value: quantity.MustParse(value), Told: string(verdict),
				Instrument: fact.Instrument{Name: "wrench-a", Identity: "A1"}, Raw: []byte(value)},
			Entry: fact.Entry{Ref: fact.Ref{Station: "bench-1", Number: l.entry}, Time: l.at}}
		e.Reading.Entry.Body = e.Reading.Reading
		l.last, e.Last = e.Reading.Entry, e.Reading.Entry
	}}, change...)...)
}

func (l *teller) words(kind bench.EventKind, text string) bench.Event {
	return l.tell(kind, func(e *bench.Event) { e.Text = text })
}

func (l *teller) fails(kind bench.EventKind, text string, err string) bench.Event {
	return l.tell(kind, func(e *bench.Event) {
		e.Text, e.Err, e.Instrument = text, errors.New(err), "wrench-a"
	})
}

// story is a sitting with one of nearly everything, from its beginning.
func (l *teller) story() []bench.Event {
	low := pulling("7")
	low.Again = judge.Low
	return []bench.Event{
		l.tell(bench.Began),
		l.next(confirming(), 0),
		l.tell(bench.Confirmed, func(e *bench.Event) { e.Task = confirming() }),
		l.next(measuring(), 0),
		l.read(measuring(), "0.305 in", judge.Within),
		l.next(pulling("12"), 0),
		l.read(pulling("12"), "65.20 lbf·ft", judge.Within),
		l.next(pulling("7"), 1),
		l.fails(bench.Lost, "", "serial:usb=A1: instrument lost"),
		l.tell(bench.Found, func(e *bench.Event) { e.Instrument, e.Text = "wrench-a", "A1" }),
		l.tell(bench.NotCounted, func(e *bench.Event) {
			e.Instrument, e.Value, e.Text = "gauge-b", quantity.MustParse("0.3 in"), "a torque is wanted at head/7, this is a length"
		}),
		l.read(pulling("7"), "58.1 lbf·ft", judge.Low, func(e *bench.Event) {
			e.Findings = []judge.Finding{
				{Kind: judge.BoltLow, Status: judge.Open, Text: "58.1 lbf·ft in stage 1, allowed is 62.4–67.6 lbf·ft"},
				{Kind: judge.OutOfOrder, Status: judge.ForReview, Text: "pulled in stage 1 before bolt 12"},
			}
		}),
		l.next(low, 1),
	}
}
