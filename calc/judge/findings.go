package judge

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// A Status says what a finding waits for.
type Status string

// The statuses.
const (
	// Open: there is work to do.
	Open Status = "open"
	// ForReview: nothing done at the bench can mend it; a person must judge it.
	ForReview Status = "for review"
	// Settled: a later entry did what was to be done.
	Settled Status = "settled"
	// Accepted: a person judged it and lets it stand.
	Accepted Status = "accepted"
)

// A FindingKind names what plan and readings disagree on. The names are part of
// the JSON output.
type FindingKind string

// The kinds of finding.
const (
	BoltLow            FindingKind = "low"                     // a reading of a bolt in a pass is low
	BoltHigh           FindingKind = "high"                    // or high
	BoltDoubtful       FindingKind = "doubtful"                // or its instrument disowned it
	BoltUnjudged       FindingKind = "unjudged"                // or it does not measure what the pass asks for
	BoltMissed         FindingKind = "bolt missed"             // the pass went on without this bolt
	BoltSkipped        FindingKind = "bolt skipped"            // left out on purpose, with a reason
	StageMissed        FindingKind = "stage missed"            // a whole stage was left out
	StageEarly         FindingKind = "pulled before its stage" // a bolt pulled in a pass before others were in the one below it
	OutOfOrder         FindingKind = "out of order"            // a bolt pulled before others that come first in the pass
	PulledTwice        FindingKind = "pulled twice"
	StepMissing        FindingKind = "not prepared"    // a joint begun before its preparation was confirmed
	StepOutside        FindingKind = "out of limits"   // a measured step outside its limits
	JointEarly         FindingKind = "joint too early" // begun before a joint it waits for was finished
	RecheckDue         FindingKind = "re-check due"    // not begun
	RecheckUnfinished  FindingKind = "re-check unfinished"
	RecheckEarly       FindingKind = "re-check too early"
	BoltRelaxed        FindingKind = "relaxed"
	BoltMoved          FindingKind = "moved"
	RetorqueDue        FindingKind = "re-torque due"
	RetorqueUnfinished FindingKind = "re-torque unfinished"
	RetorqueEarly      FindingKind = "re-torque too early" // before the heat cycles, or these before the stages
	InstrumentRange    FindingKind = "outside instrument range"
	InstrumentOverdue  FindingKind = "calibration overdue"
	NotInPlan          FindingKind = "not in the plan"
	AngleMissing       FindingKind = "angle missing"         // a pull in a stage by angle, of which the angle is not known
	TorqueLow          FindingKind = "low torque"            // turned far enough, with less torque than is watched for
	TorqueHigh         FindingKind = "high torque"           // more torque than is watched for
	TorqueUnwatched    FindingKind = "torque not watched"    // turned far enough, and the torque is not known
	UnderStretched     FindingKind = "under-stretched"       // too little stretch
	OverStretched      FindingKind = "over-stretched"        // too much
	LengthMissing      FindingKind = "length not measured"   // before the bolt was tightened
	LengthAgain        FindingKind = "length measured again" // after the bolt was tightened, without a cause
	BoltSentBack       FindingKind = "sent back"
)

// A Finding is one thing that plan and readings disagree on.
type Finding struct {
	// Name is what a person types to speak of it. It stays the same as long as
	// the finding rests on the same entries.
	Name   string
	Kind   FindingKind
	Status Status
	Joint  string
	Point  fact.Point // empty if the whole joint or build is meant
	Pass   fact.Pass
	// Text says it in one sentence, and Remedy what to do or what was done.
	Text, Remedy string
	// Entries it rests on, and Settled by which entry.
	Entries []fact.Ref
	By      fact.Ref

	rank [3]int // joint, pass, bolt: the order of the list
}

