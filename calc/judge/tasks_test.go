package judge_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
)

// line is a task in one line: "pull head/3 stage-1 30 N·m (28–32 N·m)".
func line(k judge.Task) string {
	s := string(k.Kind) + " " + string(k.Point)
	if k.Pass != "" {
		s += " " + string(k.Pass)
	}
	if !k.Target.IsZero() {
		s += " " + k.Target.String()
	}
	if k.Limits.String() != "any" {
		s += " (" + k.Limits.String() + ")"
	}
	if k.Again != "" {
		s += " again " + string(k.Again)
	}
	if k.LeftOut != "" {
		s += " left out: " + k.LeftOut
	}
	if !k.NotBefore.IsZero() {
		s += " not before " + k.NotBefore.Sub(start).String()
	}
	return s
}

func lines(tasks []judge.Task) []string {
	var list []string
	for _, k := range tasks {
		list = append(list, line(k))
	}
	return list
}

func TestTasks(t *testing.T) {
	p := parsed(t, smallPlan)
	// The last stage ends 160 s after the start: two steps and fifteen pulls, 10 s apart.
	const wait = " not before 32m40s"
	for _, c := range []struct {
		name, notation string
		want           []string
	}{
		{"preparation first, all of it at once", "", []string{"confirm head/faces", "measure head/dowel (7.40–8.10 mm)"}},
		{"a word does not stand in for a measurement", "head: pre ok:faces ok:dowel", []string{"measure head/dowel (7.40–8.10 mm)"}},
		{"a measurement again", "head: pre ok:faces dowel=9mm", []string{"measure head/dowel (7.40–8.10 mm) again high"}},
		{"then the first stage, in order", prepared, []string{
			"pull head/1 stage-1 30 N·m (28–32 N·m)", "pull head/2 stage-1 30 N·m (28–32 N·m)", "pull head/3 stage-1 30 N·m (28–32 N·m)",
			"pull head/4 stage-1 30 N·m (28–32 N·m)", "pull head/5 stage-1 30 N·m (28–32 N·m)"}},
		{"a low bolt at once again", prepared + "s1 1 2=27", []string{
			"pull head/2 stage-1 30 N·m (28–32 N·m) again low", "pull head/3 stage-1 30 N·m (28–32 N·m)",
			"pull head/4 stage-1 30 N·m (28–32 N·m)", "pull head/5 stage-1 30 N·m (28–32 N·m)"}},
		{"a missed bolt before the next stage", prepared + "s1 1 2 4 5 s2 1", []string{"pull head/3 stage-1 30 N·m (28–32 N·m)"}},
		{"a bolt left out is passed by", prepared + "s1 1 2 skip3 4", []string{
			"pull head/5 stage-1 30 N·m (28–32 N·m)", "pull head/3 stage-1 30 N·m (28–32 N·m) left out: no room"}},
		{"preparation forgotten comes first", "head: s1 1", []string{"confirm head/faces", "measure head/dowel (7.40–8.10 mm)"}},
		{"the re-check has its own limits and waits", stages, []string{
			"check head/1 recheck 90 N·m (80–92 N·m)" + wait, "check head/2 recheck 90 N·m (80–92 N·m)" + wait, "check head/3 recheck 90 N·m (80–92 N·m)" + wait,
			"check head/4 recheck 90 N·m (80–92 N·m)" + wait, "check head/5 recheck 90 N·m (80–92 N·m)" + wait}},
		{"a relaxed bolt is pulled at once", stages + "+30m rc 1=70 2 3 4", []string{
			"pull head/1 recheck 90 N·m (88–92 N·m) again relaxed", "check head/5 recheck 90 N·m (80–92 N·m)" + wait}},
		{"until it is within", stages + "+30m rc 1=70 1=80 2 3 4 5", []string{"pull head/1 recheck 90 N·m (88–92 N·m) again low"}},
		{"a check that pulled too far is followed by a pull", stages + "+30m rc 1=95 2 3 4 5", []string{"pull head/1 recheck 90 N·m (88–92 N·m) again high"}},
		{"a check too early is made again", stages + "+29m rc 1 +10m 2 3 4 5", []string{"check head/1 recheck 90 N·m (80–92 N·m)" + wait}},
		{"a doubtful check is made again", stages + "+30m rc 1!overload 2 3 4 5", []string{"check head/1 recheck 90 N·m (80–92 N·m) again doubtful" + wait}},
		{"another joint waits", checked, []string{"pull lid/a stage-1 20 N·m (at least 18 N·m)", "pull lid/b stage-1 20 N·m (at least 18 N·m)"}},
		{"another joint begun all the same", prepared + "lid: s1 a", []string{
			"pull head/1 stage-1 30 N·m (28–32 N·m)", "pull head/2 stage-1 30 N·m (28–32 N·m)", "pull head/3 stage-1 30 N·m (28–32 N·m)",
			"pull head/4 stage-1 30 N·m (28–32 N·m)", "pull head/5 stage-1 30 N·m (28–32 N·m)", "pull lid/b stage-1 20 N·m (at least 18 N·m)"}},
		{"a bolt left out does not hold the next joint up", stages + "+30m rc 1 2 3 4 skip5", []string{
			"pull lid/a stage-1 20 N·m (at least 18 N·m)", "pull lid/b stage-1 20 N·m (at least 18 N·m)",
			"check head/5 recheck 90 N·m (80–92 N·m) left out: no room" + wait}},
		{"the heat cycles once the engine is assembled", whole, []string{"confirm head/heat-cycles"}},
		{"the re-torque after them", whole + "head: ok:heat-cycles rt 1 2 3", []string{"pull head/4 retorque 90 N·m (88–92 N·m)", "pull head/5 retorque 90 N·m (88–92 N·m)"}},
		{"heat cycles confirmed before there was anything to heat", "ok:heat-cycles " + whole, []string{"confirm head/heat-cycles"}},
		{"a bolt left out of a stage comes before the engine is run", prepared +
			"s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 3 4 skip5 +30m rc 1 2 3 4 5 lid: s1 a b", []string{"pull head/5 stage-3 90 N·m (88–92 N·m) left out: no room"}},
		{"a bolt left out of the re-check does not", stages + "+30m rc 1 2 3 4 skip5 lid: s1 a b", []string{
			"confirm head/heat-cycles", "check head/5 recheck 90 N·m (80–92 N·m) left out: no room" + wait}},
		{"nothing", done, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := judge.Judge(p, recorded(t, p, c.notation))
			require.Equal(t, c.want, lines(s.Tasks))
			require.Equal(t, len(c.want) == 0, s.Complete())
		})
	}
}

