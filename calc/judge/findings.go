package judge

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

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
)

// A FindingKind names what plan and readings disagree on. The names are part of
// the JSON output.
type FindingKind string

// The kinds of finding.
const (
	BoltLow            FindingKind = "low"                     // the last reading of a bolt in a pass is low
	BoltHigh           FindingKind = "high"                    // or high
	BoltDoubtful       FindingKind = "doubtful"                // or its instrument disowned it
	BoltUnjudged       FindingKind = "unjudged"                // or it does not measure what the pass asks for
	BoltMissed         FindingKind = "bolt missed"             // the pass went on without this bolt
	BoltSkipped        FindingKind = "bolt skipped"            // left out on purpose, with a reason
	StageMissed        FindingKind = "stage missed"            // a whole stage was left out
	StageEarly         FindingKind = "pulled before its stage" // a bolt pulled in a stage before the one below it
	OutOfOrder         FindingKind = "out of order"
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
	RetorqueEarly      FindingKind = "re-torque too early" // before the heat cycles were confirmed
	InstrumentRange    FindingKind = "outside instrument range"
	InstrumentOverdue  FindingKind = "calibration overdue"
	NotInPlan          FindingKind = "not in the plan"
)

// A Finding is one thing that plan and readings disagree on.
type Finding struct {
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
		f := finder{judging: j, js: js, joint: n}
		f.steps()
		f.waitsFor()
		for i, ps := range js.Passes {
			f.pass, f.ps = i, ps
			switch ps.Pass.Kind {
			case plan.Recheck:
				f.recheck()
			case plan.Retorque:
				f.retorque()
			default:
				f.missed()
			}
			f.order()
			for k, c := range ps.Cells {
				f.readings(k, c)
			}
		}
	}
	j.instruments()
	for _, r := range j.state.Loose {
		if r.Void == nil {
			j.add(Finding{Kind: NotInPlan, Status: ForReview, Joint: r.Reading.Point.Joint(), Point: r.Reading.Point, Pass: r.Reading.Pass,
				Text:    fmt.Sprintf("%s was read at %s, which the plan does not have", r.Reading.Value, where(r.Reading.Point, r.Reading.Pass)),
				Remedy:  "take the reading back if it was a mistake",
				Entries: []fact.Ref{r.Entry.Ref}, rank: [3]int{len(j.state.Joints), 0, 0}})
		}
	}
	slices.SortStableFunc(j.state.Findings, func(a, b Finding) int {
		return cmp.Or(statusRank(a.Status)-statusRank(b.Status),
			a.rank[0]-b.rank[0], a.rank[1]-b.rank[1], a.rank[2]-b.rank[2])
	})
}

func statusRank(s Status) int { return slices.Index([]Status{Open, ForReview, Settled}, s) }

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
	pass  int
	ps    *PassState
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
		if r, ok := c.Last(); ok && step.Measured() && !r.Verdict.Good() {
			f.report(i, c.Point, Finding{Kind: StepOutside, Status: Open, Entries: []fact.Ref{r.Entry.Ref},
				Text:   fmt.Sprintf("%s: %s is %s, allowed is %s", step.Text, r.Reading.Value, r.Verdict, step.Limits),
				Remedy: "mend it and measure again"})
		}
		f.steppedPast(i, c, step)
		if !f.js.Begun() || c.doneAt >= 0 && c.doneAt < f.js.first {
			continue
		}
		made := Finding{Kind: StepMissing, Status: Open, Entries: []fact.Ref{f.entries[f.js.first].Ref},
			Text:   fmt.Sprintf("the joint was begun before this was done: %s", step.Text),
			Remedy: "loosen the joint, prepare it and begin it again, or do it now and have it judged"}
		if c.Done {
			made.Status, made.Remedy = ForReview, "it was done later; someone must judge whether the joint can stay"
			made.Entries = append(made.Entries, f.entries[c.doneAt].Ref)
		}
		f.report(i, c.Point, made)
	}
}

// steppedPast finds a measurement that was outside at first and was mended.
func (f *finder) steppedPast(i int, c *Cell, step plan.Step) {
	live := c.Live()
	for k, r := range live {
		if step.Measured() && !r.Verdict.Good() && k+1 < len(live) && c.Done {
			f.report(i, c.Point, Finding{Kind: StepOutside, Status: Settled, Entries: []fact.Ref{r.Entry.Ref}, By: live[len(live)-1].Entry.Ref,
				Text:   fmt.Sprintf("%s: %s was %s, allowed is %s", step.Text, r.Reading.Value, r.Verdict, step.Limits),
				Remedy: "measured again: " + live[len(live)-1].Reading.Value.String()})
			return
		}
	}
}

