package plan

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// sound is a plan that uses every key. Its engine and figures are invented.
const sound = `title = "Exercise engine T1"
edition = "3"
source = "invented"

[engine]
name = "T1"
cylinders = 2
firing_order = [1, 2]
identity = ["engine number", "customer"]

[[joint]]
key = "base"
title = "Base"
order_from = "middle"
tolerance = "±5 %"
[joint.bolts]
a = { x = "0 mm", y = "0 mm" }
b = { x = "1 in", y = "0 in" }
[[joint.stage]]
torque = "10 N·m"

[[joint]]
key = "head"
title = "Head"
repeat = { head-2 = "Second head" }
after = ["base"]
thread = "M8x1.25"
strength_class = "10.9"
lubricant = "oil"
tolerance = "±4 %"
order = ["2", "1", "3"]
[joint.bolts]
1 = { x = "0 mm", y = "0 mm" }
2 = { x = "50 mm", y = "0 mm" }
3 = { x = "100 mm", y = "0 mm" }
[[joint.prepare]]
key = "faces"
text = "Faces clean"
[[joint.prepare]]
key = "dowel"
text = "Height of the dowel"
least = "7.40 mm"
most = "8.10 mm"
[[joint.stage]]
name = "seat"
torque = "20 N·m"
[[joint.stage]]
torque = "40 N·m"
tolerance = "-2 N·m +3 N·m"
[joint.recheck]
first = 2
wait = "20 min"
relaxed = "12 %"
moved = "3°"
[joint.retorque]
all = true
heat_cycles = 2
torque = "44 N·m"
tolerance = "at least -3 %"
`

func places(bolts []Bolt) string {
	keys := make([]string, len(bolts))
	for i, b := range bolts {
		keys[i] = b.Key
	}
	return strings.Join(keys, " ")
}

func TestParse(t *testing.T) {
	p, err := Parse("t1.toml", []byte(sound))
	require.NoError(t, err)
	require.Equal(t, []string{"Exercise engine T1", "3", "invented"}, []string{p.Title, p.Edition, p.Source})
	require.Equal(t, Engine{Name: "T1", Cylinders: 2, FiringOrder: []int{1, 2}, Identity: []string{"engine number", "customer"}}, p.Engine)
	require.Equal(t, []string{
		"base: the order is computed from the middle outwards (common practice); where the engine's maker gives an order, list that one instead"}, p.Notes)
	require.Len(t, p.Joints, 3)

	base := p.Joints[0]
	require.True(t, base.OrderComputed)
	require.Empty(t, base.After)
	require.Equal(t, "9.5–10.5 N·m", base.Passes[0].Limits.String(), "the joint's tolerance")

	head := p.Joints[1]
	require.Equal(t, []string{"head", "Head", "M8x1.25", "10.9", "oil"}, []string{head.Key, head.Title, head.Thread, head.Class, head.Lubricant})
	require.Equal(t, []string{"base"}, head.After)
	require.Equal(t, "2 1 3", places(head.Bolts))
	require.False(t, head.OrderComputed)
	require.Equal(t, "50 mm", head.Bolts[0].X.String())
	require.Len(t, head.Steps, 2)
	require.False(t, head.Steps[0].Measured())
	require.True(t, head.Steps[1].Measured())
	require.Equal(t, "7.40–8.10 mm", head.Steps[1].Limits.String())

	var passes []string
	for _, pass := range head.Passes {
		passes = append(passes, fmt.Sprintf("%s %s %q %s (%s) first %d wait %s relaxed %s moved %s cycles %d", pass.Key, pass.Kind, pass.Name,
			pass.Target, pass.Limits, pass.First, pass.Wait, pass.Relaxed, pass.Moved, pass.HeatCycles))
	}
	require.Equal(t, []string{
		`stage-1 stage "stage 1, seat" 20 N·m (19.2–20.8 N·m) first 0 wait 0s relaxed  moved  cycles 0`,
		`stage-2 stage "stage 2" 40 N·m (38–43 N·m) first 0 wait 0s relaxed  moved  cycles 0`,
		`recheck re-check "re-check" 40 N·m (38–43 N·m) first 2 wait 20m0s relaxed 35.2 N·m moved 3° cycles 0`,
		`retorque re-torque "re-torque" 44 N·m (at least 42.68 N·m) first 0 wait 0s relaxed  moved  cycles 2`,
	}, passes)
	require.Len(t, head.Stages(), 2)

	twin := p.Joints[2]
	require.Equal(t, []string{"head-2", "Second head"}, []string{twin.Key, twin.Title})
	require.Equal(t, head.Passes, twin.Passes)
	require.Equal(t, head.Bolts, twin.Bolts)
	require.Equal(t, head.After, twin.After)
}

// A re-check or re-torque with a torque or a tolerance of its own has the other
// from the last stage.
func TestWhatIsLeftOutIsAsInTheLastStage(t *testing.T) {
	for extra, want := range map[string]string{
		"":                     "40 N·m (38–43 N·m) relaxed 35.2 N·m",
		`torque = "42 N·m"`:    "42 N·m (40–45 N·m) relaxed 36.96 N·m",
		`tolerance = "±1 N·m"`: "40 N·m (39–41 N·m) relaxed 35.2 N·m",
		`torque = "50 lbf·ft"`: "50 lbf·ft (65.79089741657002–70.79089741657002 N·m) relaxed 44 lbf·ft",
	} {
		p, err := Parse("t1.toml", []byte(strings.Replace(sound, "first = 2", "first = 2\n"+extra, 1)))
		require.NoError(t, err)
		pass := p.Joints[1].Passes[2]
		require.Equal(t, want, fmt.Sprintf("%s (%s) relaxed %s", pass.Target, pass.Limits, pass.Relaxed))
	}
}

