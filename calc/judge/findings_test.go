package judge_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// scenarios are small builds and all that is found in them. There is one for
// each kind of finding in each status that it can have.
var scenarios = []struct {
	name, notation string
	want           []string
}{
	{"nothing recorded", "", nil},
	{"a build without a mistake", done, nil},
	{"in the middle of a stage", prepared + "s1 1 2", nil},

	{"low", prepared + "s1 1=27", []string{"open low head/1 stage-1"}},
	{"low, pulled again", prepared + "s1 1=27 1", []string{"settled low head/1 stage-1"}},
	{"low three times is one finding", prepared + "s1 1=27 1=26 1=25 1", []string{"settled low head/1 stage-1"}},
	{"good, then low", prepared + "s1 1 1=27", []string{"open low head/1 stage-1"}},
	{"low before and after", prepared + "s1 1=27 1 1=26", []string{"open low head/1 stage-1", "settled low head/1 stage-1"}},
	{"high", prepared + "s1 1=33", []string{"open high head/1 stage-1"}},
	{"high, pulled again", prepared + "s1 1=33 1", []string{"settled high head/1 stage-1"}},
	{"higher than ever allowed", prepared + "s1 1=93 1", []string{"for review high head/1 stage-1"}},
	{"higher than ever allowed counts though a less high one follows", prepared + "s1 1=93 1=33 1", []string{"for review high head/1 stage-1"}},
	{"doubtful", prepared + "s1 1!overload", []string{"open doubtful head/1 stage-1"}},
	{"doubtful, pulled again", prepared + "s1 1!overload 1", []string{"settled doubtful head/1 stage-1"}},
	{"unjudged", prepared + "s1 1=30mm", []string{"open unjudged head/1 stage-1"}},
	{"unjudged, pulled again", prepared + "s1 1=30mm 1", []string{"settled unjudged head/1 stage-1"}},

	{"missed", prepared + "s1 1 2 4 5", []string{"open bolt missed head/3 stage-1"}},
	{"missed, and the next stage made", prepared + "s1 1 2 4 5 s2 1 2 3 4 5", []string{"open bolt missed head/3 stage-1"}},
	{"missed, and pulled after all, in the next stage", prepared + "s1 1 2 4 5 s2 1 2 s1 3 s2 3 4 5", []string{"for review bolt missed head/3 stage-1"}},
	{"missed, and pulled after it was pulled in the next stage", prepared + "s1 1 2 4 5 s2 1 2 3 s1 3 s2 3 4 5", []string{"for review bolt missed head/3 stage-1"}},
	{"the last one missed", prepared + "s1 1 2 3 4 s2 1 2", []string{"open bolt missed head/5 stage-1"}},
	{"two missed", prepared + "s1 1 2 5 s2 1", []string{"open bolt missed head/3 stage-1", "open bolt missed head/4 stage-1"}},
	{"the last one pulled before two, which may still come", prepared + "s1 1 2 5", []string{"for review out of order head/5 stage-1"}},
	{"missed, and the last one left out", prepared + "s1 1 2 4 skip5 s2 1", []string{"open bolt missed head/3 stage-1", "open bolt skipped head/5 stage-1"}},
	{"missed in the last stage, and the re-check begun", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 4 5 +30m rc 1 2", []string{
		"open bolt missed head/3 stage-3", "open re-check unfinished head recheck"}},

	{"left out", prepared + "s1 1 2 skip3 4 5", []string{"open bolt skipped head/3 stage-1"}},
	{"left out with a reading that stays", prepared + "s1 1 2=25 skip2 3", []string{"open bolt skipped head/2 stage-1", "open low head/2 stage-1"}},
	{"left out, pulled in the same stage", prepared + "s1 1 2 skip3 4 5 3 s2 1", []string{"settled bolt skipped head/3 stage-1"}},
	{"left out, pulled after the next stage was begun", prepared + "s1 1 2 skip3 4 5 s2 1 2 s1 3", []string{"for review bolt skipped head/3 stage-1"}},
	{"left out, pulled too low", prepared + "s1 1 skip2 3 4 5 2=20", []string{"open low head/2 stage-1", "settled bolt skipped head/2 stage-1"}},
	{"missed, the next stage begun with a bolt left out", prepared + "s1 1 2 4 5 s2 skip1 2 s1 3 s2 1", []string{
		"for review bolt missed head/3 stage-1", "settled bolt skipped head/1 stage-2"}},
	{"missed, and told when the last one is left out", prepared + "s1 1 3 4 skip5", []string{"open bolt missed head/2 stage-1", "open bolt skipped head/5 stage-1"}},
	{"a stage left out on purpose is not missed", prepared + "s1 1 2 3 4 s2 skip1 skip2 skip3 skip4 skip5 s3 1", []string{
		"open bolt skipped head/1 stage-2", "open bolt skipped head/2 stage-2", "open bolt skipped head/3 stage-2",
		"open bolt skipped head/4 stage-2", "open bolt skipped head/5 stage-2", "for review pulled before its stage head/1 stage-3"}},
	{"left out after it was done is not left out", prepared + "s1 1 skip1 2", nil},
	{"left out of the re-check", stages + "+30m rc 1 2 3 4 skip5", []string{"open bolt skipped head/5 recheck"}},
	{"left out of the re-torque", whole + "head: ok:heat-cycles rt 1 2 3 4 skip5", []string{"open bolt skipped head/5 retorque"}},
	{"a whole stage left out on purpose", prepared + "s1 skip1 skip2 skip3 skip4 skip5 s2 1", []string{
		"open bolt skipped head/1 stage-1", "open bolt skipped head/2 stage-1", "open bolt skipped head/3 stage-1",
		"open bolt skipped head/4 stage-1", "open bolt skipped head/5 stage-1"}},

	{"a stage missed", prepared + "s1 1 2 3 4 5 s3 1", []string{"open stage missed head stage-2"}},
	{"a stage missed and gone on", prepared + "s1 1 2 3 4 5 s3 1 2 3 4 5", []string{"open stage missed head stage-2"}},
	{"a stage missed and half made later", prepared + "s1 1 2 3 4 5 s3 1 2 3 4 5 s2 1 2", []string{"open stage missed head stage-2"}},
	{"a stage missed and made later", prepared + "s1 1 2 3 4 5 s3 1 2 s2 1 2 3 4 5 s3 1 2 3 4 5 +30m rc 1 2 3 4 5", []string{"for review stage missed head stage-2"}},
	{"the first stage missed", prepared + "s2 1 2", []string{"open stage missed head stage-1"}},

	{"one bolt in the next stage too early", prepared + "s1 1 2 s2 2 s1 3 4 5 s2 1 2 3", []string{
		"for review pulled before its stage head/2 stage-2", "for review pulled twice head/2 stage-2"}},
	{"one bolt before its own stage", prepared + "s1 1 2 s2 3 s1 3 4 5 s2 1 2 4 5", []string{"for review pulled before its stage head/3 stage-2"}},
	{"one bolt two stages early", prepared + "s1 1 2 3 4 5 s3 1 s2 1 2 3 4 5 s3 1 2 3", []string{"for review pulled before its stage head/1 stage-3"}},
	{"gone over before a stage was over", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 3 4 +30m rc 1 s3 5", []string{
		"open re-check unfinished head recheck", "for review pulled before its stage head/1 recheck"}},

	{"one bolt too early", prepared + "s1 1 4 2 3 5 s2 1", []string{"for review out of order head/4 stage-1"}},
	{"one bolt passed over and pulled at the end", prepared + "s1 1 2 4 5 3 s2 1", []string{"for review out of order head/4 stage-1"}},
	{"as soon as it happens", prepared + "s1 1 2 4", []string{"for review out of order head/4 stage-1"}},
	{"two swapped", prepared + "s1 1 3 2 4 5", []string{"for review out of order head/3 stage-1"}},
	{"backwards", prepared + "s1 5 4 3 2 1", []string{
		"for review out of order head/2 stage-1", "for review out of order head/3 stage-1",
		"for review out of order head/4 stage-1", "for review out of order head/5 stage-1"}},
	{"a gap that is explained later", prepared + "s1 1 2 4 skip3 5", []string{"open bolt skipped head/3 stage-1"}},
	{"the re-check in another order", stages + "+30m rc 2 1 3 4 5", []string{"for review out of order head/2 recheck"}},
	{"the re-torque in another order", whole + "head: ok:heat-cycles rt 1 2 4 3 5", []string{"for review out of order head/4 retorque"}},

	{"pulled twice", prepared + "s1 1 1", []string{"for review pulled twice head/1 stage-1"}},
	{"pulled twice, once taken back", prepared + "s1 1 1 void:4", nil},
	{"pulled again, as the stage below was made again", prepared + "s1 1 2 3 4 5 s2 1 2 s1 3 s2 3", []string{"for review pulled twice head/3 stage-1"}},
	{"gone over twice", checked + "1", []string{"for review pulled twice head/1 recheck"}},

	{"begun without preparation", "head: s1 1", []string{"open not prepared head/faces", "open not prepared head/dowel"}},
	{"prepared later", "head: s1 1 pre ok:faces dowel=7.6mm", []string{"for review not prepared head/faces", "for review not prepared head/dowel"}},
	{"confirmed but not measured", "head: pre ok:faces ok:dowel s1 1", []string{"open not prepared head/dowel"}},
	{"measured again later", prepared + "s1 1 pre dowel=7.7mm s1 2", nil},
	{"the confirmation taken back", prepared + "s1 1 void:1", []string{"open not prepared head/faces"}},

	{"outside its limits", "head: pre ok:faces dowel=7.39mm", []string{"open out of limits head/dowel"}},
	{"outside and mended", "head: pre ok:faces dowel=7.39mm dowel=8.10mm", []string{"settled out of limits head/dowel"}},
	{"outside and begun all the same", "head: pre ok:faces dowel=7.39mm s1 1", []string{"open out of limits head/dowel", "open not prepared head/dowel"}},
	{"outside when measured again later", prepared + "s1 1 pre dowel=7.2mm", []string{"open out of limits head/dowel"}},
	{"no length", "head: pre ok:faces dowel=7N·m", []string{"open out of limits head/dowel"}},
	{"a doubtful measurement", "head: pre ok:faces dowel=7.6mm!not_settled", []string{"open out of limits head/dowel"}},

	{"a joint too early", prepared + "s1 1 lid: s1 a", []string{"open joint too early lid"}},
	{"a joint too early, the other finished later", prepared + "s1 1 lid: s1 a b head: s1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 3 4 5 +30m rc 1 2 3 4 5", []string{
		"open re-torque due head retorque", "for review joint too early lid"}},
	{"a joint after one that was gone over once more", checked + "s3 1 lid: s1 a", []string{"for review pulled twice head/1 stage-3"}},
	{"a joint after one with a bolt left out", stages + "+30m rc 1 2 3 4 skip5 lid: s1 a", []string{"open bolt skipped head/5 recheck"}},

	{"re-check due", stages, []string{"open re-check due head recheck"}},
	{"re-check due with a bolt left out", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 3 4 skip5", []string{
		"open bolt skipped head/5 stage-3", "open re-check due head recheck"}},
	{"re-check unfinished", stages + "+30m rc 1 2", []string{"open re-check unfinished head recheck"}},
	{"re-check too early", stages + "+29m rc 1", []string{"open re-check unfinished head recheck", "open re-check too early head/1 recheck"}},
	{"re-check too early, and again in time", stages + "+29m rc 1 +5m 1 2 3 4 5", []string{"settled re-check too early head/1 recheck"}},
	{"re-check too early, then doubtful", stages + "+29m rc 1 +5m 1!overload", []string{
		"open re-check unfinished head recheck", "open re-check too early head/1 recheck", "open doubtful head/1 recheck"}},
	{"gone over before its last stage", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 +30m rc 1", []string{
		"open re-check unfinished head recheck", "open re-check too early head/1 recheck"}},
	{"gone over before its last stage, and again", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 +30m rc 1 s3 1 2 3 4 5 +30m rc 1 2 3 4 5", []string{
		"settled re-check too early head/1 recheck"}},
	{"relaxed", stages + "+30m rc 1=79", []string{"open re-check unfinished head recheck", "open relaxed head/1 recheck"}},
	{"relaxed, pulled again", stages + "+30m rc 1=79 1 2 3 4 5", []string{"settled relaxed head/1 recheck"}},
	{"relaxed, pulled again too low", stages + "+30m rc 1=79 1=85 2 3 4 5", []string{
		"open re-check unfinished head recheck", "open relaxed head/1 recheck", "open low head/1 recheck"}},
	{"relaxed, pulled again, and gone over once more", stages + "+30m rc 1=79 1 2 3 4 5 +30m 1=85", []string{"settled relaxed head/1 recheck"}},
	{"moved", stages + "+30m rc 1=85/4°", []string{"open re-check unfinished head recheck", "open moved head/1 recheck"}},
	{"moved, pulled again", stages + "+30m rc 1=85/4° 1 2 3 4 5", []string{"settled moved head/1 recheck"}},
	{"a check that pulled too far", stages + "+30m rc 1=95 1 2 3 4 5", []string{"for review high head/1 recheck"}},

	{"re-torque due", whole, []string{"open re-torque due head retorque"}},
	{"re-torque not due while the engine is not assembled", checked, nil},
	{"re-torque due after the heat cycles", whole + "head: ok:heat-cycles", []string{"open re-torque due head retorque"}},
	{"re-torque unfinished", whole + "head: ok:heat-cycles rt 1", []string{"open re-torque unfinished head retorque"}},
	{"re-torque too early", whole + "head: rt 1 2 3 4 5", []string{"for review re-torque too early head retorque"}},
	{"two bolts re-torqued too early", whole + "head: rt 1 2 ok:heat-cycles rt 3 4 5", []string{"for review re-torque too early head retorque"}},
	{"heat cycles too early", prepared + "ok:heat-cycles s1 1", []string{"open re-torque too early head/heat-cycles retorque"}},
	{"heat cycles too early and again", prepared + "ok:heat-cycles s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 3 4 5 +30m rc 1 2 3 4 5 lid: s1 a b head: ok:heat-cycles rt 1 2 3 4 5", []string{
		"settled re-torque too early head/heat-cycles retorque"}},

	{"not in the plan", prepared + "s1 1 9=12", []string{"for review not in the plan head/9 stage-1"}},
	{"a reading where a word is wanted", "head: pre faces=3mm s1 1", []string{
		"open not prepared head/faces", "open not prepared head/dowel", "for review not in the plan head/faces"}},
	{"preparation cannot be left out", "head: pre skipfaces skipdowel s1 1", []string{"open not prepared head/faces", "open not prepared head/dowel"}},
	{"left out of the last stage, checked as it is, and pulled later", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 skip1 2 3 4 5 +30m rc 2 3 4 5 1 s3 1", []string{
		"open re-check unfinished head recheck", "for review bolt skipped head/1 stage-3"}},
	{"and gone over once more", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 skip1 2 3 4 5 +30m rc 2 3 4 5 1 s3 1 +30m rc 1", []string{
		"for review bolt skipped head/1 stage-3"}},
	{"not in the plan, taken back", prepared + "s1 1 9=12 void:4", nil},
}

