package judge_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// The engine of these tests and all its figures are invented.
const turnedPlan = `
title = "Exercise engine T4"
edition = "1"
source = "invented"
engine = { name = "T4", cylinders = 1 }

[[joint]]
key = "rod"
title = "Rod"
order = ["a", "b"]
[joint.bolts]
a = { x = "0 mm", y = "0 mm" }
b = { x = "50 mm", y = "0 mm" }
[[joint.stage]]
torque = "20 N·m"
tolerance = "±1 N·m"
[[joint.stage]]
stretch = "0.150 mm"
tolerance = "±0.010 mm"

[[joint]]
key = "head"
title = "Head"
order = ["1", "2"]
[joint.bolts]
1 = { x = "0 mm", y = "0 mm" }
2 = { x = "50 mm", y = "0 mm" }
[[joint.stage]]
torque = "40 N·m"
tolerance = "±2 N·m"
[[joint.stage]]
angle = "90°"
tolerance = "±5°"
least_torque = "70 N·m"
most_torque = "120 N·m"

[[joint]]
key = "cap"
title = "Cap"
order = ["1"]
[joint.bolts]
1 = { x = "0 mm", y = "0 mm" }
[[joint.stage]]
torque = "40 N·m"
tolerance = "±2 N·m"
[[joint.stage]]
angle = "0.25 turn"
tolerance = "±5 %"
`

func TestAnglesAreJudged(t *testing.T) {
	p := parsed(t, turnedPlan)
	for _, c := range []struct {
		name, notation string
		joint, place   string
		want           judge.Verdict
		turned         string
		findings       []string // of the bolt
	}{
		{"right", "head: s1 1 s2 1=90/90°", "head", "1", judge.Within, "90°", nil},
		{"on the least angle and torque", "head: s1 1 s2 1=70/85.000°", "head", "1", judge.Within, "85.000°", nil},
		{"on the most angle and torque", "head: s1 1 s2 1=120/95°", "head", "1", judge.Within, "95°", nil},
		{"a hair too little", "head: s1 1 s2 1=90/84.999999999999999°", "head", "1", judge.Low, "84.999999999999999°", []string{"open low head/1 stage-2"}},
		{"too far", "head: s1 1 s2 1=90/95.1°", "head", "1", judge.High, "95.1°", []string{"open high head/1 stage-2"}},
		{"in two pulls", "head: s1 1 s2 1=60/50° 1=90/40°", "head", "1", judge.Within, "90°", []string{"settled low head/1 stage-2"}},
		{"in two pulls too far", "head: s1 1 s2 1=60/50° 1=90/90°", "head", "1", judge.High, "140°",
			[]string{"open high head/1 stage-2", "open low head/1 stage-2"}},
		{"a pull taken back is not added", "head: s1 1 s2 1=60/50° 1=90/90° void:2", "head", "1", judge.Within, "90°", nil},
		{"begun anew from the snug torque", "head: s1 1 s2 1=60/50° s1 1 s2 1=90/90°", "head", "1", judge.Within, "90°",
			[]string{"for review pulled twice head/1 stage-1", "settled low head/1 stage-2"}},
		{"turned by a share of a turn", "cap: s1 1 s2 1=90/0.25turn", "cap", "1", judge.Within, "0.25 turn", nil},
		{"degrees for a share of a turn", "cap: s1 1 s2 1=60/45° 1=90/0.125turn", "cap", "1", judge.Within, "90.000°",
			[]string{"settled low cap/1 stage-2"}},
		{"too little torque at the end", "head: s1 1 s2 1=69.9/90°", "head", "1", judge.LowTorque, "90°", []string{"open low torque head/1 stage-2"}},
		{"too much torque at the end", "head: s1 1 s2 1=120.1/90°", "head", "1", judge.HighTorque, "90°", []string{"open high torque head/1 stage-2"}},
		{"too much torque before the end", "head: s1 1 s2 1=121/30°", "head", "1", judge.HighTorque, "30°", []string{"open high torque head/1 stage-2"}},
		{"little torque while it is still to be turned", "head: s1 1 s2 1=50/30°", "head", "1", judge.Low, "30°", []string{"open low head/1 stage-2"}},
		{"in foot pounds", "head: s1 1 s2 1=60lbf·ft/90°", "head", "1", judge.Within, "90°", nil},
		{"without an angle", "head: s1 1 s2 1=90", "head", "1", judge.Unjudged, "", []string{"open angle missing head/1 stage-2"}},
		{"after one without an angle", "head: s1 1 s2 1=90 1=95/90°", "head", "1", judge.Unjudged, "",
			[]string{"open angle missing head/1 stage-2", "open unjudged head/1 stage-2"}},
		{"without an angle, taken back and stated", "head: s1 1 s2 1=90 void:2 ~1=90/90°", "head", "1", judge.Within, "90°", nil},
		{"an angle stated alone", "head: s1 1 s2 ~1=/90°", "head", "1", judge.Within, "90°", []string{"for review torque not watched head/1 stage-2"}},
		{"an angle alone where no torque is watched", "cap: s1 1 s2 ~1=/90°", "cap", "1", judge.Within, "90°", nil},
		{"too far, stated alone", "head: s1 1 s2 ~1=/190°", "head", "1", judge.High, "190°", []string{"open high head/1 stage-2"}},
		{"a length for a torque", "head: s1 1 s2 1=90mm/90°", "head", "1", judge.Unjudged, "90°", []string{"open unjudged head/1 stage-2"}},
		{"a torque for an angle", "head: s1 1 s2 1=90/90N·m", "head", "1", judge.Unjudged, "", []string{"open unjudged head/1 stage-2"}},
		{"an overload", "head: s1 1 s2 1=90/90°!overload", "head", "1", judge.Doubtful, "", []string{"open doubtful head/1 stage-2"}},
		{"after an overload", "head: s1 1 s2 1=90/90°!overload 1=90/90°", "head", "1", judge.Unjudged, "",
			[]string{"open doubtful head/1 stage-2", "open unjudged head/1 stage-2"}},
		{"turned backwards", "head: s1 1 s2 1=90/-90°", "head", "1", judge.Low, "-90°", []string{"open low head/1 stage-2"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := judge.Judge(p, recorded(t, p, c.notation))
			r, ok := cell(t, s, c.joint, c.place, "stage-2").Last()
			require.True(t, ok)
			require.Equal(t, c.want, r.Verdict)
			require.Equal(t, c.turned, r.Turned.String())
			require.ElementsMatch(t, c.findings, of(s, c.joint+"/"+c.place))
		})
	}
}