// find looks over the whole for findings.
func (j *judging) find() {
	for n, js := range j.state.Joints {
		f := finder{judging: j, js: js, joint: n, turns: j.walk(js)}
		f.steps()
		f.waitsFor()
		for i, ps := range js.Passes {
			f.pass, f.ps = i, ps
			switch ps.Pass.Kind {
			case plan.Recheck:
				f.recheck()
			case plan.Retorque:
				f.retorque()
			}
			f.turn()
			for k, c := range ps.Cells {
				f.skipped(k, c)
				f.readings(k, c)
				f.sentBack(k, c)
			}
			f.ranges(ps.Cells)
		}
	}
	j.overdue()
	for _, r := range j.state.Loose {
		if r.Void == nil {
			j.add(Finding{Kind: NotInPlan, Status: ForReview, Joint: r.Reading.Point.Joint(), Point: r.Reading.Point, Pass: r.Reading.Pass,
				Text:    fmt.Sprintf("%s was read at %s, which the plan does not have", number(r.Reading.Value), where(r.Reading.Point, r.Reading.Pass)),
				Remedy:  "take the reading back if it was a mistake",
				Entries: []fact.Ref{r.Entry.Ref}, rank: [3]int{len(j.state.Joints), 0, 0}})
		}
	}
	j.nameAndAccept()
	slices.SortStableFunc(j.state.Findings, func(a, b Finding) int {
		return cmp.Or(statusRank(a.Status)-statusRank(b.Status),
			a.rank[0]-b.rank[0], a.rank[1]-b.rank[1], a.rank[2]-b.rank[2])
	})
}

func statusRank(s Status) int { return slices.Index([]Status{Open, ForReview, Accepted, Settled}, s) }

func (j *judging) add(f Finding) { j.state.Findings = append(j.state.Findings, f) }

func where(point fact.Point, pass fact.Pass) string {
	if pass == "" {
		return string(point)
	}
	return string(point) + ", " + string(pass)
}

// finder looks over one joint.
type finder struct {
	*judging
	js    *JointState
	joint int
	turns *turns
	pass  int        // index of the pass, -1 in the preparation
	ps    *PassState // nil in the preparation
}

func (f *finder) report(bolt int, point fact.Point, made Finding) {
	made.Joint, made.Point, made.rank = f.js.Joint.Key, point, [3]int{f.joint, f.pass + 1, bolt}
	if f.ps != nil {
		made.Pass = f.ps.Pass.Key
	}
	f.add(made)
}

// steps finds preparation that was not done when the first bolt was pulled, and
// measurements outside their limits.
func (f *finder) steps() {
	f.pass, f.ps = -1, nil
	for i, c := range f.js.Steps {
		step := f.js.Joint.Steps[i]
		if step.Measured() {
			f.measured(i, c, step)
			f.sentBack(i, c)
		}
		if step.FreeLength() {
			f.length(i, c)
			continue
		}
		if !f.js.Begun() || c.dealtWithBefore(f.js.first) {
			continue
		}
		made := Finding{Kind: StepMissing, Status: Open, Entries: []fact.Ref{f.entries[f.js.first].Ref},
			Text:   "the joint was begun before this was done: " + step.Text,
			Remedy: "loosen the joint, prepare it and begin it again, or do it now and have it judged"}
		if c.Done {
			made.Status, made.Remedy = ForReview, "it was done later; someone must judge whether the joint can stay"
			if r, ok := c.Last(); ok && step.Measured() {
				made.By = r.Entry.Ref
			} else if c.Confirmed != nil {
				made.By = c.Confirmed.Ref
			}
		}
		f.report(i, c.Point, made)
	}
	f.ranges(f.js.Steps)
}

