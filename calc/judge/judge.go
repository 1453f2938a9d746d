// Package judge compares what was recorded with what the plan asks for.
//
// [Judge] is a pure function of a plan and entries. The same entries give the
// same answer whichever book they were read from and in whichever order, and
// whenever it is asked: times are compared with one another, never with now. It
// gives for every point and pass a [Cell] with the verdict of each reading,
// [Finding]s over the whole, what is next as a list of [Task]s, and the list of
// bolts to go over again as [Again].
//
// # Verdicts
//
// A reading in a stage or a re-torque is Within, Low or High against the limits
// of its pass; a value exactly on a limit is within. In a re-check the first
// reading of a bolt is a check: the bolt Held, or it Moved (turned further than
// the plan allows) or Relaxed (first moved at less torque than the plan allows),
// and what follows a bolt that did not hold is a pull to the pass's limits
// again. Movement is looked at before torque, since the torque at first
// movement lies below the tightening torque even of a sound bolt (Bickford,
// Introduction to the Design and Behavior of Bolted Joints: 150 lbf·ft,
// restarted at 100). A reading whose instrument reported an overload or an
// unsettled value is Doubtful and counts as none.
//
// In a stage by angle, what the bolt was turned in the pulls of the stage is
// added up and compared with the stage's limits, and the torque of the pull
// with what is watched: LowTorque and HighTorque are of a bolt that did not
// come to the torque, or went beyond it. A pull without an angle is Unjudged,
// and so is what follows it until the bolt is brought to its snug torque again.
// In a stage by stretch, a reading is a length, and what is compared is how much
// longer the bolt is than the last time it was measured in the preparation.
//
// A bolt that was turned or stretched too far, or of which that is not known, is
// to be loosened and tightened again from the first stage, and so is one whose
// length is measured anew: what it was pulled to before does not count any more.
//
// # Findings
//
// A finding is Open while there is work to do about it, ForReview when nothing
// that is done at the bench can mend it and a person must judge it, and Settled
// when a later entry did what was to be done. It is Accepted when a person
// judged it and lets it stand; an accepted reading needs nothing more. Each has
// a name, made of its kind, its place and the entries that it rests on, so that
// what was accepted covers nothing that came later.
//
// A bolt that a person sends back is open work until a newer reading is good.
//
// One mistake gives one finding, where it was made. A bolt pulled ahead of its
// turn is out of order, not all those that follow; a bolt that the work went on
// without is missed, and the bolts after it are not out of order.
//
// # What is left out
//
// A bolt that was left out of a pass on purpose holds nothing up: the next pass
// and the joints that wait may go on. It remains as an open finding and as a
// task until it is pulled, so that a build with one is not complete. Preparation
// cannot be left out.
//
// # What is taken back
//
// A reading, a confirmation, a skip or a decision that a void names counts as not having
// been. A void itself cannot be taken back.
package judge