// of are the findings of a point, as told gives them, but for that of its turn.
func of(s *judge.State, point string) []string {
	var list []string
	for _, line := range told(s) {
		if slices.Contains(strings.Fields(line), point) && !strings.Contains(line, string(judge.StageEarly)) {
			list = append(list, line)
		}
	}
	return list
}

// Differences worked out by hand; 25.4 mm to the inch is exact.
func TestStretchesAreJudged(t *testing.T) {
	p := parsed(t, turnedPlan)
	const length = "rod: pre a=61.250mm b=61.300mm "
	for _, c := range []struct {
		name, notation string
		want           judge.Verdict
		stretch        string
		findings       []string
	}{
		{"right", length + "s1 a b s2 a=61.400mm", judge.Within, "0.150 mm", nil},
		{"on the least", length + "s1 a b s2 a=61.390mm", judge.Within, "0.140 mm", nil},
		{"on the most", length + "s1 a b s2 a=61.41mm", judge.Within, "0.160 mm", nil},
		{"too little", length + "s1 a b s2 a=61.389mm", judge.Low, "0.139 mm", []string{"open under-stretched rod/a stage-2"}},
		{"too little, then right", length + "s1 a b s2 a=61.3mm a=61.4mm", judge.Within, "0.150 mm", []string{"settled under-stretched rod/a stage-2"}},
		{"too much", length + "s1 a b s2 a=61.411mm", judge.High, "0.161 mm", []string{"open over-stretched rod/a stage-2"}},
		{"too much, eased back", length + "s1 a b s2 a=61.5mm a=61.4mm", judge.Within, "0.150 mm", []string{"for review over-stretched rod/a stage-2"}},
		{"in inches", length + "s1 a b s2 a=2.417322834645669291338582677165in", judge.Within, "0.149999999999999999999999999991 mm", nil},
		{"both in inches", "rod: pre a=0.0000in s1 a s2 a=0.0059in", judge.Within, "0.0059 in", nil},
		{"an indicator that was set to zero", "rod: pre a=0.000mm s1 a s2 a=0.15mm", judge.Within, "0.150 mm", nil},
		{"an indicator that runs backwards", "rod: pre a=0.000mm s1 a s2 a=-0.15mm", judge.Low, "-0.150 mm", []string{"open under-stretched rod/a stage-2"}},
		{"not measured before", "rod: s1 a s2 a=61.4mm", judge.Unjudged, "", []string{"open length not measured rod/a"}},
		{"the length of before is another bolt's", "rod: pre b=61.25mm s1 a s2 a=61.4mm", judge.Unjudged, "", []string{"open length not measured rod/a"}},
		{"measured only after the snug torque", "rod: s1 a pre a=61.26mm s2 a=61.4mm", judge.Unjudged, "",
			[]string{"for review length not measured rod/a", "open unjudged rod/a stage-2"}},
		{"measured after, and begun anew", "rod: s1 a pre a=61.25mm s1 a s2 a=61.4mm", judge.Within, "0.15 mm", []string{"for review length not measured rod/a"}},
		{"the length taken back", length + "s1 a b s2 a=61.4mm void:1", judge.Unjudged, "", []string{"open length not measured rod/a"}},
		{"the length mended before", "rod: pre a=61.20mm a=61.25mm s1 a s2 a=61.4mm", judge.Within, "0.15 mm", nil},
		{"measured again though it was tightened", length + "s1 a b pre a=61.26mm s1 a s2 a=61.41mm", judge.Within, "0.15 mm",
			[]string{"for review length measured again rod/a"}},
		{"too much, and begun anew", length + "s1 a b s2 a=61.5mm pre a=61.25mm s1 a s2 a=61.4mm", judge.Within, "0.15 mm",
			[]string{"for review over-stretched rod/a stage-2"}},
		{"a torque for a length", length + "s1 a b s2 a=60", judge.Unjudged, "", []string{"open unjudged rod/a stage-2"}},
		{"not settled", length + "s1 a b s2 a=61.4mm!not_settled", judge.Doubtful, "", []string{"open doubtful rod/a stage-2"}},
		{"a length that is doubtful", "rod: pre a=61.25mm!not_settled s1 a s2 a=61.4mm", judge.Unjudged, "",
			[]string{"open length not measured rod/a", "open length not measured rod/a"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := judge.Judge(p, recorded(t, p, c.notation))
			r, ok := cell(t, s, "rod", "a", "stage-2").Last()
			require.True(t, ok)
			require.Equal(t, c.want, r.Verdict)
			require.Equal(t, c.stretch, r.Stretch.String())
			require.Equal(t, c.stretch != "", !r.Before.IsZero())
			require.ElementsMatch(t, c.findings, of(s, "rod/a"))
		})
	}
}