func TestFind(t *testing.T) {
	p, err := Parse("t1.toml", []byte(sound))
	require.NoError(t, err)
	head, ok := p.Joint("head")
	require.True(t, ok)
	_, ok = p.Joint("tail")
	require.False(t, ok)
	b, ok := head.Bolt("3")
	require.True(t, ok)
	require.Equal(t, "3", b.Key)
	_, ok = head.Bolt("faces")
	require.False(t, ok)
	s, ok := head.Step("dowel")
	require.True(t, ok)
	require.Equal(t, "dowel", s.Key)
	_, ok = head.Step("3")
	require.False(t, ok)
	pass, ok := head.Pass("recheck")
	require.True(t, ok)
	require.Equal(t, Recheck, pass.Kind)
	_, ok = head.Pass("stage-3")
	require.False(t, ok)
	require.Equal(t, fact.Point("head/3"), head.Point("3"))
	require.Equal(t, "no pass", Kind(0).String())
	require.Equal(t, "no pass", Kind(200).String())
}

// The two plans that come with the program say what their text says.
func TestWorkedPlans(t *testing.T) {
	for _, c := range []struct {
		file, joints, notes string
		bolts, passes       []int
		orders              []string
		last                []string // target and limits of each joint's last stage
	}{
		{"straight-six.toml", "main-caps head rocker-stands", "head", []int{14, 14, 6}, []int{4, 5, 1}, []string{
			"4L 4R 3R 3L 5L 5R 2R 2L 6L 6R 1R 1L 7L 7R",
			"4 11 3 12 10 5 9 6 2 13 1 14 8 7",
			"3 4 2 5 1 6",
		}, []string{"105 N·m (100.8–109.2 N·m)", "88 N·m (85.36–92.4 N·m)", "24 N·m (at least 22.8 N·m)"}},
		{"vee-six.toml", "head-left head-right manifold", "manifold", []int{8, 8, 6}, []int{5, 5, 2}, []string{
			"4 5 3 6 2 7 1 8",
			"4 5 3 6 2 7 1 8",
			"2 5 1 6 4 3",
		}, []string{"65 lbf·ft (62.4–67.6 lbf·ft)", "65 lbf·ft (62.4–67.6 lbf·ft)", "160 lbf·in (152–172.8 lbf·in)"}},
	} {
		t.Run(c.file, func(t *testing.T) {
			text, err := os.ReadFile("../../testdata/plans/" + c.file)
			require.NoError(t, err)
			p, err := Parse(c.file, text)
			require.NoError(t, err)
			require.Contains(t, p.Source, "Invented")
			require.Equal(t, 6, p.Engine.Cylinders)
			require.Len(t, p.Engine.FiringOrder, 6)
			var keys []string
			for i, j := range p.Joints {
				keys = append(keys, j.Key)
				require.Len(t, j.Bolts, c.bolts[i], j.Key)
				require.Len(t, j.Passes, c.passes[i], j.Key)
				require.Equal(t, c.orders[i], places(j.Bolts), j.Key)
				stages := j.Stages()
				last := stages[len(stages)-1]
				require.Equal(t, c.last[i], fmt.Sprintf("%s (%s)", last.Target, last.Limits), j.Key)
			}
			require.Equal(t, c.joints, strings.Join(keys, " "))
			require.Len(t, p.Notes, 1)
			require.True(t, strings.HasPrefix(p.Notes[0], c.notes+": the order is computed"))
		})
	}
}

// change is a text in which old is replaced once. A ¦ in it is left out of the
// plan and marks where the fault is told to be.
func change(t *testing.T, text, old, replacement string) (string, int, int) {
	t.Helper()
	require.Equal(t, 1, strings.Count(text, old), "%q is to stand once in the plan", old)
	text = strings.Replace(text, old, replacement, 1)
	before, after, marked := strings.Cut(text, "¦")
	require.True(t, marked, "no mark in %q", replacement)
	lines := strings.Split(before, "\n")
	return before + after, len(lines), len([]rune(lines[len(lines)-1])) + 1
}