// waitsFor finds a joint begun before one it waits for.
func (f *finder) waitsFor() {
	if !f.js.Begun() {
		return
	}
	for _, key := range f.js.Joint.After {
		other, ok := f.state.Joint(key)
		if !ok {
			continue
		}
		finished := f.finishedAt(other)
		if finished >= 0 && finished < f.js.first {
			continue
		}
		made := Finding{Kind: JointEarly, Status: Open, Entries: []fact.Ref{f.entries[f.js.first].Ref},
			Text:   fmt.Sprintf("begun before %s was finished", key),
			Remedy: "finish " + key + " and have the order judged"}
		if finished >= 0 {
			made.Status, made.Remedy = ForReview, key+" was finished later; someone must judge whether this joint can stay"
		}
		f.report(-1, "", made)
	}
}

// finishedAt is the place in the record at which a joint was finished, -1 if it
// is not.
func (f *finder) finishedAt(js *JointState) int {
	if !js.Finished() {
		return -1
	}
	last := -1
	for _, c := range js.Steps {
		last = max(last, c.doneAt)
	}
	for _, ps := range js.Passes {
		if ps.Pass.Kind == plan.Retorque {
			continue
		}
		for _, c := range ps.Cells {
			last = max(last, c.doneAt)
		}
	}
	return last
}

// laterBegan is the place in the record at which a later pass of this joint
// was begun, -1 if none was.
func (f *finder) laterBegan() int {
	began := -1
	for _, ps := range f.js.Passes[f.pass+1:] {
		for _, c := range ps.Cells {
			if c.first >= 0 && (began < 0 || c.first < began) {
				began = c.first
			}
		}
	}
	return began
}

// missed finds bolts and whole stages that were left out: the pass is over for
// the others because a later one was begun, or because its last bolt was pulled.
func (f *finder) missed() {
	cells := f.ps.Cells
	later := f.laterBegan()
	if later >= 0 && !f.ps.Begun() {
		for _, c := range cells {
			if c.Skip != nil {
				f.skipped(c)
			}
		}
		f.report(-1, "", Finding{Kind: StageMissed, Status: Open, Entries: []fact.Ref{f.entries[later].Ref},
			Text:   fmt.Sprintf("no bolt was pulled in %s, and a later pass was begun", f.ps.Pass.Name),
			Remedy: "pull every bolt in it, then the later stages again"})
		return
	}
	over := later
	if last := cells[len(cells)-1]; last.first >= 0 && (over < 0 || last.first < over) {
		over = last.first
	}
	for k, c := range cells {
		switch {
		case c.Skip != nil:
			f.skipped(c)
		case over < 0 || k == len(cells)-1 && later < 0:
		case c.first < 0:
			f.report(k, c.Point, Finding{Kind: BoltMissed, Status: Open, Entries: []fact.Ref{f.entries[over].Ref},
				Text:   fmt.Sprintf("not pulled in %s, which went on without it", f.ps.Pass.Name),
				Remedy: "pull it to " + f.ps.Pass.Target.String() + ", then the stages after it"})
		case later >= 0 && c.first > later:
			f.report(k, c.Point, Finding{Kind: BoltMissed, Status: Settled, Entries: []fact.Ref{f.entries[later].Ref}, By: f.entries[c.first].Ref,
				Text:   fmt.Sprintf("missed in %s, and pulled only after a later pass was begun", f.ps.Pass.Name),
				Remedy: "pulled later"})
		}
	}
}

func (f *finder) skipped(c *Cell) {
	f.report(slices.Index(f.ps.Cells, c), c.Point, Finding{Kind: BoltSkipped, Status: Open, Entries: []fact.Ref{c.Skip.Ref},
		Text:   fmt.Sprintf("left out of %s: %s", f.ps.Pass.Name, c.Skip.Body.(fact.Skip).Because),
		Remedy: "pull it to " + f.ps.Pass.Target.String()})
}

// order finds bolts that were pulled before others that come first.
func (f *finder) order() {
	for k, c := range f.ps.Cells {
		if c.first < 0 {
			continue
		}
		var before []string
		for _, o := range f.ps.Cells[:k] {
			if (o.first < 0 || o.first > c.first) && !f.skippedBefore(o, c.first) {
				before = append(before, o.Place)
			}
		}
		if len(before) > 0 {
			f.report(k, c.Point, Finding{Kind: OutOfOrder, Status: ForReview, Entries: []fact.Ref{f.entries[c.first].Ref},
				Text:   fmt.Sprintf("pulled in %s before bolt %s", f.ps.Pass.Name, list(before)),
				Remedy: "someone must judge whether the joint can stay, or must be loosened and begun again"})
		}
	}
}

