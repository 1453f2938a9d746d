package sheet

import (
	"encoding/hex"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/mark"
)

// The view is the page as plain strings, so that the template decides nothing.
type (
	view struct {
		Style       template.CSS
		Build, Foot string
		State       stamp
		Left        []string
		Check       stamp
		Alarm       string // where the book is not sound
		Head        []field
		Glance      []group
		Findings    []finding
		Joints      []joint
		Loose       *table
		Again       []again
		Instruments []instrument
		ByHand      string
		Notes       []event
		Replans     []event
		Cautions    []string
		Signatures  []string
		Heads       []head
		Command     string
		End         string
	}
	field struct{ Name, Value string }
	stamp struct{ Symbol, Word, Class, Text string }
	group struct {
		Name    string
		Figures []figure
	}
	figure struct {
		Count  int
		Symbol string
		Class  string
		Name   string
	}
	finding struct {
		Number     int
		Mark       stamp
		Where      string
		Kind, Text string
		Label      string // "to do", "to judge", "done"
		Remedy     string
		By         []cite
		Entries    []cite
	}
	joint struct {
		Title, Key string
		Facts      []field
		Caution    string
		Drawing    *drawing
		Steps      *table
		Passes     []*table
	}
	table struct {
		Title, State string
		About        []string
		Columns      []column
		Heads        int    // columns that a bolt has once, for all its rows
		Rest         string // instead of rows, where there are none yet
		Bolts        []bolt
		Short        bool // short enough to stay on one page
	}
	column struct {
		Name, Class string
	}
	bolt struct {
		Order, Place, Text string
		Span               int
		First              bool
		Rows               []row
	}
	row struct {
		Target, Limits  string
		Value, Also     string
		Angle           string
		Has             map[string]bool // the columns of the table, by class
		Rest            int             // how many columns remarks go over
		Mark            stamp
		Findings        []int
		Time, By, Entry string
		Attested, Void  bool
		Remarks         []string

		entry fact.Entry
	}
	// cite is an entry in a list in brackets.
	cite  struct{ Before, Entry, Behind string }
	again struct {
		Joint, Bolt, Pulled, Pass, Target, Limits, NotBefore string
		Reasons                                              []string
	}
	instrument struct {
		Label                                                           string
		Address, Identity, Profile, Range, Calibrated, Due, Read, Voids string
		Findings                                                        []int
	}
	event struct{ Time, What, About, Text, Entry, Last string }
	head  struct{ Station, Number, Hash string }
)

func stampOf(m mark.Mark) stamp { return stamp{Symbol: m.Symbol, Word: m.Word, Class: class(m.Colour)} }

// viewer makes the view.
type viewer struct {
	in    Input
	state *judge.State
	clock clock
	// refs are the places of the findings about a point in a pass, by entry.
	refs map[refKey][]int
	// ranges are the numbers of the findings that readings of several bolts were
	// outside their instrument's range.
	ranges map[fact.Ref][]int
	// readings counts those of each instrument in force, and taken back.
	used, void map[int]int
}

type refKey struct {
	point fact.Point
	pass  fact.Pass
}

func newView(in Input) *view {
	s := in.State
	v := &viewer{in: in, state: s, clock: newClock(in.TimeZone, s.Opened.Time), refs: map[refKey][]int{}, ranges: map[fact.Ref][]int{}, used: map[int]int{}, void: map[int]int{}}
	if v.in.Build == "" {
		v.in.Build = s.Opening.Build
	}
	for i, f := range s.Findings {
		switch {
		case f.Point != "":
			key := refKey{f.Point, f.Pass}
			v.refs[key] = append(v.refs[key], i)
		case f.Kind == judge.InstrumentRange:
			for _, r := range f.Entries {
				v.ranges[r] = append(v.ranges[r], i+1)
			}
		}
	}
	page := &view{
		Style: style(),
		Build: v.in.Build,
		Foot:  v.foot(),
		Head:  v.head(),
		Check: v.check(),
		Left:  v.left(),
	}
	if !in.Verified && in.Summary != "" {
		page.Alarm = "Do not rely on this sheet: the book it was printed from is damaged or was changed. What it shows may be wrong or not all."
	}
	page.State = v.stateStamp(len(page.Left))
	page.Glance = v.glance()
	page.Findings = v.findings()
	for _, js := range s.Joints {
		page.Joints = append(page.Joints, v.joint(js))
	}
	page.Loose = v.loose()
	page.Again = v.again()
	page.Instruments = v.instruments()
	if s.Attested > 0 {
		page.ByHand = count(s.Attested, "reading")
	}
	page.Notes = v.notes()
	page.Replans = v.replans()
	page.Cautions = v.cautions()
	page.Signatures = []string{"Builder", "Quality assurance", "Customer"}
	page.Heads = v.heads()
	page.Command = "paintmark verify " + shellWord(v.in.Build)
	page.End = "Printed " + v.clock.full(in.Printed) + " (" + v.clock.name() + ") by paintmark " + dash(in.Version) +
		" from the book alone. The book is the record; this sheet is a copy of what it said then."
	return page
}