func TestFaults(t *testing.T) {
	const second = "[[joint.stage]]\ntorque = \"40 N·m\"\ntolerance = \"-2 N·m +3 N·m\""
	for _, c := range []struct {
		name, old, new string
		problem, hint  string
	}{
		{"no title", `title = "Exercise engine T1"`, `title = ¦" "`, `"title" is missing or empty`, `add title = "…"`},
		{"title of two lines", `title = "Exercise engine T1"`, `title = ¦"Exercise\nengine"`, `"title" has a line break or another control character`, `write it in one line, as in title = "…"`},
		{"no edition", `edition = "3"`, `edition = ¦""`, `"edition" is missing or empty`, `add edition = "…"`},
		{"no source", `source = "invented"`, `source = ¦""`, `"source" is missing or empty`, `add source = "…"`},
		{"unknown key at the top", `source = "invented"`, "source = \"invented\"\n¦auhtor = \"me\"", `unknown key "auhtor"`, ""},

		{"engine without a name", `name = "T1"`, `name = ¦""`, `"name" is missing or empty`, `add name = "…"`},
		{"no cylinders", "[engine]\nname = \"T1\"\ncylinders = 2\n", "[¦engine]\nname = \"T1\"\n", "the engine has no number of cylinders", "write cylinders = 8"},
		{"cylinders none", `cylinders = 2`, `cylinders = ¦0`, "0 is no number of cylinders", "write it as it is, from 1 to 64"},
		{"cylinders too many", `cylinders = 2`, `cylinders = ¦65`, "65 is no number of cylinders", "write it as it is, from 1 to 64"},
		{"cylinders in quotes", `cylinders = 2`, `cylinders = ¦"2"`, `"engine.cylinders" has a value of the wrong kind (string)`, `quantities and names are written in quotes, as in "88 N·m"; counts without`},
		{"firing order beyond the engine", `[1, 2]`, `[1, ¦3]`, "the firing order names cylinder 3 of 2", "number the cylinders from 1"},
		{"firing order from zero", `[1, 2]`, `[¦0, 1]`, "the firing order names cylinder 0 of 2", "number the cylinders from 1"},
		{"firing order twice", `[1, 2]`, `[1, ¦1]`, "the firing order names cylinder 1 twice", "name each cylinder once"},
		{"firing order too short", `firing_order = [1, 2]`, `¦firing_order = [1]`, "the firing order has 1 of 2 cylinders", "name each cylinder once"},
		{"identity empty", `"customer"]`, `¦""]`, `"" cannot be asked for`, `name what tells the engine from others, as in "engine number"`},
		{"identity with a sign", `"customer"]`, `¦"a=b"]`, `"a=b" cannot be asked for`, `name what tells the engine from others, as in "engine number"`},
		{"identity twice", `"customer"]`, `¦"engine number"]`, `"engine number" is asked for twice`, "name it once"},
		{"unknown key of the engine", `cylinders = 2`, "cylinders = 2\n¦cilinders = 2", `unknown key "engine.cilinders"`, `did you mean "cylinders"?`},

		{"joint without a key", "[[joint]]\nkey = \"head\"\n", "[[¦joint]]\n", `"key" is missing`, `add key = "…": a key is up to 32 letters, digits, dots and hyphens, as in head-left`},
		{"joint with an empty key", `key = "head"`, `key = ¦""`, `"" is no key`, "a key is up to 32 letters, digits, dots and hyphens, as in head-left"},
		{"joint with a bad key", `key = "head"`, `key = ¦"head/2"`, `"head/2" is no key`, "a key is up to 32 letters, digits, dots and hyphens, as in head-left"},
		{"joint without a title", `title = "Head"`, `title = ¦""`, `"title" is missing or empty`, `add title = "…"`},
		{"two joints with one key", "[[joint]]\nkey = \"head\"\n", "[[¦joint]]\nkey = \"base\"\n", `two joints have the key "base"`, "give each joint a key of its own"},
		{"thread of two lines", `thread = "M8x1.25"`, `thread = ¦"M8\tx1.25"`, `"thread" has a line break or another control character`, `write it in one line, as in thread = "…"`},
		{"class of two lines", `strength_class = "10.9"`, `strength_class = ¦"\u001b"`, `"strength_class" has a line break or another control character`, `write it in one line, as in strength_class = "…"`},
		{"lubricant of two lines", `lubricant = "oil"`, `lubricant = ¦"\r"`, `"lubricant" has a line break or another control character`, `write it in one line, as in lubricant = "…"`},
		{"unknown key of a joint", `lubricant = "oil"`, `¦lubrication = "oil"`, `unknown key "joint.lubrication"`, `did you mean "lubricant"?`},
		{"tolerance that is none", `tolerance = "±4 %"`, `tolerance = ¦"4 %"`, `"4 %" is no tolerance`, `a tolerance is written "±4 %", "±2 N·m", "-2 % +6 %", "at least -3 %" or "at most +5 N·m"`},

		{"repeated with a bad key", `{ head-2 = "Second head" }`, `{ "head 2" = ¦"Second head" }`, `"head 2" is no key`, "a key is up to 32 letters, digits, dots and hyphens, as in head-left"},
		{"repeated without a title", `{ head-2 = "Second head" }`, `{ head-2 = ¦"" }`, `"head-2" is missing or empty`, `add head-2 = "…"`},
		{"repeated with a key in use", `{ head-2 = "Second head" }`, `{ base = ¦"Second head" }`, `two joints have the key "base"`, "give each joint a key of its own"},

		{"after nothing", `after = ["base"]`, `after = [¦"bse"]`, `no joint has the key "bse"`, "name the key of a joint that comes before"},
		{"after itself", `after = ["base"]`, `after = [¦"head"]`, `"head" would wait for itself`, "leave it out"},
		{"after its twin", `after = ["base"]`, `after = ["base", ¦"head-2"]`, `"head-2" would wait for itself`, "leave it out"},

		{"no bolts", "[joint.bolts]\n1 = { x = \"0 mm\", y = \"0 mm\" }\n2 = { x = \"50 mm\", y = \"0 mm\" }\n3 = { x = \"100 mm\", y = \"0 mm\" }\n", "[¦joint.bolts]\n",
			`joint "head" has no bolts`, `add [joint.bolts] with lines like 1 = { x = "-45 mm", y = "30 mm" }`},
		{"bolt without y", `2 = { x = "50 mm", y = "0 mm" }`, `2 = ¦{ x = "50 mm" }`, "bolt 2 needs x and y as lengths", `write { x = "-45 mm", y = "30 mm" }`},
		{"bolt at an angle", `2 = { x = "50 mm", y = "0 mm" }`, `2 = ¦{ x = "50°", y = "0 mm" }`, "bolt 2 needs x and y as lengths", `write { x = "-45 mm", y = "30 mm" }`},
		{"bolt with a number", `2 = { x = "50 mm", y = "0 mm" }`, `2 = { x = ¦50, y = "0 mm" }`, `"joint.bolts.2.x" has a value of the wrong kind (integer)`, `quantities and names are written in quotes, as in "88 N·m"; counts without`},
		{"bolt with an unknown key", `2 = { x = "50 mm", y = "0 mm" }`, `2 = { x = "50 mm", y = "0 mm", ¦w = "1 mm" }`, `unknown key "joint.bolts.2.w"`, "the keys known here are x, y"},
		{"two bolts at one place", `2 = { x = "50 mm", y = "0 mm" }`, `2 = ¦{ x = "0 in", y = "0.0 mm" }`, "bolts 1 and 2 are at the same place", "correct x or y of one of them"},
		{"the same place in another unit", `3 = { x = "100 mm", y = "0 mm" }`, `3 = ¦{ x = "0.05 m", y = "0 in" }`, "bolts 2 and 3 are at the same place", "correct x or y of one of them"},
		{"no order", "[[joint]]\nkey = \"base\"\ntitle = \"Base\"\norder_from = \"middle\"", "[[¦joint]]\nkey = \"base\"\ntitle = \"Base\"", `joint "base" has no order`, `list the maker's order, as in order = ["1", "2"], or write order_from = "middle"`},
		{"an empty order", `order = ["2", "1", "3"]`, `¦order = []`, `joint "head" has no order`, `list the maker's order, as in order = ["1", "2"], or write order_from = "middle"`},
		{"two orders", `order = ["2", "1", "3"]`, "order = [\"2\", \"1\", \"3\"]\norder_from = ¦\"middle\"", "the order is both listed and to be computed", "keep order or order_from"},
		{"an order from elsewhere", `order = ["2", "1", "3"]`, `order_from = ¦"outside"`, `no order from "outside" is known`, `write order_from = "middle", or list the order`},
		{"an order with a stranger", `order = ["2", "1", "3"]`, `order = ["2", "1", "3", ¦"4"]`, `the order names bolt "4", which the joint does not have`, "name a bolt of [joint.bolts]"},
		{"an order with a bolt twice", `order = ["2", "1", "3"]`, `order = ["2", "1", "3", ¦"2"]`, "the order names bolt 2 twice", "name each bolt once"},
		{"an order that is not whole", `order = ["2", "1", "3"]`, `¦order = ["2"]`, "the order leaves out bolt 1, 3", "name each bolt once"},

		{"step without a key", "[[joint.prepare]]\nkey = \"faces\"\n", "[[¦joint.prepare]]\n", `"key" is missing`, `add key = "…": a key is up to 32 letters, digits, dots and hyphens, as in head-left`},
		{"step without a text", `text = "Faces clean"`, `text = ¦""`, `"text" is missing or empty`, `add text = "…"`},
		{"step with a bolt's key", `key = "faces"`, `key = ¦"3"`, `the key "3" is taken in this joint`, "give the step a key of its own"},
		{"step with another's key", `key = "dowel"`, `key = ¦"faces"`, `the key "faces" is taken in this joint`, "give the step a key of its own"},
		{"step with the key of the heat cycles", `key = "faces"`, `key = ¦"heat-cycles"`, `the key "heat-cycles" is taken in this joint`, "give the step a key of its own"},
		{"step with limits of two kinds", `most = "8.10 mm"`, `most = ¦"8.10°"`, "least and most do not measure the same: quantities of different kinds: length and angle", "write both as lengths, or both as torques or angles"},
		{"step with limits crossed", `least = "7.40 mm"`, `least = ¦"9.40 mm"`, "least 9.40 mm is more than most 8.10 mm", "least is the smallest value allowed, most the largest"},
		{"step with a limit without a unit", `least = "7.40 mm"`, `least = ¦"7.40"`, `"7.40": no unit`, `write a number and its unit, as in "88 N·m", "65 lbf·ft", "7.4 mm" or "3°"`},
		{"unknown key of a step", `least = "7.40 mm"`, `¦lest = "7.40 mm"`, `unknown key "joint.prepare.lest"`, `did you mean "least"?`},

		{"stage without a torque", "[[joint.stage]]\nname = \"seat\"\ntorque = \"20 N·m\"\n", "[[¦joint.stage]]\nname = \"seat\"\n", "stage 1, seat needs a torque above zero", `write torque = "88 N·m"`},
		{"stage with an angle", `torque = "20 N·m"`, `torque = ¦"20°"`, "stage 1, seat needs a torque above zero", `write torque = "88 N·m"`},
		{"stage with no torque at all", `torque = "20 N·m"`, `torque = ¦"0 N·m"`, "stage 1, seat needs a torque above zero", `write torque = "88 N·m"`},
		{"stage with an unknown unit", `torque = "20 N·m"`, `torque = ¦"20 bar"`, `"20 bar": unknown unit "bar"`, `write a number and its unit, as in "88 N·m", "65 lbf·ft", "7.4 mm" or "3°"`},
		{"stage with a comma", `torque = "20 N·m"`, `torque = ¦"20,5 N·m"`, `"20,5 N·m" has a comma in its number: write a decimal point`, `write a number and its unit, as in "88 N·m", "65 lbf·ft", "7.4 mm" or "3°"`},
		{"stage with a bare number", `torque = "20 N·m"`, `torque = ¦20`, `"joint.stage.torque" has a value of the wrong kind (integer)`, `quantities and names are written in quotes, as in "88 N·m"; counts without`},
		{"stage with a name of two lines", `name = "seat"`, `name = ¦"a\nb"`, `"name" has a line break or another control character`, `write it in one line, as in name = "…"`},
		{"tolerance of another kind", `tolerance = "-2 N·m +3 N·m"`, `tolerance = ¦"±2 mm"`, `the tolerance "±2 mm" does not fit 40 N·m`, "write it in percent or as a torque"},
		{"tolerance below zero", `tolerance = "-2 N·m +3 N·m"`, `tolerance = ¦"-41 N·m +3 N·m"`, `the tolerance "-41 N·m +3 N·m" of 40 N·m reaches below zero`, "write a smaller one"},
		{"the joint's tolerance of another kind", `tolerance = "±4 %"`, `tolerance = ¦"±2 mm"`, `the tolerance "±2 mm" does not fit 20 N·m`, "write it in percent or as a torque"},
		{"unknown key of a stage", `name = "seat"`, `¦nmae = "seat"`, `unknown key "joint.stage.nmae"`, `did you mean "name"?`},
		{"two targets", second, second + "\nangle = ¦\"90°\"", "stage 2 has both a torque and an angle", "keep one of them: a stage has one target"},
		{"a torque and a stretch", second, second + "\nstretch = ¦\"0.1 mm\"", "stage 2 has both a torque and a stretch", "keep one of them: a stage has one target"},
		{"an angle at the beginning", `torque = "20 N·m"`, `angle = ¦"90°"`, "stage 1, seat turns the bolt through an angle, but the stage before it has no torque to begin at", `as in torque = "40 N·m"`},
		{"an angle after a stretch", second, "[[joint.stage]]\nstretch = \"0.1 mm\"\n[[joint.stage]]\nangle = ¦\"90°\"\n" + second,
			"stage 3 turns the bolt through an angle, but the stage before it has no torque to begin at", `put a [[joint.stage]] with the snug torque before it`},
		{"an angle of a length", second, "[[joint.stage]]\nangle = ¦\"9 mm\"\n" + second, "stage 2 needs an angle above zero", `write angle = "90°"`},
		{"an angle backwards", second, "[[joint.stage]]\nangle = ¦\"-90°\"\n" + second, "stage 2 needs an angle above zero", `write angle = "90°"`},
		{"an angle with a tolerance in torque", second, "[[joint.stage]]\nangle = \"90°\"\ntolerance = ¦\"±2 N·m\"\n" + second, `the tolerance "±2 N·m" does not fit 90°`, "write it in percent or as an angle"},
		{"a watched angle", second, "[[joint.stage]]\nangle = \"90°\"\nleast_torque = ¦\"9°\"\n" + second, "9° is no torque above zero", `write least_torque = "60 N·m"`},
		{"a watched torque of none", second, "[[joint.stage]]\nangle = \"90°\"\nmost_torque = ¦\"0 N·m\"\n" + second, "0 N·m is no torque above zero", `write most_torque = "60 N·m"`},
		{"watched torques crossed", second, "[[joint.stage]]\nangle = \"90°\"\nleast_torque = ¦\"90 N·m\"\nmost_torque = \"80 N·m\"\n" + second,
			"least_torque 90 N·m is more than most_torque 80 N·m", "least_torque is the smallest torque allowed"},
		{"a torque that is watched in a stage by torque", second, second + "\nleast_torque = ¦\"30 N·m\"", `"least_torque" belongs to a stage that goes by angle`, "leave it out"},
		{"a torque that is watched in a stage by stretch", second, "[[joint.stage]]\nstretch = \"0.1 mm\"\nmost_torque = ¦\"30 N·m\"\n" + second, `"most_torque" belongs to a stage that goes by angle`, "leave it out"},
		{"a stretch of a torque", second, "[[joint.stage]]\nstretch = ¦\"9 N·m\"\n" + second, "stage 2 needs a stretch above zero", `write stretch = "0.15 mm"`},
		{"a stretch of nothing", second, "[[joint.stage]]\nstretch = ¦\"0.00 mm\"\n" + second, "stage 2 needs a stretch above zero", `write stretch = "0.15 mm"`},
		{"a stretch with a tolerance in degrees", second, "[[joint.stage]]\nstretch = \"0.1 mm\"\ntolerance = ¦\"±2°\"\n" + second, `the tolerance "±2°" does not fit 0.1 mm`, "write it in percent or as a length"},
		{"a stretch below zero", second, "[[joint.stage]]\nstretch = \"0.1 mm\"\ntolerance = ¦\"±0.2 mm\"\n" + second, `the tolerance "±0.2 mm" of 0.1 mm reaches below zero`, "write a smaller one"},

		{"re-check of all and of some", `first = 2`, "all = true\nfirst = ¦2", "both all bolts and the first ones are to be gone over", "keep all or first"},
		{"re-check of none", `first = 2`, `first = ¦0`, "first = 0 of 3 bolts", "write how many of the bolts pulled first, or all = true"},
		{"re-check of more than there are", `first = 2`, `first = ¦4`, "first = 4 of 3 bolts", "write how many of the bolts pulled first, or all = true"},
		{"re-check after no time", `wait = "20 min"`, `wait = ¦"20"`, `"20" is no time of at most a year`, `one is written "90 s", "20 min", "2 h" or "1 d"`},
		{"re-check with a bare number", `wait = "20 min"`, `wait = ¦20`, `"joint.recheck.wait" has a value of the wrong kind (integer)`, `quantities and names are written in quotes, as in "88 N·m"; counts without`},
		{"re-check with heat cycles", `wait = "20 min"`, "wait = \"20 min\"\nheat_cycles = ¦1", `"heat_cycles" does not belong to a re-check`, "leave it out; it belongs to a re-torque"},
		{"relaxed by a length", `relaxed = "12 %"`, `relaxed = ¦"1 mm"`, `"1 mm" does not fit 40 N·m`, "write it in percent or as a torque"},
		{"relaxed with a sign", `relaxed = "12 %"`, `relaxed = ¦"-12 %"`, `"-12 %" is negative`, `write how far it may go, as in "10 %" or "5 N·m"`},
		{"relaxed by all of it", `relaxed = "12 %"`, `relaxed = ¦"100 %"`, "100 % below 40 N·m leaves nothing that counts as relaxed", `write relaxed = "10 %"`},
		{"moved by a length", `moved = "3°"`, `moved = ¦"3 mm"`, "3 mm is no angle to turn through", `write moved = "3°"`},
		{"moved backwards", `moved = "3°"`, `moved = ¦"-3°"`, "-3° is no angle to turn through", `write moved = "3°"`},
		{"re-check with a torque of none", `wait = "20 min"`, "wait = \"20 min\"\ntorque = ¦\"0 N·m\"", "the re-check needs a torque above zero", `write torque = "88 N·m"`},
		{"unknown key of a re-check", `wait = "20 min"`, `¦wiat = "20 min"`, `unknown key "joint.recheck.wiat"`, `did you mean "wait"?`},

		{"re-torque without heat cycles", "[joint.retorque]\nall = true\nheat_cycles = 2\n", "[¦joint.retorque]\nall = true\n", "a re-torque needs the number of heat cycles before it", "write heat_cycles = 1"},
		{"re-torque after no heat cycles", `heat_cycles = 2`, `heat_cycles = ¦0`, "a re-torque needs the number of heat cycles before it", "write heat_cycles = 1"},
		{"re-torque with a wait", `heat_cycles = 2`, "heat_cycles = 2\nwait = ¦\"1 h\"", `"wait" does not belong to a re-torque`, "leave it out; it belongs to a re-check"},
		{"re-torque that looks for relaxed bolts", `heat_cycles = 2`, "heat_cycles = 2\nrelaxed = ¦\"1 %\"", `"relaxed" does not belong to a re-torque`, "leave it out; it belongs to a re-check"},
		{"re-torque that looks for moved bolts", `heat_cycles = 2`, "heat_cycles = 2\nmoved = ¦\"1°\"", `"moved" does not belong to a re-torque`, "leave it out; it belongs to a re-check"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, line, column := change(t, sound, c.old, c.new)
			f := one(t, text)
			require.Equal(t, c.problem, f.Problem)
			require.Contains(t, f.Hint, c.hint)
			require.Equal(t, []any{"t1.toml", line, column}, []any{f.File, f.Line, f.Column}, f.Error())
		})
	}
}

