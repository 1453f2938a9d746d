// Package plan is what a build needs: the engine, its joints, the stages in
// which each joint is tightened, what is gone over again, and what must be
// prepared before. A plan is a text file that a person writes; its format is
// described in FORMAT.md beside this file, and [Parse] reads it strictly.
//
// A parsed plan answers one question for the rest of the program: which passes
// go over which points, in which order, with which target and limits. The
// passes of a joint are its stages, then the re-check, then the re-torque after
// heat cycles. What has been done of them is not in here: see package judge.
package plan

import (
	"slices"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// A Plan is a whole plan, checked.
type Plan struct {
	Title   string
	Edition string
	// Source says where the figures come from.
	Source string
	Engine Engine
	// Joints in the order in which they are worked on.
	Joints []*Joint
	// Notes are cautions that reading the plan brought up; they are no errors.
	Notes []string
}

// Engine is what is being built.
type Engine struct {
	Name        string
	Cylinders   int
	FiringOrder []int
	// Identity names what tells this engine from others and is asked for when a
	// build is opened, such as "engine number".
	Identity []string
}

// A Joint is the bolts clamped and tightened as one pattern.
type Joint struct {
	Key   string
	Title string
	// After are the joints that must be finished before this one is begun.
	After     []string
	Thread    string
	Class     string
	Lubricant string
	// Bolts in the order in which they are pulled.
	Bolts []Bolt
	// OrderComputed tells that the order was computed from the positions.
	OrderComputed bool
	// Steps of preparation, in the order of the file.
	Steps []Step
	// Passes in the order in which they are made: stages, re-check, re-torque.
	Passes []Pass
}

// A Bolt is one fastener of a joint and where it lies on the face.
type Bolt struct {
	Key  string
	X, Y quantity.Quantity
}

// A Step is one step of preparation: confirmed by the builder, or measured
// where Limits are given.
type Step struct {
	Key    string
	Text   string
	Limits quantity.Limits
	// Free is the unit of a bolt's length before it is tightened, from which its
	// stretch is measured; the step has the bolt's key, and any length is right.
	// NoUnit in all other steps.
	Free quantity.Unit
}

// Measured tells whether the step wants a reading rather than a word.
func (s Step) Measured() bool { return s.FreeLength() || s.Limits != quantity.Limits{} }

// FreeLength tells whether the step is to measure a bolt that is not tightened yet.
func (s Step) FreeLength() bool { return s.Free != quantity.NoUnit }

// A Kind is what a pass is for.
type Kind uint8

// The kinds of pass.
const (
	Stage Kind = iota + 1
	Recheck
	Retorque
)

func (k Kind) String() string {
	switch k {
	case Stage:
		return "stage"
	case Recheck:
		return "re-check"
	case Retorque:
		return "re-torque"
	default:
		return "no pass"
	}
}

// A Pass is one going-over of a joint.
type Pass struct {
	Key  fact.Pass
	Kind Kind
	// Name is what people call it: "stage 2", "re-check".
	Name string
	// Target is a torque; in a stage by angle, how far the bolt is turned from
	// the end of the stage before; in a stage by stretch, how much longer it is
	// than before it was tightened.
	Target quantity.Quantity
	// Limits about the target; in a re-check, what a bolt that had moved is
	// pulled to again.
	Limits quantity.Limits
	// Watch is what the torque at the end of the angle must lie between, in a
	// stage by angle; open if it is not watched.
	Watch quantity.Limits
	// Snug is the target of the torque stage that the angle begins at.
	Snug quantity.Quantity
	// First is how many bolts the pass goes over, those pulled first; 0 is all.
	First int
	// Wait is the least time between the last pull of the stages and a
	// re-check.
	Wait time.Duration
	// Relaxed is the least torque at first movement that counts as held.
	Relaxed quantity.Quantity
	// Moved is the most a held bolt may turn; none if zero.
	Moved quantity.Quantity
	// HeatCycles to be run before a re-torque.
	HeatCycles int
}

// ByAngle tells whether bolts are turned through an angle in this pass.
func (p Pass) ByAngle() bool { return p.Target.Dimension() == quantity.Angle }

// ByStretch tells whether bolts are stretched by a length in this pass.
func (p Pass) ByStretch() bool { return p.Target.Dimension() == quantity.Length }

// ByAngle tells whether a stage of the plan goes by angle.
func (p *Plan) ByAngle() bool {
	return slices.ContainsFunc(p.Joints, func(j *Joint) bool { return slices.ContainsFunc(j.Passes, Pass.ByAngle) })
}

// HeatCycles is the place in a joint's points whose confirmation says that the
// heat cycles before its re-torque were run.
const HeatCycles = "heat-cycles"

// Joint finds a joint by its key.
func (p *Plan) Joint(key string) (*Joint, bool) {
	for _, j := range p.Joints {
		if j.Key == key {
			return j, true
		}
	}
	return nil, false
}

// Bolt finds a bolt by its key.
func (j *Joint) Bolt(key string) (Bolt, bool) {
	for _, b := range j.Bolts {
		if b.Key == key {
			return b, true
		}
	}
	return Bolt{}, false
}

// Step finds a step of preparation by its key.
func (j *Joint) Step(key string) (Step, bool) {
	for _, s := range j.Steps {
		if s.Key == key {
			return s, true
		}
	}
	return Step{}, false
}

// Pass finds a pass by its key.
func (j *Joint) Pass(key fact.Pass) (Pass, bool) {
	for _, p := range j.Passes {
		if p.Key == key {
			return p, true
		}
	}
	return Pass{}, false
}

// Stages are the passes that tighten the joint.
func (j *Joint) Stages() []Pass {
	n := 0
	for n < len(j.Passes) && j.Passes[n].Kind == Stage {
		n++
	}
	return j.Passes[:n]
}

// Point is the key of one of the joint's bolts or steps.
func (j *Joint) Point(place string) fact.Point { return fact.NewPoint(j.Key, place) }