// count is "1 reading", "2 readings".
func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

func dash(s string) string {
	if strings.TrimSpace(s) == "" {
		return none
	}
	return s
}

// shellWord writes a name as a shell takes it.
func shellWord(name string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("._-/", r)
	}
	if name != "" && name[0] != '-' && strings.IndexFunc(name, func(r rune) bool { return !plain(r) }) < 0 {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}

// foot is what stands at the foot of each page, so that one that got loose can
// be put back: the build and the beginning of the last hash.
func (v *viewer) foot() string {
	parts := []string{"Build " + clip(v.in.Build, 40)}
	for _, h := range v.in.Heads {
		if len(parts) == 2 {
			parts = append(parts, "…")
			break
		}
		parts = append(parts, clip(h.Station, 24)+"#"+strconv.FormatUint(h.Number, 10)+" "+hex.EncodeToString(h.Hash[:8]))
	}
	return strings.Join(parts, "  ·  ")
}

func clip(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}

func (v *viewer) head() []field {
	s := v.state
	fields := []field{{"Engine", s.Plan.Engine.Name + ", " + count(s.Plan.Engine.Cylinders, "cylinder")}}
	if order := s.Plan.Engine.FiringOrder; len(order) > 0 {
		var numbers []string
		for _, n := range order {
			numbers = append(numbers, strconv.Itoa(n))
		}
		fields = append(fields, field{"Firing order", strings.Join(numbers, "-")})
	}
	given := map[string]bool{}
	for _, id := range s.Opening.Identity {
		given[id.Name] = true
		fields = append(fields, field{sentence(id.Name), dash(id.Value)})
	}
	for _, name := range s.Plan.Engine.Identity {
		if !given[name] {
			fields = append(fields, field{sentence(name), "not given"})
		}
	}
	edition := s.Plan.Title + ", edition " + s.Plan.Edition
	if n := len(s.Replans); n > 0 {
		edition += ", changed " + count(n, "time") + " since the opening (see Changes of the plan)"
	}
	return append(fields,
		field{"Plan", edition},
		field{"Source of the figures", s.Plan.Source},
		field{"Opened", v.clock.full(s.Opened.Time) + ", entry " + s.Opened.String() + ", by paintmark " + dash(s.Opening.Program)},
		field{"Printed", v.clock.full(v.in.Printed) + ", by paintmark " + dash(v.in.Version)},
		field{"Times", v.clock.name()},
	)
}