// asks is a task in few words.
func asks(k judge.Task) string {
	words := string(k.Kind) + " " + string(k.Point) + " " + string(k.Pass)
	if k.Loosen != "" {
		words += ", loosen: " + k.Loosen
	}
	if k.SentBack != "" {
		words += ", sent back: " + k.SentBack
	}
	return words
}

func TestWhatIsAskedForNext(t *testing.T) {
	p := parsed(t, turnedPlan)
	const rod = "rod: pre a=61.25mm b=61.30mm s1 a b s2 a=61.40mm b=61.45mm "
	for _, c := range []struct{ name, notation, want string }{
		{"a bolt is measured first", "", "measure rod/a "},
		{"then the next", "rod: pre a=61.25mm", "measure rod/b "},
		{"then pulled", "rod: pre a=61.25mm b=61.3mm", "pull rod/a stage-1"},
		{"a length that was left out is asked for before all", "rod: pre a=61.25mm s1 a b", "measure rod/b , loosen: length not measured"},
		{"stretched too little is pulled on", "rod: pre a=61.25mm b=61.3mm s1 a b s2 a=61.3mm", "pull rod/a stage-2"},
		{"stretched too far is measured anew", "rod: pre a=61.25mm b=61.3mm s1 a b s2 a=61.5mm", "measure rod/a , loosen: stage 2: over-stretched"},
		{"and tightened from the first stage", "rod: pre a=61.25mm b=61.3mm s1 a b s2 a=61.5mm pre a=61.24mm", "pull rod/a stage-1"},
		{"and measured", "rod: pre a=61.25mm b=61.3mm s1 a b s2 a=61.5mm pre a=61.24mm s1 a", "pull rod/a stage-2"},
		{"turned too little is turned on", rod + "head: s1 1 2 s2 1=60/50°", "pull head/1 stage-2"},
		{"turned too far is begun anew", rod + "head: s1 1 2 s2 1=90/100°", "pull head/1 stage-1, loosen: stage 2: high"},
		{"and turned again", rod + "head: s1 1 2 s2 1=90/100° s1 1", "pull head/1 stage-2"},
		{"too much torque is begun anew", rod + "head: s1 1 2 s2 1=130/50°", "pull head/1 stage-1, loosen: stage 2: high torque"},
		{"not known is begun anew", rod + "head: s1 1 2 s2 1=90", "pull head/1 stage-1, loosen: stage 2: angle missing"},
		{"unless it is taken back", rod + "head: s1 1 2 s2 1=90 void:9", "pull head/1 stage-2"},
		{"sent back from a stage by angle is begun anew", rod + "head: s1 1 2 s2 1 2 send1", "pull head/1 stage-1, loosen: sent back"},
		{"sent back and turned", rod + "head: s1 1 2 s2 1 2 send1 s1 1", "pull head/1 stage-2, sent back: look again"},
		{"sent back and done", rod + "head: s1 1 2 s2 1 2 send1 s1 1 s2 1", "pull cap/1 stage-1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := judge.Judge(p, recorded(t, p, c.notation))
			require.NotEmpty(t, s.Tasks)
			require.Equal(t, c.want, asks(s.Tasks[0]))
			same, err := s.TaskFor(s.Tasks[0].Point, s.Tasks[0].Pass)
			require.NoError(t, err)
			require.Equal(t, s.Tasks[0], same)
		})
	}
	s := judge.Judge(p, recorded(t, p, "rod: pre a=61.250mm b=61.3mm s1 a b"))
	require.Equal(t, "61.390–61.410 mm", s.Tasks[0].Shows.String(), "what the indicator is to show")
	require.Equal(t, quantity.Millimetre, s.Tasks[0].Unit)
	s = judge.Judge(p, recorded(t, p, rod+"head: s1 1 2"))
	require.Equal(t, "70–120 N·m", s.Tasks[0].Watch.String())
	require.Equal(t, quantity.Degree, s.Tasks[0].Unit)

	require.Empty(t, s.Tasks[0].Left)
	s = judge.Judge(p, recorded(t, p, rod+"head: s1 1 2 s2 1=60/50.5°"))
	require.Equal(t, "39.5°", s.Tasks[0].Left.String(), "what is left to turn")
	s = judge.Judge(p, recorded(t, p, rod+"head: s1 1 2 s2 1=60/50.5° s1 1"))
	require.Empty(t, s.Tasks[0].Left, "begun anew")

	// What was begun anew is no pull too many.
	s = judge.Judge(p, recorded(t, p, rod+"head: s1 1 2 s2 1=90/100° s1 1 s2 1"))
	require.Equal(t, []string{"for review high head/1 stage-2"}, of(s, "head/1"))
}

