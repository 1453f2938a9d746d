package plan

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/document"
	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// The file as it is written; FORMAT.md describes it.
type (
	fileForm struct {
		Title   string      `toml:"title"`
		Edition string      `toml:"edition"`
		Source  string      `toml:"source"`
		Engine  engineForm  `toml:"engine"`
		Joint   []jointForm `toml:"joint"`
	}
	engineForm struct {
		Name        string   `toml:"name"`
		Cylinders   int      `toml:"cylinders"`
		FiringOrder []int    `toml:"firing_order"`
		Identity    []string `toml:"identity"`
	}
	jointForm struct {
		Key       string              `toml:"key"`
		Title     string              `toml:"title"`
		Repeat    map[string]string   `toml:"repeat"`
		After     []string            `toml:"after"`
		Thread    string              `toml:"thread"`
		Class     string              `toml:"strength_class"`
		Lubricant string              `toml:"lubricant"`
		Tolerance quantity.Tolerance  `toml:"tolerance"`
		Order     []string            `toml:"order"`
		OrderFrom string              `toml:"order_from"`
		Bolts     map[string]boltForm `toml:"bolts"`
		Prepare   []stepForm          `toml:"prepare"`
		Stage     []stageForm         `toml:"stage"`
		Recheck   *againForm          `toml:"recheck"`
		Retorque  *againForm          `toml:"retorque"`
	}
	boltForm struct {
		X quantity.Quantity `toml:"x"`
		Y quantity.Quantity `toml:"y"`
	}
	stepForm struct {
		Key   string            `toml:"key"`
		Text  string            `toml:"text"`
		Least quantity.Quantity `toml:"least"`
		Most  quantity.Quantity `toml:"most"`
	}
	stageForm struct {
		Name      string             `toml:"name"`
		Torque    quantity.Quantity  `toml:"torque"`
		Tolerance quantity.Tolerance `toml:"tolerance"`
	}
	againForm struct {
		First      int                `toml:"first"`
		All        bool               `toml:"all"`
		Torque     quantity.Quantity  `toml:"torque"`
		Tolerance  quantity.Tolerance `toml:"tolerance"`
		Wait       duration           `toml:"wait"`
		Relaxed    quantity.Deviation `toml:"relaxed"`
		Moved      quantity.Quantity  `toml:"moved"`
		HeatCycles int                `toml:"heat_cycles"`
	}
)

// duration is a time as people write it: "20 min", "1.5 h", "90 s".
type duration time.Duration

func (d *duration) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	i := strings.LastIndexAny(s, "0123456789.") + 1
	number, err := quantity.ParseNumber(s[:i])
	unit, known := map[string]time.Duration{"s": time.Second, "min": time.Minute, "h": time.Hour, "d": 24 * time.Hour}[strings.TrimSpace(s[i:])]
	if err != nil || !known || number.Sign() < 0 || number.InexactFloat64()*unit.Hours() > 10000 {
		return fmt.Errorf(`%q is no time: one is written "90 s", "20 min", "2 h" or "1 d"`, s)
	}
	*d = duration(number.InexactFloat64() * float64(unit))
	return nil
}

var keyPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9.-]{0,31}$`)

const keyHint = "a key is up to 32 letters, digits, dots and hyphens, as in head-left"

// Parse reads a plan. The name is that of its file, for messages only. The
// error, of type document.Faults, tells all that is wrong with it, by line and
// column.
func Parse(name string, text []byte) (*Plan, error) {
	var form fileForm
	file, err := document.Decode(name, text, &form)
	if err != nil {
		return nil, err
	}
	r := reader{file: file, plan: &Plan{Title: form.Title, Edition: form.Edition, Source: form.Source}}
	r.require("title", form.Title)
	r.require("edition", form.Edition)
	r.require("source", form.Source)
	r.engine(form.Engine)
	if len(form.Joint) == 0 {
		file.Fault("joint", "the plan has no joint", "add a [[joint]]")
	}
	for i, j := range form.Joint {
		r.joint(fmt.Sprintf("joint[%d]", i), j)
	}
	r.after(form.Joint)
	if err := file.Err(); err != nil {
		return nil, err
	}
	return r.plan, nil
}

// reader turns the file's form into a plan and gathers faults on the way.
type reader struct {
	file *document.File
	plan *Plan
}

func (r *reader) require(path, value string) {
	if strings.TrimSpace(value) == "" {
		last := path[strings.LastIndexByte(path, '.')+1:]
		r.file.Fault(path, fmt.Sprintf("%q is missing or empty", last), fmt.Sprintf(`add %s = "…"`, last))
	}
}

func (r *reader) engine(form engineForm) {
	r.plan.Engine = Engine(form)
	r.require("engine.name", form.Name)
	if form.Cylinders < 1 || form.Cylinders > 64 {
		r.file.Fault("engine.cylinders", fmt.Sprintf("%d is no number of cylinders", form.Cylinders), "write cylinders = 8")
		return
	}
	seen := map[int]bool{}
	for i, c := range form.FiringOrder {
		path := fmt.Sprintf("engine.firing_order[%d]", i)
		switch {
		case c < 1 || c > form.Cylinders:
			r.file.Fault(path, fmt.Sprintf("the firing order names cylinder %d of %d", c, form.Cylinders), "number the cylinders from 1")
		case seen[c]:
			r.file.Fault(path, fmt.Sprintf("the firing order names cylinder %d twice", c), "name each cylinder once")
		}
		seen[c] = true
	}
	if n := len(form.FiringOrder); n != 0 && n != form.Cylinders {
		r.file.Fault("engine.firing_order", fmt.Sprintf("the firing order has %d of %d cylinders", n, form.Cylinders), "name each cylinder once")
	}
	for i, name := range form.Identity {
		if strings.TrimSpace(name) == "" || strings.Contains(name, "=") {
			r.file.Fault(fmt.Sprintf("engine.identity[%d]", i), fmt.Sprintf("%q cannot be asked for", name), `name what tells the engine from others, as in "engine number"`)
		}
	}
}

func (r *reader) joint(path string, form jointForm) {
	j := &Joint{Key: form.Key, Title: form.Title, After: form.After, Thread: form.Thread, Class: form.Class, Lubricant: form.Lubricant}
	r.key(path+".key", form.Key)
	r.require(path+".title", form.Title)
	r.bolts(path, form, j)
	r.steps(path, form, j)
	r.stages(path, form, j)
	if stages := j.Stages(); len(stages) > 0 {
		last := stages[len(stages)-1]
		if form.Recheck != nil {
			r.again(path+".recheck", Recheck, *form.Recheck, last, form, j)
		}
		if form.Retorque != nil {
			r.again(path+".retorque", Retorque, *form.Retorque, last, form, j)
		}
	}
	r.add(path, j)
	for _, key := range slices.Sorted(mapKeys(form.Repeat)) {
		twin := *j
		twin.Key, twin.Title = key, form.Repeat[key]
		r.key(path+".repeat."+key, key)
		r.require(path+".repeat."+key, twin.Title)
		r.add(path+".repeat."+key, &twin)
	}
}

func mapKeys[V any](m map[string]V) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func (r *reader) add(path string, j *Joint) {
	if _, twice := r.plan.Joint(j.Key); twice && j.Key != "" {
		r.file.Fault(path, fmt.Sprintf("two joints have the key %q", j.Key), "give each joint a key of its own")
		return
	}
	r.plan.Joints = append(r.plan.Joints, j)
}

func (r *reader) key(path, key string) {
	if !keyPattern.MatchString(key) {
		r.file.Fault(path, fmt.Sprintf("%q is no key", key), keyHint)
	}
}

func (r *reader) bolts(path string, form jointForm, j *Joint) {
	if len(form.Bolts) == 0 {
		r.file.Fault(path+".bolts", fmt.Sprintf("joint %q has no bolts", form.Key), `add [joint.bolts] with lines like 1 = { x = "-45 mm", y = "30 mm" }`)
		return
	}
	var all []Bolt
	sound := true
	for _, key := range slices.SortedFunc(mapKeys(form.Bolts), naturally) {
		b := form.Bolts[key]
		at := path + ".bolts." + key
		if !keyPattern.MatchString(key) {
			r.file.Fault(at, fmt.Sprintf("%q is no key", key), keyHint)
		}
		if b.X.Dimension() != quantity.Length || b.Y.Dimension() != quantity.Length {
			r.file.Fault(at, fmt.Sprintf("bolt %s needs x and y as lengths", key), `write { x = "-45 mm", y = "30 mm" }`)
			sound = false
		}
		all = append(all, Bolt{Key: key, X: b.X, Y: b.Y})
	}
	for i := range all {
		for k := range i {
			if sound && all[i].X.Base().Equal(all[k].X.Base()) && all[i].Y.Base().Equal(all[k].Y.Base()) {
				r.file.Fault(path+".bolts."+all[i].Key, fmt.Sprintf("bolts %s and %s are at the same place", all[k].Key, all[i].Key), "")
			}
		}
	}
	switch {
	case len(form.Order) > 0 && form.OrderFrom != "":
		r.file.Fault(path+".order_from", "the order is both listed and to be computed", "keep order or order_from")
	case len(form.Order) > 0:
		j.Bolts = r.listed(path, form, all)
	case form.OrderFrom == "middle":
		if sound {
			j.Bolts, j.OrderComputed = FromMiddle(all), true
			r.plan.Notes = append(r.plan.Notes, fmt.Sprintf(
				"%s: the order is computed from the middle outwards (common practice); where the engine's maker gives an order, list that one instead", form.Key))
		}
	case form.OrderFrom != "":
		r.file.Fault(path+".order_from", fmt.Sprintf("no order from %q is known", form.OrderFrom), `write order_from = "middle", or list the order`)
	default:
		r.file.Fault(path+".order", fmt.Sprintf("joint %q has no order", form.Key),
			`list the maker's order, as in order = ["1", "2"], or write order_from = "middle"`)
	}
}

