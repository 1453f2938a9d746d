package sheet

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/mark"
)

// instrument is the place of an instrument in the state's list, -1 if it is none.
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

func (v *viewer) again() []again {
	var list []again
	for _, a := range v.state.Again {
		made := again{Joint: a.Joint, Bolt: a.Place, Pulled: strconv.Itoa(a.Pulled), Pass: a.Name,
			Target: "pull to " + a.Target.String(), Limits: limitWords(a.Limits), Reasons: a.Reasons}
		if a.Target.Dimension() != quantity.Torque {
			made.Target = plan.TargetWords(a.Target)
		}
		if !a.Watch.IsZero() {
			made.Limits += ", at the end " + limitWords(a.Watch)
		}
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
	used, void := map[int]int{}, map[int]int{}
	v.each(func(r judge.Judged) {
		i := v.instrument(r.Reading.Instrument)
		byEntry[r.Entry.Ref] = i
		if r.Void != nil {
			void[i]++
		} else {
			used[i]++
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
			Calibrated: known(in.Calibrated), Due: known(in.Due), Read: strconv.Itoa(used[i]), Findings: found[i]}
		if (in.Range != quantity.Limits{}) {
			made.Range = in.Range.String()
		}
		if n := void[i]; n > 0 {
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

// decisions are what persons decided, also where that was taken back.
func (v *viewer) decisions() []event {
	var list []event
	for _, d := range v.state.Decisions {
		e := d.Entry
		made := event{Time: v.clock.full(e.Time), Entry: e.String()}
		by := ""
		switch b := e.Body.(type) {
		case fact.Accepted:
			made.What, made.About, made.Text, by = string(judge.Accepted)+" "+b.Kind, v.where(b.Point.Joint(), b.Point, b.Pass), b.Because, b.By
		case fact.SentBack:
			made.What, made.About, made.Text, by = string(judge.BoltSentBack), v.where(b.Point.Joint(), b.Point, b.Pass), b.Because, b.By
		}
		made.Text = strings.TrimPrefix(by+": "+made.Text, ": ")
		if d.Void != nil {
			made.Text += "; " + v.takenBack(d.Void, v.clock.full)
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