func TestAVerdictIsForeseen(t *testing.T) {
	p := parsed(t, turnedPlan)
	entries := recorded(t, p, "rod: pre a=61.25mm s1 a")
	r := judge.Foresee(p, entries, fact.Reading{Point: "rod/a", Pass: "stage-2", Value: quantity.MustParse("61.38 mm")})
	require.Equal(t, judge.Low, r.Verdict)
	require.Equal(t, "0.13 mm", r.Stretch.String())
	entries = recorded(t, p, "head: s1 1 s2 1=60/50°")
	r = judge.Foresee(p, entries, fact.Reading{Point: "head/1", Pass: "stage-2", Value: quantity.MustParse("90 N·m"), Angle: quantity.MustParse("40°")})
	require.Equal(t, judge.Within, r.Verdict)
	require.Equal(t, "90°", r.Turned.String())
}

// Whatever is done wrong in stages by angle and stretch, a builder who then does
// what comes first gets to the end, where nothing is open, and no bolt was turned
// or stretched too far since it was last begun anew.
func TestTurnedBuildsComeToAnEnd(t *testing.T) {
	plans := []*plan.Plan{parsed(t, turnedPlan), testPlan(t, "angle-twin.toml")}
	values := []string{"", "10 N·m", "25 N·m", "40 N·m", "90 N·m", "130 N·m", "61.25 mm", "61.30 mm", "61.40 mm", "62 mm", "2.41 in", "60°"}
	angles := []string{"", "30°", "60°", "90°", "200°", "0.25 turn", "9 mm"}
	rapid.Check(t, func(t *rapid.T) {
		b := newBuilder(t, rapid.SampledFrom(plans).Draw(t, "plan"))
		quantityOf := func(list []string, what string) (q quantity.Quantity) {
			if text := rapid.SampledFrom(list).Draw(t, what); text != "" {
				q = quantity.MustParse(text)
			}
			return q
		}
		for n := rapid.IntRange(0, 40).Draw(t, "steps"); n > 0 && !b.state.Complete(); n-- {
			k := rapid.SampledFrom(b.state.Tasks).Draw(t, "task")
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				r := fact.Reading{Point: k.Point, Pass: k.Pass, Value: quantityOf(values, "value"), Angle: quantityOf(angles, "angle")}
				r.Status = rapid.SampledFrom([][]string{nil, nil, {fact.Overload}, {fact.NotSettled}}).Draw(t, "status")
				b.put(r)
			case 1:
				if n := len(b.entries); n > 0 {
					of := b.entries[rapid.IntRange(0, n-1).Draw(t, "of")]
					b.put(fact.Void{Of: of.Ref, Point: of.Body.About(), Because: "wrong"})
				}
			case 2:
				if back, err := b.state.SendBack(k.Point, "", "look again", "QA"); err == nil {
					b.put(back)
				}
			case 3:
				if js, _ := b.state.Joint(k.Joint); js != nil {
					bolt := js.Joint.Bolts[0]
					b.put(fact.Reading{Point: js.Joint.Point(bolt.Key), Value: quantityOf(values, "length")})
				}
			case 4:
				if len(b.state.Findings) > 0 {
					f := rapid.SampledFrom(b.state.Findings).Draw(t, "finding")
					if a, err := b.state.Accept(f.Name, "enough", "QA"); err == nil {
						b.put(a)
						require.Contains(t, told(b.state), strings.TrimSpace("accepted "+string(f.Kind)+" "+where(f)))
					}
				}
			default:
				b.good(b.state.Tasks[0])
			}
		}
		b.finish()
		for _, f := range b.state.Findings {
			require.NotEqual(t, judge.Open, f.Status, "%v", told(b.state))
		}
		require.Empty(t, b.state.Again)
		for _, js := range b.state.Joints {
			for _, ps := range js.Passes {
				for _, c := range ps.Cells {
					r, ok := c.Last()
					require.True(t, ok)
					if !r.Verdict.Good() {
						require.Contains(t, told(b.state), "accepted "+string(acceptedAs(b.state, r))+" "+string(c.Point)+" "+string(c.Pass))
					}
				}
			}
		}
	})
}