import (
	"cmp"
	"errors"
	"slices"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// A Verdict is what one reading is against its target.
type Verdict string

// The verdicts.
const (
	Within   Verdict = "within"
	Low      Verdict = "low"
	High     Verdict = "high"
	Held     Verdict = "held"
	Relaxed  Verdict = "relaxed"
	Moved    Verdict = "moved"
	Doubtful Verdict = "doubtful"
	// Unjudged is a reading that does not measure what its pass asks for, or
	// for which the plan has no pass.
	Unjudged Verdict = "unjudged"
	// LowTorque is a bolt that was turned far enough, with less torque at the
	// end than is watched for; HighTorque one that came to more.
	LowTorque  Verdict = "low torque"
	HighTorque Verdict = "high torque"
)

// Good tells whether the verdict needs nothing more.
func (v Verdict) Good() bool { return v == Within || v == Held }

// A Judged reading is an entry's reading with its verdict.
type Judged struct {
	Entry   fact.Entry
	Reading fact.Reading
	Verdict Verdict
	// Early marks a check made before the re-check's wait was over, or before
	// the bolt was pulled in the last stage.
	Early bool
	// Again marks a pull of a bolt that had not held in the re-check.
	Again bool
	// Turned is how far the bolt was turned in the stage up to here, in a stage
	// by angle.
	Turned quantity.Quantity
	// Stretch is how much longer the bolt was than Before, the last reading of
	// its length before it was tightened, in a stage by stretch.
	Stretch quantity.Quantity
	Before  fact.Ref
	// Void is the entry that took the reading back, if one did.
	Void *fact.Entry

	at   int    // its place in the record
	done bool   // whether nothing more was to be done in its cell after it
	why  string // why it cannot be judged, where that is not plain
	late bool   // whether that is because its length was not measured in time
}

// A Cell is one point in one pass, or one step of preparation (Pass empty).
type Cell struct {
	Point fact.Point
	Pass  fact.Pass
	// Place is the bolt's or the step's key within its joint.
	Place string
	// Readings in the order in which they were taken, those taken back included.
	Readings []Judged
	// Skip is the skip in force, if any: a later reading ends it.
	Skip *fact.Entry
	// Confirmed is the confirmation in force, if any.
	Confirmed *fact.Entry
	// Past are the skips and confirmations that were taken back, and the skips
	// that something later ended.
	Past []Past
	// Done tells that nothing more is to be done here.
	Done bool

	reads     bool  // whether the plan asks for readings here, not for a word
	first     int   // place in the record of the first reading in force, -1 if none
	confirmed int   // place in the record of the confirmation in force, -1 if none
	skips     []int // places in the record of all skips not taken back
	// confirms are the places of all confirmations not taken back.
	confirms []int
	// sent are the places at which it was sent back.
	sent []int
	// sentBy is the last entry that sent it back, if any.
	sentBy *fact.Entry
	// accepted is the place of the acceptance by which its last reading stands,
	// -1 if there is none.
	accepted int
	// toPull tells of a cell of a re-check that its bolt did not hold and has not
	// been pulled to its limits since.
	toPull bool
}

// dealtWith tells whether the cell is done, or was left out on purpose.
func (c *Cell) dealtWith() bool { return c.Done || c.Skip != nil }

// dealtWithBefore tells the same of the time before a place in the record.
func (c *Cell) dealtWithBefore(at int) bool {
	done, last := c.confirmed >= 0 && c.confirmed < at, -1
	for _, r := range c.Readings {
		if r.Void == nil && r.at < at {
			done, last = r.done, r.at
		}
	}
	if n, _ := slices.BinarySearch(c.sent, at); n > 0 && c.sent[n-1] > last {
		done = false
	}
	done = done || c.accepted >= 0 && c.accepted < at
	n, _ := slices.BinarySearch(c.skips, at)
	return done || n > 0 && c.skips[n-1] > last
}

// A Past is a skip or a confirmation that is no longer in force.
type Past struct {
	Entry fact.Entry
	// Void is the entry that took it back; nil if a later reading or skip of
	// the same cell ended it.
	Void *fact.Entry
}

// Live are the readings that were not taken back.
func (c *Cell) Live() []Judged {
	if !slices.ContainsFunc(c.Readings, func(r Judged) bool { return r.Void != nil }) {
		return slices.Clip(c.Readings)
	}
	var live []Judged
	for _, r := range c.Readings {
		if r.Void == nil {
			live = append(live, r)
		}
	}
	return live
}

// Last is the reading that counts: the last not taken back.
func (c *Cell) Last() (Judged, bool) {
	for i := len(c.Readings) - 1; i >= 0; i-- {
		if c.Readings[i].Void == nil {
			return c.Readings[i], true
		}
	}
	return Judged{}, false
}

// A PassState is one pass of a joint with its cells, in the order in which the
// bolts are to be pulled in it.
type PassState struct {
	Pass  plan.Pass
	Cells []*Cell
	// NotBefore is when a re-check may be made at the earliest; zero is at once.
	NotBefore time.Time

	asked int // how many of the cells the pass asks for; the others were read all the same
}

// dealtWith tells whether every cell is done, or was left out on purpose.
func (p *PassState) dealtWith() bool {
	return !slices.ContainsFunc(p.Cells, func(c *Cell) bool { return !c.dealtWith() })
}

// Begun tells whether anything was read in this pass.
func (p *PassState) Begun() bool {
	for _, c := range p.Cells {
		if c.first >= 0 {
			return true
		}
	}
	return false
}

// Done is how many of the cells need nothing more.
func (p *PassState) Done() int {
	n := 0
	for _, c := range p.Cells {
		if c.Done {
			n++
		}
	}
	return n
}

// A JointState is a joint with all that was done to it.
type JointState struct {
	Joint  *plan.Joint
	Steps  []*Cell
	Passes []*PassState
	// Heat is the confirmation of the heat cycles before the re-torque; nil if
	// the joint has no re-torque.
	Heat *Cell

	first      int   // place in the record of the first pull, -1 if none
	stagePulls []int // places in the record of all pulls in stages
	loosened   map[string][]loosening
	last       *PassState // the last stage
}

// Begun tells whether a bolt of the joint was pulled.
func (j *JointState) Begun() bool { return j.first >= 0 }

// FirstPulled are the places of the bolts in the order in which they were first
// pulled in the last stage. Bolts not pulled in it yet are left out.
func (j *JointState) FirstPulled() []string {
	order := j.pulledOrder()
	pulled := make([]string, 0, len(j.last.Cells))
	for _, c := range j.last.Cells {
		if c.first >= 0 {
			pulled = append(pulled, c.Place)
		}
	}
	slices.SortFunc(pulled, func(a, b string) int { return cmp.Compare(order[a], order[b]) })
	return pulled
}

// Finished tells whether preparation, stages and re-check are done, so that
// other joints may follow. A bolt that was left out on purpose holds nothing
// up: it remains as a finding and a task. The re-torque comes after heat cycles
// and does not count here.
func (j *JointState) Finished() bool {
	for _, s := range j.Steps {
		if !s.Done {
			return false
		}
	}
	for _, p := range j.Passes {
		if p.Pass.Kind != plan.Retorque && !p.dealtWith() {
			return false
		}
	}
	return true
}

// Tightened tells whether all stages are done, but for bolts that were left out
// on purpose.
func (j *JointState) Tightened() bool {
	for _, p := range j.Passes {
		if p.Pass.Kind == plan.Stage && !p.dealtWith() {
			return false
		}
	}
	return true
}

// Pass finds a pass by its key.
func (j *JointState) Pass(key fact.Pass) (*PassState, bool) {
	for _, p := range j.Passes {
		if p.Pass.Key == key {
			return p, true
		}
	}
	return nil, false
}

// Cell finds the cell of a place in a pass.
func (p *PassState) Cell(place string) (*Cell, bool) {
	for _, c := range p.Cells {
		if c.Place == place {
			return c, true
		}
	}
	return nil, false
}

// A State is everything that plan and entries say together.
type State struct {
	Plan    *plan.Plan
	Opening fact.Opening
	Opened  fact.Entry
	// Replans are the changes of the plan, in order.
	Replans  []fact.Entry
	Joints   []*JointState
	Findings []Finding
	// Tasks are what can be done now, the first first. Tasks of a later joint
	// follow where the first must wait.
	Tasks []Task
	// Again is the list of bolts to go over, those pulled first first.
	Again []Again
	// Loose are readings for which the plan has no pass.
	Loose []Judged
	// Decisions are what was accepted and sent back, also where that was taken back.
	Decisions []Past
	// Notes are what happened to the sessions and the instruments.
	Notes []fact.Entry
	// Instruments are those that gave readings, in the order of their first.
	Instruments []fact.Instrument
	// Readings counts all readings in force, Attested those stated by hand,
	// Voided those taken back.
	Readings, Attested, Voided int
	// Entries counts all entries.
	Entries int
}

// Joint finds a joint's state by its key.
func (s *State) Joint(key string) (*JointState, bool) {
	for _, j := range s.Joints {
		if j.Joint.Key == key {
			return j, true
		}
	}
	return nil, false
}

// Reading finds a reading with its verdict by its entry.
func (s *State) Reading(ref fact.Ref) (Judged, bool) {
	in := func(list []Judged) int {
		return slices.IndexFunc(list, func(r Judged) bool { return r.Entry.Ref == ref })
	}
	for _, j := range s.Joints {
		for _, c := range j.Steps {
			if i := in(c.Readings); i >= 0 {
				return c.Readings[i], true
			}
		}
		for _, p := range j.Passes {
			for _, c := range p.Cells {
				if i := in(c.Readings); i >= 0 {
					return c.Readings[i], true
				}
			}
		}
	}
	if i := in(s.Loose); i >= 0 {
		return s.Loose[i], true
	}
	return Judged{}, false
}

// Complete tells that nothing of the plan is left to do.
func (s *State) Complete() bool { return len(s.Tasks) == 0 }

// Unsettled counts the findings that are open or for review.
func (s *State) Unsettled() int {
	n := 0
	for _, f := range s.Findings {
		if f.Status == Open || f.Status == ForReview {
			n++
		}
	}
	return n
}

// PlanOf gives the plan in force at the end of the entries: that of the first
// opening, or of the last change.
func PlanOf(entries []fact.Entry) (*plan.Plan, error) {
	sorted := append([]fact.Entry(nil), entries...)
	fact.Sort(sorted)
	name, text := "", ""
	found := false
	for _, e := range sorted {
		switch b := e.Body.(type) {
		case fact.Opening:
			if !found {
				name, text, found = b.PlanName, b.Plan, true
			}
		case fact.Replan:
			name, text, found = b.PlanName, b.Plan, true
		}
	}
	if !found {
		return nil, errors.New("the entries have no opening, so there is no plan")
	}
	return plan.Parse(name, []byte(text))
}

// Judge compares entries with a plan. It does not change the entries.
func Judge(p *plan.Plan, entries []fact.Entry) *State {
	j := newJudging(p, entries)
	j.gather()
	j.reorder()
	j.judgeCells()
	j.find()
	j.next()
	j.again()
	return j.state
}

// Foresee gives a reading the verdict that it will get when it is recorded
// after the entries. It does not say whether a check comes too early, since
// that depends on when it is recorded.
func Foresee(p *plan.Plan, entries []fact.Entry, r fact.Reading) Judged {
	next := fact.Entry{Ref: fact.Ref{Station: "\xff", Number: 1}, Body: r}
	for _, e := range entries {
		if e.Time.After(next.Time) {
			next.Time = e.Time
		}
	}
	foreseen, _ := Judge(p, append(slices.Clip(entries), next)).Reading(next.Ref)
	foreseen.Early = false
	return foreseen
}

// verdictOf compares a value with limits.
func verdictOf(v quantity.Quantity, l quantity.Limits) Verdict {
	place, err := l.Place(v)
	switch {
	case err != nil:
		return Unjudged
	case place == quantity.Below:
		return Low
	case place == quantity.Above:
		return High
	default:
		return Within
	}
}