func (r *reader) listed(path string, form jointForm, all []Bolt) []Bolt {
	var list []Bolt
	seen := map[string]bool{}
	for i, key := range form.Order {
		at := fmt.Sprintf("%s.order[%d]", path, i)
		n := slices.IndexFunc(all, func(b Bolt) bool { return b.Key == key })
		switch {
		case n < 0:
			r.file.Fault(at, fmt.Sprintf("the order names bolt %q, which the joint does not have", key), "")
		case seen[key]:
			r.file.Fault(at, fmt.Sprintf("the order names bolt %s twice", key), "name each bolt once")
		default:
			list = append(list, all[n])
		}
		seen[key] = true
	}
	var left []string
	for _, b := range all {
		if !seen[b.Key] {
			left = append(left, b.Key)
		}
	}
	if len(left) > 0 {
		r.file.Fault(path+".order", "the order leaves out bolt "+strings.Join(left, ", "), "name each bolt once")
	}
	return list
}

func (r *reader) steps(path string, form jointForm, j *Joint) {
	for i, s := range form.Prepare {
		at := fmt.Sprintf("%s.prepare[%d]", path, i)
		r.key(at+".key", s.Key)
		r.require(at+".text", s.Text)
		step := Step{Key: s.Key, Text: s.Text, Limits: quantity.Limits{Least: s.Least, Most: s.Most}}
		_, bolt := form.Bolts[s.Key]
		_, twice := j.Step(s.Key)
		if bolt || twice || s.Key == HeatCycles {
			r.file.Fault(at+".key", fmt.Sprintf("the key %q is taken in this joint", s.Key), "give the step a key of its own")
		}
		r.limits(at, step.Limits)
		j.Steps = append(j.Steps, step)
	}
}

func (r *reader) limits(at string, l quantity.Limits) {
	if l.Least.IsZero() || l.Most.IsZero() {
		return
	}
	c, err := l.Least.Cmp(l.Most)
	if err != nil {
		r.file.Fault(at+".most", fmt.Sprintf("least and most do not measure the same: %v", err), "")
	} else if c > 0 {
		r.file.Fault(at+".least", fmt.Sprintf("least %s is more than most %s", l.Least, l.Most), "")
	}
}

func (r *reader) stages(path string, form jointForm, j *Joint) {
	if len(form.Stage) == 0 {
		r.file.Fault(path, fmt.Sprintf("joint %q has no stage", form.Key), "add a [[joint.stage]] with its torque")
	}
	for i, s := range form.Stage {
		at := fmt.Sprintf("%s.stage[%d]", path, i)
		pass := Pass{
			Key: fact.Pass("stage-" + strconv.Itoa(i+1)), Kind: Stage, Name: "stage " + strconv.Itoa(i+1),
			Target: s.Torque, Limits: r.around(at, s.Torque, s.Tolerance, form.Tolerance),
		}
		if s.Name != "" {
			pass.Name += ", " + s.Name
		}
		if i > 0 {
			before := j.Passes[i-1]
			if c, err := s.Torque.Cmp(before.Target); err == nil && c <= 0 {
				r.plan.Notes = append(r.plan.Notes, fmt.Sprintf("%s: the target of %s, %s, does not rise above that of %s, %s",
					form.Key, pass.Name, pass.Target, before.Name, before.Target))
			}
		}
		j.Passes = append(j.Passes, pass)
	}
}

func (r *reader) around(at string, torque quantity.Quantity, own, joint quantity.Tolerance) quantity.Limits {
	if torque.Dimension() != quantity.Torque || torque.Value.Sign() <= 0 {
		r.file.Fault(at+".torque", "a stage needs a torque above zero", `write torque = "88 N·m"`)
		return quantity.Limits{}
	}
	tolerance := own
	if own.IsZero() {
		tolerance = joint
	}
	if tolerance.IsZero() {
		r.file.Fault(at, "the stage has no tolerance, and its joint none for all", `write tolerance = "±4 %"`)
		return quantity.Limits{}
	}
	l, err := tolerance.Around(torque)
	if err != nil {
		r.file.Fault(at+".tolerance", fmt.Sprintf("the tolerance %q does not fit %s", tolerance.Text, torque), "write it in percent or as a torque")
	} else if !l.Least.IsZero() && l.Least.Value.Sign() < 0 {
		r.file.Fault(at+".tolerance", fmt.Sprintf("the tolerance %q reaches below zero", tolerance.Text), "")
	}
	return l
}

