package judge

import (
	"fmt"
	"slices"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// A TaskKind is what a task asks for.
type TaskKind string

// The kinds of task.
const (
	Confirm TaskKind = "confirm" // say that a step was done
	Measure TaskKind = "measure" // read a dimension
	Pull    TaskKind = "pull"    // pull a bolt to a target
	Check   TaskKind = "check"   // go over a bolt in the re-check
)

// A Task is one thing to do.
type Task struct {
	Kind   TaskKind
	Joint  string
	Point  fact.Point
	Pass   fact.Pass
	Place  string
	Name   string // of the pass, or the text of the step
	Target quantity.Quantity
	Limits quantity.Limits
	// Unit is that of a value which is stated without one.
	Unit quantity.Unit
	// Watch is what the torque must lie between at the end of an angle.
	Watch quantity.Limits
	// Left is how far a bolt is still to be turned that was turned too little; none
	// if it was not turned yet.
	Left quantity.Quantity
	// Shows is what the indicator must show when the bolt is stretched: its
	// length before it was tightened, and the limits added. Open where that is
	// not known in the plan's unit.
	Shows quantity.Limits
	// Loosen is why the bolt is to be loosened first, if it is.
	Loosen string
	// SentBack is why it was sent back, if it was.
	SentBack string
	// Again is why it is to be done once more: the verdict of its last reading.
	Again Verdict
	// LeftOut is why the bolt was left out of the pass on purpose, if it was.
	LeftOut string
	// NotBefore is when it may be done at the earliest; zero is at once.
	NotBefore time.Time
}

// next lists what can be done now. Joints come in the order of the plan; a
// joint that waits for others is left out; within a joint the preparation comes
// before the first pull, and one pass after the other. Re-torques come when
// every joint is finished, since the engine must have run. Bolts that were left
// out on purpose come last, but before the engine is run where it is a stage
// that they were left out of.
func (j *judging) next() {
	s := j.state
	for _, js := range s.Joints {
		if j.mayBegin(js) {
			s.Tasks = append(s.Tasks, js.tasks()...)
		}
	}
	leftOut, loose := j.leftOut()
	if j.assembled && !loose {
		for _, js := range s.Joints {
			s.Tasks = append(s.Tasks, js.retorqueTasks()...)
		}
	}
	s.Tasks = append(s.Tasks, leftOut...)
}

// leftOut are the tasks of all bolts that were left out on purpose, and whether
// one was left out of a stage.
func (j *judging) leftOut() (tasks []Task, loose bool) {
	for _, js := range j.state.Joints {
		for _, ps := range js.Passes {
			for _, c := range ps.Cells {
				if c.Skip != nil {
					loose = loose || ps.Pass.Kind == plan.Stage
					tasks = append(tasks, task(js, ps, c))
				}
			}
		}
	}
	return tasks, loose
}

// mayBegin tells whether the joints this one waits for are finished, or it was
// begun all the same.
func (j *judging) mayBegin(js *JointState) bool {
	if js.Begun() {
		return true
	}
	for _, key := range js.Joint.After {
		if other, ok := j.joints[key]; ok && !other.Finished() {
			return false
		}
	}
	return true
}

// tasks are those of the preparation, or else of the first pass with something
// left to do.
func (js *JointState) tasks() []Task {
	if tasks := js.stepTasks(); len(tasks) > 0 {
		return tasks
	}
	for _, ps := range js.Passes {
		if ps.Pass.Kind == plan.Retorque {
			continue
		}
		if tasks := js.passTasks(ps); len(tasks) > 0 {
			return tasks
		}
	}
	return nil
}

func (js *JointState) passTasks(ps *PassState) []Task {
	var tasks []Task
	for _, c := range ps.Cells {
		if !c.dealtWith() {
			tasks = append(tasks, task(js, ps, c))
		}
	}
	return tasks
}

func (js *JointState) stepTasks() []Task {
	var tasks []Task
	for i, c := range js.Steps {
		if !c.Done {
			tasks = append(tasks, js.stepTask(i))
		}
	}
	return tasks
}

func (js *JointState) stepTask(i int) Task {
	c, step := js.Steps[i], js.Joint.Steps[i]
	t := Task{Kind: Confirm, Joint: js.Joint.Key, Point: c.Point, Place: c.Place, Name: step.Text}
	if step.Measured() {
		t.Kind, t.Limits, t.Unit, t.SentBack = Measure, step.Limits, step.Limits.Unit(), js.sentBack(c)
		if step.FreeLength() {
			t.Unit, t.Loosen = step.Free, js.toLoosen(c.Place)
		}
		if r, ok := c.Last(); ok && !r.Verdict.Good() {
			t.Again = r.Verdict
		}
	}
	return t
}

// retorqueTasks asks for the heat cycles first, then for each bolt.
func (js *JointState) retorqueTasks() []Task {
	if js.Heat == nil {
		return nil
	}
	tasks := js.passTasks(js.Passes[len(js.Passes)-1])
	if len(tasks) > 0 && !js.Heat.Done {
		return []Task{js.heatTask()}
	}
	return tasks
}

func (js *JointState) heatTask() Task {
	cycles := js.Passes[len(js.Passes)-1].Pass.HeatCycles
	return Task{Kind: Confirm, Joint: js.Joint.Key, Point: js.Heat.Point, Place: plan.HeatCycles,
		Name: fmt.Sprintf("%s run, engine cold again", plan.CycleWords(cycles))}
}

func task(js *JointState, ps *PassState, c *Cell) Task {
	pass := ps.Pass
	t := Task{Kind: Pull, Joint: js.Joint.Key, Point: c.Point, Pass: pass.Key, Place: c.Place, Name: pass.Name, Target: pass.Target, Limits: pass.Limits,
		Unit: pass.Target.Unit, Watch: pass.Watch, Loosen: js.toLoosen(c.Place), SentBack: js.sentBack(c)}
	if pass.ByAngle() && t.Loosen == "" {
		t.Left = js.left(c, pass)
	}
	if pass.ByStretch() {
		t.Shows = js.shows(c.Place, pass)
	}
	if r, ok := c.Last(); ok && !r.Verdict.Good() {
		t.Again = r.Verdict
	}
	if c.Skip != nil {
		t.LeftOut = c.Skip.Body.(fact.Skip).Because
	}
	if pass.Kind == plan.Recheck && !c.toPull {
		t.Kind, t.Limits, t.NotBefore = Check, quantity.Limits{Least: pass.Relaxed, Most: pass.Limits.Most}, ps.NotBefore
	}
	return t
}

// TaskFor is the task of pulling, checking, measuring or confirming one point,
// also out of turn. An empty pass is the pass in which the joint is: the first
// with something left to do. It fails where the plan has no such point or pass.
func (s *State) TaskFor(point fact.Point, pass fact.Pass) (Task, error) {
	js, ok := s.Joint(point.Joint())
	if !ok {
		return Task{}, fmt.Errorf("the plan has no joint %q", point.Joint())
	}
	_, bolt := js.Joint.Bolt(point.Place())
	// A bolt whose length is not measured yet is measured first.
	if i := slices.IndexFunc(js.Steps, func(c *Cell) bool { return c.Point == point }); i >= 0 && (!bolt || pass == "" && !js.Steps[i].Done) {
		if pass != "" {
			return Task{}, fmt.Errorf("%s is preparation and belongs to no pass", point)
		}
		return js.stepTask(i), nil
	}
	if pass == "" && js.Heat != nil && js.Heat.Point == point {
		return js.heatTask(), nil
	}
	if !bolt {
		return Task{}, fmt.Errorf("joint %s has no bolt or step %q", js.Joint.Key, point.Place())
	}
	ps, err := js.passFor(pass)
	if err != nil {
		return Task{}, err
	}
	if c, ok := ps.Cell(point.Place()); ok {
		return task(js, ps, c), nil
	}
	// A bolt beyond the first n of a re-check may be gone over all the same.
	return task(js, ps, &Cell{Point: point, Pass: ps.Pass.Key, Place: point.Place(), accepted: -1}), nil
}

func (js *JointState) passFor(key fact.Pass) (*PassState, error) {
	if key != "" {
		if ps, ok := js.Pass(key); ok {
			return ps, nil
		}
		return nil, fmt.Errorf("joint %s has no pass %q", js.Joint.Key, key)
	}
	for _, ps := range js.Passes {
		if !ps.dealtWith() {
			return ps, nil
		}
	}
	for _, ps := range js.Passes { // only what was left out on purpose is left to do
		if ps.Done() < len(ps.Cells) {
			return ps, nil
		}
	}
	return js.Passes[len(js.Passes)-1], nil
}
