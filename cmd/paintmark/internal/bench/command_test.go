package bench

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
)

func TestParseCommand(t *testing.T) {
	entry := fact.Ref{Station: "bench-1", Number: 17}
	tests := map[string]Command{
		"point 7":                               {Kind: Choose, Point: "7"},
		"point head/7":                          {Kind: Choose, Point: "head/7"},
		"point 7 stage-2":                       {Kind: Choose, Point: "7", Pass: "stage-2"},
		"  point\t7   stage-2 ":                 {Kind: Choose, Point: "7", Pass: "stage-2"},
		"void it was bolt 6":                    {Kind: Void, Text: "it was bolt 6"},
		"void bench-1#17 it was bolt 6":         {Kind: Void, Entry: entry, Text: "it was bolt 6"},
		"void\tbench-1#17\tit was bolt 6":       {Kind: Void, Entry: entry, Text: "it was bolt 6"},
		"void bolt #6 it was":                   {Kind: Void, Text: "bolt #6 it was"},
		"skip the stud is out":                  {Kind: Leave, Text: "the stud is out"},
		"confirm":                               {Kind: Assure},
		"confirm faces":                         {Kind: Assure, Point: "faces"},
		"attest 65 lbf·ft":                      {Kind: Attest, Text: "65 lbf·ft"},
		"attest 65":                             {Kind: Attest, Text: "65"},
		"zero":                                  {Kind: Zero},
		"zero gauge-b":                          {Kind: Zero, Text: "gauge-b"},
		"pause":                                 {Kind: Pause},
		"go":                                    {Kind: Continue},
		" quit\r":                               {Kind: Quit},
		"skip \u00a0the\u2003stud is out\u3000": {Kind: Leave, Text: "the\u2003stud is out"},
	}
	for line, want := range tests {
		got, err := ParseCommand(line)
		require.NoError(t, err, "%q", line)
		require.Equal(t, want, got, "%q", line)
	}
}

func TestLinesThatAreNoCommand(t *testing.T) {
	for line, why := range map[string]string{
		"":                   `"" is no command: they are point, void, skip, confirm, attest, zero, pause, go and quit`,
		"Point 7":            `"Point" is no command: they are point, void, skip, confirm, attest, zero, pause, go and quit`,
		"65 lbf·ft":          `"65" is no command: they are point, void, skip, confirm, attest, zero, pause, go and quit`,
		"point":              "point: which?",
		"void":               "void: a reason is needed",
		"void bench-1#17":    "void: a reason is needed",
		"void bench-1#0 why": `void: "bench-1#0" is no entry: one is written station#number, as in bench-1#17`, // not the last one because of "bench-1#0 why"
		"void #17 why":       `void: "#17" is no entry: one is written station#number, as in bench-1#17`,
		"skip  ":             "skip: a reason is needed",
		"attest":             "attest: which value?",
		"go head/7":          `go stands alone, without "head/7"`,
		"pause 5 min":        `pause stands alone, without "5 min"`,
		"quit now":           `quit stands alone, without "now"`,
	} {
		_, err := ParseCommand(line)
		require.EqualError(t, err, why, "%q", line)
	}
}

// written is the line that a command is read from.
func written(c Command) string {
	words := []string{string(c.Kind)}
	for _, word := range []string{c.Point, string(c.Pass)} {
		if word != "" {
			words = append(words, word)
		}
	}
	if !c.Entry.IsZero() {
		words = append(words, c.Entry.String())
	}
	if c.Text != "" {
		words = append(words, c.Text)
	}
	return strings.Join(words, " ")
}