// A joint in angle and stretch, and what a reader of the plan gets of it.
const turned = `title = "Exercise engine T3"
edition = "1"
source = "invented"
engine = { name = "T3", cylinders = 1 }

[[joint]]
key = "rod"
title = "Rod"
order = ["b", "a"]
tolerance = "±5 %"
[joint.bolts]
a = { x = "0 mm", y = "0 mm" }
b = { x = "50 mm", y = "0 mm" }
[[joint.stage]]
torque = "20 N·m"
[[joint.stage]]
angle = "60°"
least_torque = "30 N·m"
[[joint.stage]]
name = "again"
angle = "60°"
tolerance = "-4° +6°"
most_torque = "80 N·m"
[[joint.stage]]
stretch = "0.0060 in"
`

func TestStagesByAngleAndStretch(t *testing.T) {
	p, err := Parse("t3.toml", []byte(turned))
	require.NoError(t, err)
	require.True(t, p.ByAngle())
	require.Empty(t, p.Notes)
	j := p.Joints[0]
	var got []string
	for _, s := range j.Passes {
		got = append(got, fmt.Sprintf("%s: %s, %s, from %s, %s", s.Name, TargetWords(s.Target), s.Limits, s.Snug, s.Watch))
	}
	require.Equal(t, []string{
		"stage 1: 20 N·m, 19–21 N·m, from , any",
		"stage 2: turn 60°, 57–63°, from 20 N·m, at least 30 N·m",
		"stage 3, again: turn 60°, 56–66°, from 20 N·m, at most 80 N·m",
		"stage 4: stretch 0.0060 in, 0.0057–0.0063 in, from , any",
	}, got)
	require.Equal(t, []Step{
		{Key: "b", Text: "length of bolt b before it is tightened", Free: quantity.Inch},
		{Key: "a", Text: "length of bolt a before it is tightened", Free: quantity.Inch},
	}, j.Steps)
	require.True(t, j.Steps[0].Measured())

	p, err = Parse("t3.toml", []byte(strings.Replace(turned, "least_torque = \"30 N·m\"\n", "", 1)))
	require.NoError(t, err)
	require.Equal(t, []string{"rod: stage 2 goes by angle and watches no torque, so a bolt that yields early or bottoms is not found by it"}, p.Notes)
}

