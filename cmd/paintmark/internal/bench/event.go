package bench

import (
	"fmt"
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
	Quiet      EventKind = "quiet"       // Instrument, though it should be talking: Err; its last good frame came at Since
	Talking    EventKind = "talking"     // Instrument, which was quiet, again
	Unfinished EventKind = "unfinished"  // Raw came from Instrument, and not the rest of a frame: Text
	Pulling    EventKind = "pulling"     // Instrument shows Value and Angle just now, at Task
	CutOff     EventKind = "interrupted" // a pull at Task that had come to Value: Text
	Zeroed     EventKind = "zeroed"      // Instrument was told to; what was sent: Text
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
	// Heard is how each instrument stands, in the order of the sitting.
	Heard []Heard
	// Last is what a Void that names no entry takes back now; zero if nothing.
	Last fact.Entry

	Task     judge.Task
	Done, Of int // how far the task's pass is
	Paused   bool
	Reading  judge.Judged
	Findings []judge.Finding // that this reading brought up

	Instrument string
	Value      quantity.Quantity
	Angle      quantity.Quantity
	Text       string
	Raw        []byte
	// Pieces and Bytes are of an Unreadable that stands for many; see device.Event.
	Pieces, Bytes int
	Since         time.Time
	Entry         fact.Ref
	Err           error
	// Hint is what to do about Err or Text, where that is known and was not just
	// said of the same instrument.
	Hint string
}

// Heard is how an instrument stands.
type Heard struct {
	Instrument string
	// Last is when its last good frame came; zero if none has in this sitting.
	Last time.Time
	// Lost and Quiet are as told by the events of these names.
	Lost, Quiet bool
	// Zeroes tells that it can be set to zero from here.
	Zeroes bool
}

// Age says for how long nothing was heard, in few words.
func Age(d time.Duration) string {
	switch {
	case d < time.Second:
		return "now"
	case d < time.Minute:
		return fmt.Sprintf("%d s ago", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	}
	return fmt.Sprintf("%d h %02d min ago", int(d.Hours()), int(d.Minutes())%60)
}