// measured finds the last measurement of a step that is not good, and those
// before that were and were mended.
func (f *finder) measured(i int, c *Cell, step plan.Step) {
	live := c.Live()
	n := len(live) - 1
	for n >= 0 && live[n].Verdict.Good() {
		n--
	}
	if n < 0 {
		return
	}
	r := live[n]
	made := Finding{Kind: StepOutside, Status: Open, Entries: []fact.Ref{r.Entry.Ref}, Remedy: "mend it and measure again"}
	like := step.Limits.Unit()
	if step.FreeLength() {
		made.Kind, like = LengthMissing, step.Free
	}
	switch r.Verdict {
	case Doubtful:
		made.Text = fmt.Sprintf("%s: %s, but the instrument said %s", step.Text, number(r.Reading.Value), said(r.Reading.Status))
		made.Remedy = "measure again"
	case Unjudged:
		made.Text = fmt.Sprintf("%s: %s is no %s", step.Text, number(r.Reading.Value), like.Dimension())
		made.Remedy = "measure again with the right instrument"
	default:
		made.Text = fmt.Sprintf("%s: %s is %s, allowed is %s", step.Text, inUnit(r.Reading.Value, like, step.Limits), r.Verdict, allowed(step.Limits))
	}
	if n+1 < len(live) {
		made.Status, made.By, made.Remedy = Settled, live[n+1].Entry.Ref, "measured again: "+live[n+1].Reading.Value.String()
	}
	f.report(i, c.Point, made)
}

// waitsFor finds a joint begun before one it waits for.
func (f *finder) waitsFor() {
	if !f.js.Begun() {
		return
	}
	for _, key := range f.js.Joint.After {
		other, ok := f.joints[key]
		if !ok || other.finishedBefore(f.js.first) {
			continue
		}
		made := Finding{Kind: JointEarly, Status: Open, Entries: []fact.Ref{f.entries[f.js.first].Ref},
			Text:   fmt.Sprintf("begun before %s was finished", key),
			Remedy: "finish " + key + " and have the order judged"}
		if other.Finished() {
			made.Status, made.Remedy = ForReview, key+" was finished later; someone must judge whether this joint can stay"
		}
		f.report(-1, "", made)
	}
}

// finishedBefore tells whether the joint was finished before a place in the record.
func (js *JointState) finishedBefore(at int) bool {
	for _, c := range js.Steps {
		if !c.dealtWithBefore(at) {
			return false
		}
	}
	for _, ps := range js.Passes {
		for _, c := range ps.Cells[:ps.asked] {
			if ps.Pass.Kind != plan.Retorque && !c.dealtWithBefore(at) {
				return false
			}
		}
	}
	return true
}

// skipped finds a bolt that was left out on purpose, also if it was pulled later.
func (f *finder) skipped(k int, c *Cell) {
	reason := func(e *fact.Entry) string {
		if because := strings.TrimSpace(e.Body.(fact.Skip).Because); because != "" {
			return because
		}
		return "no reason was given"
	}
	if c.Skip != nil {
		left, remedy := "left out of", pullTo(f.ps.Pass)
		if len(c.Live()) > 0 {
			left = "left as it is in"
		}
		if f.ps.Pass.Kind == plan.Recheck && !c.toPull {
			remedy = "go over it"
		}
		f.report(k, c.Point, Finding{Kind: BoltSkipped, Status: Open, Entries: []fact.Ref{c.Skip.Ref},
			Text:   fmt.Sprintf("%s %s on purpose: %s", left, f.name(f.pass), reason(c.Skip)),
			Remedy: remedy})
		return
	}
	if c.first < 0 || len(c.skips) == 0 || c.skips[0] > c.first {
		return
	}
	skip := &f.entries[c.skips[0]]
	made := Finding{Kind: BoltSkipped, Status: Settled, Entries: []fact.Ref{skip.Ref}, By: f.entries[c.first].Ref,
		Text:   fmt.Sprintf("left out of %s on purpose at first: %s", f.name(f.pass), reason(skip)),
		Remedy: "it was pulled later"}
	if left := f.turns.left[f.pass]; f.ps.Pass.Kind == plan.Stage && left.at >= 0 && c.first > left.at {
		made.Status, made.Remedy = ForReview, fmt.Sprintf("it was pulled only after %s was begun; %s", f.name(left.pass), stay)
	}
	f.report(k, c.Point, made)
}