func TestWhatFollowsAStageWithoutATorque(t *testing.T) {
	for _, c := range []struct{ what, old, new, problem string }{
		{"a re-check", "", "[joint.recheck]\nall = true\nrelaxed = \"9 %\"\n", "26:2: the last stage has no torque, so the re-check needs one of its own"},
		{"a re-torque", "", "[joint.retorque]\nall = true\nheat_cycles = 1\n", "26:2: the last stage has no torque, so the re-torque needs one of its own"},
		{"with a tolerance alone", "", "[joint.retorque]\nall = true\nheat_cycles = 1\ntolerance = \"±9 %\"\n", "26:2: the last stage has no torque, so the re-torque needs one of its own"},
		{"a joint whose tolerance is a torque", "tolerance = \"±5 %\"", "tolerance = \"±1 N·m\"", "16:3: stage 2 has no tolerance of its own, and that of its joint, \"±1 N·m\", does not fit 60°"},
	} {
		t.Run(c.what, func(t *testing.T) {
			text := turned + c.new
			if c.old != "" {
				text = strings.Replace(turned, c.old, c.new, 1)
			}
			_, err := Parse("t3.toml", []byte(text))
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			require.Equal(t, "t3.toml:"+c.problem, faults[0].Error())
		})
	}
	// The tolerance of an angle is not taken over for a torque.
	p, err := Parse("t3.toml", []byte(turned+"[joint.recheck]\nall = true\nrelaxed = \"9 %\"\ntorque = \"40 N·m\"\n"))
	require.NoError(t, err)
	again, _ := p.Joints[0].Pass("recheck")
	require.Equal(t, "38–42 N·m", again.Limits.String())
}

