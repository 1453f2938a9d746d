package judge

import (
	"cmp"
	"slices"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// judging is the work in hand of one call of Judge.
type judging struct {
	state   *State
	entries []fact.Entry // sorted; a place in the record is an index into it
	voids   map[fact.Ref]*fact.Entry
	cells   map[cellKey]*Cell
	joints  map[string]*JointState
	// accepted are the acceptances in force, by their places in the record.
	accepted []int
	// assembled tells that every joint is finished, so that the engine can be run.
	assembled bool
}

type cellKey struct {
	point fact.Point
	pass  fact.Pass
}

func newJudging(p *plan.Plan, entries []fact.Entry) *judging {
	sorted := append([]fact.Entry(nil), entries...)
	fact.Sort(sorted)
	sorted = slices.CompactFunc(sorted, func(a, b fact.Entry) bool { return a.Ref == b.Ref })
	j := &judging{
		state:   &State{Plan: p, Entries: len(sorted)},
		entries: sorted,
		voids:   map[fact.Ref]*fact.Entry{},
		cells:   map[cellKey]*Cell{},
		joints:  map[string]*JointState{},
	}
	for _, joint := range p.Joints {
		js := &JointState{Joint: joint, first: -1, last: &PassState{}, loosened: map[string][]loosening{}}
		for _, s := range joint.Steps {
			c := j.cell(joint.Point(s.Key), "")
			c.reads = s.Measured()
			js.Steps = append(js.Steps, c)
		}
		for _, pass := range joint.Passes {
			ps := &PassState{Pass: pass}
			for _, b := range joint.Bolts {
				c := j.cell(joint.Point(b.Key), pass.Key)
				c.reads = true
				ps.Cells = append(ps.Cells, c)
			}
			ps.asked = len(ps.Cells)
			js.Passes = append(js.Passes, ps)
			switch pass.Kind {
			case plan.Stage:
				js.last = ps
			case plan.Retorque:
				js.Heat = j.cell(joint.Point(plan.HeatCycles), "")
			}
		}
		j.state.Joints = append(j.state.Joints, js)
		j.joints[joint.Key] = js
	}
	return j
}

func (j *judging) cell(point fact.Point, pass fact.Pass) *Cell {
	c := &Cell{Point: point, Pass: pass, Place: point.Place(), first: -1, confirmed: -1, accepted: -1}
	j.cells[cellKey{point, pass}] = c
	return c
}

// gather puts each entry where it belongs.
func (j *judging) gather() {
	s := j.state
	for i := range j.entries {
		if v, ok := j.entries[i].Body.(fact.Void); ok {
			if _, twice := j.voids[v.Of]; !twice {
				j.voids[v.Of] = &j.entries[i]
			}
		}
	}
	opened := false
	for i := range j.entries {
		e := &j.entries[i]
		void := j.voids[e.Ref]
		switch b := e.Body.(type) {
		case fact.Opening:
			if !opened {
				s.Opening, s.Opened, opened = b, *e, true
			}
		case fact.Replan:
			s.Replans = append(s.Replans, *e)
		case fact.Note:
			s.Notes = append(s.Notes, *e)
		case fact.Confirmation:
			c, ok := j.cells[cellKey{b.Point, ""}]
			switch {
			case ok && void != nil:
				c.Past = append(c.Past, Past{*e, void})
			case ok:
				c.confirms = append(c.confirms, i)
			}
		case fact.Skip:
			c, ok := j.cells[cellKey{b.Point, b.Pass}]
			switch {
			case !ok || b.Pass == "": // preparation cannot be left out
			case void != nil:
				c.Past = append(c.Past, Past{*e, void})
			default:
				c.endSkip()
				c.Skip = e
				c.skips = append(c.skips, i)
			}
		case fact.Accepted:
			s.Decisions = append(s.Decisions, Past{*e, void})
			if void == nil {
				j.accepted = append(j.accepted, i)
			}
		case fact.SentBack:
			s.Decisions = append(s.Decisions, Past{*e, void})
			if c, ok := j.cells[cellKey{b.Point, b.Pass}]; ok && c.reads && void == nil {
				c.endSkip()
				c.sent, c.sentBy = append(c.sent, i), e
			}
		case fact.Reading:
			j.gatherReading(i, e, b, void)
		}
	}
}

func (j *judging) gatherReading(i int, e *fact.Entry, b fact.Reading, void *fact.Entry) {
	s := j.state
	r := Judged{Entry: *e, Reading: b, Void: void, Verdict: Unjudged, at: i}
	if void == nil {
		s.Readings++
		if b.Attested {
			s.Attested++
		}
	} else {
		s.Voided++
	}
	if b.Instrument.Name != "" && !slices.ContainsFunc(s.Instruments, func(o fact.Instrument) bool { return sameInstrument(o, b.Instrument) }) {
		s.Instruments = append(s.Instruments, b.Instrument)
	}
	c, ok := j.cells[cellKey{b.Point, b.Pass}]
	if !ok || !c.reads {
		s.Loose = append(s.Loose, r)
		return
	}
	c.Readings = append(c.Readings, r)
	if void != nil {
		return
	}
	c.endSkip()
	if c.first < 0 {
		c.first = i
	}
	if js, ok := j.joints[b.Point.Joint()]; ok && b.Pass != "" {
		if js.first < 0 {
			js.first = i
		}
		if p, _ := js.Joint.Pass(b.Pass); p.Kind == plan.Stage {
			js.stagePulls = append(js.stagePulls, i)
		}
	}
}

// endSkip puts the skip in force, if any, among those of the past.
func (c *Cell) endSkip() {
	if c.Skip != nil {
		c.Past = append(c.Past, Past{Entry: *c.Skip})
		c.Skip = nil
	}
}

func sameInstrument(a, b fact.Instrument) bool {
	return a.Name == b.Name && a.Identity == b.Identity && a.Calibrated == b.Calibrated && a.Due == b.Due
}

// reorder puts the cells of re-checks and re-torques in the order in which the
// bolts were really first pulled in the last stage, and leaves of them as many
// as the plan says.
func (j *judging) reorder() {
	for _, js := range j.state.Joints {
		order := js.pulledOrder()
		for _, ps := range js.Passes {
			if ps.Pass.Kind == plan.Stage {
				continue
			}
			slices.SortStableFunc(ps.Cells, func(a, b *Cell) int { return cmp.Compare(order[a.Place], order[b.Place]) })
			if n := ps.Pass.First; n > 0 && n < len(ps.Cells) {
				// What was read beyond the first n still belongs to the record.
				kept := ps.Cells[:n:n]
				for _, c := range ps.Cells[n:] {
					if len(c.Readings) > 0 {
						kept = append(kept, c)
					}
				}
				ps.Cells, ps.asked = kept, n
			}
		}
	}
}

// pulledOrder ranks the bolts by their first pull in the last stage, then by the plan.
func (js *JointState) pulledOrder() map[string]int {
	order := map[string]int{}
	cells := append([]*Cell(nil), js.last.Cells...)
	slices.SortStableFunc(cells, func(a, b *Cell) int {
		switch {
		case a.first < 0 && b.first < 0:
			return 0
		case a.first < 0:
			return 1
		case b.first < 0:
			return -1
		}
		return cmp.Compare(a.first, b.first)
	})
	for i, c := range cells {
		order[c.Place] = i
	}
	return order
}

// judgeCells gives each reading its verdict and each cell its state.
func (j *judging) judgeCells() {
	j.assembled = true
	for _, js := range j.state.Joints {
		for i, step := range js.Joint.Steps {
			j.judgeStep(js.Steps[i], step)
			if !step.FreeLength() {
				j.decide(js.Steps[i], func(Judged) FindingKind { return StepOutside })
			}
		}
		if js.Heat != nil {
			j.judgeHeat(js)
		}
		for i, ps := range js.Passes {
			switch {
			case ps.Pass.Kind == plan.Recheck:
				j.judgeChecks(js, ps)
			case ps.Pass.ByAngle():
				j.judgeAngles(js, i)
			case ps.Pass.ByStretch():
				j.judgeStretches(js, i)
			}
			for _, c := range ps.Cells {
				if ps.Pass.Kind != plan.Recheck && ps.Pass.Target.Dimension() == quantity.Torque {
					c.judgePulls(ps.Pass.Limits)
				}
				j.decide(c, func(r Judged) FindingKind { return kindOf(r, ps.Pass) })
			}
		}
		j.loosen(js)
		for _, ps := range js.Passes {
			for _, c := range ps.Cells {
				if c.Done {
					c.endSkip() // what is done was not left out
				}
			}
		}
		j.assembled = j.assembled && js.Finished()
	}
}

// judgeStep takes a confirmation for a step that is to be confirmed, and
// readings for one that is measured: a word does not stand in for a measurement.
func (j *judging) judgeStep(c *Cell, step plan.Step) {
	if step.FreeLength() {
		c.judgeLengths()
		return
	}
	if step.Measured() {
		c.judgePulls(step.Limits)
		return
	}
	if len(c.confirms) > 0 {
		j.confirm(c, c.confirms[0])
	}
}

// judgeHeat takes the first confirmation of the heat cycles after the joint's
// last stage was begun: before, there was nothing to heat.
func (j *judging) judgeHeat(js *JointState) {
	begun := js.last.began()
	if n, _ := slices.BinarySearch(js.Heat.confirms, begun); begun >= 0 && n < len(js.Heat.confirms) {
		j.confirm(js.Heat, js.Heat.confirms[n])
	}
}

func (j *judging) confirm(c *Cell, at int) {
	c.Confirmed, c.confirmed, c.Done = &j.entries[at], at, true
}

// began is the place in the record of the first pull of the pass, -1 if none.
func (p *PassState) began() int {
	first := -1
	for _, c := range p.Cells {
		if c.first >= 0 && (first < 0 || c.first < first) {
			first = c.first
		}
	}
	return first
}

func (c *Cell) judgePulls(limits quantity.Limits) {
	for i := range c.Readings {
		r := &c.Readings[i]
		r.Verdict = verdict(r.Reading, limits)
		c.note(r, r.Verdict.Good())
	}
}

// note keeps whether the cell is done after a reading.
func (c *Cell) note(r *Judged, done bool) {
	if r.Void == nil {
		r.done, c.Done = done, done
	}
}

// judgeChecks judges the readings of a re-check: of each bolt a check first;
// after a check that found something to mend, a pull until it is within; after
// a check that came too early, a check again.
func (j *judging) judgeChecks(js *JointState, ps *PassState) {
	if end, ok := js.stagesEnded(j, len(j.entries)); ok && ps.Pass.Wait > 0 {
		ps.NotBefore = end.Add(ps.Pass.Wait)
	}
	pulled := map[string]int{} // when in the last stage
	for _, c := range js.last.Cells {
		pulled[c.Place] = c.first
	}
	for _, c := range ps.Cells {
		early := false
		for i := range c.Readings {
			r := &c.Readings[i]
			if c.toPull {
				r.Again, r.Verdict = true, verdict(r.Reading, ps.Pass.Limits)
			} else {
				r.Verdict = check(r.Reading, ps.Pass)
			}
			if r.Void != nil {
				continue
			}
			switch {
			case r.Verdict == Doubtful || r.Verdict == Unjudged: // says nothing of the bolt
			case r.Again:
				c.toPull = r.Verdict != Within
			default:
				r.Early = j.early(js, ps.Pass, r)
				early = r.Early
				c.toPull = r.Verdict != Held
			}
			c.note(r, r.Verdict.Good() && !early)
			// A bolt pulled in the last stage after all is to be gone over once more.
			c.Done = c.Done && pulled[c.Place] < r.at
		}
	}
}

// early tells whether a check came before its bolt was pulled in the last
// stage, or before the wait was over.
func (j *judging) early(js *JointState, pass plan.Pass, r *Judged) bool {
	end, ok := js.stagesEnded(j, r.at)
	return j.beforePull(js, r.Reading.Point, r.at) || ok && pass.Wait > 0 && r.Entry.Time.Sub(end) < pass.Wait
}

// beforePull tells whether a place in the record comes before a bolt was pulled
// in the last stage. A bolt left out there on purpose by then is checked as it is.
func (j *judging) beforePull(js *JointState, bolt fact.Point, at int) bool {
	c, ok := j.cells[cellKey{bolt, js.last.Pass.Key}]
	return ok && (c.first < 0 || c.first > at) && (len(c.skips) == 0 || c.skips[0] > at)
}

// stagesEnded is when the last pull in a stage was made, of those before the
// given place in the record.
func (js *JointState) stagesEnded(j *judging, before int) (end time.Time, ok bool) {
	n, _ := slices.BinarySearch(js.stagePulls, before)
	if n == 0 {
		return end, false
	}
	return j.entries[js.stagePulls[n-1]].Time, true
}

// verdict compares a reading with limits, unless its instrument disowned it.
func verdict(r fact.Reading, l quantity.Limits) Verdict {
	if doubtful(r) {
		return Doubtful
	}
	return verdictOf(r.Value, l)
}

// check judges the first movement of a bolt that should have held. Where the
// plan names only an angle, a reading without one says nothing.
func check(r fact.Reading, pass plan.Pass) Verdict {
	switch {
	case doubtful(r):
		return Doubtful
	case r.Value.Dimension() != pass.Target.Dimension():
		return Unjudged
	}
	if !pass.Moved.IsZero() && !r.Angle.IsZero() {
		if c, err := r.Angle.Cmp(pass.Moved); err != nil {
			return Unjudged
		} else if c > 0 {
			return Moved
		}
	}
	limits := quantity.Limits{Least: pass.Relaxed, Most: pass.Limits.Most}
	switch v := verdictOf(r.Value, limits); {
	case v == Low:
		return Relaxed
	case v != Within:
		return v
	case pass.Relaxed.IsZero() && r.Angle.IsZero():
		return Unjudged
	default:
		return Held
	}
}

// doubtful tells whether the instrument disowned its value.
func doubtful(r fact.Reading) bool {
	return slices.Contains(r.Status, fact.Overload) || slices.Contains(r.Status, fact.NotSettled)
}
