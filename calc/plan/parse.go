package plan

import (
	"cmp"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/shopspring/decimal"

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
		Name        string             `toml:"name"`
		Torque      quantity.Quantity  `toml:"torque"`
		Angle       quantity.Quantity  `toml:"angle"`
		Stretch     quantity.Quantity  `toml:"stretch"`
		Tolerance   quantity.Tolerance `toml:"tolerance"`
		LeastTorque quantity.Quantity  `toml:"least_torque"`
		MostTorque  quantity.Quantity  `toml:"most_torque"`
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
	exact := number.Mul(decimal.NewFromInt(int64(unit)))
	if err != nil || !known || exact.Sign() < 0 || exact.GreaterThan(decimal.NewFromInt(int64(maxWait))) {
		return noTime(s)
	}
	*d = duration(exact.IntPart())
	return nil
}

const maxWait = 366 * 24 * time.Hour

// noTime is a text that is no duration.
type noTime string

func (n noTime) Error() string { return fmt.Sprintf("%.40q is no time of at most a year", string(n)) }

// HintText is how a time is written.
func (n noTime) HintText() string { return `one is written "90 s", "20 min", "2 h" or "1 d"` }

// Bounds of a plan. No engine comes near them; they keep a file that is no plan
// from taking for ever.
const (
	MaxJoints = 200
	MaxBolts  = 500 // of a joint, as those that follow
	MaxStages = 50
	MaxSteps  = 100
)

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
	joints := len(form.Joint)
	for _, j := range form.Joint {
		joints += len(j.Repeat)
	}
	switch {
	case joints == 0:
		r.file.Fault("joint", "the plan has no joint", "add a [[joint]]")
	case r.most("joint", "joints", joints, MaxJoints):
		for i, j := range form.Joint {
			r.joint(fmt.Sprintf("joint[%d]", i), j)
		}
		r.after(form.Joint)
	}
	if err := file.Err(); err != nil {
		return nil, err
	}
	return r.plan, nil
}

// reader turns the file's form into a plan and gathers faults on the way.
type reader struct {
	file  *document.File
	plan  *Plan
	twins bool // two joints have one key, so that what waits for it cannot be checked
}

// most checks that a list is no longer than any engine needs.
func (r *reader) most(path, what string, n, most int) bool {
	if n > most {
		r.file.Fault(path, fmt.Sprintf("%d %s are more than the %d that are read", n, what, most), "leave out what does not belong to this engine")
	}
	return n <= most
}

func (r *reader) require(path, value string) {
	if strings.TrimSpace(value) == "" {
		last := path[strings.LastIndexByte(path, '.')+1:]
		r.file.Fault(path, fmt.Sprintf("%q is missing or empty", last), fmt.Sprintf(`add %s = "…"`, last))
	}
	r.line(path, value)
}

// line checks that a text is one line that can be shown as it is.
func (r *reader) line(path, value string) {
	if strings.ContainsFunc(value, unicode.IsControl) {
		last := path[strings.LastIndexByte(path, '.')+1:]
		r.file.Fault(path, fmt.Sprintf("%q has a line break or another control character", last), "write it in one line, as in "+last+` = "…"`)
	}
}

func (r *reader) engine(form engineForm) {
	r.plan.Engine = Engine(form)
	if !r.file.Has("engine") && !r.file.Has("engine.name") {
		r.file.Fault("engine", "the plan does not say for which engine it is", "add [engine] with its name and cylinders")
		return
	}
	r.require("engine.name", form.Name)
	switch {
	case !r.file.Has("engine.cylinders"):
		r.file.Fault("engine.cylinders", "the engine has no number of cylinders", "write cylinders = 8")
		return
	case form.Cylinders < 1 || form.Cylinders > 64:
		r.file.Fault("engine.cylinders", fmt.Sprintf("%d is no number of cylinders", form.Cylinders), "write it as it is, from 1 to 64")
		return
	}
	if !r.most("engine.identity", "names", len(form.Identity), MaxSteps) {
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
		path := fmt.Sprintf("engine.identity[%d]", i)
		switch {
		case strings.TrimSpace(name) == "" || strings.Contains(name, "=") || strings.ContainsFunc(name, unicode.IsControl):
			r.file.Fault(path, fmt.Sprintf("%.40q cannot be asked for", name), `name what tells the engine from others, as in "engine number"`)
		case slices.Contains(form.Identity[:i], name):
			r.file.Fault(path, fmt.Sprintf("%.40q is asked for twice", name), "name it once")
		}
	}
}