// one is the only fault of a plan.
func one(t *testing.T, text string) *document.Fault {
	t.Helper()
	p, err := Parse("t1.toml", []byte(text))
	require.Error(t, err)
	require.Nil(t, p)
	var faults document.Faults
	require.ErrorAs(t, err, &faults)
	require.Len(t, faults, 1, err.Error())
	require.NotEmpty(t, faults[0].Hint, "every fault says what to do: %v", err)
	require.NotContains(t, faults[0].Problem, "\n")
	return faults[0]
}

// Faults that are not told at one changed line.
func TestFaultsOfTheWhole(t *testing.T) {
	for _, c := range []struct {
		name string
		text string
		want []string // line:column: problem
	}{
		{"nothing", "", []string{
			`1:1: "title" is missing or empty`, `1:1: "edition" is missing or empty`, `1:1: "source" is missing or empty`,
			"1:1: the plan does not say for which engine it is", "1:1: the plan has no joint"}},
		{"only a heading", "title = \"a\"\nedition = \"1\"\nsource = \"s\"\n", []string{"1:1: the plan does not say for which engine it is", "1:1: the plan has no joint"}},
		{"an empty joint", head(sound) + "[[joint]]\n", []string{
			`11:3: "key" is missing`, `11:3: "title" is missing or empty`, `11:3: joint "" has no bolts`, `11:3: joint "" has no stage`}},
		{"no tolerance anywhere", strings.Replace(sound, "tolerance = \"±4 %\"\n", "", 1), []string{"43:3: stage 1, seat has no tolerance, and its joint none for all"}},
		{"a re-check of it is not known how many", strings.Replace(sound, "first = 2\n", "", 1), []string{"50:2: the re-check does not say which bolts"}},
		{"a re-torque of it is not known how many", strings.Replace(sound, "all = true\n", "", 1), []string{"55:2: the re-torque does not say which bolts"}},
		{"a re-check that looks for nothing", strings.NewReplacer("relaxed = \"12 %\"\n", "", "moved = \"3°\"\n", "", "-2 N·m +3 N·m", "at most +3 N·m").Replace(sound),
			[]string{"50:2: the re-check does not say what counts as relaxed or moved"}},
		{"a bolt with a bad key", strings.Replace(sound, "\n3 = {", "\n3 = { x = \"9 mm\", y = \"9 mm\" }\n\"b 4\" = {", 1),
			[]string{`31:1: the order leaves out bolt b 4`, `36:9: "b 4" is no key`}},
		{"a bolt with the key of the heat cycles", strings.Replace(sound, "\n3 = {", "\n3 = { x = \"9 mm\", y = \"9 mm\" }\nheat-cycles = {", 1),
			[]string{`31:1: the order leaves out bolt heat-cycles`, `36:15: the key "heat-cycles" is taken in every joint`}},
		{"joints that wait for each other", strings.Replace(sound, "title = \"Base\"", "title = \"Base\"\nafter = [\"head-2\"]", 1), []string{`14:10: "base" and "head-2" wait for each other`}},
		{"several at once", strings.NewReplacer("cylinders = 2", "cylinders = 0", `text = "Faces clean"`, `text = ""`, `"3°"`, `"3 mm"`).Replace(sound), []string{
			"7:13: 0 is no number of cylinders", `38:8: "text" is missing or empty`, "54:9: 3 mm is no angle to turn through"}},
		{"several that cannot be read", strings.NewReplacer(`"20 N·m"`, `"20"`, `"12 %"`, `"x"`, `"20 min"`, `"soon"`).Replace(sound), []string{
			`46:10: "20": no unit`, `52:8: "soon" is no time of at most a year`, `53:11: "x" does not start with a number`}},
		{"a slip of the syntax", strings.Replace(sound, `edition = "3"`, `edition = 3"`, 1), []string{`2:12: `}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Parse("t1.toml", []byte(c.text))
			require.Nil(t, p)
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			require.Len(t, faults, len(c.want), err.Error())
			for i, f := range faults {
				got := fmt.Sprintf("%d:%d: %s", f.Line, f.Column, f.Problem)
				if strings.HasSuffix(c.want[i], ": ") { // the library's words
					require.True(t, strings.HasPrefix(got, c.want[i]), got)
					continue
				}
				require.Equal(t, c.want[i], got)
				require.NotEmpty(t, f.Hint, got)
			}
		})
	}
}