// sentence begins with a capital letter.
func sentence(s string) string {
	r := []rune(s)
	if len(r) == 0 {
		return none
	}
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

func (v *viewer) check() stamp {
	switch {
	case v.in.Verified:
		st := stampOf(mark.Mark{Symbol: "✓", Word: "verified", Colour: mark.Green})
		st.Text = v.in.Summary
		return st
	case v.in.Summary != "":
		st := stampOf(mark.Mark{Symbol: "●", Word: "NOT sound", Colour: mark.Vermilion})
		st.Text = v.in.Summary
		return st
	default:
		st := stampOf(mark.Mark{Symbol: "○", Word: "not verified", Colour: mark.White})
		st.Text = "nobody checked the book before this sheet was printed"
		return st
	}
}

// left is what is still to be done, joint by joint.
func (v *viewer) left() []string {
	var left []string
	for _, js := range v.state.Joints {
		var parts []string
		if n := open(js.Steps); n > 0 {
			parts = append(parts, fmt.Sprintf("preparation (%d of %d done)", len(js.Steps)-n, len(js.Steps)))
		}
		for _, ps := range js.Passes {
			if n := open(ps.Cells); n > 0 {
				parts = append(parts, fmt.Sprintf("%s (%d of %d done)", ps.Pass.Name, ps.Done(), len(ps.Cells)))
			}
		}
		if len(parts) > 0 {
			left = append(left, js.Joint.Title+": "+strings.Join(parts, ", "))
		}
	}
	return left
}

// open counts the cells that are not done, those left out on purpose included.
func open(cells []*judge.Cell) int {
	n := 0
	for _, c := range cells {
		if !c.Done {
			n++
		}
	}
	return n
}

func (v *viewer) stateStamp(left int) stamp {
	switch n := v.state.Unsettled(); {
	case left > 0 || !v.state.Complete():
		st := stampOf(mark.Status(judge.Open))
		st.Text = "Still to do:"
		return st
	case n > 0:
		st := stampOf(mark.Status(judge.ForReview))
		st.Word = "complete, not settled"
		st.Text = "Everything in the plan was gone through; " + count(n, "finding") + " must still be dealt with or judged."
		return st
	default:
		st := stampOf(mark.Status(judge.Settled))
		st.Word = "complete"
		st.Text = "Everything in the plan was done, and no finding is left unsettled."
		return st
	}
}

func (v *viewer) statuses() map[judge.Status]int {
	n := map[judge.Status]int{}
	for _, f := range v.state.Findings {
		n[f.Status]++
	}
	return n
}

func (v *viewer) glance() []group {
	s := v.state
	n := v.statuses()
	fig := func(count int, m mark.Mark, name string) figure {
		f := figure{Count: count, Symbol: m.Symbol, Name: name}
		if count > 0 {
			f.Class = class(m.Colour)
		}
		return f
	}
	return []group{
		{"Readings", []figure{
			{Count: s.Readings - s.Attested, Name: "measured"},
			fig(s.Attested, mark.Attested, mark.Attested.Word),
			fig(s.Voided, mark.TakenBack, mark.TakenBack.Word),
		}},
		{"Findings", []figure{
			fig(n[judge.Open], mark.Status(judge.Open), string(judge.Open)),
			fig(n[judge.ForReview], mark.Status(judge.ForReview), string(judge.ForReview)),
			fig(n[judge.Settled], mark.Status(judge.Settled), string(judge.Settled)),
		}},
		{"Record", []figure{
			{Count: len(s.Again), Name: "to go over"},
			{Count: s.Entries, Name: "entries"},
		}},
	}
}

func (v *viewer) findings() []finding {
	var list []finding
	for i, f := range v.state.Findings {
		label := map[judge.Status]string{judge.Open: "To do", judge.ForReview: "To judge", judge.Settled: "Done"}[f.Status]
		made := finding{Number: i + 1, Mark: stampOf(mark.Status(f.Status)), Where: v.where(f.Joint, f.Point, f.Pass),
			Kind: string(f.Kind), Text: f.Text, Label: label, Remedy: f.Remedy, Entries: cites(f.Entries)}
		if !f.By.IsZero() {
			made.By = cites([]fact.Ref{f.By})
		}
		list = append(list, made)
	}
	return list
}

func cites(list []fact.Ref) []cite {
	var made []cite
	for _, r := range list {
		made = append(made, cite{Entry: r.String(), Behind: ","})
	}
	if n := len(made); n > 0 {
		made[0].Before, made[n-1].Behind = "(", ")"
	}
	return made
}

// where is "head-left, bolt 4, stage 2" in the plan's own words.
func (v *viewer) where(key string, point fact.Point, pass fact.Pass) string {
	var parts []string
	js, known := v.state.Joint(key)
	if key != "" {
		parts = append(parts, key)
	}
	if place := point.Place(); place != "" {
		what := "point "
		if known {
			if _, ok := js.Joint.Bolt(place); ok {
				what = "bolt "
			} else if _, ok := js.Joint.Step(place); ok {
				what = "step "
			}
		}
		parts = append(parts, what+place)
	}
	if pass != "" {
		name := string(pass)
		if known {
			if p, ok := js.Joint.Pass(pass); ok {
				name = p.Name
			}
		}
		parts = append(parts, name)
	}
	if len(parts) == 0 {
		return "the whole build"
	}
	return strings.Join(parts, ", ")
}

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
		if p.Kind != plan.Recheck {
			t.About = append(t.About, "To "+p.Target.String()+" ("+limitWords(p.Limits)+").")
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
		r.Target, r.Limits = p.Target.String(), limitWords(p.Limits)
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
	v.tally(r)
	return made
}

// converted is a value in the plan's unit, with as many decimals as it takes to
// show on which side of the limits it lies.
func converted(q quantity.Quantity, u quantity.Unit, l quantity.Limits) string {
	for places := int32(2); ; places++ {
		c, err := q.In(u, places)
		if err != nil {
			return ""
		}
		is, err := l.Place(q)
		shown, wrong := l.Place(c)
		if err != nil || wrong != nil || is == shown || places == 9 {
			return "≈ " + c.String()
		}
	}
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

func (v *viewer) instrument(of fact.Instrument) int {
	return slices.IndexFunc(v.state.Instruments, func(o fact.Instrument) bool {
		return o.Name == of.Name && o.Identity == of.Identity && o.Calibrated == of.Calibrated && o.Due == of.Due
	})
}

// label is the instrument's name, with its number in the list where two have
// the same.
func (v *viewer) label(i int) string {
	name := v.state.Instruments[i].Name
	for k, o := range v.state.Instruments {
		if k != i && o.Name == name {
			return name + " [" + strconv.Itoa(i+1) + "]"
		}
	}
	return name
}

func (v *viewer) tally(r judge.Judged) {
	i := v.instrument(r.Reading.Instrument)
	switch {
	case i < 0:
	case r.Void != nil:
		v.void[i]++
	default:
		v.used[i]++
	}
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

func (v *viewer) again() []again {
	var list []again
	for _, a := range v.state.Again {
		made := again{Joint: a.Joint, Bolt: a.Place, Pulled: strconv.Itoa(a.Pulled), Pass: a.Name,
			Target: "pull to " + a.Target.String(), Limits: limitWords(a.Limits), Reasons: a.Reasons}
		if js, ok := v.state.Joint(a.Joint); ok {
			made.Joint = js.Joint.Title
			// A bolt that has not been found loose is looked at, not pulled.
			if p, ok := js.Joint.Pass(a.Pass); ok && p.Kind == plan.Recheck && a.Limits != p.Limits {
				made.Target, made.Limits = "check", held(p)
			}
		}
		if !a.NotBefore.IsZero() {
			made.NotBefore = v.clock.full(a.NotBefore)
		}
		list = append(list, made)
	}
	return list
}

func (v *viewer) instruments() []instrument {
	byEntry := map[fact.Ref]int{}
	v.each(func(r judge.Judged) {
		if i := v.instrument(r.Reading.Instrument); i >= 0 {
			byEntry[r.Entry.Ref] = i
		}
	})
	found := map[int][]int{}
	for n, f := range v.state.Findings {
		if f.Kind == judge.InstrumentOverdue && len(f.Entries) > 0 {
			if i, ok := byEntry[f.Entries[0]]; ok {
				found[i] = append(found[i], n+1)
			}
		}
	}
	var list []instrument
	for i, in := range v.state.Instruments {
		made := instrument{Label: v.label(i), Address: dash(in.Address), Identity: dash(in.Identity), Profile: dash(in.Profile), Range: none,
			Calibrated: known(in.Calibrated), Due: known(in.Due), Read: strconv.Itoa(v.used[i]), Findings: found[i]}
		if (in.Range != quantity.Limits{}) {
			made.Range = in.Range.String()
		}
		if n := v.void[i]; n > 0 {
			made.Voids = fmt.Sprintf("%d taken back", n)
		}
		list = append(list, made)
	}
	return list
}

func known(date string) string {
	if date == "" {
		return "not known"
	}
	return date
}

// each calls f for every reading of the state.
func (v *viewer) each(f func(judge.Judged)) {
	cells := func(list []*judge.Cell) {
		for _, c := range list {
			for _, r := range c.Readings {
				f(r)
			}
		}
	}
	for _, js := range v.state.Joints {
		cells(js.Steps)
		for _, ps := range js.Passes {
			cells(ps.Cells)
		}
		if js.Heat != nil {
			cells([]*judge.Cell{js.Heat})
		}
	}
	for _, r := range v.state.Loose {
		f(r)
	}
}

// notes are what happened around the readings. A row of the same thing from the
// same instrument is told once, with how often: a loose plug or a wrong profile
// can fill pages.
func (v *viewer) notes() []event {
	var list []event
	notes := v.state.Notes
	for i := 0; i < len(notes); {
		n, ok := notes[i].Body.(fact.Note)
		if !ok {
			i++
			continue
		}
		run := i + 1
		for run < len(notes) && repeats(n, notes[run]) {
			run++
		}
		last := notes[run-1]
		made := event{Time: v.clock.full(notes[i].Time), What: n.What, About: n.Instrument, Text: n.Text, Entry: notes[i].String()}
		if n.Point != "" {
			made.About = strings.TrimPrefix(made.About+", "+string(n.Point), ", ")
		}
		if len(n.Raw) > 0 {
			made.Text = strings.TrimSpace(made.Text + " (" + raw(n.Raw) + ")")
		}
		if times := run - i; times > 1 {
			made.What += " × " + strconv.Itoa(times)
			made.Last = last.String()
			made.Time += " to " + v.clock.full(last.Time)
		}
		list = append(list, made)
		i = run
	}
	return list
}

func repeats(n fact.Note, e fact.Entry) bool {
	o, ok := e.Body.(fact.Note)
	return ok && (n.What == fact.Unreadable || n.What == fact.NotAssigned) &&
		o.What == n.What && o.Instrument == n.Instrument && o.Point == n.Point
}

// raw is the first bytes that came, in hexadecimal.
func raw(b []byte) string {
	const most = 16
	if len(b) <= most {
		return "bytes " + hex.EncodeToString(b)
	}
	return fmt.Sprintf("first %d of %d bytes %s", most, len(b), hex.EncodeToString(b[:most]))
}

func (v *viewer) replans() []event {
	var list []event
	for _, e := range v.state.Replans {
		b, ok := e.Body.(fact.Replan)
		if !ok {
			continue
		}
		made := event{Time: v.clock.full(e.Time), What: dash(b.PlanName), Text: b.Because, Entry: e.String()}
		if p, err := plan.Parse(b.PlanName, []byte(b.Plan)); err == nil {
			made.About = p.Title + ", edition " + p.Edition
		}
		list = append(list, made)
	}
	return list
}

// cautions are what a reader must know before relying on the sheet.
func (v *viewer) cautions() []string {
	s := v.state
	list := caution.All()
	switch {
	case s.Attested == 1:
		list = append(list, mark.Attested.Symbol+" One value on this sheet was stated by hand and not measured. It is marked as attested and rests on the word of the person who stated it.")
	case s.Attested > 1:
		list = append(list, fmt.Sprintf("%s %d values on this sheet were stated by hand and not measured. They are marked as attested and rest on the word of the person who stated them.", mark.Attested.Symbol, s.Attested))
	default:
		list = append(list, "No value in force on this sheet was stated by hand; each was read from an instrument.")
	}
	list = append(list,
		"Torque is not clamp load. At one and the same torque the clamp load commonly scatters by some 25 % to either side with lubricated threads and by some 35 % with dry ones; any clamp load computed from a torque is an estimate.",
		"After heat cycles, let hot parts cool before the bolts are gone over.",
	)
	for _, note := range s.Plan.Notes {
		list = append(list, strings.TrimSuffix(note, ".")+".")
	}
	return append(list,
		"A sound book says that the record was not changed since it was written. It does not say that each instrument was right, nor that each pull was made on the bolt it stands against.",
		"This record does not replace the judgement of the person who signs it.",
	)
}

func (v *viewer) heads() []head {
	var list []head
	for _, h := range v.in.Heads {
		list = append(list, head{h.Station, strconv.FormatUint(h.Number, 10), hex.EncodeToString(h.Hash[:])})
	}
	return list
}