// readings finds what is wrong with one bolt's readings in one pass.
func (f *finder) readings(k int, c *Cell) {
	live := c.Live()
	good, checked := len(live), len(live) // the first good reading, and the first check in time, after the one looked at
	var found []Finding
	for i := len(live) - 1; i >= 0; i-- {
		r := live[i]
		if r.Early {
			found = append(found, f.early(live, i, checked))
		}
		switch {
		case !r.Verdict.Good():
			if !r.late && (i+1 == len(live) || !sameRow(r, live[i+1])) {
				found = append(found, f.bad(live, i, good))
			}
		case i > 0 && f.twice(c, live[i-1], r):
			again := "pulled again"
			if r.Verdict == Held {
				again = "gone over again"
			}
			found = append(found, Finding{Kind: PulledTwice, Status: ForReview, Entries: []fact.Ref{live[i-1].Entry.Ref, r.Entry.Ref},
				Text:   fmt.Sprintf("%s in %s though it was %s: %s, then %s", again, f.name(f.pass), live[i-1].Verdict, live[i-1].Reading.Spoken(), r.Reading.Spoken()),
				Remedy: "someone must judge it, or take back the pull that was not this bolt's"})
		}
		if r.Verdict.Good() {
			good = i
			if made, ok := f.unwatched(r); ok {
				found = append(found, made)
			}
		} else if i+1 == len(live) && c.accepted >= 0 {
			good = i
		}
		if !r.Early && !r.Again && r.Verdict != Doubtful && r.Verdict != Unjudged {
			checked = i
		}
	}
	for i := len(found) - 1; i >= 0; i-- {
		f.report(k, c.Point, found[i])
	}
}

// sameRow tells whether two readings, one after the other, are wrong in the
// same way, so that they are told of once.
func sameRow(a, b Judged) bool {
	return a.Verdict == b.Verdict && a.Again == b.Again && a.late == b.late && angleMissing(a) == angleMissing(b)
}

// twice tells whether a bolt that needed nothing more was gone over once more.
// To check one again that was pulled again in the re-check is no mistake.
func (f *finder) twice(c *Cell, before, r Judged) bool {
	return before.done && !(before.Again && r.Verdict == Held) && !f.pulledBelow(c, before.at, r.at) && !f.js.askedAgain(c, before.at, r.at)
}

// pulledBelow tells whether a bolt was pulled in an earlier pass between two
// places in the record, so that it had to be pulled again in this one.
func (f *finder) pulledBelow(c *Cell, from, to int) bool {
	for _, ps := range f.js.Passes[:f.pass] {
		below, ok := f.cells[cellKey{c.Point, ps.Pass.Key}]
		if !ok {
			continue
		}
		n, _ := slices.BinarySearchFunc(below.Readings, from, func(r Judged, at int) int { return cmp.Compare(r.at, at) })
		for _, r := range below.Readings[n:] {
			if r.at >= to {
				break
			}
			if r.Void == nil {
				return true
			}
		}
	}
	return false
}

