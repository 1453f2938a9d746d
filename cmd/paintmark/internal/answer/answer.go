// Package answer is the JSON that the program's commands answer in: plain
// structs with fixed names, made from what package judge computed. The names
// are a contract, described in JSON.md beside the commands; fields may be added
// and none is renamed or given another meaning.
//
// Quantities are objects whose value is text, since a JSON number would lose
// trailing zeros and, beyond 15 digits, the value itself.
package answer

import (
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// Quantity is an exact value with its unit in the one spelling of the output.
type Quantity struct {
	Value string `json:"value"`
	Unit  string `json:"unit"`
}

// Of gives a quantity's JSON form, nil for none.
func Of(q quantity.Quantity) *Quantity {
	if q.IsZero() {
		return nil
	}
	return &Quantity{Value: q.Number(), Unit: q.Unit.String()}
}

// Limits are what a value must lie between, both ends included; an end that is
// left out is open.
type Limits struct {
	Least *Quantity `json:"least,omitempty"`
	Most  *Quantity `json:"most,omitempty"`
}

// LimitsOf gives limits' JSON form, nil if both ends are open.
func LimitsOf(l quantity.Limits) *Limits {
	if l.IsZero() {
		return nil
	}
	return &Limits{Least: Of(l.Least), Most: Of(l.Most)}
}

// Reading is one reading with its verdict.
type Reading struct {
	Entry      string     `json:"entry"`
	Time       time.Time  `json:"time"`
	Point      fact.Point `json:"point"`
	Pass       fact.Pass  `json:"pass,omitempty"`
	Value      *Quantity  `json:"value"`
	Angle      *Quantity  `json:"angle,omitempty"`
	Turned     *Quantity  `json:"turned,omitempty"`  // in a stage by angle, in all
	Stretch    *Quantity  `json:"stretch,omitempty"` // in a stage by stretch
	Before     string     `json:"before,omitempty"`  // the reading that the stretch was measured from
	Verdict    string     `json:"verdict"`
	Told       string     `json:"told,omitempty"` // the verdict the builder was told at the time
	Attested   bool       `json:"attested"`
	Instrument string     `json:"instrument,omitempty"`
	Identity   string     `json:"identity,omitempty"`
	Status     []string   `json:"status,omitempty"`
	Raw        []byte     `json:"raw,omitempty"` // base64
	Early      bool       `json:"early,omitempty"`
	Again      bool       `json:"again,omitempty"`
	Voided     *Voided    `json:"voided,omitempty"`
}

// Voided says by which entry a reading was taken back, and why.
type Voided struct {
	Entry   string `json:"entry"`
	Because string `json:"because"`
}

// ReadingOf gives a judged reading's JSON form.
func ReadingOf(r judge.Judged) Reading {
	a := Reading{
		Entry: r.Entry.String(), Time: r.Entry.Time.UTC(), Point: r.Reading.Point, Pass: r.Reading.Pass,
		Value: Of(r.Reading.Value), Angle: Of(r.Reading.Angle), Verdict: string(r.Verdict), Told: r.Reading.Told,
		Attested: r.Reading.Attested, Instrument: r.Reading.Instrument.Name, Identity: r.Reading.Instrument.Identity,
		Status: r.Reading.Status, Raw: r.Reading.Raw, Early: r.Early, Again: r.Again,
	}
	a.Turned, a.Stretch = Of(r.Turned), Of(r.Stretch)
	if !r.Before.IsZero() {
		a.Before = r.Before.String()
	}
	if r.Void != nil {
		a.Voided = &Voided{Entry: r.Void.String(), Because: r.Void.Body.(fact.Void).Because}
	}
	return a
}

// Finding is one thing that plan and readings disagree on.
type Finding struct {
	Name    string     `json:"name"`
	Kind    string     `json:"kind"`
	Status  string     `json:"status"`
	Joint   string     `json:"joint,omitempty"`
	Point   fact.Point `json:"point,omitempty"`
	Pass    fact.Pass  `json:"pass,omitempty"`
	Text    string     `json:"text"`
	Remedy  string     `json:"remedy"`
	Entries []string   `json:"entries,omitempty"`
	By      string     `json:"by,omitempty"`
}

// FindingOf gives a finding's JSON form.
func FindingOf(f judge.Finding) Finding {
	a := Finding{Name: f.Name, Kind: string(f.Kind), Status: string(f.Status), Joint: f.Joint, Point: f.Point, Pass: f.Pass, Text: f.Text, Remedy: f.Remedy}
	for _, ref := range f.Entries {
		a.Entries = append(a.Entries, ref.String())
	}
	if !f.By.IsZero() {
		a.By = f.By.String()
	}
	return a
}

// Decision is what a person decided: a finding accepted, or a bolt sent back.
type Decision struct {
	Entry    string     `json:"entry"`
	Time     time.Time  `json:"time"`
	Decision string     `json:"decision"` // "accepted" or "sent back"
	Finding  string     `json:"finding,omitempty"`
	Kind     string     `json:"kind,omitempty"` // of the finding
	Point    fact.Point `json:"point,omitempty"`
	Pass     fact.Pass  `json:"pass,omitempty"`
	Because  string     `json:"because"`
	By       string     `json:"by"`
	Voided   *Voided    `json:"voided,omitempty"`
}

// DecisionsOf gives the JSON form of each, never null.
func DecisionsOf(list []judge.Past) []Decision {
	all := make([]Decision, len(list))
	for i, p := range list {
		d := Decision{Entry: p.Entry.String(), Time: p.Entry.Time.UTC(), Decision: string(judge.BoltSentBack)}
		switch b := p.Entry.Body.(type) {
		case fact.Accepted:
			d.Decision, d.Finding, d.Kind, d.Point, d.Pass, d.Because, d.By = string(judge.Accepted), b.Finding, b.Kind, b.Point, b.Pass, b.Because, b.By
		case fact.SentBack:
			d.Point, d.Pass, d.Because, d.By = b.Point, b.Pass, b.Because, b.By
		}
		if p.Void != nil {
			d.Voided = &Voided{Entry: p.Void.String(), Because: p.Void.Body.(fact.Void).Because}
		}
		all[i] = d
	}
	return all
}

// FindingsOf gives the JSON form of each, never null.
func FindingsOf(list []judge.Finding) []Finding {
	all := make([]Finding, len(list))
	for i, f := range list {
		all[i] = FindingOf(f)
	}
	return all
}

// Task is one thing to do.
type Task struct {
	Kind      string     `json:"kind"`
	Point     fact.Point `json:"point"`
	Pass      fact.Pass  `json:"pass,omitempty"`
	Name      string     `json:"name"`
	Target    *Quantity  `json:"target,omitempty"`
	Limits    *Limits    `json:"limits,omitempty"`
	Watch     *Limits    `json:"watch,omitempty"`
	Left      *Quantity  `json:"left,omitempty"` // of an angle, of which a part was turned
	Shows     *Limits    `json:"shows,omitempty"`
	Loosen    string     `json:"loosen,omitempty"`    // why the bolt is to be loosened first
	SentBack  string     `json:"sent_back,omitempty"` // why it was sent back
	After     string     `json:"after,omitempty"`     // the verdict of the reading that has to be made good
	LeftOut   string     `json:"left_out,omitempty"`  // why the bolt was left out of the pass
	NotBefore *time.Time `json:"not_before,omitempty"`
}

// TaskOf gives a task's JSON form.
func TaskOf(t judge.Task) *Task {
	return &Task{Kind: string(t.Kind), Point: t.Point, Pass: t.Pass, Name: t.Name, Target: Of(t.Target), Limits: LimitsOf(t.Limits),
		Watch: LimitsOf(t.Watch), Left: Of(t.Left), Shows: LimitsOf(t.Shows), Loosen: t.Loosen, SentBack: t.SentBack,
		After: string(t.Again), LeftOut: t.LeftOut, NotBefore: moment(t.NotBefore)}
}

func moment(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// Again is one bolt to go over again.
type Again struct {
	Point     fact.Point `json:"point"`
	Pulled    int        `json:"pulled"` // its place in the order in which the bolts were pulled
	Pass      fact.Pass  `json:"pass"`
	Target    *Quantity  `json:"target"`
	Limits    *Limits    `json:"limits,omitempty"`
	Watch     *Limits    `json:"watch,omitempty"`
	Reasons   []string   `json:"reasons"`
	NotBefore *time.Time `json:"not_before,omitempty"`
}

// AgainOf gives the JSON form of the list, never null.
func AgainOf(list []judge.Again) []Again {
	all := make([]Again, len(list))
	for i, a := range list {
		all[i] = Again{Point: a.Point, Pulled: a.Pulled, Pass: a.Pass, Target: Of(a.Target), Limits: LimitsOf(a.Limits), Watch: LimitsOf(a.Watch),
			Reasons: append([]string{}, a.Reasons...), NotBefore: moment(a.NotBefore)}
	}
	return all
}

// Build is how far a build is.
type Build struct {
	Build    string            `json:"build"`
	Plan     string            `json:"plan"`
	Edition  string            `json:"edition"`
	Source   string            `json:"source"`
	Engine   string            `json:"engine"`
	Identity map[string]string `json:"identity"`
	Opened   time.Time         `json:"opened"`
	Complete bool              `json:"complete"`
	Joints   []Joint           `json:"joints"`
	Findings []Finding         `json:"findings"`
	Next     []*Task           `json:"next"`
	Readings int               `json:"readings"`
	Attested int               `json:"attested"`
	Voided   int               `json:"voided"`
	Entries  int               `json:"entries"`
}

// Joint is how far a joint is.
type Joint struct {
	Joint    string `json:"joint"`
	Title    string `json:"title"`
	Finished bool   `json:"finished"`
	Steps    []Step `json:"steps"`
	Passes   []Pass `json:"passes"`
}

// Step is whether a step of preparation was done.
type Step struct {
	Point fact.Point `json:"point"`
	Text  string     `json:"text"`
	Done  bool       `json:"done"`
}

// Pass is how far a pass is.
type Pass struct {
	Pass   fact.Pass `json:"pass"`
	Name   string    `json:"name"`
	Target *Quantity `json:"target"`
	Limits *Limits   `json:"limits,omitempty"`
	Watch  *Limits   `json:"watch,omitempty"`
	Done   int       `json:"done"`
	Bolts  int       `json:"bolts"`
	Left   []string  `json:"left"`
}

// BuildOf gives the JSON form of a state.
func BuildOf(name string, s *judge.State) Build {
	b := Build{
		Build: name, Plan: s.Plan.Title, Edition: s.Plan.Edition, Source: s.Plan.Source, Engine: s.Plan.Engine.Name,
		Identity: map[string]string{}, Opened: s.Opened.Time.UTC(), Complete: s.Complete(), Joints: []Joint{}, Findings: FindingsOf(s.Findings),
		Next: []*Task{}, Readings: s.Readings, Attested: s.Attested, Voided: s.Voided, Entries: s.Entries,
	}
	for _, id := range s.Opening.Identity {
		b.Identity[id.Name] = id.Value
	}
	for _, js := range s.Joints {
		j := Joint{Joint: js.Joint.Key, Title: js.Joint.Title, Finished: js.Finished(), Steps: []Step{}, Passes: []Pass{}}
		for i, c := range js.Steps {
			j.Steps = append(j.Steps, Step{Point: c.Point, Text: js.Joint.Steps[i].Text, Done: c.Done})
		}
		for _, ps := range js.Passes {
			p := Pass{Pass: ps.Pass.Key, Name: ps.Pass.Name, Target: Of(ps.Pass.Target), Limits: LimitsOf(ps.Pass.Limits), Watch: LimitsOf(ps.Pass.Watch),
				Done: ps.Done(), Bolts: len(ps.Cells), Left: []string{}}
			for _, c := range ps.Cells {
				if !c.Done {
					p.Left = append(p.Left, c.Place)
				}
			}
			j.Passes = append(j.Passes, p)
		}
		b.Joints = append(b.Joints, j)
	}
	for _, t := range s.Tasks {
		b.Next = append(b.Next, TaskOf(t))
	}
	return b
}

// Plan is a plan as it is understood.
type Plan struct {
	Plan    string      `json:"plan"`
	Edition string      `json:"edition"`
	Source  string      `json:"source"`
	Engine  string      `json:"engine"`
	Joints  []PlanJoint `json:"joints"`
	Notes   []string    `json:"notes"`
}

// PlanJoint is a joint of a plan.
type PlanJoint struct {
	Joint    string     `json:"joint"`
	Title    string     `json:"title"`
	After    []string   `json:"after,omitempty"`
	Order    []string   `json:"order"`
	Computed bool       `json:"order_computed"`
	Steps    []PlanStep `json:"steps"`
	Passes   []PlanPass `json:"passes"`
}

// PlanStep is a step of preparation; with limits it is measured.
type PlanStep struct {
	Step   string  `json:"step"`
	Text   string  `json:"text"`
	Limits *Limits `json:"limits,omitempty"`
	Length bool    `json:"length,omitempty"` // of a bolt, before it is tightened
}

// PlanPass is a pass of a joint.
type PlanPass struct {
	Pass       fact.Pass `json:"pass"`
	Kind       string    `json:"kind"`
	Name       string    `json:"name"`
	Target     *Quantity `json:"target"`
	Limits     *Limits   `json:"limits,omitempty"`
	Snug       *Quantity `json:"snug,omitempty"`  // the torque that an angle begins at
	Watch      *Limits   `json:"watch,omitempty"` // of the torque at the end of an angle
	First      int       `json:"first,omitempty"`
	WaitS      float64   `json:"wait_s,omitempty"`
	Relaxed    *Quantity `json:"relaxed,omitempty"`
	Moved      *Quantity `json:"moved,omitempty"`
	HeatCycles int       `json:"heat_cycles,omitempty"`
}

// PlanOf gives a plan's JSON form.
func PlanOf(p *plan.Plan) Plan {
	a := Plan{Plan: p.Title, Edition: p.Edition, Source: p.Source, Engine: p.Engine.Name, Joints: []PlanJoint{}, Notes: append([]string{}, p.Notes...)}
	for _, j := range p.Joints {
		joint := PlanJoint{Joint: j.Key, Title: j.Title, After: j.After, Order: []string{}, Computed: j.OrderComputed,
			Steps: []PlanStep{}, Passes: []PlanPass{}}
		for _, b := range j.Bolts {
			joint.Order = append(joint.Order, b.Key)
		}
		for _, s := range j.Steps {
			joint.Steps = append(joint.Steps, PlanStep{Step: s.Key, Text: s.Text, Limits: LimitsOf(s.Limits), Length: s.FreeLength()})
		}
		for _, pass := range j.Passes {
			joint.Passes = append(joint.Passes, PlanPass{Pass: pass.Key, Kind: pass.Kind.String(), Name: pass.Name, Target: Of(pass.Target),
				Limits: LimitsOf(pass.Limits), Snug: Of(pass.Snug), Watch: LimitsOf(pass.Watch), First: pass.First, WaitS: pass.Wait.Seconds(), Relaxed: Of(pass.Relaxed), Moved: Of(pass.Moved),
				HeatCycles: pass.HeatCycles})
		}
		a.Joints = append(a.Joints, joint)
	}
	return a
}
