package judge

import (
	"cmp"
	"fmt"
	"maps"
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
	// Watch is what the torque must lie between at the end of an angle.
	Watch quantity.Limits
	// Reasons, the gravest first.
	Reasons []string
	// NotBefore is when at the earliest; zero is at once.
	NotBefore time.Time
}

// again makes the list of bolts to go over: those with an open finding of their
// own, and those whose re-check or re-torque is due. In each joint the bolts
// pulled first come first, because they have settled under all the others.
func (j *judging) again() {
	open := map[cellKey][]*Finding{}
	for i := range j.state.Findings {
		if f := &j.state.Findings[i]; f.Status == Open {
			key := cellKey{f.Point, f.Pass}
			if f.Kind == StageMissed {
				key.point = fact.Point(f.Joint)
			}
			open[key] = append(open[key], f)
		}
	}
	for _, js := range j.state.Joints {
		order := js.pulledOrder()
		items := map[string]*Again{}
		add := func(c *Cell, ps *PassState, reason string) {
			item := items[c.Place]
			if item == nil {
				t := task(js, ps, c)
				item = &Again{Joint: js.Joint.Key, Point: c.Point, Place: c.Place, Pulled: order[c.Place] + 1,
					Pass: ps.Pass.Key, Name: ps.Pass.Name, Target: t.Target, Limits: t.Limits, Watch: t.Watch, NotBefore: t.NotBefore}
				if t.Loosen != "" {
					item.Reasons = append(item.Reasons, "to be loosened first")
				}
				items[c.Place] = item
			}
			item.Reasons = append(item.Reasons, reason)
		}
		for _, ps := range js.Passes {
			missed := len(open[cellKey{fact.Point(js.Joint.Key), ps.Pass.Key}]) > 0
			due := j.due(js, ps)
			for _, c := range ps.Cells {
				own := open[cellKey{c.Point, ps.Pass.Key}]
				for _, f := range own {
					add(c, ps, fmt.Sprintf("%s: %s", f.Kind, f.Text))
				}
				switch {
				case c.dealtWith():
				case missed:
					add(c, ps, fmt.Sprintf("%s: %s", StageMissed, ps.Pass.Name))
				case due && len(own) == 0:
					add(c, ps, fmt.Sprintf("%s not done%s", ps.Pass.Name, js.pulled(c.Place, order)))
				}
			}
		}
		for _, place := range slices.SortedFunc(maps.Keys(items), func(a, b string) int { return cmp.Compare(order[a], order[b]) }) {
			j.state.Again = append(j.state.Again, *items[place])
		}
	}
}

// due tells whether a re-check or re-torque is due or was begun.
func (j *judging) due(js *JointState, ps *PassState) bool {
	switch ps.Pass.Kind {
	case plan.Recheck:
		return js.Tightened() || ps.Begun()
	case plan.Retorque:
		return j.assembled || ps.Begun()
	default:
		return false
	}
}

// pulled says when a bolt was pulled in the last stage; nothing if it was not.
func (js *JointState) pulled(place string, order map[string]int) string {
	if c, ok := js.last.Cell(place); !ok || c.first < 0 {
		return ""
	}
	return fmt.Sprintf("; %s pulled of %d", ordinal(order[place]+1), len(js.Joint.Bolts))
}