// bad is the finding of a row of readings that are wrong in the same way and
// end at i.
func (f *finder) bad(live []Judged, i, good int) Finding {
	pass, r := f.ps.Pass, live[i]
	begin := i
	for begin > 0 && sameRow(live[begin-1], live[begin]) {
		begin--
	}
	made := Finding{Kind: kindOf(r, pass), Status: Open, Remedy: "pull it again to " + pass.Target.String()}
	for _, o := range live[begin : i+1] {
		made.Entries = append(made.Entries, o.Entry.Ref)
		if c, err := o.compared(pass).Cmp(r.compared(pass)); r.Verdict == High && err == nil && c > 0 {
			r = o // the highest counts
		}
	}
	value := inUnit(r.Reading.Value, pass.Target.Unit, pass.Limits)
	in := f.name(f.pass)
	switch {
	case r.Verdict == Doubtful:
	case pass.ByAngle():
		made.Text, made.Remedy = f.turnedWords(r)
		return f.mended(made, live, good, true)
	case pass.ByStretch():
		made.Text, made.Remedy = f.stretchWords(r)
		return f.mended(made, live, good, r.Verdict == High)
	}
	switch r.Verdict {
	case Low:
		made.Text = fmt.Sprintf("%s in %s, allowed is %s", value, in, allowed(pass.Limits))
	case High:
		made.Text = fmt.Sprintf("%s in %s, allowed is %s", value, in, allowed(pass.Limits))
		made.Remedy = "look at the bolt and its thread, loosen it and pull it again to " + pass.Target.String()
	case Relaxed:
		value = inUnit(r.Reading.Value, pass.Relaxed.Unit, quantity.Limits{Least: pass.Relaxed})
		made.Text = fmt.Sprintf("it moved at %s in %s; a bolt that holds does not move below %s", value, in, rounded(pass.Relaxed))
	case Moved:
		angle := inUnit(r.Reading.Angle, pass.Moved.Unit, quantity.Limits{Most: pass.Moved})
		made.Text = fmt.Sprintf("it turned %s in %s; a bolt that holds turns at most %s", angle, in, pass.Moved)
	case Doubtful:
		made.Text = fmt.Sprintf("%s in %s, but the instrument said %s", number(r.Reading.Value), in, said(r.Reading.Status))
		if pass.ByAngle() {
			made.Text = fmt.Sprintf("%s in %s, but the instrument said %s", r.Reading.Spoken(), in, said(r.Reading.Status))
			made.Remedy = loosenRemedy(pass, f.js)
		}
	default:
		made.Text = unjudged(r, pass)
		made.Remedy = "take the reading back and go over the bolt with the right instrument"
	}
	return f.mended(made, live, good, r.Verdict == High && f.beyond(r.Reading.Value))
}

// mended settles a finding by the good reading that came after it, unless that
// does not show that the bolt is sound.
func (f *finder) mended(made Finding, live []Judged, good int, damaging bool) Finding {
	if good >= len(live) {
		return made
	}
	made.Status, made.By = Settled, live[good].Entry.Ref
	made.Remedy = "pulled again: " + live[good].compared(f.ps.Pass).String()
	if damaging && made.Kind != BoltLow {
		made.Status = ForReview
		made.Remedy += "; that does not show that the bolt was loosened before and is sound, which someone must judge"
	}
	return made
}

// unjudged says why a reading could not be judged.
func unjudged(r Judged, pass plan.Pass) string {
	switch {
	case r.Reading.Value.Dimension() != pass.Target.Dimension():
		return fmt.Sprintf("%s in %s is no %s", number(r.Reading.Value), passName(pass), pass.Target.Dimension())
	case r.Reading.Angle.IsZero():
		return fmt.Sprintf("%s in %s without an angle, and the plan only says how far a bolt may turn", r.Reading.Value, passName(pass))
	default:
		return fmt.Sprintf("%s in %s is no angle", number(r.Reading.Angle), passName(pass))
	}
}

// beyond tells whether a value lies above all that the plan allows in any pass
// of the joint.
func (f *finder) beyond(v quantity.Quantity) bool {
	for _, ps := range f.js.Passes {
		if place, err := (quantity.Limits{Most: ps.Pass.Limits.Most}).Place(v); err == nil && place != quantity.Above {
			return false
		}
	}
	return true
}

