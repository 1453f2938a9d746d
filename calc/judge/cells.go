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
	// position is the place in the record of a reading in force.
	position map[fact.Ref]int
	// skips are the places in the record of all skips in force of a cell, also
	// of those that a later reading ended.
	skips map[cellKey][]int
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
		state:    &State{Plan: p, Entries: len(sorted)},
		entries:  sorted,
		voids:    map[fact.Ref]*fact.Entry{},
		cells:    map[cellKey]*Cell{},
		position: map[fact.Ref]int{},
		skips:    map[cellKey][]int{},
	}
	for _, joint := range p.Joints {
		js := &JointState{Joint: joint, first: -1}
		for _, s := range joint.Steps {
			js.Steps = append(js.Steps, j.cell(joint.Point(s.Key), ""))
		}
		for _, pass := range joint.Passes {
			ps := &PassState{Pass: pass}
			for _, b := range joint.Bolts {
				ps.Cells = append(ps.Cells, j.cell(joint.Point(b.Key), pass.Key))
			}
			js.Passes = append(js.Passes, ps)
			if pass.Kind == plan.Retorque {
				js.Heat = j.cell(joint.Point(plan.HeatCycles), "")
			}
		}
		j.state.Joints = append(j.state.Joints, js)
	}
	return j
}

func (j *judging) cell(point fact.Point, pass fact.Pass) *Cell {
	c := &Cell{Point: point, Pass: pass, Place: point.Place(), first: -1, doneAt: -1}
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
			case ok && c.Confirmed == nil:
				c.Confirmed, c.doneAt = e, i
			}
		case fact.Skip:
			c, ok := j.cells[cellKey{b.Point, b.Pass}]
			switch {
			case ok && void != nil:
				c.Past = append(c.Past, Past{*e, void})
			case ok:
				c.endSkip()
				c.Skip = e
				j.skips[cellKey{b.Point, b.Pass}] = append(j.skips[cellKey{b.Point, b.Pass}], i)
			}
		case fact.Reading:
			j.gatherReading(i, e, b, void)
		}
	}
	j.reorder()
}

func (j *judging) gatherReading(i int, e *fact.Entry, b fact.Reading, void *fact.Entry) {
	s := j.state
	r := Judged{Entry: *e, Reading: b, Void: void, Verdict: Unjudged}
	if void == nil {
		s.Readings++
		j.position[e.Ref] = i
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
	if !ok {
		s.Loose = append(s.Loose, r)
		return
	}
	c.Readings = append(c.Readings, r)
	if void != nil {
		return
	}
	c.endSkip()
	if c.first < 0 {
		c.first, c.started = i, e.Time
	}
	if js, ok := s.Joint(b.Point.Joint()); ok && b.Pass != "" {
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
			if n := ps.Pass.First; n > 0 {
				// What was read beyond the first n still belongs to the record.
				kept := ps.Cells[:n:n]
				for _, c := range ps.Cells[n:] {
					if len(c.Readings) > 0 {
						kept = append(kept, c)
					}
				}
				ps.Cells = kept
			}
		}
	}
}

// pulledOrder ranks the bolts by their first pull in the last stage, then by the plan.
func (js *JointState) pulledOrder() map[string]int {
	order := map[string]int{}
	stages := js.Joint.Stages()
	if len(stages) == 0 {
		return order
	}
	cells := append([]*Cell(nil), js.Passes[len(stages)-1].Cells...)
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
	for _, js := range j.state.Joints {
		for i, step := range js.Joint.Steps {
			j.judgeStep(js.Steps[i], step)
		}
		if js.Heat != nil {
			js.Heat.Done = js.Heat.Confirmed != nil
		}
		for _, ps := range js.Passes {
			for _, c := range ps.Cells {
				if ps.Pass.Kind == plan.Recheck {
					j.judgeCheck(js, ps.Pass, c)
				} else {
					j.judgePull(ps.Pass, c)
				}
			}
		}
	}
}

func (j *judging) judgeStep(c *Cell, step plan.Step) {
	if !step.Measured() {
		c.Done = c.Confirmed != nil
		return
	}
	c.doneAt = -1 // a word does not stand in for a measurement
	for i := range c.Readings {
		r := &c.Readings[i]
		r.Verdict = verdict(r.Reading, step.Limits)
		j.note(c, r)
	}
}

func (j *judging) judgePull(pass plan.Pass, c *Cell) {
	for i := range c.Readings {
		r := &c.Readings[i]
		r.Verdict = verdict(r.Reading, pass.Limits)
		j.note(c, r)
	}
}

// note keeps whether the cell is done after this reading.
func (j *judging) note(c *Cell, r *Judged) {
	if r.Void != nil {
		return
	}
	c.Done = r.Verdict.Good()
	c.doneAt = -1
	if c.Done {
		c.doneAt = j.position[r.Entry.Ref]
	}
}

// judgeCheck judges a bolt's readings in a re-check: a check first; after a
// check that did not hold, a pull until it is within; after a check that came
// too early, a check again.
func (j *judging) judgeCheck(js *JointState, pass plan.Pass, c *Cell) {
	loose, early := false, false
	for i := range c.Readings {
		r := &c.Readings[i]
		if loose {
			r.Again, r.Verdict = true, verdict(r.Reading, pass.Limits)
		} else {
			r.Verdict = check(r.Reading, pass)
		}
		if r.Void != nil {
			continue
		}
		switch {
		case r.Again && r.Verdict == Within:
			loose = false
		case !r.Again:
			r.Early = j.early(js, pass, r)
			early = r.Early
			loose = r.Verdict == Relaxed || r.Verdict == Moved
		}
		c.Done, c.doneAt = r.Verdict.Good() && !early, -1
		if c.Done {
			c.doneAt = j.position[r.Entry.Ref]
		}
	}
}

// early tells whether a check came before the wait was over, counted from the
// last pull of the joint's stages before it.
func (j *judging) early(js *JointState, pass plan.Pass, r *Judged) bool {
	end, ok := js.stagesEnded(j, j.position[r.Entry.Ref])
	return ok && pass.Wait > 0 && r.Entry.Time.Sub(end) < pass.Wait
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

// check judges the first movement of a bolt that should have held.
func check(r fact.Reading, pass plan.Pass) Verdict {
	if doubtful(r) {
		return Doubtful
	}
	if !pass.Moved.IsZero() && !r.Angle.IsZero() {
		if c, err := r.Angle.Cmp(pass.Moved); err != nil {
			return Unjudged
		} else if c > 0 {
			return Moved
		}
	}
	switch verdictOf(r.Value, quantity.Limits{Least: pass.Relaxed, Most: pass.Limits.Most}) {
	case Low:
		return Relaxed
	case High:
		return High
	case Unjudged:
		return Unjudged
	default:
		return Held
	}
}

// The words of an instrument's status that make its value no reading. Profiles
// map what an instrument sends to these words.
const (
	Overload   = "overload"
	NotSettled = "not settled"
)

func doubtful(r fact.Reading) bool {
	return slices.Contains(r.Status, Overload) || slices.Contains(r.Status, NotSettled)
}