// acceptedAs is the kind of the accepted finding that rests on a reading.
func acceptedAs(s *judge.State, r judge.Judged) judge.FindingKind {
	for _, found := range s.Findings {
		if found.Status == judge.Accepted && slices.Contains(found.Entries, r.Entry.Ref) {
			return found.Kind
		}
	}
	return "none"
}

// where is the place of a finding, as told gives it.
func where(f judge.Finding) string {
	at := string(f.Point)
	if at == "" {
		at = f.Joint
	}
	return strings.TrimSpace(at + " " + string(f.Pass))
}

// named is the name of the only finding of a kind.
func named(t *testing.T, s *judge.State, kind judge.FindingKind) string {
	t.Helper()
	name := ""
	for _, f := range s.Findings {
		if f.Kind == kind {
			require.Empty(t, name, "two are %s", kind)
			name = f.Name
		}
	}
	require.NotEmpty(t, name, "%s is not among %v", kind, told(s))
	return name
}

func with(t *testing.T, p *plan.Plan, entries []fact.Entry, bodies ...fact.Body) (*judge.State, []fact.Entry) {
	t.Helper()
	for _, b := range bodies {
		last := entries[len(entries)-1]
		entries = append(slices.Clip(entries), fact.Entry{Ref: fact.Ref{Station: "desk", Number: uint64(len(entries) + 1)}, Time: last.Time.Add(1), Body: b})
	}
	return judge.Judge(p, entries), entries
}