// head is what a plan has before its first joint.
func head(text string) string { return text[:strings.Index(text, "[[joint]]")] }

func TestCyclesOfJoints(t *testing.T) {
	joint := func(key, repeat string, after ...string) string {
		return fmt.Sprintf("[[joint]]\nkey = %q\ntitle = \"J\"\nrepeat = {%s}\nafter = [%s]\norder = [\"1\"]\nbolts.1 = { x = \"0 mm\", y = \"0 mm\" }\nstage = [{ torque = \"9 N·m\", tolerance = \"±4 %%\" }]\n",
			key, repeat, strings.Join(after, ", "))
	}
	for _, c := range []struct {
		name   string
		joints []string
		want   []string
	}{
		{"a chain", []string{joint("a", ""), joint("b", "", `"a"`), joint("c", "", `"b"`, `"a"`)}, nil},
		{"a later one first", []string{joint("a", "", `"b"`), joint("b", "")}, nil},
		{"twins of one", []string{joint("a", `a2 = "T"`), joint("b", "", `"a"`, `"a2"`)}, nil},
		{"itself", []string{joint("a", "", `"a"`)}, []string{`"a" would wait for itself`}},
		{"its twin", []string{joint("a", `a2 = "T"`, `"a2"`)}, []string{`"a2" would wait for itself`}},
		{"two", []string{joint("a", "", `"b"`), joint("b", "", `"a"`)}, []string{`"a" and "b" wait for each other`, `"b" and "a" wait for each other`}},
		{"three", []string{joint("a", "", `"b"`), joint("b", "", `"c"`), joint("c", "", `"a"`)}, []string{
			`"a" and "b" wait for each other`, `"b" and "c" wait for each other`, `"c" and "a" wait for each other`}},
		{"through a twin", []string{joint("a", `a2 = "T"`, `"b"`), joint("b", "", `"a2"`)}, []string{`"b" and "a2" wait for each other`}},
		{"beside one that is none", []string{joint("a", "", `"b"`), joint("b", "", `"c"`), joint("c", "", `"b"`)}, []string{
			`"b" and "c" wait for each other`, `"c" and "b" wait for each other`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse("c.toml", []byte(head(sound)+strings.Join(c.joints, "")))
			if c.want == nil {
				require.NoError(t, err)
				return
			}
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			var got []string
			for _, f := range faults {
				got = append(got, f.Problem)
			}
			require.Equal(t, c.want, got)
		})
	}
}