// early is the finding of a check that came too early.
func (f *finder) early(live []Judged, i, checked int) Finding {
	r := live[i]
	made := Finding{Kind: RecheckEarly, Status: Open, Entries: []fact.Ref{r.Entry.Ref}, Remedy: "go over it again after the wait"}
	end, _ := f.js.stagesEnded(f.judging, r.at)
	switch since := r.Entry.Time.Sub(end); {
	case f.beforePull(f.js, r.Reading.Point, r.at):
		made.Text = fmt.Sprintf("gone over before it was pulled in %s", passName(f.js.last.Pass))
		made.Remedy = "pull it, and go over it again"
	case since < 0:
		made.Text = fmt.Sprintf("the clock was set back since the last pull, so it is not known whether the wait of %s was over", plan.WaitWords(f.ps.Pass.Wait))
	default:
		made.Text = fmt.Sprintf("gone over %s after the last pull, the wait is %s", plan.WaitWords(since), plan.WaitWords(f.ps.Pass.Wait))
	}
	if checked < len(live) {
		made.Status, made.By, made.Remedy = Settled, live[checked].Entry.Ref, "gone over again after the wait"
	}
	return made
}

// recheck finds a re-check that is due or was not finished.
func (f *finder) recheck() {
	left := f.left()
	done, all := f.ps.Done(), len(f.ps.Cells)
	switch {
	case len(left) == 0:
	case f.ps.Begun():
		f.report(-1, "", Finding{Kind: RecheckUnfinished, Status: Open,
			Text:   fmt.Sprintf("%d of %d bolts gone over", done, all),
			Remedy: "go over " + bolts(left)})
	case f.js.Tightened():
		f.report(-1, "", Finding{Kind: RecheckDue, Status: Open,
			Text:   fmt.Sprintf("all stages are done, and no bolt was gone over: %d to do", len(left)),
			Remedy: "go over " + bolts(left) + waiting(f.ps.Pass)})
	}
}

func waiting(p plan.Pass) string {
	if p.Wait == 0 {
		return ""
	}
	return ", " + plan.WaitWords(p.Wait) + " after the last pull"
}

// retorque finds a re-torque that is due, was not finished, or was made before
// the heat cycles were confirmed. It is due when the whole engine is assembled,
// since that must have run.
func (f *finder) retorque() {
	left := f.left()
	done, all := f.ps.Done(), len(f.ps.Cells)
	cycles := plan.CycleWords(f.ps.Pass.HeatCycles)
	switch {
	case len(left) == 0:
	case f.ps.Begun():
		f.report(-1, "", Finding{Kind: RetorqueUnfinished, Status: Open,
			Text: fmt.Sprintf("%d of %d bolts re-torqued", done, all), Remedy: "re-torque " + bolts(left)})
	case f.assembled && f.js.Heat.Done:
		f.report(-1, "", Finding{Kind: RetorqueDue, Status: Open,
			Text: fmt.Sprintf("%s confirmed, and the re-torque is due: %s", cycles, count(len(left))), Remedy: "re-torque " + bolts(left)})
	case f.assembled:
		f.report(-1, "", Finding{Kind: RetorqueDue, Status: Open,
			Text:   fmt.Sprintf("a re-torque is due after %s: %s", cycles, count(len(left))),
			Remedy: "run and confirm the heat cycles, then re-torque " + bolts(left)})
	}
	var early []*Cell
	made := Finding{Kind: RetorqueEarly, Status: ForReview,
		Remedy: "someone must judge it, or take what was pulled back and re-torque after the heat cycles"}
	for _, c := range f.ps.Cells {
		if c.first >= 0 && (f.js.Heat.confirmed < 0 || f.js.Heat.confirmed > c.first) {
			early = append(early, c)
			made.Entries = append(made.Entries, f.entries[c.first].Ref)
		}
	}
	if len(early) > 0 {
		var places []string
		for _, c := range early {
			places = append(places, c.Place)
		}
		made.Text = fmt.Sprintf("%s re-torqued before the confirmation of %s", bolts(places), cycles)
		f.report(-1, onePoint(early), made)
	}
	f.heatEarly()
}