// again reads a re-check or a re-torque: what it leaves out is as in the last stage.
func (r *reader) again(at string, kind Kind, form againForm, last Pass, joint jointForm, j *Joint) {
	pass := Pass{
		Kind: kind, Name: kind.String(), Target: last.Target, Limits: last.Limits, First: form.First,
		Wait: time.Duration(form.Wait), Moved: form.Moved, HeatCycles: form.HeatCycles,
	}
	if r.file.Has(at+".torque") || r.file.Has(at+".tolerance") {
		torque := last.Target
		if !form.Torque.IsZero() {
			torque = form.Torque
		}
		own := form.Tolerance
		if own.IsZero() {
			own = joint.Stage[len(joint.Stage)-1].Tolerance
		}
		pass.Target, pass.Limits = torque, r.around(at, torque, own, joint.Tolerance)
	}
	switch {
	case form.All && form.First != 0:
		r.file.Fault(at+".first", "both all bolts and the first ones are to be gone over", "keep all or first")
	case !form.All && !r.file.Has(at+".first"):
		r.file.Fault(at, fmt.Sprintf("the %s does not say which bolts", kind), "write all = true, or first = 4 for the bolts pulled first")
	case r.file.Has(at+".first") && (form.First < 1 || form.First > len(joint.Bolts)):
		r.file.Fault(at+".first", fmt.Sprintf("the first %d of %d bolts", form.First, len(joint.Bolts)), "")
	}
	foreign := func(key string) {
		if r.file.Has(at + "." + key) {
			r.file.Fault(at+"."+key, fmt.Sprintf("%q does not belong to a %s", key, kind), "")
		}
	}
	if kind == Retorque {
		pass.Key = "retorque"
		foreign("wait")
		foreign("relaxed")
		foreign("moved")
		if form.HeatCycles < 1 {
			r.file.Fault(at+".heat_cycles", "a re-torque needs the number of heat cycles before it", "write heat_cycles = 1")
		}
	} else {
		pass.Key = "recheck"
		foreign("heat_cycles")
		r.movement(at, form, &pass)
	}
	j.Passes = append(j.Passes, pass)
}

// movement reads what counts as relaxed or moved. Without a figure of its own,
// a bolt is relaxed below the lower limit of the last stage.
func (r *reader) movement(at string, form againForm, pass *Pass) {
	pass.Relaxed = pass.Limits.Least
	if form.Relaxed.Set {
		q, err := form.Relaxed.Below(pass.Target)
		if err != nil {
			r.file.Fault(at+".relaxed", fmt.Sprintf("%q does not fit %s", form.Relaxed, pass.Target), "write it in percent or as a torque")
		} else if q.Value.Sign() <= 0 {
			r.file.Fault(at+".relaxed", "nothing would ever count as relaxed", "")
		}
		pass.Relaxed = q
	}
	if !form.Moved.IsZero() && (form.Moved.Dimension() != quantity.Angle || form.Moved.Value.Sign() < 0) {
		r.file.Fault(at+".moved", fmt.Sprintf("%s is no angle to turn through", form.Moved), `write moved = "3°"`)
	}
	if pass.Relaxed.IsZero() && pass.Moved.IsZero() {
		r.file.Fault(at, "the re-check does not say what counts as relaxed or moved", `write relaxed = "10 %" or moved = "3°"`)
	}
}

// after checks what each joint waits for, once all joints are known.
func (r *reader) after(forms []jointForm) {
	for i, form := range forms {
		for k, key := range form.After {
			at := fmt.Sprintf("joint[%d].after[%d]", i, k)
			if _, ok := r.plan.Joint(key); !ok {
				r.file.Fault(at, fmt.Sprintf("no joint has the key %q", key), "")
			} else if r.reaches(key, form.Key, map[string]bool{}) {
				r.file.Fault(at, fmt.Sprintf("%q and %q wait for each other", form.Key, key), "")
			}
		}
	}
}

func (r *reader) reaches(from, to string, seen map[string]bool) bool {
	if from == to {
		return true
	}
	j, ok := r.plan.Joint(from)
	if !ok || seen[from] {
		return false
	}
	seen[from] = true
	return slices.ContainsFunc(j.After, func(next string) bool { return r.reaches(next, to, seen) })
}

// naturally orders keys as people count: 2 before 10.
func naturally(a, b string) int {
	na, ea := strconv.Atoi(a)
	nb, eb := strconv.Atoi(b)
	if ea == nil && eb == nil && na != nb {
		return na - nb
	}
	if (ea == nil) != (eb == nil) {
		if ea == nil {
			return -1
		}
		return 1
	}
	return strings.Compare(a, b)
}
