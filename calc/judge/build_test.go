package judge_test

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// builder makes a build entry by entry and judges it after each.
type builder struct {
	t       require.TestingT
	plan    *plan.Plan
	entries []fact.Entry
	now     time.Time
	state   *judge.State
}

func newBuilder(t require.TestingT, p *plan.Plan) *builder {
	return &builder{t: t, plan: p, now: start, state: judge.Judge(p, nil)}
}

func (b *builder) put(body fact.Body) {
	b.now = b.now.Add(8 * time.Second)
	b.entries = append(b.entries, fact.Entry{Ref: fact.Ref{Station: "bench", Number: uint64(len(b.entries) + 1)}, Time: b.now, Body: body})
	b.state = judge.Judge(b.plan, b.entries)
}

// good does a task as the plan wants it.
func (b *builder) good(k judge.Task) {
	if k.NotBefore.After(b.now) {
		b.now = k.NotBefore
	}
	b.try(k)
}

// try does a task with a good value, but does not wait.
func (b *builder) try(k judge.Task) {
	switch {
	case k.Kind == judge.Confirm:
		b.put(fact.Confirmation{Point: k.Point})
	case k.Target.Dimension() == quantity.Angle:
		angle := k.Target
		if !k.Left.IsZero() {
			angle = k.Left
		}
		b.put(fact.Reading{Point: k.Point, Pass: k.Pass, Value: k.Watch.Least, Angle: angle})
	case k.Target.Dimension() == quantity.Length:
		if k.Shows.IsZero() { // its length was measured in another unit
			b.put(fact.Void{Of: lengthOf(b, k.Point), Point: k.Point, Because: "in the plan's unit"})
			return
		}
		b.read(k, k.Shows.Least)
	case k.Kind == judge.Measure && k.Limits.IsZero():
		b.read(k, quantity.MustParse("61.25 "+k.Unit.String()))
	case k.Kind == judge.Measure && k.Limits.Least.IsZero():
		b.read(k, k.Limits.Most)
	case k.Kind == judge.Measure:
		b.read(k, k.Limits.Least)
	default:
		b.read(k, k.Target)
	}
}

// lengthOf is the last reading of a bolt's length before it was tightened.
func lengthOf(b *builder, point fact.Point) (of fact.Ref) {
	for _, e := range b.entries {
		r, ok := e.Body.(fact.Reading)
		if ok && r.Point == point && r.Pass == "" && !slices.ContainsFunc(b.entries, func(o fact.Entry) bool {
			v, ok := o.Body.(fact.Void)
			return ok && v.Of == e.Ref
		}) {
			of = e.Ref
		}
	}
	return of
}

func (b *builder) read(k judge.Task, v quantity.Quantity) {
	b.put(fact.Reading{Point: k.Point, Pass: k.Pass, Value: v})
}

// finish does what is left, always what comes first.
func (b *builder) finish() {
	for steps := 0; !b.state.Complete(); steps++ {
		require.Less(b.t, steps, 400, "the tasks come to no end: %v", lines(b.state.Tasks))
		b.good(b.state.Tasks[0])
	}
}

func (b *builder) has(kind judge.FindingKind, status judge.Status, point fact.Point, pass fact.Pass) bool {
	return slices.ContainsFunc(b.state.Findings, func(f judge.Finding) bool {
		return f.Kind == kind && f.Status == status && f.Point == point && f.Pass == pass
	})
}

// A builder who always does what comes first, and does it right, completes a
// build with one reading for each bolt and pass and for each measured step, and
// nothing is found. The only findings on the way are those of passes under way.
func TestIdealBuild(t *testing.T) {
	for _, c := range []struct {
		plan     string
		readings int
		// confirmations of steps and heat cycles
		confirmations int
	}{
		// main caps: 1 measurement, 14 bolts in 3 stages, 6 gone over; head: 2, 14 in 3,
		// 14 gone over, 14 re-torqued; rocker stands: 6 in 1
		{"straight-six.toml", 1 + 14*3 + 6 + 2 + 14*3 + 14 + 14 + 6, 1 + 2 + 1},
		// each of two heads: 1 measurement, 8 bolts in 3 stages, 4 gone over, 8
		// re-torqued; manifold: 6 in 2
		{"vee-six.toml", 2*(1+8*3+4+8) + 6*2, 2*(2+1) + 1},
		// rods: 4 lengths, 4 bolts in 2 stages; head: 4 in 2
		{"angle-twin.toml", 4 + 4*2 + 4*2, 1 + 1},
	} {
		t.Run(c.plan, func(t *testing.T) {
			b := newBuilder(t, testPlan(t, c.plan))
			for !b.state.Complete() {
				k := b.state.Tasks[0]
				for _, k := range b.state.Tasks {
					same, err := b.state.TaskFor(k.Point, k.Pass)
					require.NoError(t, err)
					require.Equal(t, k, same)
				}
				b.good(k)
				for _, f := range b.state.Findings {
					require.Contains(t, []judge.FindingKind{judge.RecheckDue, judge.RecheckUnfinished, judge.RetorqueDue, judge.RetorqueUnfinished}, f.Kind)
					require.Equal(t, judge.Open, f.Status)
				}
				require.LessOrEqual(t, len(b.entries), c.readings+c.confirmations)
			}
			require.Empty(t, b.state.Findings)
			require.Empty(t, b.state.Again)
			require.Equal(t, c.readings, b.state.Readings)
			require.Len(t, b.entries, c.readings+c.confirmations)
		})
	}
}