// Notes are cautions; the plan is good all the same.
func TestNotes(t *testing.T) {
	computed := "base: the order is computed from the middle outwards (common practice); where the engine's maker gives an order, list that one instead"
	for _, c := range []struct{ name, old, new, want string }{
		{"falling targets", `torque = "40 N·m"`, `torque = "15 N·m"`, "head: the target of stage 2, 15 N·m, does not rise above that of stage 1, seat, 20 N·m"},
		{"equal targets in other units", `torque = "20 N·m"`, `torque = "4000 cN·m"`, "head: the target of stage 2, 40 N·m, does not rise above that of stage 1, seat, 4000 cN·m"},
		{"relaxed is not said", "relaxed = \"12 %\"\n", "", "head: the re-check does not say what counts as relaxed, so it is less than 38 N·m; " +
			"but even a sound bolt begins to move at less than it was tightened with, so better give a figure, as in relaxed = \"10 %\""},
		{"a tolerance in another unit", "torque = \"44 N·m\"\ntolerance = \"at least -3 %\"", "torque = \"33 lbf·ft\"\ntolerance = \"±2 N·m\"",
			`head: the tolerance "±2 N·m" of the re-torque is not in the unit of its torque, 33 lbf·ft, so its limits are shown in another`},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, 1, strings.Count(sound, c.old))
			p, err := Parse("t1.toml", []byte(strings.Replace(sound, c.old, c.new, 1)))
			require.NoError(t, err)
			require.Equal(t, []string{computed, c.want}, p.Notes)
		})
	}
}

func TestBounds(t *testing.T) {
	many := func(n int, format string) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, format, i)
		}
		return b.String()
	}
	for _, c := range []struct{ name, text, want string }{
		{"joints", head(sound) + many(MaxJoints+1, "[[joint]]\nkey = \"j%d\"\n"), "201 joints are more than the 200 that are read"},
		{"repeated joints", strings.Replace(sound, "head-2 = \"Second head\"", strings.TrimSuffix(many(MaxJoints, "h%d = \"H\", "), ", "), 1), "202 joints are more than the 200 that are read"},
		{"bolts", strings.Replace(sound, "[joint.bolts]\n1", "[joint.bolts]\n"+many(MaxBolts, "b%d = { x = \"0 mm\", y = \"0 mm\" }\n")+"1", 1), "503 bolts in one joint are more than the 500 that are read"},
		{"order", strings.Replace(sound, `order = ["2"`, `order = [`+many(MaxBolts, "\"x%d\", ")+`"2"`, 1), "503 bolts in the order are more than the 500 that are read"},
		{"stages", sound + many(MaxStages, "[[joint.stage]]\ntorque = \"%d N·m\"\n"), "52 stages are more than the 50 that are read"},
		{"steps", sound + many(MaxSteps, "[[joint.prepare]]\nkey = \"s%d\"\ntext = \"x\"\n"), "102 steps of preparation are more than the 100 that are read"},
		{"after", strings.Replace(sound, `after = ["base"]`, `after = [`+strings.Repeat("\"base\", ", MaxJoints)+`"base"]`, 1), "201 joints to wait for are more than the 200 that are read"},
		{"identity", strings.Replace(sound, `["engine number"`, `[`+many(MaxSteps, "\"x%d\", ")+`"engine number"`, 1), "102 names are more than the 100 that are read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, c.want, one(t, c.text).Problem)
		})
	}
}

func TestDurations(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"90 s": 90 * time.Second, "20 min": 20 * time.Minute, "20min": 20 * time.Minute, " 1.5 h ": 90 * time.Minute, "2 d": 48 * time.Hour, "0 s": 0,
		"0.7 min": 42 * time.Second, "0.1 s": 100 * time.Millisecond, "366 d": 366 * 24 * time.Hour, "1e3 s": 1000 * time.Second, "1e-30 s": 0,
	} {
		var d duration
		require.NoError(t, d.UnmarshalText([]byte(text)), text)
		require.Equal(t, want, time.Duration(d), text)
	}
	for _, text := range []string{"", " ", "20", "min", "-5 min", "20 Min", "20 minutes", "1h30min", "1:30", "1,5 h", "367 d", "1e30 d", "½ h", "5 min 3", "1 2 s"} {
		var d duration
		err := d.UnmarshalText([]byte(text))
		require.ErrorContains(t, err, "is no time", text)
		var hint interface{ HintText() string }
		require.ErrorAs(t, err, &hint)
		require.Equal(t, `one is written "90 s", "20 min", "2 h" or "1 d"`, hint.HintText())
	}
}

func TestKeysInNaturalOrder(t *testing.T) {
	want := []string{"0", "01", "1", "2", "2L", "2R", "9", "10", "10L", "10L2", "10L10", "100", "99999999999999999999", "100000000000000000000", "A", "a", "a-1", "a1", "a2", "a10", "b"}
	for i, a := range want {
		for k, b := range want {
			got := naturally(a, b)
			switch {
			case i == k:
				require.Zero(t, got, "%s %s", a, b)
			case i < k:
				require.Negative(t, got, "%s %s", a, b)
			default:
				require.Positive(t, got, "%s %s", a, b)
			}
		}
	}
}