func TestTaskFor(t *testing.T) {
	p := parsed(t, smallPlan)
	const wait = " not before 32m40s"
	for _, c := range []struct {
		notation string
		point    fact.Point
		pass     fact.Pass
		want     string
	}{
		{"", "head/faces", "", "confirm head/faces"},
		{"head: pre dowel=9mm", "head/dowel", "", "measure head/dowel (7.40–8.10 mm) again high"},
		{prepared, "head/dowel", "", "measure head/dowel (7.40–8.10 mm)"},
		{"", "head/3", "", "pull head/3 stage-1 30 N·m (28–32 N·m)"},
		{"", "head/3", "stage-3", "pull head/3 stage-3 90 N·m (88–92 N·m)"},
		{prepared + "s1 1 2 3=27 4 5", "head/3", "", "pull head/3 stage-1 30 N·m (28–32 N·m) again low"},
		{prepared + "s1 1 2 skip3 4 5", "head/3", "", "pull head/3 stage-2 60 N·m (58–62 N·m)"},
		{prepared + "s1 1 2 skip3 4 5", "head/3", "stage-1", "pull head/3 stage-1 30 N·m (28–32 N·m) left out: no room"},
		{stages, "head/3", "", "check head/3 recheck 90 N·m (80–92 N·m)" + wait},
		{stages + "+30m rc 3=70", "head/3", "recheck", "pull head/3 recheck 90 N·m (88–92 N·m) again relaxed"},
		{checked, "head/3", "", "pull head/3 retorque 90 N·m (88–92 N·m)"},
		{checked, "head/heat-cycles", "", "confirm head/heat-cycles"},
		{done, "head/3", "", "pull head/3 retorque 90 N·m (88–92 N·m)"},
		{whole + "head: ok:heat-cycles rt 1 2 skip3 4 5", "head/1", "", "pull head/1 retorque 90 N·m (88–92 N·m)"},
	} {
		s := judge.Judge(p, recorded(t, p, c.notation))
		k, err := s.TaskFor(c.point, c.pass)
		require.NoError(t, err)
		require.Equal(t, c.want, line(k), c.notation)
	}
	s := judge.Judge(p, nil)
	for _, c := range []struct {
		point fact.Point
		pass  fact.Pass
		want  string
	}{
		{"tail/3", "", `the plan has no joint "tail"`},
		{"", "", `the plan has no joint ""`},
		{"head/9", "", `joint head has no bolt or step "9"`},
		{"head", "", `joint head has no bolt or step ""`},
		{"head/3", "stage-4", `joint head has no pass "stage-4"`},
		{"head/faces", "stage-1", "head/faces is preparation and belongs to no pass"},
		{"lid/heat-cycles", "", `joint lid has no bolt or step "heat-cycles"`},
	} {
		_, err := s.TaskFor(c.point, c.pass)
		require.EqualError(t, err, c.want)
	}
}