func (r *reader) joint(path string, form jointForm) {
	j := &Joint{Key: form.Key, Title: form.Title, After: form.After, Thread: form.Thread, Class: form.Class, Lubricant: form.Lubricant}
	r.key(path+".key", form.Key)
	r.require(path+".title", form.Title)
	r.line(path+".thread", form.Thread)
	r.line(path+".strength_class", form.Class)
	r.line(path+".lubricant", form.Lubricant)
	r.bolts(path, form, j)
	r.steps(path, form, j)
	r.stages(path, form, j)
	// What is wrong with the last stage is not said once more of what follows it.
	if stages := j.Stages(); len(stages) > 0 && (stages[len(stages)-1].Limits != quantity.Limits{}) {
		last := stages[len(stages)-1]
		if form.Recheck != nil {
			r.again(path, Recheck, *form.Recheck, last, form, j)
		}
		if form.Retorque != nil {
			r.again(path, Retorque, *form.Retorque, last, form, j)
		}
	}
	r.add(path, j)
	for _, key := range slices.Sorted(maps.Keys(form.Repeat)) {
		twin := *j
		twin.Key, twin.Title = key, form.Repeat[key]
		r.key(path+".repeat."+key, key)
		r.require(path+".repeat."+key, twin.Title)
		r.add(path+".repeat."+key, &twin)
	}
}

func (r *reader) add(path string, j *Joint) {
	if _, twice := r.plan.Joint(j.Key); twice && j.Key != "" {
		r.file.Fault(path, fmt.Sprintf("two joints have the key %q", j.Key), "give each joint a key of its own")
		r.twins = true
		return
	}
	r.plan.Joints = append(r.plan.Joints, j)
}

func (r *reader) key(path, key string) {
	switch {
	case key == "" && !r.file.Has(path):
		r.file.Fault(path, `"key" is missing`, `add key = "…": `+keyHint)
	case !keyPattern.MatchString(key):
		r.file.Fault(path, fmt.Sprintf("%.40q is no key", key), keyHint)
	}
}

