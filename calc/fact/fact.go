// Package fact is what was recorded while an engine was built: the entries of
// its book, as everyone speaks of them.
//
// A fact is something that happened: a reading was taken, a step confirmed, a
// bolt skipped, a reading taken back. Facts hold no verdict that anyone should
// rely on; verdicts are derived from the plan and the facts by package judge.
// Nothing is ever changed: a correction is a further fact.
//
// Each entry has a [Ref], the station that wrote it and its number there, and a
// time. [Sort] puts the entries of several stations into the one order in which
// all programs see them.
package fact

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/quantity"
)

// A Point is the key of anything that gets a reading or a confirmation:
// "head-left/7" a bolt, "head-left/dowel-front" a dimension. The first part is
// the joint, the second the place in it. The empty Point is the build itself.
type Point string

// NewPoint joins a joint's key and a place's.
func NewPoint(joint, place string) Point { return Point(joint + "/" + place) }

// Joint is the part before the slash.
func (p Point) Joint() string { joint, _, _ := strings.Cut(string(p), "/"); return joint }

// Place is the part after the slash.
func (p Point) Place() string { _, place, _ := strings.Cut(string(p), "/"); return place }

// A Pass is the key of one going-over of a joint, as package plan makes them:
// "stage-1", "stage-2", "recheck", "retorque". Preparation has none.
type Pass string

// A Ref names an entry: the station that wrote it and the entry's number there,
// counted from 1.
type Ref struct {
	Station string
	Number  uint64
}

// String is "bench-2#17".
func (r Ref) String() string { return r.Station + "#" + strconv.FormatUint(r.Number, 10) }

// IsZero tells that no entry is named.
func (r Ref) IsZero() bool { return r == Ref{} }

// ParseRef reads what String gives.
func ParseRef(text string) (Ref, error) {
	i := strings.LastIndexByte(text, '#')
	if i < 1 {
		return Ref{}, fmt.Errorf("%q is no entry: one is written station#number, as in bench-1#17", text)
	}
	n, err := strconv.ParseUint(text[i+1:], 10, 64)
	if err != nil || n == 0 {
		return Ref{}, fmt.Errorf("%q is no entry: one is written station#number, as in bench-1#17", text)
	}
	return Ref{Station: text[:i], Number: n}, nil
}

// An Entry is one recorded fact with its place in the record.
type Entry struct {
	Ref
	// Time is when it happened, in UTC. Within a session it is the session's
	// start plus Since, so that a clock that is set does not reorder the record.
	Time time.Time
	// Since is the monotonic distance from the session's start.
	Since time.Duration
	// Session names the sitting in which it was recorded.
	Session string
	// Hash is the entry's own SHA-256, as the book computed it.
	Hash [32]byte
	Body Body
}

// A Body is what an entry says. The types of this package that have the method
// are all there are.
type Body interface {
	// About is the point the fact belongs to; the build itself if empty.
	About() Point
	body()
}

// Opening begins a build. It pins the plan's whole text.
type Opening struct {
	Build    string
	Plan     string // the plan file's text, to the byte
	PlanName string // the name of the file it was read from
	Identity []Identity
	Program  string // the version of the program that opened it
}

// An Identity is one thing that tells this engine from others, as the plan
// asks for it: an engine number, a customer.
type Identity struct{ Name, Value string }

// Replan replaces the plan from here on, with a reason.
type Replan struct {
	Plan, PlanName string
	Because        string
}

// Instrument is what is known of the instrument that gave a reading, as the
// shop's list had it at that time.
type Instrument struct {
	Name       string // the shop's short name
	Address    string // where it was attached
	Identity   string // serial number of its cable or its own, as found
	Profile    string // the name of the profile that read it
	Range      quantity.Limits
	Calibrated string // date as known, RFC 3339 full-date; empty if unknown
	Due        string // date the next calibration is due; empty if unknown
}

// Reading is one value that an instrument gave, or that the builder stated by
// hand, for one point in one pass.
type Reading struct {
	Point Point
	Pass  Pass // empty for a measured step of preparation
	Value quantity.Quantity
	// Angle turned in this pull, where the instrument gives it.
	Angle quantity.Quantity
	// Attested marks a value stated by hand. It was not measured.
	Attested   bool
	Instrument Instrument // zero if attested
	Status     []string   // what the instrument said of itself: "overload", "low battery"
	Raw        []byte     // the bytes the value was read from
	Told       string     // the verdict the builder was told at the time
	Trace      Trace      // the pull's samples, where the instrument sends them
}

// A Trace names the samples of a pull, which the book keeps apart from its
// entries. An entry that names a trace covers it by its hash.
type Trace struct {
	Station string // who recorded it
	Number  uint64 // among the traces of that station, counted from 1
	Samples int
	Hash    [32]byte // SHA-256 of the bytes that the book keeps for it
}

// IsZero tells that no trace is named.
func (t Trace) IsZero() bool { return t == Trace{} }

// String is "trace 17 of bench-2".
func (t Trace) String() string { return fmt.Sprintf("trace %d of %s", t.Number, t.Station) }

