package judge

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
)

// turns walks through a joint's pulls as they were made and compares their
// order with the plan's, so that one mistake is told once.
//
// All cells of the joint stand in one row, pass after pass. The front is the
// cell up to which the work has come: each before it was pulled, left out on
// purpose or passed over. A pull of the next cell moves the front. A pull
// farther on is a jump. If the pull after it is farther on still, the work went
// on from there, and the cells between were passed over; if not, the jump was
// one bolt out of its turn. What is passed over and pulled after all moves
// nothing.
type turns struct {
	js    *JointState
	cells []*Cell
	pass  []int // of each cell, the index of its pass
	start []int // of each pass, its first cell; one more for the end

	front, pending int // cells, -1 if none
	jumps          []jump
	passed         []bool // cells that were passed over
	// of each pass:
	over  []int  // the place in the record at which it was over for its last cell, -1 if not
	left  []pull // with which the work went on in a later pass
	whole []pull // by which all of it was passed over
}

// jump is a pull ahead of others, and the front at that time.
type jump struct{ cell, front int }

// pull is a pull's place in the record, -1 if there is none, and its pass.
type pull struct{ at, pass int }

func (j *judging) walk(js *JointState) *turns {
	t := &turns{js: js, front: -1, pending: -1}
	for i, ps := range js.Passes {
		t.start = append(t.start, len(t.cells))
		t.over = append(t.over, -1)
		t.left = append(t.left, pull{at: -1})
		t.whole = append(t.whole, pull{at: -1})
		for _, c := range ps.Cells[:ps.asked] {
			// A check before the pull it should check has no turn.
			if ps.Pass.Kind == plan.Recheck && c.first >= 0 && j.beforePull(js, c.Point, c.first) {
				continue
			}
			t.cells, t.pass = append(t.cells, c), append(t.pass, i)
		}
	}
	t.start = append(t.start, len(t.cells))
	t.passed = make([]bool, len(t.cells))

	type event struct {
		at, cell int
		skip     bool
	}
	var events []event
	for i, c := range t.cells {
		if c.first >= 0 {
			events = append(events, event{c.first, i, false})
		}
		for _, at := range c.skips {
			events = append(events, event{at, i, true})
		}
	}
	slices.SortFunc(events, func(a, b event) int { return cmp.Compare(a.at, b.at) })
	for _, e := range events {
		if e.skip {
			t.advance(e.at)
			continue
		}
		if t.pending >= 0 && e.cell > t.pending {
			t.jumpTo(t.pending)
		}
		t.pending = -1
		t.advance(e.at)
		if e.cell > t.front {
			t.jumps = append(t.jumps, jump{e.cell, t.front})
			t.pending = e.cell
		}
	}
	if t.pending >= 0 {
		t.passOver(t.front, t.pending, false)
	}
	return t
}

// dealtWith tells whether a cell was pulled or left out up to a place in the record.
func (t *turns) dealtWith(cell, at int) bool {
	c := t.cells[cell]
	return c.first >= 0 && c.first <= at || len(c.skips) > 0 && c.skips[0] <= at
}

// advance moves the front over all that follows it and was dealt with.
func (t *turns) advance(at int) {
	for t.front+1 < len(t.cells) && t.dealtWith(t.front+1, at) {
		t.come(t.front+1, at)
	}
}

// jumpTo moves the front to a cell, passing over what lies between.
func (t *turns) jumpTo(cell int) {
	t.passOver(t.front, cell, true)
	t.come(cell, t.cells[cell].first)
}

// come moves the front to a cell at a place in the record.
func (t *turns) come(cell, at int) {
	t.front = cell
	first := t.cells[cell].first
	for p := range t.js.Passes {
		if t.over[p] < 0 && cell >= t.start[p+1]-1 {
			t.over[p] = at
		}
		if t.left[p].at < 0 && cell >= t.start[p+1] && first >= 0 && first <= at {
			t.left[p] = pull{first, t.pass[cell]}
		}
	}
}

// passOver marks what lies between two cells and was not dealt with when the
// second was pulled: whole stages, and if the work went on, also single cells.
func (t *turns) passOver(from, to int, wentOn bool) {
	at := t.cells[to].first
	for x := from + 1; x < to; x++ {
		t.passed[x] = t.passed[x] || wentOn && !t.dealtWith(x, at)
	}
	for p, ps := range t.js.Passes {
		if ps.Pass.Kind != plan.Stage || t.start[p] <= from || t.start[p+1] > to || t.whole[p].at >= 0 {
			continue
		}
		pulled, skipped := 0, 0
		for _, c := range t.cells[t.start[p]:t.start[p+1]] {
			switch {
			case c.first >= 0 && c.first <= at:
				pulled++
			case len(c.skips) > 0 && c.skips[0] <= at:
				skipped++
			}
		}
		if pulled == 0 && skipped < t.start[p+1]-t.start[p] {
			t.whole[p] = pull{at, t.pass[to]}
		}
	}
}