// mistakes is a builder who makes some.
type mistakes struct {
	*builder
	t      *rapid.T
	random *rand.Rand
	// made counts the mistakes, as many as there may be findings of them.
	made int
	// jumped tells that a bolt was pulled ahead and the gap was not gone back to.
	jumped bool
}

func (m *mistakes) live(joint, place string, pass fact.Pass) int {
	js, _ := m.state.Joint(joint)
	ps, ok := js.Pass(pass)
	if !ok {
		return 0
	}
	c, ok := ps.Cell(place)
	if !ok {
		return 0
	}
	return len(c.Live())
}

// unpulled are the tasks of the pass of k whose bolts were not pulled in it.
func (m *mistakes) unpulled(k judge.Task) []judge.Task {
	var list []judge.Task
	for _, o := range m.state.Tasks {
		if o.Joint == k.Joint && o.Pass == k.Pass && o.LeftOut == "" && m.live(o.Joint, o.Place, o.Pass) == 0 {
			list = append(list, o)
		}
	}
	return list
}

// following is the stage after the stage of a task, if there is one.
func (m *mistakes) following(k judge.Task) (plan.Pass, bool) {
	j, _ := m.plan.Joint(k.Joint)
	for i, p := range j.Passes[:len(j.Passes)-1] {
		if p.Key == k.Pass && p.Kind == plan.Stage && j.Passes[i+1].Kind == plan.Stage {
			return j.Passes[i+1], true
		}
	}
	return plan.Pass{}, false
}

func (m *mistakes) found(kind judge.FindingKind, status judge.Status, point fact.Point, pass fact.Pass) {
	require.True(m.t, m.has(kind, status, point, pass), "%s, %s, at %s %s is not among %v", status, kind, point, pass, told(m.state))
}

func times(v quantity.Quantity, factor string) quantity.Quantity {
	return quantity.New(v.Value.Mul(quantity.MustParse(factor+" mm").Value), v.Unit)
}

// mistake is one that is possible now, and how it is made and found.
type mistake struct {
	name           string
	rare, possible bool
	make           func()
}

// one makes one of the mistakes that are possible now.
func (m *mistakes) one() {
	var names []string
	possible := map[string]func(){}
	for _, c := range m.candidates() {
		if c.possible {
			names = append(names, c.name)
			if c.rare { // seldom possible, so that it is taken when it is
				names = append(names, c.name, c.name, c.name)
			}
			possible[c.name] = c.make
		}
	}
	name := names[m.random.IntN(len(names))]
	m.t.Logf("entry %d: %s at %s %s", len(m.entries)+1, name, m.state.Tasks[0].Point, m.state.Tasks[0].Pass)
	possible[name]()
}

