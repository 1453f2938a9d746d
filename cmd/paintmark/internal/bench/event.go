package bench

import (
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
)

// An EventKind names what happened. The names are part of the JSON output.
type EventKind string

// The kinds of event.
const (
	Began      EventKind = "began"       // the sitting
	Next       EventKind = "next"        // Task is next
	Waiting    EventKind = "waiting"     // Task is next, and must wait
	Read       EventKind = "reading"     // Reading is saved and judged
	Confirmed  EventKind = "confirmed"   // the step of Task
	Skipped    EventKind = "skipped"     // Task, because of Text
	Voided     EventKind = "voided"      // Entry, because of Text
	NotCounted EventKind = "not counted" // Value belongs to no point: Text
	Unreadable EventKind = "unreadable"  // Raw makes no sample: Text
	Lost       EventKind = "lost"        // Instrument: Err
	Found      EventKind = "found"       // Instrument, known by Text
	Paused     EventKind = "paused"
	Resumed    EventKind = "resumed"
	Refused    EventKind = "refused"   // what the builder asked for: Text
	NotSaved   EventKind = "not saved" // Text, because of Err; it is tried again
	Saved      EventKind = "saved"     // what was not saved before
	GivenUp    EventKind = "given up"  // Text is not in the book and will not be, because of Err
	Warned     EventKind = "warning"   // what was saved is safe, but Err
	Complete   EventKind = "complete"  // nothing is left to do
	Ended      EventKind = "ended"     // the sitting
)

// An Event is one thing that happened in a sitting. Which fields are set
// depends on its kind; Build, Time, State and Last always are.
type Event struct {
	Kind  EventKind
	Build string
	Time  time.Time
	State *judge.State
	// Last is what a Void that names no entry takes back now; zero if nothing.
	Last fact.Entry

	Task     judge.Task
	Done, Of int // how far the task's pass is
	Paused   bool
	Reading  judge.Judged
	Findings []judge.Finding // that this reading brought up

	Instrument string
	Value      quantity.Quantity
	Text       string
	Raw        []byte
	Entry      fact.Ref
	Err        error
}