func (r *reader) bolts(path string, form jointForm, j *Joint) {
	if len(form.Bolts) == 0 {
		r.file.Fault(path+".bolts", fmt.Sprintf("joint %.40q has no bolts", form.Key), `add [joint.bolts] with lines like 1 = { x = "-45 mm", y = "30 mm" }`)
		return
	}
	if !r.most(path+".bolts", "bolts in one joint", len(form.Bolts), MaxBolts) || !r.most(path+".order", "bolts in the order", len(form.Order), MaxBolts) {
		return
	}
	var all []Bolt
	sound := true
	for _, key := range slices.SortedFunc(maps.Keys(form.Bolts), naturally) {
		b := form.Bolts[key]
		at := path + ".bolts." + key
		switch {
		case !keyPattern.MatchString(key):
			r.key(at, key)
			sound = false
		case key == HeatCycles:
			r.file.Fault(at, fmt.Sprintf("the key %q is taken in every joint", key), "give the bolt another key")
		case b.X.Dimension() != quantity.Length || b.Y.Dimension() != quantity.Length:
			r.file.Fault(at, fmt.Sprintf("bolt %s needs x and y as lengths", key), `write { x = "-45 mm", y = "30 mm" }`)
			sound = false
		}
		all = append(all, Bolt{Key: key, X: b.X, Y: b.Y})
	}
	for i := range all {
		for k := range i {
			if sound && all[i].X.Base().Equal(all[k].X.Base()) && all[i].Y.Base().Equal(all[k].Y.Base()) {
				r.file.Fault(path+".bolts."+all[i].Key, fmt.Sprintf("bolts %s and %s are at the same place", all[k].Key, all[i].Key), "correct x or y of one of them")
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
			r.note(form, "the order is computed from the middle outwards (common practice); where the engine's maker gives an order, list that one instead")
		}
	case form.OrderFrom != "":
		r.file.Fault(path+".order_from", fmt.Sprintf("no order from %.40q is known", form.OrderFrom), `write order_from = "middle", or list the order`)
	default:
		r.file.Fault(path+".order", fmt.Sprintf("joint %.40q has no order", form.Key),
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
			r.file.Fault(at, fmt.Sprintf("the order names bolt %.40q, which the joint does not have", key), "name a bolt of [joint.bolts]")
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
	if !r.most(path+".prepare", "steps of preparation", len(form.Prepare), MaxSteps) {
		return
	}
	for i, s := range form.Prepare {
		at := fmt.Sprintf("%s.prepare[%d]", path, i)
		r.key(at+".key", s.Key)
		r.require(at+".text", s.Text)
		step := Step{Key: s.Key, Text: s.Text, Limits: quantity.Limits{Least: s.Least, Most: s.Most}}
		_, bolt := form.Bolts[s.Key]
		_, twice := j.Step(s.Key)
		if s.Key != "" && (bolt || twice || s.Key == HeatCycles) {
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
		r.file.Fault(at+".most", fmt.Sprintf("least and most do not measure the same: %v", err), "write both as lengths, or both as torques or angles")
	} else if c > 0 {
		r.file.Fault(at+".least", fmt.Sprintf("least %s is more than most %s", l.Least, l.Most), "least is the smallest value allowed, most the largest")
	}
}

func (r *reader) stages(path string, form jointForm, j *Joint) {
	if len(form.Stage) == 0 {
		r.file.Fault(path, fmt.Sprintf("joint %.40q has no stage", form.Key), "add a [[joint.stage]] with its torque")
	}
	if !r.most(path+".stage", "stages", len(form.Stage), MaxStages) {
		return
	}
	for i, s := range form.Stage {
		at := fmt.Sprintf("%s.stage[%d]", path, i)
		pass := Pass{Key: fact.Pass("stage-" + strconv.Itoa(i+1)), Kind: Stage, Name: "stage " + strconv.Itoa(i+1)}
		r.line(at+".name", s.Name)
		if s.Name != "" {
			pass.Name += ", " + s.Name
		}
		key := r.goal(at, s, &pass)
		pass.Limits = r.around(path, at, key, pass, s.Tolerance, form)
		if key == "angle" {
			r.turn(at, s, j.Passes, &pass, form)
		} else {
			for _, own := range []string{"least_torque", "most_torque"} {
				if r.file.Has(at + "." + own) {
					r.file.Fault(at+"."+own, fmt.Sprintf("%q belongs to a stage that goes by angle", own), "leave it out; a stage in torque has a tolerance")
				}
			}
		}
		if i > 0 {
			before := j.Passes[i-1]
			if c, err := pass.Target.Cmp(before.Target); err == nil && c <= 0 && !pass.ByAngle() {
				r.note(form, fmt.Sprintf("the target of %s, %s, does not rise above that of %s, %s", pass.Name, pass.Target, before.Name, before.Target))
			}
		}
		j.Passes = append(j.Passes, pass)
	}
	lengths(j)
}

// goal takes the target of a stage, and gives the key that it stands under.
func (r *reader) goal(at string, s stageForm, pass *Pass) string {
	key := ""
	for _, g := range []struct {
		key    string
		target quantity.Quantity
	}{{"torque", s.Torque}, {"angle", s.Angle}, {"stretch", s.Stretch}} {
		switch {
		case !r.file.Has(at + "." + g.key):
		case key != "":
			r.file.Fault(at+"."+g.key, fmt.Sprintf("%s has both %s and %s", pass.Name, article(key), article(g.key)), "keep one of them: a stage has one target")
		default:
			key, pass.Target = g.key, g.target
		}
	}
	if key == "" {
		return "torque"
	}
	return key
}

func article(key string) string {
	if key == "angle" {
		return "an angle"
	}
	return "a " + key
}

// turn reads what belongs to a stage that goes by angle: where the angle begins
// and which torque is watched at its end.
func (r *reader) turn(at string, s stageForm, before []Pass, pass *Pass, form jointForm) {
	switch n := len(before); {
	case n > 0 && before[n-1].ByAngle():
		pass.Snug = before[n-1].Snug
	case n > 0 && before[n-1].Target.Dimension() == quantity.Torque:
		pass.Snug = before[n-1].Target
	case n > 0 && before[n-1].Target.IsZero(): // told of already
	default:
		r.file.Fault(at+".angle", pass.Name+" turns the bolt through an angle, but the stage before it has no torque to begin at",
			`put a [[joint.stage]] with the snug torque before it, as in torque = "40 N·m"`)
	}
	pass.Watch = quantity.Limits{Least: s.LeastTorque, Most: s.MostTorque}
	if pass.Watch.IsZero() {
		r.note(form, pass.Name+" goes by angle and watches no torque, so a bolt that yields early or bottoms is not found by it")
	}
	for _, end := range []struct {
		key string
		q   quantity.Quantity
	}{{"least_torque", s.LeastTorque}, {"most_torque", s.MostTorque}} {
		if r.file.Has(at+"."+end.key) && (end.q.Dimension() != quantity.Torque || end.q.Value.Sign() <= 0) {
			r.file.Fault(at+"."+end.key, fmt.Sprintf("%s is no torque above zero", end.q), "write "+end.key+` = "60 N·m"`)
			return
		}
	}
	if c, err := s.LeastTorque.Cmp(s.MostTorque); err == nil && c > 0 && !s.LeastTorque.IsZero() {
		r.file.Fault(at+".least_torque", fmt.Sprintf("least_torque %s is more than most_torque %s", s.LeastTorque, s.MostTorque), "least_torque is the smallest torque allowed at the end of the angle, most_torque the largest")
	}
}

// lengths adds the steps of measuring each bolt before it is tightened, where a
// stage goes by stretch.
func lengths(j *Joint) {
	i := slices.IndexFunc(j.Passes, Pass.ByStretch)
	if i < 0 {
		return
	}
	for _, b := range j.Bolts {
		j.Steps = append(j.Steps, Step{Key: b.Key, Text: "length of bolt " + b.Key + " before it is tightened", Free: j.Passes[i].Target.Unit})
	}
}

// around gives the limits of a pass by its own tolerance, or else its joint's.
// The key is that of the target: torque, angle or stretch.
func (r *reader) around(joint, at, key string, pass Pass, own quantity.Tolerance, form jointForm) quantity.Limits {
	target, name := pass.Target, pass.Name
	if pass.Kind != Stage {
		name = "the " + name
	}
	if goal := goals[key]; target.Dimension() != goal.dimension || target.Value.Sign() <= 0 {
		r.file.Fault(at+"."+key, fmt.Sprintf("%s needs %s above zero", name, article(key)), goal.hint)
		return quantity.Limits{}
	}
	tolerance, place := own, at+".tolerance"
	if own.IsZero() {
		tolerance, place = form.Tolerance, joint+".tolerance"
	}
	if tolerance.IsZero() {
		r.file.Fault(at, fmt.Sprintf("%s has no tolerance, and its joint none for all", name), `write tolerance = "`+goals[key].tolerance+`"`)
		return quantity.Limits{}
	}
	l, err := tolerance.Around(target)
	switch {
	case err != nil && own.IsZero() && key != "torque":
		r.file.Fault(at, fmt.Sprintf("%s has no tolerance of its own, and that of its joint, %.40q, does not fit %s", name, tolerance.Text, target),
			`write tolerance = "`+goals[key].tolerance+`"`)
	case err != nil:
		r.file.Fault(place, fmt.Sprintf("the tolerance %.40q does not fit %s", tolerance.Text, target), "write it in percent or as "+article(target.Dimension().String()))
	case !l.Least.IsZero() && l.Least.Value.Sign() < 0:
		r.file.Fault(place, fmt.Sprintf("the tolerance %.40q of %s reaches below zero", tolerance.Text, target), "write a smaller one")
	case l.Least.Unit != target.Unit && !l.Least.IsZero() || l.Most.Unit != target.Unit && !l.Most.IsZero():
		r.note(form, fmt.Sprintf("the tolerance %.40q of %s is not in the unit of its %s, %s, so its limits are shown in another", tolerance.Text, name, key, target))
	}
	return l
}

// goals are what a stage can go by.
var goals = map[string]struct {
	dimension       quantity.Dimension
	hint, tolerance string
}{
	"torque":  {quantity.Torque, `write torque = "88 N·m"`, "±4 %"},
	"angle":   {quantity.Angle, `write angle = "90°"`, "±5°"},
	"stretch": {quantity.Length, `write stretch = "0.15 mm"`, "±0.01 mm"},
}

func (r *reader) note(form jointForm, text string) {
	r.plan.Notes = append(r.plan.Notes, form.Key+": "+text)
}

// again reads a re-check or a re-torque: what it leaves out is as in the last stage.
func (r *reader) again(joint string, kind Kind, form againForm, last Pass, jf jointForm, j *Joint) {
	at := joint + map[Kind]string{Recheck: ".recheck", Retorque: ".retorque"}[kind]
	pass := Pass{
		Kind: kind, Name: kind.String(), Target: last.Target, Limits: last.Limits, First: form.First,
		Wait: time.Duration(form.Wait), Moved: form.Moved, HeatCycles: form.HeatCycles,
	}
	inTorque := last.Target.Dimension() == quantity.Torque
	switch {
	case r.file.Has(at+".torque") || r.file.Has(at+".tolerance") && inTorque:
		if r.file.Has(at + ".torque") {
			pass.Target = form.Torque
		}
		own := form.Tolerance
		if own.IsZero() && inTorque {
			own = jf.Stage[len(jf.Stage)-1].Tolerance
		}
		pass.Limits = r.around(joint, at, "torque", pass, own, jf)
	case !inTorque:
		r.file.Fault(at, fmt.Sprintf("the last stage has no torque, so the %s needs one of its own", kind), `write torque = "88 N·m"`)
		pass.Target, pass.Limits = quantity.Quantity{}, quantity.Limits{}
	}
	switch {
	case form.All && r.file.Has(at+".first"):
		r.file.Fault(at+".first", "both all bolts and the first ones are to be gone over", "keep all or first")
	case !form.All && !r.file.Has(at+".first"):
		r.file.Fault(at, fmt.Sprintf("the %s does not say which bolts", kind), "write all = true, or first = 4 for the bolts pulled first")
	case !form.All && len(jf.Bolts) > 0 && (form.First < 1 || form.First > len(jf.Bolts)):
		r.file.Fault(at+".first", fmt.Sprintf("first = %d of %d bolts", form.First, len(jf.Bolts)), "write how many of the bolts pulled first, or all = true")
	}
	foreign := func(key, only string) {
		if r.file.Has(at + "." + key) {
			r.file.Fault(at+"."+key, fmt.Sprintf("%q does not belong to a %s", key, kind), "leave it out; it belongs to a "+only)
		}
	}
	if kind == Retorque {
		pass.Key = "retorque"
		foreign("wait", "re-check")
		foreign("relaxed", "re-check")
		foreign("moved", "re-check")
		if form.HeatCycles < 1 {
			r.file.Fault(at+".heat_cycles", "a re-torque needs the number of heat cycles before it", "write heat_cycles = 1")
		}
	} else {
		pass.Key = "recheck"
		foreign("heat_cycles", "re-torque")
		if (pass.Limits != quantity.Limits{}) {
			r.movement(at, form, jf, &pass)
		}
	}
	j.Passes = append(j.Passes, pass)
}

// movement reads what counts as relaxed or moved. Without a figure of its own,
// a bolt is relaxed below the lower limit of its pull, which is said in a note:
// the torque at first movement lies below the tightening torque even of a sound
// bolt.
func (r *reader) movement(at string, form againForm, jf jointForm, pass *Pass) {
	pass.Relaxed = pass.Limits.Least
	if form.Relaxed.Set {
		q, err := form.Relaxed.Below(pass.Target)
		switch {
		case err != nil:
			r.file.Fault(at+".relaxed", fmt.Sprintf("%q does not fit %s", form.Relaxed, pass.Target), "write it in percent or as a torque")
			return
		case q.Value.Sign() <= 0:
			r.file.Fault(at+".relaxed", fmt.Sprintf("%s below %s leaves nothing that counts as relaxed", form.Relaxed, pass.Target), `write relaxed = "10 %"`)
		}
		pass.Relaxed = q
	}
	if !form.Moved.IsZero() && (form.Moved.Dimension() != quantity.Angle || form.Moved.Value.Sign() < 0) {
		r.file.Fault(at+".moved", fmt.Sprintf("%s is no angle to turn through", form.Moved), `write moved = "3°"`)
	}
	switch {
	case pass.Relaxed.IsZero() && pass.Moved.IsZero():
		r.file.Fault(at, "the re-check does not say what counts as relaxed or moved", `write relaxed = "10 %" or moved = "3°"`)
	case !form.Relaxed.Set && !pass.Relaxed.IsZero():
		r.note(jf, fmt.Sprintf("the re-check does not say what counts as relaxed, so it is less than %s; "+
			"but even a sound bolt begins to move at less than it was tightened with, so better give a figure, as in relaxed = \"10 %%\"", pass.Relaxed))
	}
}

// after checks what each joint waits for, once all joints are known.
func (r *reader) after(forms []jointForm) {
	if r.twins {
		return
	}
	for i, form := range forms {
		if !r.most(fmt.Sprintf("joint[%d].after", i), "joints to wait for", len(form.After), MaxJoints) {
			continue
		}
		for k, key := range form.After {
			at := fmt.Sprintf("joint[%d].after[%d]", i, k)
			_, known := r.plan.Joint(key)
			_, twin := form.Repeat[key]
			switch {
			case !known:
				r.file.Fault(at, fmt.Sprintf("no joint has the key %.40q", key), "name the key of a joint that comes before")
			case key == form.Key || twin:
				r.file.Fault(at, fmt.Sprintf("%q would wait for itself", key), "leave it out")
			case r.reaches(key, form.Key, map[string]bool{}):
				r.file.Fault(at, fmt.Sprintf("%q and %q wait for each other", form.Key, key), "leave one of the two out")
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

// naturally orders keys as people count: 2 before 10, 2L before 10L.
func naturally(a, b string) int {
	x, y := a, b
	for x != "" && y != "" {
		n, m := digits(x), digits(y)
		if n > 0 && m > 0 {
			p, q := strings.TrimLeft(x[:n], "0"), strings.TrimLeft(y[:m], "0")
			if c := cmp.Or(cmp.Compare(len(p), len(q)), strings.Compare(p, q)); c != 0 {
				return c
			}
			x, y = x[n:], y[m:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(a, b))
}

// digits is the number of digits that s starts with.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}