// What is read is a command that can be written and read again, or an error in
// one line.
func FuzzParseCommand(f *testing.F) {
	for _, line := range []string{"point 7 stage-2", "void bench-1#17 why", "void why", "skip why", "confirm", "attest 65 lbf·ft", "go", "point\x00", "void a#1#2 \xff"} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		c, err := ParseCommand(line)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			return
		}
		require.Contains(t, []CommandKind{Choose, Void, Leave, Assure, Attest, Pause, Continue, Quit}, c.Kind)
		if c.Kind == Void || c.Kind == Leave || c.Kind == Attest {
			require.NotEmpty(t, strings.TrimSpace(c.Text))
		}
		again, err := ParseCommand(written(c))
		require.NoError(t, err)
		require.Equal(t, c, again)
	})
}

func TestStatedValue(t *testing.T) {
	torque := judge.Task{Kind: judge.Pull, Point: "head/7", Target: quantity.MustParse("65 lbf·ft")}
	length := judge.Task{Kind: judge.Measure, Point: "head/dowel", Limits: quantity.Limits{Most: quantity.MustParse("0.320 in")}}
	for _, test := range []struct {
		text string
		task judge.Task
		want string
	}{
		{"65", torque, "65 lbf·ft"},
		{"65.0", torque, "65.0 lbf·ft"},
		{"88.1 N·m", torque, "88.1 N·m"},
		{"0", torque, "0 lbf·ft"},
		{"0.305", length, "0.305 in"},
		{"-0.001", length, "-0.001 in"}, // a height may be below
		{"7.4 mm", length, "7.4 mm"},
	} {
		v, err := StatedValue(test.text, test.task)
		require.NoError(t, err, test.text)
		require.Equal(t, test.want, v.String())
		require.Equal(t, test.text, v.Text, "what was stated is kept to the letter")
	}
	_, err := StatedValue("1", judge.Task{Kind: judge.Confirm, Point: "head/faces"})
	require.EqualError(t, err, "head/faces wants to be confirmed, not read")
}

func TestLastReadingAndRetraction(t *testing.T) {
	book := newMemory(plain)
	_, ok := LastReading(book.entries)
	require.False(t, ok, "the opening cannot be taken back")
	pulled := book.other(fact.Reading{Point: "pan/1", Pass: "stage-1", Value: quantity.MustParse("10 N·m")})
	skipped := book.other(fact.Skip{Point: "pan/2", Pass: "stage-1", Because: "no room"})
	book.other(fact.Note{What: fact.Unreadable})
	for _, want := range []fact.Ref{skipped, pulled} {
		last, ok := LastReading(book.entries)
		require.True(t, ok)
		require.Equal(t, want, last)
		body, err := Retraction(book.entries, last, "mistake")
		require.NoError(t, err)
		require.Equal(t, last, body.Of)
		require.NotEmpty(t, body.Point)
		book.other(body)
	}
	_, err := Retraction(book.entries, fact.Ref{}, "mistake")
	require.EqualError(t, err, "there is nothing to take back")
}

// An angle is stated alone, or with the torque at its end.
func TestStatedAngles(t *testing.T) {
	task := judge.Task{Kind: judge.Pull, Point: "head/2", Target: quantity.MustParse("90°"), Unit: quantity.Degree}
	for text, want := range map[string]string{
		"90": "90°", "90°": "90°", "90 deg": "90°", "90.5": "90.5°", "90°, 62 N·m": "62 N·m, 90°", "62 Nm,90": "62 N·m, 90°", "0.25 turn": "0.25 turn",
	} {
		r, err := Stated(text, task)
		require.NoError(t, err, text)
		require.True(t, r.Attested)
		require.Equal(t, want, r.Spoken(), text)
	}
	for text, want := range map[string]string{
		"62 N·m":  "an angle is wanted at head/2, 62 N·m is a torque",
		"90,5°":   "90° and 5° are two angles; with a decimal point, one is written 90.5°",
		"9 mm":    "an angle is wanted at head/2, 9 mm is a length",
		"-62 N·m": "-62 N·m is no pull",
		"much":    `"much" does not start with a number`,
	} {
		_, err := Stated(text, task)
		require.ErrorContains(t, err, want)
	}
}