// skippedBefore tells whether the cell was skipped on purpose before a place in
// the record.
func (f *finder) skippedBefore(c *Cell, at int) bool {
	for _, i := range f.skips[cellKey{c.Point, c.Pass}] {
		if i < at {
			return true
		}
	}
	return false
}

func list(keys []string) string {
	if len(keys) > 6 {
		return strings.Join(keys[:6], ", ") + fmt.Sprintf(" and %d more", len(keys)-6)
	}
	return strings.Join(keys, ", ")
}

// readings finds what is wrong with one bolt's readings in one pass.
func (f *finder) readings(k int, c *Cell) {
	live := c.Live()
	for i, r := range live {
		good := i + 1 // the first good reading after this one
		for good < len(live) && !live[good].Verdict.Good() {
			good++
		}
		if !r.Verdict.Good() {
			f.bad(k, c, live, i, good)
		} else if i > 0 && live[i-1].Verdict.Good() && !live[i-1].Early {
			f.report(k, c.Point, Finding{Kind: PulledTwice, Status: ForReview, Entries: []fact.Ref{live[i-1].Entry.Ref, r.Entry.Ref},
				Text:   fmt.Sprintf("pulled again in %s though it was %s: %s, then %s", f.ps.Pass.Name, live[i-1].Verdict, live[i-1].Reading.Value, r.Reading.Value),
				Remedy: "someone must judge it, or take back the pull that was not this bolt's"})
		}
		if r.Early {
			f.early(k, c, live, i)
		}
		f.inRange(k, c, r)
	}
	f.stageEarly(k, c)
}

// bad reports the reading at i, once for a row of readings of the same verdict.
func (f *finder) bad(k int, c *Cell, live []Judged, i, good int) {
	r := live[i]
	if i+1 < len(live) && live[i+1].Verdict == r.Verdict && live[i+1].Again == r.Again {
		return
	}
	made := Finding{Status: Open, Entries: []fact.Ref{r.Entry.Ref}}
	pass := f.ps.Pass
	switch r.Verdict {
	case Low:
		made.Kind, made.Text = BoltLow, fmt.Sprintf("%s in %s, allowed is %s", r.Reading.Value, pass.Name, pass.Limits)
		made.Remedy = "pull it again to " + pass.Target.String()
	case High:
		made.Kind, made.Text = BoltHigh, fmt.Sprintf("%s in %s, allowed is %s", r.Reading.Value, pass.Name, pass.Limits)
		made.Remedy = "look at the bolt and its thread, loosen it and pull it again to " + pass.Target.String()
	case Relaxed:
		made.Kind, made.Text = BoltRelaxed, fmt.Sprintf("moved at %s in the %s, held is at least %s", r.Reading.Value, pass.Name, pass.Relaxed)
		made.Remedy = "pull it again to " + pass.Target.String()
	case Moved:
		made.Kind, made.Text = BoltMoved, fmt.Sprintf("turned %s in the %s, held is at most %s", r.Reading.Angle, pass.Name, pass.Moved)
		made.Remedy = "pull it again to " + pass.Target.String()
	case Doubtful:
		made.Kind, made.Text = BoltDoubtful, fmt.Sprintf("%s in %s, but the instrument said %s", r.Reading.Value, pass.Name, strings.Join(r.Reading.Status, ", "))
		made.Remedy = "pull it again to " + pass.Target.String()
	default:
		made.Kind, made.Text = BoltUnjudged, fmt.Sprintf("%s is no %s", r.Reading.Value, pass.Target.Dimension())
		made.Remedy = "take the reading back and pull the bolt with the right instrument"
	}
	if good < len(live) {
		made.Status, made.By = Settled, live[good].Entry.Ref
		made.Remedy = "pulled again: " + live[good].Reading.Value.String()
	}
	f.report(k, c.Point, made)
}

func (f *finder) early(k int, c *Cell, live []Judged, i int) {
	r := live[i]
	end, _ := f.js.stagesEnded(f.judging, f.position[r.Entry.Ref])
	made := Finding{Kind: RecheckEarly, Status: Open, Entries: []fact.Ref{r.Entry.Ref},
		Text:   fmt.Sprintf("gone over %s after the last pull, the wait is %s", plan.WaitWords(r.Entry.Time.Sub(end)), plan.WaitWords(f.ps.Pass.Wait)),
		Remedy: "go over it again after the wait"}
	for _, later := range live[i+1:] {
		if !later.Early && !later.Again && later.Verdict != Doubtful {
			made.Status, made.By, made.Remedy = Settled, later.Entry.Ref, "gone over again after the wait"
			break
		}
	}
	f.report(k, c.Point, made)
}