// The re-check goes over the bolts in the order in which they were really
// pulled, and over the first n of these.
func TestTheFirstPulled(t *testing.T) {
	first := parsed(t, strings.Replace(smallPlan, "[joint.recheck]\nall = true", "[joint.recheck]\nfirst = 2", 1))
	began := prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 "
	for _, c := range []struct{ notation, want string }{
		{"1 2 3 4 5", "1 2"},
		{"4 2 1 3 5", "4 2"},
		{"4 2 1 3 5 void:13", "2 1"},   // the first pull of 4 is taken back
		{"4 2 1 3 5 void:13 4", "2 1"}, // and made again, as the last
		{"4=80 2 1 3 5 4", "4 2"},      // the first pull counts, not the first good one
		{"4 2", "4 2"},
		{"", "1 2"},
	} {
		s := judge.Judge(first, recorded(t, first, began+c.notation))
		js, _ := s.Joint("head")
		ps, _ := js.Pass("recheck")
		var places []string
		for _, cell := range ps.Cells {
			places = append(places, cell.Place)
		}
		require.Equal(t, c.want, strings.Join(places, " "), c.notation)
	}

	// A bolt beyond the first ones may be gone over all the same; it is not missed,
	// but what is found there must be mended.
	s := judge.Judge(first, recorded(t, first, began+"1 2 3 4 5 +30m rc 5 1 2"))
	require.Empty(t, told(s))
	require.Equal(t, fact.Point("lid/a"), s.Tasks[0].Point)
	k, err := s.TaskFor("head/4", "recheck")
	require.NoError(t, err)
	require.Equal(t, judge.Check, k.Kind)
	s = judge.Judge(first, recorded(t, first, began+"1 2 3 4 5 +30m rc 5=70 1 2"))
	require.Equal(t, []string{"open re-check unfinished head recheck", "open relaxed head/5 recheck"}, told(s))
	require.Equal(t, []string{"pull head/5 recheck 90 N·m (88–92 N·m) again relaxed"}, lines(s.Tasks))
}

// The wait counts from the last pull in a stage before the check, also if that
// pull came after the re-check was begun.
func TestTheWait(t *testing.T) {
	p := parsed(t, smallPlan)
	for notation, early := range map[string]bool{
		stages + "+29m50s rc 1":                     false, // 30 min to the second
		stages + "+29m49s rc 1":                     true,
		stages + "+30m rc 1 s3 2 rc 3":              true, // a pull between
		stages + "+30m rc 1 s3 2 +30m rc 3":         false,
		stages + "+30m rc 1=70 1=90 3":              false, // a pull in the re-check starts no wait
		stages + "+30m s3 2 void:18 rc 3":           false, // a pull that was taken back
		stages + "+30m lid: s1 a b head: rc 3":      false, // another joint
		stages + "+29m @second +50s rc 1":           false, // at another station
		stages + "@second +1s rc 1":                 true,
		prepared + "s1 1 2 3 4 5 s2 1 2 +30m rc 1":  true, // its last stage is still to come
		prepared + "s1 1 s2 1 s3 1 2 +30m rc 1":     false,
		prepared + "s1 1 s2 1 s3 skip1 2 +30m rc 1": false, // left out on purpose: checked as it is
	} {
		s := judge.Judge(p, recorded(t, p, notation))
		last, found := judge.Judged{}, false
		js, _ := s.Joint("head")
		ps, _ := js.Pass("recheck")
		for _, c := range ps.Cells {
			if r, ok := c.Last(); ok && (!found || r.Entry.Time.After(last.Entry.Time)) {
				last, found = r, true
			}
		}
		require.True(t, found, notation)
		require.Equal(t, early, last.Early, notation)
	}

	s := judge.Judge(p, recorded(t, p, stages))
	js, _ := s.Joint("head")
	ps, _ := js.Pass("recheck")
	require.Equal(t, start.Add(160*time.Second+30*time.Minute), ps.NotBefore)
	none := parsed(t, strings.Replace(smallPlan, `wait = "30 min"`, "", 1))
	s = judge.Judge(none, recorded(t, none, stages+"rc 1"))
	require.True(t, s.Tasks[0].NotBefore.IsZero())
	require.Equal(t, []string{"open re-check unfinished head recheck"}, told(s))
}