func TestFindings(t *testing.T) {
	p := parsed(t, smallPlan)
	for _, c := range scenarios {
		t.Run(c.name, func(t *testing.T) {
			s := judge.Judge(p, recorded(t, p, c.notation))
			require.Equal(t, c.want, told(s))
			plainWords(t, s)
		})
	}
}

// plainWords checks what holds of every finding and every bolt to go over.
func plainWords(t *testing.T, s *judge.State) {
	t.Helper()
	for _, f := range s.Findings {
		require.NotEmpty(t, f.Text, f.Kind)
		require.NotEmpty(t, f.Remedy, f.Kind)
		for _, text := range []string{f.Text, f.Remedy} {
			require.NotContains(t, text, "%!", "a slip in a format")
			require.NotContains(t, text, "  ", text)
			require.Equal(t, strings.TrimSpace(text), text)
			if f.Kind != judge.NotInPlan {
				require.NotContains(t, text, "stage-", "keys are not shown: %s", f.Kind)
			}
		}
		due := f.Kind == judge.RecheckDue || f.Kind == judge.RecheckUnfinished || f.Kind == judge.RetorqueDue || f.Kind == judge.RetorqueUnfinished
		require.Equal(t, due, len(f.Entries) == 0, "%s rests on entries", f.Kind)
		require.Equal(t, f.Status == judge.Settled, f.Status != judge.ForReview && !f.By.IsZero(), "%s, %s", f.Kind, f.Status)
	}
	for _, a := range s.Again {
		require.NotEmpty(t, a.Reasons)
	}
}

