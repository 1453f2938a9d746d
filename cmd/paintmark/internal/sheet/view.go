package sheet

import (
	"encoding/hex"
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
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
		Decisions   []event
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
		Name       string
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
}

type refKey struct {
	point fact.Point
	pass  fact.Pass
}

func newView(in Input) *view {
	s := in.State
	v := &viewer{in: in, state: s, clock: newClock(in.TimeZone, s.Opened.Time), refs: map[refKey][]int{}, ranges: map[fact.Ref][]int{}}
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
	page.Decisions = v.decisions()
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
	groups := []group{
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
	if n := n[judge.Accepted]; n > 0 {
		groups[1].Figures = append(groups[1].Figures, fig(n, mark.Status(judge.Accepted), string(judge.Accepted)))
	}
	return groups
}

func (v *viewer) findings() []finding {
	var list []finding
	for i, f := range v.state.Findings {
		label := map[judge.Status]string{judge.Open: "To do", judge.ForReview: "To judge", judge.Accepted: "Let stand", judge.Settled: "Done"}[f.Status]
		made := finding{Number: i + 1, Name: f.Name, Mark: stampOf(mark.Status(f.Status)), Where: v.where(f.Joint, f.Point, f.Pass),
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