// What an instrument can say of itself that the rest of the program knows.
// Profiles map what an instrument sends to these words; they may use others,
// which are shown as they are. An overload, and a value that has not settled,
// make no reading.
const (
	Overload   = "overload"
	NotSettled = "not settled"
	LowBattery = "low battery"
)

// Confirmation says that a step of preparation was done, or that the heat
// cycles before a re-torque were run.
type Confirmation struct{ Point Point }

// Skip says that a point was left out of a pass on purpose, and why.
type Skip struct {
	Point   Point
	Pass    Pass
	Because string
}

// Void takes an earlier entry back, with a reason. The entry stays.
type Void struct {
	Of Ref
	// Point is that of the entry taken back, so that its history is whole.
	Point   Point
	Because string
}

// Interrupted is a pull that was begun and never came to an end that anyone saw:
// the power failed, the program was ended, the instrument went away. It is no
// reading; its samples are kept as far as they came.
type Interrupted struct {
	Point      Point // empty if it was not known yet
	Pass       Pass
	Instrument Instrument
	Trace      Trace
	Because    string
}

// Accepted says that a person judged a finding and lets what it is about stand
// as it is.
type Accepted struct {
	// Finding is its name, and Kind its kind, as package judge gives them.
	Finding, Kind string
	Point         Point // of the finding; empty if it concerns a whole joint or the build
	Pass          Pass
	Of            []Ref // the entries that the finding rests on
	Because, By   string
}

// SentBack says that a person wants a bolt gone over again, or a step measured
// again: work for the builder, until a newer reading is right.
type SentBack struct {
	Point       Point
	Pass        Pass // empty for a measured step of preparation
	Because, By string
}

// Note is something that happened to the session: it began or ended, an
// instrument was lost or found again or told to do something, bytes came that
// made no reading.
type Note struct {
	Point      Point // empty if it concerns none
	What       string
	Instrument string
	Text       string
	Raw        []byte
	Trace      Trace // of a pull that made no reading
}

// What a Note can be about.
const (
	SessionBegan    = "session began"
	SessionEnded    = "session ended"
	InstrumentLost  = "instrument lost"
	InstrumentFound = "instrument found"
	InstrumentTold  = "instrument told"
	Unreadable      = "unreadable"
	NotAssigned     = "reading for no point"
	WitnessRenewed  = "witness renewed"
)

func (Opening) body()      {}
func (Replan) body()       {}
func (Reading) body()      {}
func (Confirmation) body() {}
func (Skip) body()         {}
func (Void) body()         {}
func (Note) body()         {}
func (Interrupted) body()  {}
func (Accepted) body()     {}
func (SentBack) body()     {}

// About implements Body.
func (Opening) About() Point        { return "" }
func (Replan) About() Point         { return "" }
func (r Reading) About() Point      { return r.Point }
func (c Confirmation) About() Point { return c.Point }
func (s Skip) About() Point         { return s.Point }
func (v Void) About() Point         { return v.Point }
func (n Note) About() Point         { return n.Point }

// About implements Body.
func (i Interrupted) About() Point { return i.Point }

// About implements Body.
func (a Accepted) About() Point { return a.Point }

// About implements Body.
func (s SentBack) About() Point { return s.Point }

// Spoken is what was read, as a person says it: "62.0 N·m", "62.0 N·m, 90°", or
// "90°" where only the angle is known. What has no unit is its number.
func (r Reading) Spoken() string {
	say := func(q quantity.Quantity) string {
		if !q.Unit.Known() {
			return q.Number()
		}
		return q.String()
	}
	switch {
	case r.Angle.IsZero():
		return say(r.Value)
	case r.Value.IsZero():
		return say(r.Angle)
	default:
		return say(r.Value) + ", " + say(r.Angle)
	}
}

// TraceOf is the trace that a fact names; the zero one if none.
func TraceOf(b Body) Trace {
	switch b := b.(type) {
	case Reading:
		return b.Trace
	case Interrupted:
		return b.Trace
	case Note:
		return b.Trace
	default:
		return Trace{}
	}
}

// Sort orders entries as they happened: each station's in the order of their
// numbers, and stations merged by time. Where a station's clock went back, its
// entries count as being at the latest time it had shown before. The order
// depends on the entries alone, not on the order they come in, even where two
// entries wrongly have one number.
func Sort(entries []Entry) {
	slices.SortFunc(entries, func(a, b Entry) int {
		return cmp.Or(cmp.Compare(a.Station, b.Station), cmp.Compare(a.Number, b.Number), a.Time.Compare(b.Time), bytes.Compare(a.Hash[:], b.Hash[:]))
	})
	type stamped struct {
		at    time.Time
		entry Entry
	}
	list := make([]stamped, len(entries))
	var latest time.Time
	for i, e := range entries {
		if i == 0 || entries[i-1].Station != e.Station || e.Time.After(latest) {
			latest = e.Time
		}
		list[i] = stamped{latest, e}
	}
	slices.SortStableFunc(list, func(a, b stamped) int { return a.at.Compare(b.at) })
	for i := range list {
		entries[i] = list[i].entry
	}
}