func TestAgain(t *testing.T) {
	p := parsed(t, smallPlan)
	for _, c := range []struct {
		name, notation string
		want           []string
	}{
		{"nothing pulled", prepared, nil},
		{"low", prepared + "s1 1=27 2", []string{"1st 1 stage-1: low: 27 N·m in stage 1, allowed is 28–32 N·m"}},
		{"mended", prepared + "s1 1=27 1", nil},
		{"the re-check, first pulled first", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 4 3 5", []string{
			"1st 1 recheck not before 32m40s: re-check not done; 1st pulled of 5",
			"2nd 2 recheck not before 32m40s: re-check not done; 2nd pulled of 5",
			"3rd 4 recheck not before 32m40s: re-check not done; 3rd pulled of 5",
			"4th 3 recheck not before 32m40s: re-check not done; 4th pulled of 5",
			"5th 5 recheck not before 32m40s: re-check not done; 5th pulled of 5"}},
		{"relaxed, at once", stages + "+30m rc 1 2 3 4 5=70", []string{
			"5th 5 recheck: relaxed: it moved at 70 N·m in the re-check; a bolt that holds does not move below 80 N·m"}},
		{"too early", stages + "+10m rc 1 +30m 2 3 4 5", []string{
			"1st 1 recheck not before 32m40s: re-check too early: gone over 10 min 10 s after the last pull, the wait is 30 min"}},
		{"left out", stages + "+30m rc skip1 2 3 4 5", []string{
			"1st 1 recheck not before 32m40s: bolt skipped: left out of the re-check on purpose: no room"}},
		{"a stage missed", prepared + "s1 1 2 3 4 5 s3 1 s2 1 2 3", []string(nil)},
		{"missed in the last stage", prepared + "s1 1 2 3 4 5 s2 1 2 3 4 5 s3 1 2 3 5 +30m rc 1 2 3 5", []string{
			"5th 4 stage-3: bolt missed: not pulled in stage 3, which went on without it | re-check not done"}},
		{"two findings at one bolt", prepared + "s1 1 2=20 3 4 5 s2 1 2=50", []string{
			"2nd 2 stage-1: low: 20 N·m in stage 1, allowed is 28–32 N·m | low: 50 N·m in stage 2, allowed is 58–62 N·m"}},
		{"re-torque", whole + "head: ok:heat-cycles rt 1 2 3 4", []string{"5th 5 retorque: re-torque not done; 5th pulled of 5"}},
		{"done", done, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := judge.Judge(p, recorded(t, p, c.notation))
			var got []string
			for _, a := range s.Again {
				text := fmt.Sprintf("%d%s %s %s", a.Pulled, map[int]string{1: "st", 2: "nd", 3: "rd", 4: "th", 5: "th"}[a.Pulled], a.Place, a.Pass)
				if !a.NotBefore.IsZero() {
					text += " not before " + a.NotBefore.Sub(start).String()
				}
				got = append(got, text+": "+strings.Join(a.Reasons, " | "))
			}
			require.Equal(t, c.want, got)
			plainWords(t, s)
		})
	}

	s := judge.Judge(p, recorded(t, p, prepared+"s1 1 2 3 4 5 s3 1"))
	require.Len(t, s.Again, 5, "every bolt of a stage that was missed")
	require.Equal(t, []string{"stage missed: stage 2"}, s.Again[0].Reasons)
	s = judge.Judge(p, recorded(t, p, prepared+"s1 1 2 3 4 5 s2 skip2 s3 1"))
	require.Equal(t, []string{"bolt skipped: left out of stage 2 on purpose: no room"}, s.Again[1].Reasons)
}

func TestStates(t *testing.T) {
	p := parsed(t, smallPlan)
	for _, c := range []struct {
		notation                     string
		begun, tightened, finished   bool
		unsettled, pulledInLastStage int
	}{
		{"", false, false, false, 0, 0},
		{prepared, false, false, false, 0, 0},
		{prepared + "s1 1=5", true, false, false, 1, 0},
		{stages, true, true, false, 1, 5},
		{checked, true, true, true, 0, 5},
		{stages + "+30m rc 1 2 3 4 skip5", true, true, true, 1, 5},
		{done, true, true, true, 0, 5},
		{done + " void:1", true, true, false, 2, 5}, // without the faces the lid came too early, too
	} {
		s := judge.Judge(p, recorded(t, p, c.notation))
		js, ok := s.Joint("head")
		require.True(t, ok)
		require.Equal(t, c.begun, js.Begun(), c.notation)
		require.Equal(t, c.tightened, js.Tightened(), c.notation)
		require.Equal(t, c.finished, js.Finished(), c.notation)
		require.Equal(t, c.unsettled, s.Unsettled(), c.notation)
		require.Len(t, js.FirstPulled(), c.pulledInLastStage, c.notation)
	}
}