func TestAFindingIsAccepted(t *testing.T) {
	p := parsed(t, smallPlan)
	for _, c := range []struct {
		name, notation string
		kind           judge.FindingKind
		after          string // the finding
		task           string // the first
	}{
		{"a low pull stands", prepared + "s1 1=27", judge.BoltLow, "accepted low head/1 stage-1", "pull head/2 stage-1"},
		{"a high pull stands", prepared + "s1 1=33", judge.BoltHigh, "accepted high head/1 stage-1", "pull head/2 stage-1"},
		{"a bolt out of order", prepared + "s1 2 1", judge.OutOfOrder, "accepted out of order head/2 stage-1", "pull head/3 stage-1"},
		{"a measurement", "head: pre ok:faces dowel=8.2mm", judge.StepOutside, "accepted out of limits head/dowel", "pull head/1 stage-1"},
		{"a relaxed bolt", stages + "+30m rc 1=70", judge.BoltRelaxed, "accepted relaxed head/1 recheck", "check head/2 recheck"},
		{"a check that came too early", stages + "rc 1", judge.RecheckEarly, "accepted re-check too early head/1 recheck", "check head/2 recheck"},
	} {
		t.Run(c.name, func(t *testing.T) {
			entries := recorded(t, p, c.notation)
			s := judge.Judge(p, entries)
			name := named(t, s, c.kind)
			a, err := s.Accept(strings.ToUpper(name), "it is enough", "QA")
			require.NoError(t, err)
			accepted, entries := with(t, p, entries, a)
			require.Contains(t, told(accepted), c.after)
			require.Equal(t, c.task, asks(accepted.Tasks[0]))
			require.Less(t, accepted.Unsettled(), s.Unsettled())
			require.Equal(t, name, named(t, accepted, c.kind), "the name stays")
			i := slices.IndexFunc(accepted.Findings, func(f judge.Finding) bool { return f.Kind == c.kind })
			require.Equal(t, "accepted by QA: it is enough", accepted.Findings[i].Remedy)
			require.Equal(t, entries[len(entries)-1].Ref, accepted.Findings[i].By)
			_, err = accepted.Accept(name, "again", "QA")
			require.EqualError(t, err, name+" was accepted already")
			require.Len(t, accepted.Decisions, 1)

			back, _ := with(t, p, entries, fact.Void{Of: entries[len(entries)-1].Ref, Point: a.Point, Because: "a mistake"})
			require.Equal(t, told(s), told(back), "taken back, it is as before")
			require.Equal(t, lines(s.Tasks), lines(back.Tasks))
			require.NotNil(t, back.Decisions[0].Void)
		})
	}
}

func TestAnAcceptanceCoversNothingThatCameLater(t *testing.T) {
	p := parsed(t, smallPlan)
	entries := recorded(t, p, prepared+"s1 1=27")
	a, err := judge.Judge(p, entries).Accept(named(t, judge.Judge(p, entries), judge.BoltLow), "enough", "QA")
	require.NoError(t, err)
	s, entries := with(t, p, entries, a, fact.Reading{Point: "head/1", Pass: "stage-1", Value: quantity.MustParse("12 N·m")})
	require.Contains(t, told(s), "open low head/1 stage-1")
	require.Equal(t, "pull head/1 stage-1", asks(s.Tasks[0]))
	s, _ = with(t, p, entries, fact.Void{Of: entries[2].Ref, Point: "head/1"})
	require.Contains(t, told(s), "open low head/1 stage-1")
}