func (m *mistakes) candidates() []mistake {
	k := m.state.Tasks[0]
	joint, _ := m.plan.Joint(k.Joint)
	pass, bolt := joint.Pass(k.Pass)
	fresh := bolt && m.live(k.Joint, k.Place, k.Pass) == 0 && k.LeftOut == ""
	ahead := m.unpulled(k)
	next, follows := m.following(k)
	untouched := follows && !m.jumped && m.live(k.Joint, joint.Bolts[0].Key, next.Key) == 0
	bad := func(kind judge.FindingKind, r fact.Reading) func() {
		return func() {
			if k.NotBefore.After(m.now) {
				m.now = k.NotBefore
			}
			r.Point, r.Pass = k.Point, k.Pass
			m.put(r)
			m.found(kind, judge.Open, k.Point, k.Pass)
			require.Contains(m.t, lines(m.state.Tasks)[0], string(k.Point), "a bad reading is to be mended first")
			m.made++
			m.jumped = m.jumped && !fresh
		}
	}
	_, unprepared := m.beginnable(false)
	_, waiting := m.beginnable(true)
	return []mistake{
		{"low", false, k.Kind == judge.Pull, bad(judge.BoltLow, fact.Reading{Value: times(k.Target, "0.5")})},
		{"high", false, bolt && !k.Limits.Most.IsZero(), bad(judge.BoltHigh, fact.Reading{Value: times(k.Target, "1.2")})},
		{"doubtful", false, bolt, bad(judge.BoltDoubtful, fact.Reading{Value: k.Target, Status: []string{fact.Overload}})},
		{"unjudged", false, bolt, bad(judge.BoltUnjudged, fact.Reading{Value: quantity.MustParse("3 mm")})},
		{"relaxed", true, k.Kind == judge.Check, bad(judge.BoltRelaxed, fact.Reading{Value: times(k.Limits.Least, "0.9")})},
		{"moved", true, k.Kind == judge.Check && !pass.Moved.IsZero(), bad(judge.BoltMoved, fact.Reading{Value: k.Target, Angle: times(pass.Moved, "2")})},
		{"left out", false, bolt && k.LeftOut == "", func() {
			m.put(fact.Skip{Point: k.Point, Pass: k.Pass, Because: "bracket in the way"})
			m.found(judge.BoltSkipped, judge.Open, k.Point, k.Pass)
			require.False(m.t, m.state.Complete(), "what was left out is not forgotten")
			m.made++
		}},
		{"out of order", true, fresh && len(ahead) > 1 && !m.jumped, func() {
			o := ahead[1+m.random.IntN(len(ahead)-1)]
			m.good(o)
			m.found(judge.OutOfOrder, judge.ForReview, o.Point, o.Pass)
			m.made, m.jumped = m.made+1, true
		}},
		{"bolt missed", true, fresh && untouched && len(ahead) > 1, func() {
			victim := ahead[m.random.IntN(len(ahead))]
			for _, o := range ahead {
				if o.Point != victim.Point {
					m.good(o)
				}
			}
			for _, b := range joint.Bolts[:2] {
				m.good(m.taskFor(joint.Point(b.Key), next.Key))
			}
			m.found(judge.BoltMissed, judge.Open, victim.Point, victim.Pass)
			require.Equal(m.t, victim.Point, m.state.Tasks[0].Point, "and comes next")
			m.made++
			m.good(victim)
			m.found(judge.BoltMissed, judge.ForReview, victim.Point, victim.Pass)
		}},
		{"stage missed", true, fresh && untouched && len(ahead) == len(joint.Bolts), func() {
			o := m.taskFor(joint.Point(joint.Bolts[0].Key), next.Key)
			m.good(o)
			m.found(judge.StageMissed, judge.Open, "", k.Pass)
			m.good(k) // the slip is noticed
			m.found(judge.StageEarly, judge.ForReview, o.Point, o.Pass)
			m.made++
		}},
		{"too early", true, k.Kind == judge.Check && k.NotBefore.After(m.now.Add(time.Minute)), func() {
			m.try(k)
			m.found(judge.RecheckEarly, judge.Open, k.Point, k.Pass)
			m.made++
			m.jumped = m.jumped && !fresh
		}},
		{"taken back", false, fresh && !m.jumped, func() {
			before, was := told(m.state), m.state
			m.good(k)
			m.put(fact.Void{Of: m.entries[len(m.entries)-1].Ref, Point: k.Point, Because: "wrong bolt"})
			require.Equal(m.t, before, told(m.state), "as if it had not been")
			require.Equal(m.t, lines(was.Tasks), lines(m.state.Tasks))
			require.Equal(m.t, was.Readings, m.state.Readings)
			require.Equal(m.t, was.Voided+1, m.state.Voided)
		}},
		{"pulled twice", false, fresh, func() {
			m.good(k)
			m.jumped = false
			m.try(k)
			m.found(judge.PulledTwice, judge.ForReview, k.Point, k.Pass)
			m.made++
		}},
		{"attested", false, fresh && k.Kind == judge.Pull, func() {
			attested := m.state.Attested
			m.put(fact.Reading{Point: k.Point, Pass: k.Pass, Value: k.Target, Attested: true})
			require.Equal(m.t, attested+1, m.state.Attested)
			m.jumped = false
		}},
		{"outside", true, k.Kind == judge.Measure, func() {
			m.read(k, times(k.Limits.Least, "0.5"))
			m.found(judge.StepOutside, judge.Open, k.Point, "")
			m.made++
		}},
		{"not in the plan", false, true, func() {
			m.put(fact.Reading{Point: joint.Point("none"), Pass: "stage-1", Value: quantity.MustParse("12 N·m")})
			m.found(judge.NotInPlan, judge.ForReview, joint.Point("none"), "stage-1")
			m.made++
		}},
		{"not prepared", false, unprepared, func() { m.begin(false) }},
		{"joint too early", false, waiting, func() { m.begin(true) }},
	}
}

