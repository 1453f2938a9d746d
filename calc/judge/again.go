package judge

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// An Again is one bolt to go over again.
type Again struct {
	Joint string
	Point fact.Point
	Place string
	// Pulled is the bolt's place in the order in which the bolts of its joint
	// were really pulled in the last stage, from 1.
	Pulled int
	// Pass it is to be gone over in, with the target and limits.
	Pass   fact.Pass
	Name   string
	Target quantity.Quantity
	Limits quantity.Limits
	// Reasons, the gravest first.
	Reasons []string
	// NotBefore is when at the earliest; zero is at once.
	NotBefore time.Time
}

// again makes the list of bolts to go over: those with an open finding of their
// own, and those whose re-check or re-torque is due. In each joint the bolts
// pulled first come first, because they have settled under all the others.
func (j *judging) again() {
	for _, js := range j.state.Joints {
		order := js.pulledOrder()
		items := map[string]*Again{}
		get := func(c *Cell, pass plan.Pass) *Again {
			if items[c.Place] == nil {
				t := task(js, pass, c)
				items[c.Place] = &Again{Joint: js.Joint.Key, Point: c.Point, Place: c.Place, Pulled: order[c.Place] + 1,
					Pass: pass.Key, Name: pass.Name, Target: t.Target, Limits: t.Limits}
			}
			return items[c.Place]
		}
		for _, ps := range js.Passes {
			missedWhole := j.has(StageMissed, js.Joint.Key, ps.Pass.Key)
			for _, c := range ps.Cells {
				for _, f := range j.state.Findings {
					if f.Status == Open && f.Point == c.Point && f.Pass == ps.Pass.Key {
						item := get(c, ps.Pass)
						item.Reasons = append(item.Reasons, fmt.Sprintf("%s: %s", f.Kind, f.Text))
					}
				}
				if missedWhole && c.Skip == nil {
					item := get(c, ps.Pass)
					item.Reasons = append(item.Reasons, fmt.Sprintf("%s: %s", StageMissed, ps.Pass.Name))
				}
			}
			j.due(js, ps, order, get)
		}
		var list []*Again
		for _, item := range items {
			list = append(list, item)
		}
		slices.SortFunc(list, func(a, b *Again) int { return cmp.Compare(a.Pulled, b.Pulled) })
		for _, item := range list {
			j.state.Again = append(j.state.Again, *item)
		}
	}
}

func (j *judging) has(kind FindingKind, joint string, pass fact.Pass) bool {
	return slices.ContainsFunc(j.state.Findings, func(f Finding) bool {
		return f.Kind == kind && f.Joint == joint && f.Pass == pass
	})
}

// due adds the bolts of a re-check or re-torque that is due.
func (j *judging) due(js *JointState, ps *PassState, order map[string]int, get func(*Cell, plan.Pass) *Again) {
	switch {
	case ps.Pass.Kind == plan.Recheck && (js.Tightened() || ps.Begun()):
	case ps.Pass.Kind == plan.Retorque && (js.Finished() || ps.Begun()):
	default:
		return
	}
	end, ended := js.stagesEnded(j, len(j.entries))
	for _, c := range ps.Cells {
		if c.Done || c.Skip != nil {
			continue
		}
		item := get(c, ps.Pass)
		reason := fmt.Sprintf("%s not done; %s pulled of %d", ps.Pass.Name, ordinal(order[c.Place]+1), len(js.Joint.Bolts))
		if r, ok := c.Last(); ok && !r.Early {
			reason = "" // its own finding says more
		}
		if reason != "" {
			item.Reasons = append(item.Reasons, reason)
		}
		if ps.Pass.Kind == plan.Recheck && ended && ps.Pass.Wait > 0 && !loose(c) && item.Pass == ps.Pass.Key {
			item.NotBefore = end.Add(ps.Pass.Wait)
		}
	}
}

func ordinal(n int) string {
	suffix := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			suffix = "st"
		case 2:
			suffix = "nd"
		case 3:
			suffix = "rd"
		}
	}
	return fmt.Sprintf("%d%s", n, suffix)
}