func TestWhatCannotBeAccepted(t *testing.T) {
	p := parsed(t, smallPlan)
	refused := func(notation string, kind judge.FindingKind, want string) {
		t.Helper()
		s := judge.Judge(p, recorded(t, p, notation))
		name := named(t, s, kind)
		_, err := s.Accept(name, "so", "QA")
		require.EqualError(t, err, name+want)
	}
	refused(prepared+"s1 1=27 1", judge.BoltLow, " is settled already")
	refused(stages, judge.RecheckDue, " says what is still to be done (re-check due); that is done or left out, not accepted")
	refused(prepared+"s1 1 2 skip3", judge.BoltSkipped, " says what is still to be done (bolt skipped); that is done or left out, not accepted")
	refused("head: pre ok:faces s1 1", judge.StepMissing, " says what is still to be done (not prepared); that is done or left out, not accepted")
	s := judge.Judge(p, recorded(t, p, stages+"send2"))
	name := named(t, s, judge.BoltSentBack)
	_, err := s.Accept(name, "so", "QA")
	require.EqualError(t, err, name+" is work that was asked for; take back bench#18 instead")
	_, err = s.Accept("nosuch", "so", "QA")
	require.EqualError(t, err, `no finding is called "nosuch"`)
}

func TestABoltIsSentBack(t *testing.T) {
	p := parsed(t, smallPlan)
	s := judge.Judge(p, recorded(t, p, stages+"send2"))
	require.Equal(t, []string{"open sent back head/2 stage-3"}, of(s, "head/2"))
	require.Equal(t, "pull head/2 stage-3, sent back: look again", asks(s.Tasks[0]))
	require.Len(t, s.Again, 1)
	require.Equal(t, []string{"sent back: QA wants it done again: look again"}, s.Again[0].Reasons)

	s = judge.Judge(p, recorded(t, p, stages+"send2 2=80"))
	require.Equal(t, []string{"open low head/2 stage-3", "open sent back head/2 stage-3"}, of(s, "head/2"))
	s = judge.Judge(p, recorded(t, p, stages+"send2 2=80 2"))
	require.Equal(t, []string{"settled low head/2 stage-3", "settled sent back head/2 stage-3"}, of(s, "head/2"))
	require.Equal(t, "check head/1 recheck", asks(s.Tasks[0]))

	entries := recorded(t, p, stages)
	b, err := judge.Judge(p, entries).SendBack("head/4", "", "the mark has turned", "QA")
	require.NoError(t, err)
	require.Equal(t, fact.SentBack{Point: "head/4", Pass: "stage-3", Because: "the mark has turned", By: "QA"}, b)
	b, err = judge.Judge(p, entries).SendBack("head/dowel", "", "measure again", "QA")
	require.NoError(t, err)
	s, _ = with(t, p, entries, b)
	require.Equal(t, "measure head/dowel , sent back: measure again", asks(s.Tasks[0]))

	for point, want := range map[fact.Point]string{
		"head/9":     "nothing was read at head/9 that could be sent back",
		"tail/1":     `the plan has no joint "tail"`,
		"lid/a":      "nothing was read at lid/a that could be sent back",
		"head/faces": "nothing was read at head/faces that could be sent back",
	} {
		_, err := judge.Judge(p, entries).SendBack(point, "", "so", "QA")
		require.EqualError(t, err, want)
	}
	_, err = judge.Judge(p, entries).SendBack("head/1", "recheck", "so", "QA")
	require.EqualError(t, err, "nothing was read at head/1 in recheck that could be sent back")

	// Sent back, and then let stand after all.
	entries = recorded(t, p, prepared+"s1 1=27 send1")
	a, err := judge.Judge(p, entries).Accept(named(t, judge.Judge(p, entries), judge.BoltLow), "enough", "QA")
	require.NoError(t, err)
	s, _ = with(t, p, entries, a)
	require.Equal(t, []string{"accepted low head/1 stage-1", "settled sent back head/1 stage-1"}, of(s, "head/1"))
}