// heatEarly finds heat cycles that were confirmed before the joint was in its
// last stage.
func (f *finder) heatEarly() {
	heat := f.js.Heat
	if len(heat.confirms) == 0 || heat.confirmed == heat.confirms[0] {
		return
	}
	made := Finding{Kind: RetorqueEarly, Status: Open, Entries: []fact.Ref{f.entries[heat.confirms[0]].Ref},
		Text:   fmt.Sprintf("%s confirmed before a bolt was pulled in %s", plan.CycleWords(f.ps.Pass.HeatCycles), passName(f.js.last.Pass)),
		Remedy: "confirm them when they were run"}
	if heat.Done {
		made.Status, made.By, made.Remedy = Settled, heat.Confirmed.Ref, "confirmed again later"
	}
	f.report(-1, heat.Point, made)
}

// onePoint is the point of the cells if they are one, and empty if several.
func onePoint(cells []*Cell) fact.Point {
	if len(cells) == 1 {
		return cells[0].Point
	}
	return ""
}

func count(bolts int) string {
	if bolts == 1 {
		return "1 bolt"
	}
	return fmt.Sprintf("%d bolts", bolts)
}

// left are the places of the bolts that the pass still waits for.
func (f *finder) left() []string {
	var left []string
	for _, c := range f.ps.Cells {
		if !c.dealtWith() {
			left = append(left, c.Place)
		}
	}
	return left
}

// ranges finds readings outside the range their instrument is good for, and
// tells of each instrument once in a pass.
func (f *finder) ranges(cells []*Cell) {
	type key struct {
		name   string
		limits string
	}
	type group struct {
		cells []*Cell
		made  Finding
		last  Judged
	}
	groups := map[key]*group{}
	var keys []key
	for _, c := range cells {
		for _, r := range c.Readings {
			limits := r.Reading.Instrument.Range
			if r.Void != nil || (limits == quantity.Limits{}) {
				continue
			}
			if place, err := limits.Place(r.Reading.Value); err != nil || place == quantity.Inside {
				continue
			}
			k := key{called(r.Reading.Instrument), limits.String()}
			g := groups[k]
			if g == nil {
				g = &group{}
				groups[k], keys = g, append(keys, k)
			}
			if n := len(g.cells); n == 0 || g.cells[n-1] != c {
				g.cells = append(g.cells, c)
			}
			g.made.Entries, g.last = append(g.made.Entries, r.Entry.Ref), r
		}
	}
	for _, k := range keys {
		g := groups[k]
		made := g.made
		made.Kind, made.Status = InstrumentRange, ForReview
		made.Text = fmt.Sprintf("%s was read by %s, which is good for %s", g.last.Reading.Value, k.name, k.limits)
		if n := len(made.Entries); n > 1 {
			made.Text = fmt.Sprintf("%d readings, the last %s, were made by %s, which is good for %s", n, g.last.Reading.Value, k.name, k.limits)
		}
		made.Remedy = "pull again with an instrument of the right range, or have it judged"
		if f.ps == nil {
			made.Remedy = "measure again with an instrument of the right range, or have it judged"
		}
		f.report(-1, onePoint(g.cells), made)
	}
}

// overdue finds readings of instruments whose calibration was overdue, and
// tells of each instrument once.
func (j *judging) overdue() {
	index := map[[2]string]int{}
	for _, e := range j.entries {
		r, ok := e.Body.(fact.Reading)
		if !ok || j.voids[e.Ref] != nil {
			continue
		}
		due, err := time.Parse(time.DateOnly, r.Instrument.Due)
		if err != nil || e.Time.Before(due.AddDate(0, 0, 1)) { // good to the end of that day
			continue
		}
		key := [2]string{r.Instrument.Name, r.Instrument.Due}
		i, told := index[key]
		if !told {
			i = len(j.state.Findings)
			index[key] = i
			j.add(Finding{Kind: InstrumentOverdue, Status: ForReview,
				Text:   fmt.Sprintf("%s was used after its calibration was due on %s", called(r.Instrument), r.Instrument.Due),
				Remedy: "have the instrument checked and its readings judged", rank: [3]int{len(j.state.Joints), 0, 0}})
		}
		j.state.Findings[i].Entries = append(j.state.Findings[i].Entries, e.Ref)
	}
}