// stageEarly finds a bolt first pulled in a stage before the stage below it.
func (f *finder) stageEarly(k int, c *Cell) {
	if f.ps.Pass.Kind != plan.Stage || f.pass == 0 || c.first < 0 {
		return
	}
	below := f.js.Passes[f.pass-1]
	under, ok := below.Cell(c.Place)
	if !ok || under.first >= 0 && under.first < c.first || !below.Begun() {
		return // a stage missed as a whole is reported once, by missed
	}
	f.report(k, c.Point, Finding{Kind: StageEarly, Status: ForReview, Entries: []fact.Ref{f.entries[c.first].Ref},
		Text:   fmt.Sprintf("pulled in %s before it was pulled in %s", f.ps.Pass.Name, below.Pass.Name),
		Remedy: "someone must judge whether the bolt can stay, or must be loosened and begun again"})
}

// recheck finds a re-check that is due or was not finished.
func (f *finder) recheck() {
	done, all := f.ps.Done(), len(f.ps.Cells)
	switch {
	case done == all:
	case f.ps.Begun():
		f.report(-1, "", Finding{Kind: RecheckUnfinished, Status: Open,
			Text:   fmt.Sprintf("%d of %d bolts gone over", done, all),
			Remedy: "go over bolt " + list(f.left())})
	case f.js.Tightened():
		f.report(-1, "", Finding{Kind: RecheckDue, Status: Open,
			Text:   fmt.Sprintf("all stages are done, and no bolt was gone over: %d to do", all),
			Remedy: "go over bolt " + list(f.left()) + waiting(f.ps.Pass)})
	}
}

func waiting(p plan.Pass) string {
	if p.Wait == 0 {
		return ""
	}
	return ", " + plan.WaitWords(p.Wait) + " after the last pull"
}

// retorque finds a re-torque that is due, was not finished, or was made before
// the heat cycles were confirmed.
func (f *finder) retorque() {
	done, all := f.ps.Done(), len(f.ps.Cells)
	cycles := plan.CycleWords(f.ps.Pass.HeatCycles)
	switch {
	case done == all:
	case f.ps.Begun():
		f.report(-1, "", Finding{Kind: RetorqueUnfinished, Status: Open,
			Text: fmt.Sprintf("%d of %d bolts re-torqued", done, all), Remedy: "re-torque bolt " + list(f.left())})
	case f.js.Finished():
		f.report(-1, "", Finding{Kind: RetorqueDue, Status: Open,
			Text:   fmt.Sprintf("a re-torque is due after %s: %d bolts", cycles, all),
			Remedy: "run and confirm the heat cycles, then re-torque bolt " + list(f.left())})
	}
	for k, c := range f.ps.Cells {
		if c.first >= 0 && (f.js.Heat.Confirmed == nil || f.js.Heat.doneAt > c.first) {
			f.report(k, c.Point, Finding{Kind: RetorqueEarly, Status: ForReview, Entries: []fact.Ref{f.entries[c.first].Ref},
				Text:   fmt.Sprintf("re-torqued before %s were confirmed", cycles),
				Remedy: "someone must judge it, or take the pull back and re-torque after the heat cycles"})
		}
	}
}

func (f *finder) left() []string {
	var left []string
	for _, c := range f.ps.Cells {
		if !c.Done {
			left = append(left, c.Place)
		}
	}
	return left
}

// inRange finds a reading outside the range its instrument is good for.
func (f *finder) inRange(k int, c *Cell, r Judged) {
	limits := r.Reading.Instrument.Range
	if (limits == quantity.Limits{}) {
		return
	}
	if place, err := limits.Place(r.Reading.Value); err == nil && place != quantity.Inside {
		f.report(k, c.Point, Finding{Kind: InstrumentRange, Status: ForReview, Entries: []fact.Ref{r.Entry.Ref},
			Text:   fmt.Sprintf("%s read by %s, which is good for %s", r.Reading.Value, r.Reading.Instrument.Name, limits),
			Remedy: "pull it again with an instrument of the right range, or have it judged"})
	}
}

// instruments finds readings of instruments whose calibration was overdue.
func (j *judging) instruments() {
	told := map[string]bool{}
	for _, e := range j.entries {
		r, ok := e.Body.(fact.Reading)
		if !ok || j.voids[e.Ref] != nil || r.Instrument.Due == "" {
			continue
		}
		key := r.Instrument.Name + "\x00" + r.Instrument.Due
		if e.Time.UTC().Format("2006-01-02") > r.Instrument.Due && !told[key] {
			told[key] = true
			j.add(Finding{Kind: InstrumentOverdue, Status: ForReview, Entries: []fact.Ref{e.Ref},
				Text:   fmt.Sprintf("%s was used after its calibration was due on %s", r.Instrument.Name, r.Instrument.Due),
				Remedy: "have the instrument checked and its readings judged", rank: [3]int{len(j.state.Joints), 0, 0}})
		}
	}
}
