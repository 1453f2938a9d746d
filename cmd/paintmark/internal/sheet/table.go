package sheet

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/mark"
)

func (v *viewer) joint(js *judge.JointState) joint {
	j := js.Joint
	made := joint{Title: j.Title, Key: j.Key, Drawing: v.draw(js), Steps: v.steps(js)}
	order := "as listed in the plan"
	if j.OrderComputed {
		order = "computed from the positions, from the middle outwards"
		made.Caution = "The order of this joint was computed by the program (common practice) and does not come from the engine's maker. Where the maker gives an order, that one comes first."
	}
	made.Facts = []field{{"Bolts", strconv.Itoa(len(j.Bolts))}, {"Thread", dash(j.Thread)}, {"Strength class", dash(j.Class)}, {"Lubricant", dash(j.Lubricant)}, {"Order", order}}
	if len(j.After) > 0 {
		made.Facts = append(made.Facts, field{"After", strings.Join(j.After, ", ")})
	}
	for _, ps := range js.Passes {
		made.Passes = append(made.Passes, v.pass(js, ps))
	}
	return made
}

// steps is the table of the preparation, and of the heat cycles that are
// confirmed before the re-torque.
func (v *viewer) steps(js *judge.JointState) *table {
	if len(js.Steps) == 0 && js.Heat == nil {
		return nil
	}
	t := &table{Title: "Preparation"}
	cells := append([]*judge.Cell(nil), js.Steps...)
	if js.Heat != nil {
		cells = append(cells, js.Heat)
	}
	show, day := v.clock.shortly(times(cells))
	for i, c := range cells {
		b := bolt{Place: c.Place}
		var limits quantity.Limits
		if i < len(js.Steps) {
			step := js.Joint.Steps[i]
			b.Text, limits = step.Text, step.Limits
		} else {
			b.Text = "Before the re-torque: " + plan.CycleWords(js.Passes[len(js.Passes)-1].Pass.HeatCycles) + ", engine cold again"
		}
		allowed, like := "", limits.Least
		if (limits != quantity.Limits{}) {
			allowed = limitWords(limits)
		}
		if like.IsZero() {
			like = limits.Most
		}
		for _, r := range c.Readings {
			made := v.reading(r, like, limits, show)
			made.Limits = allowed
			b.Rows = append(b.Rows, made)
		}
		b.Rows = v.past(c, b.Rows, show)
		if e := c.Confirmed; e != nil {
			made := row{Limits: allowed, Mark: stampOf(mark.Confirmed), Time: show(e.Time), Entry: e.String(), entry: *e}
			if allowed != "" {
				made.Remarks = append(made.Remarks, "a confirmation does not stand in for the measurement")
			}
			b.Rows = append(b.Rows, made)
		}
		if !c.Done && len(c.Live()) == 0 && c.Confirmed == nil {
			b.Rows = append(b.Rows, row{Limits: allowed, Mark: stampOf(mark.Pending)})
		}
		v.finish(&b, v.refs[refKey{c.Point, ""}])
		t.Bolts = append(t.Bolts, b)
	}
	if n := len(js.Steps); n > 0 {
		t.State = fmt.Sprintf("%d of %d done", n-open(js.Steps), n)
	}
	t.State = strings.TrimPrefix(strings.TrimSuffix(t.State+" · "+day, " · "), " · ")
	t.seal(day, 1, "step", "limits", "value", "state", "time", "by", "entry")
	return t
}

// times are those of all that a table shows.
func times(cells []*judge.Cell) []time.Time {
	var list []time.Time
	for _, c := range cells {
		for _, r := range c.Readings {
			list = append(list, r.Entry.Time)
			if r.Void != nil {
				list = append(list, r.Void.Time)
			}
		}
		for _, p := range c.Past {
			list = append(list, p.Entry.Time)
			if p.Void != nil {
				list = append(list, p.Void.Time)
			}
		}
		for _, e := range []*fact.Entry{c.Skip, c.Confirmed} {
			if e != nil {
				list = append(list, e.Time)
			}
		}
	}
	return list
}