// missed tells whether a bolt was missed in a stage: the stage ended without
// it, and it was not pulled before a later pass was begun.
func (t *turns) missed(cell int) bool {
	p, c := t.pass[cell], t.cells[cell]
	switch {
	case t.js.Passes[p].Pass.Kind != plan.Stage || !t.passed[cell] || t.whole[p].at >= 0 || c.Skip != nil:
		return false
	case c.first < 0:
		return t.over[p] >= 0
	default:
		return t.left[p].at >= 0 && c.first > t.left[p].at
	}
}

// turn reports what the walk found in the finder's pass.
func (f *finder) turn() {
	t, p := f.turns, f.pass
	if t.whole[p].at >= 0 {
		f.stageMissed()
	}
	for x := t.start[p]; x < t.start[p+1]; x++ {
		if t.missed(x) {
			f.boltMissed(x)
		}
	}
	for _, j := range t.jumps {
		if t.pass[j.cell] == p {
			f.jumped(j)
		}
	}
}

// stay is what is to be judged where the order of the work cannot be mended.
const stay = "someone must judge whether the joint can stay or must be loosened and begun again"

func (f *finder) stageMissed() {
	by := f.turns.whole[f.pass]
	made := Finding{Kind: StageMissed, Status: Open, Entries: []fact.Ref{f.entries[by.at].Ref},
		Text:   fmt.Sprintf("no bolt was pulled in %s before %s was begun", f.name(f.pass), f.name(by.pass)),
		Remedy: "pull every bolt in it, then in the passes after it"}
	if f.ps.dealtWith() {
		made.Status, made.Remedy = ForReview, "it was pulled later; "+stay
	}
	f.report(-1, "", made)
}

func (f *finder) boltMissed(x int) {
	t, p := f.turns, f.pass
	c := t.cells[x]
	made := Finding{Kind: BoltMissed, Status: Open, Entries: []fact.Ref{f.entries[t.over[p]].Ref},
		Text:   fmt.Sprintf("not pulled in %s, which went on without it", f.name(p)),
		Remedy: pullTo(f.ps.Pass) + ", then in the passes after it"}
	if c.first >= 0 {
		made.Status, made.Entries, made.By = ForReview, []fact.Ref{f.entries[t.left[p].at].Ref}, f.entries[c.first].Ref
		made.Text = fmt.Sprintf("missed in %s, and pulled in it only after %s was begun", f.name(p), f.name(t.left[p].pass))
		made.Remedy = "it was pulled later; " + stay
	}
	f.report(x-t.start[p], c.Point, made)
}

// jumped reports a pull ahead of others, unless those are told of as missed or
// left out.
func (f *finder) jumped(j jump) {
	t, p := f.turns, f.pass
	c := t.cells[j.cell]
	before := map[int][]string{} // by pass
	for x := j.front + 1; x < j.cell; x++ {
		q := t.pass[x]
		if (q == p || t.js.Passes[q].Pass.Kind == plan.Stage) && !t.dealtWith(x, c.first) &&
			!t.missed(x) && t.whole[q].at < 0 && t.cells[x].Skip == nil {
			before[q] = append(before[q], t.cells[x].Place)
		}
	}
	own := before[p]
	delete(before, p)
	if len(own)+len(before) == 0 {
		return
	}
	did := "pulled"
	if f.ps.Pass.Kind == plan.Recheck {
		did = "gone over"
	}
	made := Finding{Kind: OutOfOrder, Status: ForReview, Entries: []fact.Ref{f.entries[c.first].Ref}, Remedy: stay,
		Text: fmt.Sprintf("%s in %s before %s", did, f.name(p), bolts(own))}
	if len(before) > 0 {
		var stages []string
		for q := range p {
			if len(before[q]) > 0 {
				stages = append(stages, fmt.Sprintf("%s had not been pulled in %s", bolts(before[q]), f.name(q)))
			}
		}
		made.Kind = StageEarly
		made.Text = fmt.Sprintf("%s in %s while %s", did, f.name(p), strings.Join(stages, " and "))
	}
	f.report(j.cell-t.start[p], c.Point, made)
}

// name is a pass as a sentence calls it: "stage 2", "the re-check".
func (f *finder) name(pass int) string { return passName(f.js.Passes[pass].Pass) }

func passName(p plan.Pass) string {
	if p.Kind != plan.Stage {
		return "the " + p.Name
	}
	name, _, _ := strings.Cut(p.Name, ",") // without the name that the plan gives it
	return name
}

// bolts is "bolt 3" or "bolts 3, 4, 5, 6, 7, 8 and 3 more".
func bolts(keys []string) string {
	switch n := len(keys); {
	case n == 1:
		return "bolt " + keys[0]
	case n > 7:
		return "bolts " + strings.Join(keys[:6], ", ") + fmt.Sprintf(" and %d more", n-6)
	default:
		return "bolts " + strings.Join(keys, ", ")
	}
}