// Instruments need more than the notation has.
func TestInstrumentFindings(t *testing.T) {
	p := parsed(t, smallPlan)
	by := func(notation string, i fact.Instrument, points ...fact.Point) *judge.State {
		entries := recorded(t, p, notation)
		for n := range entries {
			if r, ok := entries[n].Body.(fact.Reading); ok && (len(points) == 0 || r.Point == points[0]) {
				r.Instrument = i
				entries[n].Body = r
			}
		}
		s := judge.Judge(p, entries)
		plainWords(t, s)
		return s
	}
	small := fact.Instrument{Name: "wrench-a", Range: quantity.Limits{Least: quantity.MustParse("5 N·m"), Most: quantity.MustParse("29.9 N·m")}}
	s := by(prepared+"s1 1 2 3", small)
	require.Equal(t, []string{"for review outside instrument range head stage-1"}, told(s), "once for an instrument and a pass")
	require.Equal(t, "3 readings, the last 30 N·m, were made by wrench-a, which is good for 5–29.9 N·m", s.Findings[0].Text)
	require.Len(t, s.Findings[0].Entries, 3)
	s = by(prepared+"s1 1 2 3", small, "head/2")
	require.Equal(t, []string{"for review outside instrument range head/2 stage-1"}, told(s))
	require.Equal(t, "30 N·m was read by wrench-a, which is good for 5–29.9 N·m", s.Findings[0].Text)
	require.Empty(t, told(by(prepared+"s1 1 2 void:4", small, "head/2")))
	require.Empty(t, told(by(prepared+"s1 1=29.9", small)), "on the end of the range is inside; a length is not its business")
	gauge := fact.Instrument{Name: "gauge", Range: quantity.Limits{Most: quantity.MustParse("5 mm")}}
	require.Equal(t, []string{"for review outside instrument range head/dowel"}, told(by(prepared, gauge)))

	old := fact.Instrument{Name: "wrench-a", Due: "2026-03-01"} // the day before
	s = by(prepared+"s1 1 2 3", old)
	require.Equal(t, []string{"for review calibration overdue"}, told(s), "once for an instrument")
	require.Len(t, s.Findings[0].Entries, 4, "with every reading")
	require.Contains(t, s.Findings[0].Text, "2026-03-01")
	for _, due := range []string{"2026-03-02", "2027-01-01", "", "when it breaks"} {
		require.Empty(t, told(by(prepared+"s1 1", fact.Instrument{Name: "wrench-a", Due: due})), due)
	}
	require.Empty(t, told(by(prepared+"s1 1 void:3", old, "head/1")))
	require.Len(t, by(prepared+"s1 1", old).Instruments, 1)
}