func (v *viewer) pass(js *judge.JointState, ps *judge.PassState) *table {
	p := ps.Pass
	show, day := v.clock.shortly(times(ps.Cells))
	t := &table{Title: sentence(p.Name)}
	t.State = strings.TrimSuffix(fmt.Sprintf("%d of %d done · %s", ps.Done(), len(ps.Cells), day), " · ")
	t.About = about(p)
	if !ps.NotBefore.IsZero() && ps.Done() < len(ps.Cells) {
		t.About = append(t.About, "Not before "+v.clock.full(ps.NotBefore)+".")
	}
	missed := v.stageMissed(js, p)
	touched, angle := false, false
	for _, c := range ps.Cells {
		touched = touched || len(c.Readings) > 0 || c.Skip != nil || len(c.Past) > 0
		angle = angle || turned(c.Readings)
	}
	if !touched {
		var places []string
		for _, c := range ps.Cells {
			places = append(places, c.Place)
		}
		if p.Kind != plan.Recheck && p.Target.Dimension() == quantity.Torque {
			t.About = append(t.About, "To "+plan.TargetWords(p.Target)+" ("+limitWords(p.Limits)+").")
		}
		what := mark.Pending.Symbol + " Not begun. " + sentence(bolts(p)) + " to do, in this order: "
		if missed {
			what = mark.Missed.Symbol + " Missed: no bolt was pulled, and a later pass was begun. Bolts: "
		}
		t.Rest = what + strings.Join(places, ", ") + "."
		t.Short = true
		return t
	}
	first := v.firstPulled(js)
	for i, c := range ps.Cells {
		b := bolt{Order: strconv.Itoa(i + 1), Place: c.Place, First: slices.Contains(first, c.Place)}
		for _, r := range c.Readings {
			b.Rows = append(b.Rows, v.pull(ps, r, show))
		}
		b.Rows = v.past(c, b.Rows, show)
		if c.Skip != nil {
			skip := row{Mark: stampOf(mark.Skipped), Time: show(c.Skip.Time), Entry: c.Skip.String(), entry: *c.Skip}
			if s, ok := c.Skip.Body.(fact.Skip); ok {
				skip.Remarks = []string{"left out on purpose: " + s.Because}
			}
			b.Rows = append(b.Rows, v.aim(skip, p, false))
		} else if len(c.Live()) == 0 {
			rest := row{Mark: stampOf(mark.Pending)}
			if missed || v.missed(c) {
				rest.Mark = stampOf(mark.Missed)
			}
			b.Rows = append(b.Rows, v.aim(rest, p, false))
		}
		v.finish(&b, v.refs[refKey{c.Point, c.Pass}])
		t.Bolts = append(t.Bolts, b)
	}
	if angle {
		t.seal(day, 2, "order", "bolt", "target", "limits", "value", "angle", "verdict", "time", "by", "entry")
	} else {
		t.seal(day, 2, "order", "bolt", "target", "limits", "value", "verdict", "time", "by", "entry")
	}
	return t
}

// turned tells whether the angle of any reading is known.
func turned(list []judge.Judged) bool {
	return slices.ContainsFunc(list, func(r judge.Judged) bool { return !r.Reading.Angle.IsZero() })
}

// aim fills in what a bolt is to be pulled to: in a re-check, what it is to hold
// unless it is pulled again.
func (v *viewer) aim(r row, p plan.Pass, again bool) row {
	if p.Kind != plan.Recheck || again {
		r.Target, r.Limits = plan.TargetWords(p.Target), limitWords(p.Limits)
		return r
	}
	r.Target, r.Limits = "check", held(p)
	return r
}

// held is what a bolt must show in a re-check.
func held(p plan.Pass) string {
	var parts []string
	if l := (quantity.Limits{Least: p.Relaxed, Most: p.Limits.Most}); (l != quantity.Limits{}) {
		parts = append(parts, limitWords(l))
	}
	if !p.Moved.IsZero() {
		parts = append(parts, "≤\u00a0"+p.Moved.String())
	}
	return strings.Join(parts, ", ")
}

func bolts(p plan.Pass) string {
	if p.First > 0 {
		return "the first " + count(p.First, "bolt") + " pulled"
	}
	return "all bolts"
}

// about says what a pass is for, where its rows do not say it all.
func about(p plan.Pass) []string {
	switch p.Kind {
	case plan.Recheck:
		text := sentence(bolts(p)) + ", first-pulled first"
		if p.Wait > 0 {
			text += ", not before " + plan.WaitWords(p.Wait) + " after the last pull of the stages"
		}
		var holds []string
		if !p.Relaxed.IsZero() {
			holds = append(holds, "first moves at "+cut(p.Relaxed).String()+" or more")
		}
		if !p.Moved.IsZero() {
			holds = append(holds, "turns no more than "+p.Moved.String())
		}
		return []string{text + ".", "A bolt has held if it " + strings.Join(holds, " and ") +
			". One that has not is pulled again to " + p.Target.String() + " (" + limitWords(p.Limits) + ")."}
	case plan.Retorque:
		return []string{sentence(bolts(p)) + ", first-pulled first, after " + plan.CycleWords(p.HeatCycles) + " and with the engine cold again."}
	}
	switch {
	case p.ByAngle():
		text := "Each bolt is turned " + p.Target.String() + " on (" + limitWords(p.Limits) + ") from the end of the stage before, which is snug at " + p.Snug.String() + "."
		if !p.Watch.IsZero() {
			text += " The torque at the end is watched: " + limitWords(p.Watch) + "."
		}
		return []string{text, "Where the fasteners' maker has bolts of this kind tightened into yield, they are used once."}
	case p.ByStretch():
		return []string{"Each bolt is pulled until it is " + p.Target.String() + " (" + limitWords(p.Limits) +
			") longer than before it was tightened; that length stands under Preparation."}
	default:
		return nil
	}
}