func (m *mistakes) taskFor(point fact.Point, pass fact.Pass) judge.Task {
	k, err := m.state.TaskFor(point, pass)
	require.NoError(m.t, err)
	return k
}

// beginnable is a joint that was not begun and has to wait for others, or may
// be begun but is not prepared.
func (m *mistakes) beginnable(waiting bool) (*judge.JointState, bool) {
	for _, js := range m.state.Joints {
		waits := slices.ContainsFunc(js.Joint.After, func(key string) bool {
			other, _ := m.state.Joint(key)
			return !other.Finished()
		})
		prepared := !slices.ContainsFunc(js.Steps, func(c *judge.Cell) bool { return !c.Done })
		if !js.Begun() && waits == waiting && (waiting || !prepared) {
			return js, true
		}
	}
	return nil, false
}

// begin begins a joint that is not prepared, or has to wait.
func (m *mistakes) begin(waiting bool) {
	js, _ := m.beginnable(waiting)
	m.good(m.taskFor(js.Joint.Point(js.Joint.Bolts[0].Key), "stage-1"))
	for _, c := range js.Steps {
		if !c.Done {
			m.found(judge.StepMissing, judge.Open, c.Point, "")
			m.made++
		}
	}
	for _, key := range js.Joint.After {
		if other, _ := m.state.Joint(key); !other.Finished() {
			require.Contains(m.t, told(m.state), "open joint too early "+js.Joint.Key)
			m.made++
		}
	}
}

// right does what comes first as it should be.
func (m *mistakes) right() {
	k := m.state.Tasks[0]
	if m.live(k.Joint, k.Place, k.Pass) == 0 && k.Kind != judge.Confirm && k.Kind != judge.Measure && k.LeftOut == "" {
		m.jumped = false
	}
	m.good(k)
}

// withMistakes makes a whole build with some mistakes in it. What is drawn is a
// seed, since rapid's own choices lean to the first ones.
func withMistakes(t *rapid.T, p *plan.Plan) *mistakes {
	m := &mistakes{builder: newBuilder(t, p), t: t, random: rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))}
	right := func(most int) {
		for n := m.random.IntN(most); n > 0 && !m.state.Complete(); n-- {
			m.right()
		}
	}
	right(30) // somewhere in the first joint
	for n := rapid.IntRange(0, 8).Draw(t, "mistakes"); n > 0 && !m.state.Complete(); n-- {
		m.one()
		right(6)
	}
	m.finish()
	return m
}

// Whatever mistakes a builder makes, each is found for what it is at once, and
// a builder who then does what comes first gets to the end. There nothing is
// left to do, and no mistake has been found twice.
func TestMistakesAreFound(t *testing.T) {
	plans := []*plan.Plan{parsed(t, smallPlan), testPlan(t, "vee-six.toml")}
	rapid.Check(t, func(t *rapid.T) {
		m := withMistakes(t, rapid.SampledFrom(plans).Draw(t, "plan"))
		for _, f := range m.state.Findings {
			require.NotEqual(t, judge.Open, f.Status, "%v", told(m.state))
		}
		require.LessOrEqual(t, len(m.state.Findings), m.made, "%v", told(m.state))
		require.Empty(t, m.state.Again)
	})
}

// The same entries give the same answer in whichever order they come, also if
// some come twice, and are not changed by being judged.
func TestTheOrderOfEntriesDoesNotMatter(t *testing.T) {
	p := parsed(t, smallPlan)
	rapid.Check(t, func(t *rapid.T) {
		m := withMistakes(t, p)
		cut := m.entries[:rapid.IntRange(0, len(m.entries)).Draw(t, "cut")]
		for i := range cut { // three stations, whose numbers count apart
			cut[i].Station = []string{"bench-1", "bench-2", "desk"}[i*7/5%3]
		}
		before := slices.Clone(cut)
		want := judge.Judge(p, cut)
		require.True(t, reflect.DeepEqual(before, cut), "the entries were changed")

		shuffled := append([]fact.Entry(nil), cut...)
		for range rapid.IntRange(0, 5).Draw(t, "twice") {
			if len(cut) > 0 {
				shuffled = append(shuffled, cut[rapid.IntRange(0, len(cut)-1).Draw(t, "which")])
			}
		}
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		random.Shuffle(len(shuffled), func(i, k int) { shuffled[i], shuffled[k] = shuffled[k], shuffled[i] })
		require.Equal(t, want, judge.Judge(p, shuffled))
	})
}