// Each kind of finding stands in the scenarios in each status that it can have.
func TestScenariosAreWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range scenarios {
		for _, line := range c.want {
			for _, status := range []judge.Status{judge.Open, judge.ForReview, judge.Settled} {
				rest, ok := strings.CutPrefix(line, string(status)+" ")
				for _, kind := range kinds {
					if ok && strings.HasPrefix(rest, string(kind)+" ") {
						seen[string(status)+" "+string(kind)] = true
					}
				}
			}
		}
	}
	for _, want := range []string{
		"open low", "settled low", "open high", "for review high", "settled high", "open doubtful", "settled doubtful", "open unjudged", "settled unjudged",
		"open bolt missed", "for review bolt missed", "open bolt skipped", "for review bolt skipped", "settled bolt skipped",
		"open stage missed", "for review stage missed", "for review pulled before its stage", "for review out of order", "for review pulled twice",
		"open not prepared", "for review not prepared", "open out of limits", "settled out of limits", "open joint too early", "for review joint too early",
		"open re-check due", "open re-check unfinished", "open re-check too early", "settled re-check too early",
		"open relaxed", "settled relaxed", "open moved", "settled moved",
		"open re-torque due", "open re-torque unfinished", "open re-torque too early", "for review re-torque too early", "settled re-torque too early",
		"for review not in the plan",
	} {
		require.True(t, seen[want], want)
		delete(seen, want)
	}
	require.Empty(t, seen, "statuses that this list does not have")
}