func (v *viewer) stageMissed(js *judge.JointState, p plan.Pass) bool {
	return slices.ContainsFunc(v.state.Findings, func(f judge.Finding) bool {
		return f.Kind == judge.StageMissed && f.Joint == js.Joint.Key && f.Pass == p.Key
	})
}

func (v *viewer) missed(c *judge.Cell) bool {
	return slices.ContainsFunc(v.refs[refKey{c.Point, c.Pass}], func(i int) bool {
		f := v.state.Findings[i]
		return f.Kind == judge.BoltMissed && f.Status == judge.Open
	})
}

// pull is a reading in a pass.
func (v *viewer) pull(ps *judge.PassState, r judge.Judged, show func(time.Time) string) row {
	limits := ps.Pass.Limits
	if ps.Pass.Kind == plan.Recheck && !r.Again {
		limits.Least = ps.Pass.Relaxed
	}
	made := v.aim(v.reading(r, ps.Pass.Target, limits, show), ps.Pass, r.Again)
	switch {
	case ps.Pass.ByStretch():
		made.Also = ""
		if !r.Stretch.IsZero() {
			made.Also = "stretch " + r.Stretch.String()
		}
	case ps.Pass.ByAngle():
		if c, err := r.Turned.Cmp(r.Reading.Angle); err == nil && c != 0 {
			made.Remarks = append([]string{"turned " + r.Turned.String() + " in all"}, made.Remarks...)
		}
	}
	if r.Again {
		made.Remarks = append([]string{"pulled again, as it had not held"}, made.Remarks...)
	}
	return made
}

// reading is a reading with its verdict; like is a quantity in the plan's unit,
// and limits are what the value was held against.
func (v *viewer) reading(r judge.Judged, like quantity.Quantity, limits quantity.Limits, show func(time.Time) string) row {
	q := r.Reading.Value
	made := row{Value: q.String(), Angle: r.Reading.Angle.String(), Mark: stampOf(mark.Verdict(r.Verdict)),
		Time: show(r.Entry.Time), Entry: r.Entry.String(), entry: r.Entry, By: v.by(r), Attested: r.Reading.Attested}
	if made.Value == "" { // a bare number, without a unit
		made.Value = q.Number()
	}
	if q.IsZero() && !r.Reading.Angle.IsZero() {
		made.Value = none
	}
	if !like.IsZero() && q.Unit != like.Unit {
		made.Also = converted(q, like.Unit, limits)
	}
	if r.Early {
		made.Remarks = append(made.Remarks, "gone over before the wait was over")
	}
	if len(r.Reading.Status) > 0 {
		made.Remarks = append(made.Remarks, "the instrument said: "+strings.Join(r.Reading.Status, ", "))
	}
	if told := r.Reading.Told; told != "" && told != string(r.Verdict) {
		made.Remarks = append(made.Remarks, "the builder was told “"+told+"” at the time")
	}
	if r.Void != nil {
		made.Void = true
		made.Mark = stampOf(mark.TakenBack)
		made.Remarks = append(made.Remarks, "read as "+mark.Verdict(r.Verdict).String(), v.takenBack(r.Void, show))
	}
	return made
}

// converted is a value in the plan's unit.
func converted(q quantity.Quantity, u quantity.Unit, l quantity.Limits) string {
	shown, err := l.Shown(q, u)
	if err != nil {
		return ""
	}
	return "≈ " + shown.String()
}

// limitWords are limits without the endless digits that a tolerance in another
// unit than its target can make.
func limitWords(l quantity.Limits) string {
	return quantity.Limits{Least: cut(l.Least), Most: cut(l.Most)}.String()
}

func cut(q quantity.Quantity) quantity.Quantity {
	if q.IsZero() || q.Decimals() <= 6 {
		return q
	}
	return quantity.New(q.Value.Round(3), q.Unit)
}

// takenBack says by which entry something was taken back, and why.
func (v *viewer) takenBack(e *fact.Entry, show func(time.Time) string) string {
	because := ""
	if b, ok := e.Body.(fact.Void); ok {
		because = b.Because
	}
	return "taken back " + show(e.Time) + " by " + e.String() + ": " + because
}

