package screen

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

// What is shown of stages by angle and by stretch, in the builder's words.
func TestAnglesAndStretches(t *testing.T) {
	turn := judge.Task{Kind: judge.Pull, Joint: "head", Point: "head/2", Pass: "stage-2", Place: "2", Name: "stage 2",
		Target: quantity.MustParse("90°"), Limits: limits("85°", "95°"), Watch: limits("70 N·m", "120 N·m")}
	stretch := judge.Task{Kind: judge.Pull, Joint: "rods", Point: "rods/1L", Pass: "stage-2", Place: "1L", Name: "stage 2",
		Target: quantity.MustParse("0.150 mm"), Limits: limits("0.140 mm", "0.160 mm"), Shows: limits("61.390 mm", "61.410 mm")}
	anew, sent := turn, stretch
	anew.Pass, anew.Name, anew.Target, anew.Limits, anew.Watch, anew.Loosen = "stage-1", "stage 1", quantity.MustParse("40 N·m"), limits("38 N·m", "42 N·m"), quantity.Limits{}, "stage 2: high"
	sent.SentBack = "measure again"
	length := judge.Task{Kind: judge.Measure, Point: "rods/1L", Place: "1L", Name: "length of bolt 1L before it is tightened", Unit: quantity.Millimetre}
	for want, task := range map[string]judge.Task{
		"NEXT head/2   stage 2   turn 90° (85–95°)   torque at the end 70–120 N·m   1 of 4 done":                                                     turn,
		"NEXT rods/1L   stage 2   stretch 0.150 mm (0.140–0.160)   the indicator must show 61.390–61.410 mm   1 of 4 done":                           stretch,
		"NEXT head/2, LOOSEN IT FIRST (stage 2: high)   stage 1   40 N·m (38–42)   1 of 4 done":                                                      anew,
		"NEXT rods/1L, sent back: measure again   stage 2   stretch 0.150 mm (0.140–0.160)   the indicator must show 61.390–61.410 mm   1 of 4 done": sent,
		"MEASURE rods/1L: length of bolt 1L before it is tightened":                                                                                  length,
	} {
		require.Equal(t, want, nextWords(bench.Event{Kind: bench.Next, Task: task, Done: 1, Of: 4}, time.UTC))
	}
	require.Equal(t, nextForm{"2", "90°"}, nextForms(bench.Event{Kind: bench.Next, Task: turn}, time.UTC)[0])
	require.Equal(t, nextForm{"1L", "+0.150 mm"}, nextForms(bench.Event{Kind: bench.Next, Task: stretch}, time.UTC)[0])

	turn.Left = quantity.MustParse("39.5°")
	require.Equal(t, "NEXT head/2   stage 2   turn 90° (85–95°), 39.5° more   torque at the end 70–120 N·m   1 of 4 done",
		nextWords(bench.Event{Kind: bench.Next, Task: turn, Done: 1, Of: 4}, time.UTC))
	require.Equal(t, []nextForm{{"2", "+39.5°"}, {"2", "+39.5"}, {"2", ""}}, nextForms(bench.Event{Kind: bench.Next, Task: turn}, time.UTC))

	torque, rest := quantity.MustParse("92.0 N·m"), quantity.MustParse("40.0°")
	for _, c := range []struct {
		task    judge.Task
		reading judge.Judged
		said    string
		big     string
	}{
		{turn, judge.Judged{Reading: fact.Reading{Value: torque, Angle: rest}, Turned: quantity.MustParse("90.0°"), Verdict: judge.Within},
			"92.0 N·m, 40.0°, 90.0° in all (85–95°)", "90.0°"},
		{turn, judge.Judged{Reading: fact.Reading{Value: torque, Angle: rest}, Turned: rest, Verdict: judge.Low}, "92.0 N·m, 40.0° (85–95°)", "40.0°"},
		{turn, judge.Judged{Reading: fact.Reading{Value: torque, Angle: rest}, Turned: rest, Verdict: judge.HighTorque}, "92.0 N·m, 40.0° (85–95°)", "92.0"},
		{turn, judge.Judged{Reading: fact.Reading{Value: torque}, Verdict: judge.Unjudged}, "92.0 N·m (85–95°)", "92.0"},
		{turn, judge.Judged{Reading: fact.Reading{Angle: rest}, Turned: rest, Verdict: judge.Low}, "40.0° (85–95°)", "40.0°"},
		{stretch, judge.Judged{Reading: fact.Reading{Value: quantity.MustParse("61.402 mm")}, Stretch: quantity.MustParse("0.152 mm"), Verdict: judge.Within},
			"61.402 mm, stretch 0.152 mm (0.140–0.160)", "0.152"},
	} {
		require.Equal(t, c.said, c.reading.Reading.Spoken()+judgedWords(c.reading, c.task))
		require.Equal(t, c.big, bigNumber(c.reading))
	}
}