var kinds = []judge.FindingKind{
	judge.BoltLow, judge.BoltHigh, judge.BoltDoubtful, judge.BoltUnjudged, judge.BoltMissed, judge.BoltSkipped, judge.StageMissed, judge.StageEarly,
	judge.OutOfOrder, judge.PulledTwice, judge.StepMissing, judge.StepOutside, judge.JointEarly, judge.RecheckDue, judge.RecheckUnfinished,
	judge.RecheckEarly, judge.BoltRelaxed, judge.BoltMoved, judge.RetorqueDue, judge.RetorqueUnfinished, judge.RetorqueEarly,
	judge.InstrumentRange, judge.InstrumentOverdue, judge.NotInPlan,
	judge.AngleMissing, judge.TorqueLow, judge.TorqueHigh, judge.TorqueUnwatched, judge.UnderStretched, judge.OverStretched,
	judge.LengthMissing, judge.LengthAgain, judge.BoltSentBack,
}

// What is told to the builder, word by word.
func TestWords(t *testing.T) {
	p := parsed(t, smallPlan)
	inch := parsed(t, strings.NewReplacer(`torque = "90 N·m"`, `torque = "66 lbf·ft"`, `relaxed = "10 N·m"`, `relaxed = "10 %"`).Replace(smallPlan))
	require.Len(t, inch.Notes, 1, "a tolerance in another unit than its torque is noted")
	for _, c := range []struct {
		p              *plan.Plan
		notation       string
		kind           judge.FindingKind
		text, remedies string
	}{
		{p, prepared + "s1 1=27.5", judge.BoltLow, "27.5 N·m in stage 1, allowed is 28–32 N·m", "pull it again to 30 N·m"},
		{p, prepared + "s1 1=27.5 1", judge.BoltLow, "27.5 N·m in stage 1, allowed is 28–32 N·m", "pulled again: 30 N·m"},
		{p, prepared + "s1 1=20lbf·ft", judge.BoltLow, "20 lbf·ft (27.1 N·m) in stage 1, allowed is 28–32 N·m", "pull it again to 30 N·m"},
		{p, prepared + "s1 1=20.65lbf·ft", judge.BoltLow, "20.65 lbf·ft (27.998 N·m) in stage 1, allowed is 28–32 N·m", "pull it again to 30 N·m"},
		{inch, prepared + "s3 1=70", judge.BoltLow, "70 N·m (51.6 lbf·ft) in stage 3, allowed is 87.484–91.484 N·m", "pull it again to 66 lbf·ft"},
		{p, prepared + "s1 1=33", judge.BoltHigh, "33 N·m in stage 1, allowed is 28–32 N·m", "look at the bolt and its thread, loosen it and pull it again to 30 N·m"},
		{p, prepared + "s1 1=100 1=33 1", judge.BoltHigh, "100 N·m in stage 1, allowed is 28–32 N·m",
			"pulled again: 30 N·m; that does not show that the bolt was loosened before and is sound, which someone must judge"},
		{p, prepared + "s1 1!overload", judge.BoltDoubtful, "30 N·m in stage 1, but the instrument said overload", "pull it again to 30 N·m"},
		{p, prepared + "s1 1=3°", judge.BoltUnjudged, "3° in stage 1 is no torque", "take the reading back and go over the bolt with the right instrument"},
		{p, prepared + "s1 1 3", judge.OutOfOrder, "pulled in stage 1 before bolt 2", "someone must judge whether the joint can stay or must be loosened and begun again"},
		{p, prepared + "s1 5", judge.OutOfOrder, "pulled in stage 1 before bolts 1, 2, 3, 4", "someone must judge whether the joint can stay or must be loosened and begun again"},
		{p, prepared + "s1 1 2 4 5", judge.BoltMissed, "not pulled in stage 1, which went on without it", "pull it to 30 N·m, then in the passes after it"},
		{p, prepared + "s1 1 2 4 5 s2 1 s1 3", judge.BoltMissed, "missed in stage 1, and pulled in it only after stage 2 was begun",
			"it was pulled later; someone must judge whether the joint can stay or must be loosened and begun again"},
		{p, prepared + "s1 1 2 s2 2 s1 3", judge.StageEarly, "pulled in stage 2 while bolts 3, 4, 5 had not been pulled in stage 1",
			"someone must judge whether the joint can stay or must be loosened and begun again"},
		{p, prepared + "s1 1 2 3 4 s3 1 s1 5", judge.StageEarly,
			"pulled in stage 3 while bolt 5 had not been pulled in stage 1 and bolts 1, 2, 3, 4, 5 had not been pulled in stage 2",
			"someone must judge whether the joint can stay or must be loosened and begun again"},
		{p, prepared + "s1 1 2 3 4 5 s3 1", judge.StageMissed, "no bolt was pulled in stage 2 before stage 3 was begun", "pull every bolt in it, then in the passes after it"},
		{p, prepared + "s1 skip1", judge.BoltSkipped, "left out of stage 1 on purpose: no room", "pull it to 30 N·m"},
		{p, prepared + "s1 1=20 skip1", judge.BoltSkipped, "left as it is in stage 1 on purpose: no room", "pull it to 30 N·m"},
		{p, prepared + "s1 skip1 1", judge.BoltSkipped, "left out of stage 1 on purpose at first: no room", "it was pulled later"},
		{p, stages + "+30m rc skip1", judge.BoltSkipped, "left out of the re-check on purpose: no room", "go over it"},
		{p, prepared + "s1 1=30 1=31", judge.PulledTwice, "pulled again in stage 1 though it was within: 30 N·m, then 31 N·m",
			"someone must judge it, or take back the pull that was not this bolt's"},
		{p, stages + "+30m rc 1=85 1=84", judge.PulledTwice, "gone over again in the re-check though it was held: 85 N·m, then 84 N·m",
			"someone must judge it, or take back the pull that was not this bolt's"},
		{p, "head: pre dowel=7.2mm", judge.StepOutside, "Height of the dowel: 7.2 mm is low, allowed is 7.40–8.10 mm", "mend it and measure again"},
		{p, "head: pre dowel=0.28in", judge.StepOutside, "Height of the dowel: 0.28 in (7.1 mm) is low, allowed is 7.40–8.10 mm", "mend it and measure again"},
		{p, "head: pre dowel=7.2mm dowel=7.5mm", judge.StepOutside, "Height of the dowel: 7.2 mm is low, allowed is 7.40–8.10 mm", "measured again: 7.5 mm"},
		{p, "head: pre dowel=7N·m", judge.StepOutside, "Height of the dowel: 7 N·m is no length", "measure again with the right instrument"},
		{p, "head: pre dowel=7.5mm!not_settled", judge.StepOutside, "Height of the dowel: 7.5 mm, but the instrument said not settled", "measure again"},
		{p, stages, judge.RecheckDue, "all stages are done, and no bolt was gone over: 5 to do", "go over bolts 1, 2, 3, 4, 5, 30 min after the last pull"},
		{p, stages + "+30m rc 1 2 3 4", judge.RecheckUnfinished, "4 of 5 bolts gone over", "go over bolt 5"},
		{p, stages + "+29m49s rc 1", judge.RecheckEarly, "gone over 29 min 59 s after the last pull, the wait is 30 min", "go over it again after the wait"},
		{p, stages + "rc 1", judge.RecheckEarly, "gone over 10 s after the last pull, the wait is 30 min", "go over it again after the wait"},
		{p, prepared + "s1 1 2 3 4 5 rc 1", judge.RecheckEarly, "gone over before it was pulled in stage 3", "pull it, and go over it again"},
		{p, stages + "+30m rc 1=79", judge.BoltRelaxed, "it moved at 79 N·m in the re-check; a bolt that holds does not move below 80 N·m", "pull it again to 90 N·m"},
		{p, stages + "+30m rc 1=85/3.5°", judge.BoltMoved, "it turned 3.5° in the re-check; a bolt that holds turns at most 3°", "pull it again to 90 N·m"},
		{p, stages + "+30m rc 1=85/3mm", judge.BoltUnjudged, "3 mm in the re-check is no angle", "take the reading back and go over the bolt with the right instrument"},
		{p, whole, judge.RetorqueDue, "a re-torque is due after 2 heat cycles: 5 bolts", "run and confirm the heat cycles, then re-torque bolts 1, 2, 3, 4, 5"},
		{p, whole + "head: ok:heat-cycles", judge.RetorqueDue, "2 heat cycles confirmed, and the re-torque is due: 5 bolts", "re-torque bolts 1, 2, 3, 4, 5"},
		{p, whole + "head: rt 1 2", judge.RetorqueEarly, "bolts 1, 2 re-torqued before the confirmation of 2 heat cycles",
			"someone must judge it, or take what was pulled back and re-torque after the heat cycles"},
		{p, "head: ok:heat-cycles", judge.RetorqueEarly, "2 heat cycles confirmed before a bolt was pulled in stage 3", "confirm them when they were run"},
		{p, "lid: s1 a", judge.JointEarly, "begun before head was finished", "finish head and have the order judged"},
		{p, "head: s1 1", judge.StepMissing, "the joint was begun before this was done: Faces clean",
			"loosen the joint, prepare it and begin it again, or do it now and have it judged"},
		{p, "head: s1 9=12", judge.NotInPlan, "12 N·m was read at head/9, stage-1, which the plan does not have", "take the reading back if it was a mistake"},
	} {
		t.Run(c.notation, func(t *testing.T) {
			s := judge.Judge(c.p, recorded(t, c.p, c.notation))
			for _, f := range s.Findings {
				if f.Kind == c.kind {
					require.Equal(t, c.text, f.Text)
					require.Equal(t, c.remedies, f.Remedy)
					return
				}
			}
			require.Failf(t, "not found", "%s: %v", c.kind, told(s))
		})
	}
}

