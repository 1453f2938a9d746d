package judge

import (
	"fmt"
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
	// Again is why it is to be done once more: the verdict of its last reading.
	Again Verdict
	// NotBefore is when it may be done at the earliest; zero is at once.
	NotBefore time.Time
}

// next lists what can be done now. Joints come in the order of the plan; a
// joint that waits for others is left out; within a joint the preparation comes
// before the first pull, and one pass after the other. Re-torques come last,
// when every joint is finished, since the engine must have run.
func (j *judging) next() {
	all := true
	for _, js := range j.state.Joints {
		all = all && js.Finished()
		if j.mayBegin(js) {
			j.state.Tasks = append(j.state.Tasks, j.jointTasks(js)...)
		}
	}
	if !all {
		return
	}
	for _, js := range j.state.Joints {
		j.state.Tasks = append(j.state.Tasks, j.retorqueTasks(js)...)
	}
}

// mayBegin tells whether the joints this one waits for are finished, or it was
// begun all the same.
func (j *judging) mayBegin(js *JointState) bool {
	if js.Begun() {
		return true
	}
	for _, key := range js.Joint.After {
		if other, ok := j.state.Joint(key); ok && !other.Finished() {
			return false
		}
	}
	return true
}

func (j *judging) jointTasks(js *JointState) []Task {
	if tasks := js.stepTasks(); len(tasks) > 0 {
		return tasks
	}
	for _, ps := range js.Passes {
		if ps.Pass.Kind == plan.Retorque {
			continue
		}
		var tasks []Task
		for _, c := range ps.Cells {
			if c.Done || c.Skip != nil {
				continue
			}
			t := task(js, ps.Pass, c)
			if ps.Pass.Kind == plan.Recheck && t.Kind == Check {
				if end, ok := js.stagesEnded(j, len(j.entries)); ok && ps.Pass.Wait > 0 {
					t.NotBefore = end.Add(ps.Pass.Wait)
				}
			}
			tasks = append(tasks, t)
		}
		if len(tasks) > 0 {
			return tasks
		}
	}
	return nil
}

func (js *JointState) stepTasks() []Task {
	var tasks []Task
	for i, c := range js.Steps {
		if c.Done {
			continue
		}
		step := js.Joint.Steps[i]
		t := Task{Kind: Confirm, Joint: js.Joint.Key, Point: c.Point, Place: c.Place, Name: step.Text}
		if step.Measured() {
			t.Kind, t.Limits = Measure, step.Limits
			if r, ok := c.Last(); ok {
				t.Again = r.Verdict
			}
		}
		tasks = append(tasks, t)
	}
	return tasks
}

// retorqueTasks asks for the heat cycles first, then for each bolt.
func (j *judging) retorqueTasks(js *JointState) []Task {
	if js.Heat == nil {
		return nil
	}
	ps := js.Passes[len(js.Passes)-1]
	var tasks []Task
	for _, c := range ps.Cells {
		if !c.Done && c.Skip == nil {
			tasks = append(tasks, task(js, ps.Pass, c))
		}
	}
	if len(tasks) > 0 && !js.Heat.Done {
		return []Task{{Kind: Confirm, Joint: js.Joint.Key, Point: js.Heat.Point, Place: plan.HeatCycles,
			Name: fmt.Sprintf("%s run, engine cold again", plan.CycleWords(ps.Pass.HeatCycles))}}
	}
	return tasks
}

func task(js *JointState, pass plan.Pass, c *Cell) Task {
	t := Task{Kind: Pull, Joint: js.Joint.Key, Point: c.Point, Pass: pass.Key, Place: c.Place, Name: pass.Name, Target: pass.Target, Limits: pass.Limits}
	r, ok := c.Last()
	if ok && !r.Verdict.Good() {
		t.Again = r.Verdict
	}
	if pass.Kind == plan.Recheck && !loose(c) {
		t.Kind, t.Limits = Check, quantity.Limits{Least: pass.Relaxed, Most: pass.Limits.Most}
	}
	return t
}

// loose tells whether a bolt was found relaxed or moved in the re-check and has
// not been pulled to its limits since.
func loose(c *Cell) bool {
	is := false
	for _, r := range c.Live() {
		switch {
		case !r.Again:
			is = r.Verdict == Relaxed || r.Verdict == Moved
		case r.Verdict == Within:
			is = false
		}
	}
	return is
}

// TaskFor is the task of pulling, checking, measuring or confirming one point,
// also out of turn. An empty pass is the pass in which the joint is: the first
// with something left to do. It fails where the plan has no such point or pass.
func (s *State) TaskFor(point fact.Point, pass fact.Pass) (Task, error) {
	js, ok := s.Joint(point.Joint())
	if !ok {
		return Task{}, fmt.Errorf("the plan has no joint %q", point.Joint())
	}
	for i, c := range js.Steps {
		if c.Point == point && pass == "" {
			step := js.Joint.Steps[i]
			t := Task{Kind: Confirm, Joint: js.Joint.Key, Point: point, Place: c.Place, Name: step.Text}
			if step.Measured() {
				t.Kind, t.Limits = Measure, step.Limits
			}
			return t, nil
		}
	}
	if js.Heat != nil && js.Heat.Point == point && pass == "" {
		ps := js.Passes[len(js.Passes)-1]
		return Task{Kind: Confirm, Joint: js.Joint.Key, Point: point, Place: plan.HeatCycles,
			Name: fmt.Sprintf("%s run, engine cold again", plan.CycleWords(ps.Pass.HeatCycles))}, nil
	}
	if _, ok := js.Joint.Bolt(point.Place()); !ok {
		return Task{}, fmt.Errorf("joint %s has no bolt or step %q", js.Joint.Key, point.Place())
	}
	ps, err := s.passFor(js, pass)
	if err != nil {
		return Task{}, err
	}
	if c, ok := ps.Cell(point.Place()); ok {
		return task(js, ps.Pass, c), nil
	}
	// A bolt beyond the first n of a re-check may be gone over all the same.
	return task(js, ps.Pass, &Cell{Point: point, Pass: ps.Pass.Key, Place: point.Place(), first: -1, doneAt: -1}), nil
}

func (s *State) passFor(js *JointState, key fact.Pass) (*PassState, error) {
	if key != "" {
		if ps, ok := js.Pass(key); ok {
			return ps, nil
		}
		return nil, fmt.Errorf("joint %s has no pass %q", js.Joint.Key, key)
	}
	for _, ps := range js.Passes {
		if ps.Done() < len(ps.Cells) {
			return ps, nil
		}
	}
	return js.Passes[len(js.Passes)-1], nil
}