// past puts what is no longer in force besides readings among the rows, where
// it happened.
func (v *viewer) past(c *judge.Cell, rows []row, show func(time.Time) string) []row {
	for _, p := range c.Past {
		made := row{Void: true, Mark: stampOf(mark.TakenBack), Time: show(p.Entry.Time), Entry: p.Entry.String(), entry: p.Entry}
		if b, ok := p.Entry.Body.(fact.Skip); ok {
			made.Remarks = append(made.Remarks, "had been left out on purpose: "+b.Because)
		} else {
			made.Remarks = append(made.Remarks, "had been confirmed")
		}
		if p.Void != nil {
			made.Remarks = append(made.Remarks, v.takenBack(p.Void, show))
		} else {
			made.Mark.Symbol, made.Mark.Word = mark.Skipped.Symbol, "skipped at first"
		}
		at := slices.IndexFunc(rows, func(r row) bool { return precedes(p.Entry, r.entry) })
		if at < 0 {
			at = len(rows)
		}
		rows = slices.Insert(rows, at, made)
	}
	return rows
}

// precedes tells whether a was recorded before b.
func precedes(a, b fact.Entry) bool {
	if a.Station == b.Station {
		return a.Number < b.Number
	}
	return a.Time.Before(b.Time)
}

// finish puts the findings of a cell beside the readings they rest on, or where
// there is none beside the cell's first line, and counts the lines.
func (v *viewer) finish(b *bolt, found []int) {
	for _, i := range found {
		f := v.state.Findings[i]
		placed := false
		for n := range b.Rows {
			if slices.Contains(f.Entries, b.Rows[n].entry.Ref) {
				b.Rows[n].Findings = append(b.Rows[n].Findings, i+1)
				placed = true
			}
		}
		if !placed {
			at := 0
			if f.Kind == judge.BoltMissed && f.Status == judge.Open {
				at = len(b.Rows) - 1
			}
			b.Rows[at].Findings = append(b.Rows[at].Findings, i+1)
		}
	}
	for n := range b.Rows {
		r := &b.Rows[n]
		r.Findings = append(r.Findings, v.ranges[r.entry.Ref]...)
		slices.Sort(r.Findings)
		b.Span++
		if len(r.Remarks) > 0 {
			b.Span++
		}
	}
}

// The columns of a table, by their classes in the style sheet.
var columnNames = map[string]string{
	"order": "No.", "bolt": "Bolt", "step": "Step", "point": "Point and pass", "target": "Target", "limits": "Limits", "value": "Value",
	"angle": "Angle", "verdict": "Verdict", "state": "State", "time": "Time", "when": "Time", "by": "Read by", "entry": "Entry",
}

// seal gives the table its columns, of which the first few are a bolt's own,
// once its rows are there. Day is that of all its times, if it is the same.
func (t *table) seal(day string, heads int, classes ...string) {
	if i := slices.Index(classes, "time"); i >= 0 && day == "" {
		classes[i] = "when" // has the date too
	}
	has := map[string]bool{}
	for _, c := range classes {
		has[c] = true
		t.Columns = append(t.Columns, column{Name: columnNames[c], Class: c})
	}
	t.Heads = heads
	lines := 0
	for i := range t.Bolts {
		for k := range t.Bolts[i].Rows {
			t.Bolts[i].Rows[k].Has, t.Bolts[i].Rows[k].Rest = has, len(classes)-heads
		}
		lines += t.Bolts[i].Span
	}
	t.Short = lines <= wholeLines
}

// wholeLines is up to how many lines a table is kept on one page. Longer ones
// would leave too much of the page before them white.
const wholeLines = 12

// by is the instrument that gave a reading, or that none did.
func (v *viewer) by(r judge.Judged) string {
	if r.Reading.Attested {
		return ""
	}
	if i := v.instrument(r.Reading.Instrument); i >= 0 {
		return v.label(i)
	}
	return none
}

func (v *viewer) loose() *table {
	if len(v.state.Loose) == 0 {
		return nil
	}
	var at []time.Time
	for _, r := range v.state.Loose {
		at = append(at, r.Entry.Time)
		if r.Void != nil {
			at = append(at, r.Void.Time)
		}
	}
	show, day := v.clock.shortly(at)
	t := &table{Title: "Readings the plan has no place for", State: day}
	for i, r := range v.state.Loose {
		b := bolt{Order: strconv.Itoa(i + 1), Place: v.where(r.Reading.Point.Joint(), r.Reading.Point, r.Reading.Pass)}
		b.Rows = []row{v.reading(r, quantity.Quantity{}, quantity.Limits{}, show)}
		var found []int
		for _, n := range v.refs[refKey{r.Reading.Point, r.Reading.Pass}] {
			if slices.Contains(v.state.Findings[n].Entries, r.Entry.Ref) {
				found = append(found, n)
			}
		}
		v.finish(&b, found)
		t.Bolts = append(t.Bolts, b)
	}
	if turned(v.state.Loose) {
		t.seal(day, 2, "order", "point", "value", "angle", "verdict", "time", "by", "entry")
	} else {
		t.seal(day, 2, "order", "point", "value", "verdict", "time", "by", "entry")
	}
	return t
}