func TestLongListsAreCutShort(t *testing.T) {
	p := testPlan(t, "straight-six.toml")
	s := judge.Judge(p, recorded(t, p, "main-caps: s1 7R"))
	for _, f := range s.Findings {
		if f.Kind == judge.OutOfOrder {
			require.Equal(t, "pulled in stage 1 before bolts 4L, 4R, 3R, 3L, 5L, 5R and 7 more", f.Text)
			return
		}
	}
	require.Fail(t, "not found")
}

// A clock that was set back is said, not reckoned with.
func TestTheClockWasSetBack(t *testing.T) {
	p := parsed(t, smallPlan)
	for _, at := range []time.Time{start.Add(-time.Hour), {}, time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(-9998, 0, 0)} {
		entries := recorded(t, p, stages+"+30m rc 1")
		entries[len(entries)-1].Time = at
		s := judge.Judge(p, entries)
		require.Contains(t, told(s), "open re-check too early head/1 recheck")
		for _, f := range s.Findings {
			if f.Kind == judge.RecheckEarly {
				require.Equal(t, "the clock was set back since the last pull, so it is not known whether the wait of 30 min was over", f.Text)
			}
		}
	}
}

// A reading without a unit is shown as what it is.
func TestAReadingWithoutAUnit(t *testing.T) {
	p := parsed(t, smallPlan)
	entries := recorded(t, p, prepared+"s1 1")
	r := entries[2].Body.(fact.Reading)
	r.Value.Unit = quantity.NoUnit
	entries[2].Body = r
	s := judge.Judge(p, entries)
	require.Equal(t, []string{"open unjudged head/1 stage-1"}, told(s))
	require.Equal(t, "30 without a unit in stage 1 is no torque", s.Findings[0].Text)
}
