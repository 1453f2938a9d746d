package answer

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// Engine and figures are invented.
const exercise = `
title   = "Exercise"
edition = "3"
source  = "Invented for the tests."

[engine]
name      = "Exercise engine"
cylinders = 1
identity  = ["engine number", "customer"]

[[joint]]
key       = "head"
title     = "Cylinder head"
tolerance = "±4 %"
order     = ["2", "1"]

[joint.bolts]
1 = { x = "-20 mm", y = "0 mm" }
2 = { x = "20 mm", y = "0 mm" }

[[joint.prepare]]
key  = "faces"
text = "Faces clean"

[[joint.prepare]]
key  = "dowel"
text = "Height of the dowel"
most = "0.320 in"

[[joint.stage]]
torque = "20.0 N·m"

[joint.recheck]
first   = 1
wait    = "90 s"
relaxed = "12 %"
moved   = "5 deg"

[joint.retorque]
all         = true
heat_cycles = 2

[[joint]]
key        = "pan"
title      = "Oil pan"
after      = ["head"]
order_from = "middle"

[joint.bolts]
1 = { x = "-20 mm", y = "0 mm" }
2 = { x = "20 mm", y = "0 mm" }

[[joint.stage]]
torque    = "10 N·m"
tolerance = "at least -5 %"
`

var noon = time.Date(2026, 3, 2, 13, 0, 0, 0, time.FixedZone("", 3600)) // 12:00 UTC

func parse(t *testing.T, text string) *plan.Plan {
	p, err := plan.Parse("exercise.toml", []byte(text))
	require.NoError(t, err)
	return p
}

// record makes entries of facts, a second apart.
func record(bodies ...fact.Body) []fact.Entry {
	entries := []fact.Entry{{Ref: fact.Ref{Station: "bench-1", Number: 1}, Time: noon,
		Body: fact.Opening{Build: "b1", Plan: exercise, Identity: []fact.Identity{{Name: "engine number", Value: "E-17"}}}}}
	for i, b := range bodies {
		entries = append(entries, fact.Entry{Ref: fact.Ref{Station: "bench-1", Number: uint64(i + 2)}, Time: noon.Add(time.Duration(i+1) * time.Second), Body: b})
	}
	return entries
}

func pull(point fact.Point, pass fact.Pass, value string) fact.Reading {
	return fact.Reading{Point: point, Pass: pass, Value: quantity.MustParse(value)}
}

// same compares with JSON that is laid out in lines.
func same(t *testing.T, want string, got any) {
	t.Helper()
	text, err := json.Marshal(got)
	require.NoError(t, err)
	var compact bytes.Buffer
	require.NoError(t, json.Compact(&compact, []byte(want)))
	require.Equal(t, compact.String(), string(text))
}

func TestQuantities(t *testing.T) {
	for text, want := range map[string]string{
		"65.20 lbf·ft":                   `{"value":"65.20","unit":"lbf·ft"}`, // the zero was read and stays
		"100 Nm":                         `{"value":"100","unit":"N·m"}`,      // in the one spelling
		"0.000 in":                       `{"value":"0.000","unit":"in"}`,
		"-0.050 mm":                      `{"value":"-0.050","unit":"mm"}`,
		"31 deg":                         `{"value":"31","unit":"°"}`,
		"1e3 mm":                         `{"value":"1000","unit":"mm"}`,
		"0.10000000000000000000000001 m": `{"value":"0.10000000000000000000000001","unit":"m"}`, // more digits than a JSON number keeps
	} {
		same(t, want, Of(quantity.MustParse(text)))
	}
	same(t, "null", Of(quantity.Quantity{}))
}

func TestLimits(t *testing.T) {
	least, most := quantity.MustParse("62.40 N·m"), quantity.MustParse("67.6 N·m")
	same(t, `{"least":{"value":"62.40","unit":"N·m"},"most":{"value":"67.6","unit":"N·m"}}`, LimitsOf(quantity.Limits{Least: least, Most: most}))
	same(t, `{"least":{"value":"62.40","unit":"N·m"}}`, LimitsOf(quantity.Limits{Least: least}))
	same(t, `{"most":{"value":"67.6","unit":"N·m"}}`, LimitsOf(quantity.Limits{Most: most}))
	same(t, "null", LimitsOf(quantity.Limits{}))
}

func TestReadings(t *testing.T) {
	full := pull("head/2", "stage-1", "20.50 N·m")
	full.Angle, full.Told, full.Status, full.Raw = quantity.MustParse("31.0 deg"), "low", []string{"low battery"}, []byte{0, 0xff}
	full.Instrument = fact.Instrument{Name: "wrench-a", Identity: "A1", Address: "serial:usb=A1"}
	stated := pull("head/dowel", "", "0.3 in")
	stated.Attested = true
	state := judge.Judge(parse(t, exercise), record(full, stated, fact.Void{Of: fact.Ref{Station: "bench-1", Number: 2}, Point: "head/2", Because: "slipped"}))
	one := func(number uint64) Reading {
		r, ok := state.Reading(fact.Ref{Station: "bench-1", Number: number})
		require.True(t, ok)
		return ReadingOf(r)
	}
	same(t, `{"entry":"bench-1#2","time":"2026-03-02T12:00:01Z","point":"head/2","pass":"stage-1","value":{"value":"20.50","unit":"N·m"},
		"angle":{"value":"31.0","unit":"°"},"verdict":"within","told":"low","attested":false,"instrument":"wrench-a","identity":"A1",
		"status":["low battery"],"raw":"AP8=","voided":{"entry":"bench-1#4","because":"slipped"}}`, one(2))
	same(t, `{"entry":"bench-1#3","time":"2026-03-02T12:00:02Z","point":"head/dowel","value":{"value":"0.3","unit":"in"},"verdict":"within","attested":true}`, one(3))

	// An early check, and a pull of a bolt that had not held.
	state = judge.Judge(parse(t, exercise), record(pull("head/2", "stage-1", "20 N·m"), pull("head/1", "stage-1", "20 N·m"),
		pull("head/2", "recheck", "10 N·m"), pull("head/2", "recheck", "20 N·m")))
	same(t, `{"entry":"bench-1#4","time":"2026-03-02T12:00:03Z","point":"head/2","pass":"recheck","value":{"value":"10","unit":"N·m"},"verdict":"relaxed","attested":false,"early":true}`, one(4))
	same(t, `{"entry":"bench-1#5","time":"2026-03-02T12:00:04Z","point":"head/2","pass":"recheck","value":{"value":"20","unit":"N·m"},"verdict":"within","attested":false,"again":true}`, one(5))
}

func TestFindings(t *testing.T) {
	same(t, `[]`, FindingsOf(nil))
	same(t, `[{"name":"k7m2qx","kind":"low","status":"settled","joint":"head","point":"head/2","pass":"stage-1","text":"19 N·m","remedy":"pulled again","entries":["bench-1#2"],"by":"bench-1#3"},
		{"name":"c0de42","kind":"re-check due","status":"open","joint":"head","pass":"recheck","text":"a","remedy":"b"}]`,
		FindingsOf([]judge.Finding{
			{Name: "k7m2qx", Kind: judge.BoltLow, Status: judge.Settled, Joint: "head", Point: "head/2", Pass: "stage-1", Text: "19 N·m", Remedy: "pulled again",
				Entries: []fact.Ref{{Station: "bench-1", Number: 2}}, By: fact.Ref{Station: "bench-1", Number: 3}},
			{Name: "c0de42", Kind: judge.RecheckDue, Status: judge.Open, Joint: "head", Pass: "recheck", Text: "a", Remedy: "b"},
		}))
}

func TestDecisions(t *testing.T) {
	same(t, `[]`, DecisionsOf(nil))
	at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	void := &fact.Entry{Ref: fact.Ref{Station: "desk", Number: 3}, Body: fact.Void{Because: "a slip"}}
	same(t, `[{"entry":"desk#1","time":"2026-03-02T12:00:00Z","decision":"accepted","finding":"k7m2qx","kind":"low","point":"head/2","pass":"stage-1","because":"enough","by":"A. Muster"},
		{"entry":"desk#2","time":"2026-03-02T12:00:00Z","decision":"sent back","point":"head/1","pass":"stage-2","because":"the mark has turned","by":"A. Muster","voided":{"entry":"desk#3","because":"a slip"}}]`,
		DecisionsOf([]judge.Past{
			{Entry: fact.Entry{Ref: fact.Ref{Station: "desk", Number: 1}, Time: at, Body: fact.Accepted{Finding: "k7m2qx", Kind: "low", Point: "head/2", Pass: "stage-1", Because: "enough", By: "A. Muster"}}},
			{Entry: fact.Entry{Ref: fact.Ref{Station: "desk", Number: 2}, Time: at, Body: fact.SentBack{Point: "head/1", Pass: "stage-2", Because: "the mark has turned", By: "A. Muster"}}, Void: void},
		}))
}

func TestAnglesAndStretches(t *testing.T) {
	q := quantity.MustParse
	same(t, `{"kind":"pull","point":"rods/1","pass":"stage-2","name":"stage 2","target":{"value":"0.150","unit":"mm"},
		"shows":{"least":{"value":"61.390","unit":"mm"}},"loosen":"stage 2: over-stretched","sent_back":"look again"}`,
		TaskOf(judge.Task{Kind: judge.Pull, Point: "rods/1", Pass: "stage-2", Name: "stage 2", Target: q("0.150 mm"),
			Shows: quantity.Limits{Least: q("61.390 mm")}, Loosen: "stage 2: over-stretched", SentBack: "look again"}))
	same(t, `{"kind":"pull","point":"head/1","pass":"stage-2","name":"stage 2","target":{"value":"90","unit":"°"},"watch":{"most":{"value":"120","unit":"N·m"}}}`,
		TaskOf(judge.Task{Kind: judge.Pull, Point: "head/1", Pass: "stage-2", Name: "stage 2", Target: q("90°"), Watch: quantity.Limits{Most: q("120 N·m")}}))
}

func TestTasks(t *testing.T) {
	same(t, `{"kind":"pull","point":"head/2","pass":"stage-1","name":"stage 1","target":{"value":"20.0","unit":"N·m"},
		"limits":{"least":{"value":"19.2","unit":"N·m"}},"after":"low","left_out":"the stud is out","not_before":"2026-03-02T12:00:00Z"}`,
		TaskOf(judge.Task{Kind: judge.Pull, Joint: "head", Point: "head/2", Pass: "stage-1", Place: "2", Name: "stage 1", Target: quantity.MustParse("20.0 N·m"),
			Limits: quantity.Limits{Least: quantity.MustParse("19.2 N·m")}, Again: judge.Low, LeftOut: "the stud is out", NotBefore: noon}))
	same(t, `{"kind":"confirm","point":"head/faces","name":"Faces clean"}`,
		TaskOf(judge.Task{Kind: judge.Confirm, Joint: "head", Point: "head/faces", Place: "faces", Name: "Faces clean"}))
}

func TestAgain(t *testing.T) {
	same(t, `[]`, AgainOf(nil))
	same(t, `[{"point":"head/2","pulled":1,"pass":"recheck","target":{"value":"20.0","unit":"N·m"},"reasons":["first pulled"],"not_before":"2026-03-02T12:00:00Z"},
		{"point":"head/1","pulled":2,"pass":"stage-1","target":{"value":"20.0","unit":"N·m"},"limits":{"most":{"value":"20.80","unit":"N·m"}},"reasons":[]}]`,
		AgainOf([]judge.Again{
			{Point: "head/2", Pulled: 1, Pass: "recheck", Target: quantity.MustParse("20.0 N·m"), Reasons: []string{"first pulled"}, NotBefore: noon},
			{Point: "head/1", Pulled: 2, Pass: "stage-1", Target: quantity.MustParse("20.0 N·m"), Limits: quantity.Limits{Most: quantity.MustParse("20.80 N·m")}},
		}))
}

func TestBuild(t *testing.T) {
	state := judge.Judge(parse(t, exercise), record(fact.Confirmation{Point: "head/faces"}))
	same(t, `{"build":"b1","plan":"Exercise","edition":"3","source":"Invented for the tests.","engine":"Exercise engine","identity":{"engine number":"E-17"},
		"opened":"2026-03-02T12:00:00Z","complete":false,"joints":[
		{"joint":"head","title":"Cylinder head","finished":false,
		"steps":[{"point":"head/faces","text":"Faces clean","done":true},{"point":"head/dowel","text":"Height of the dowel","done":false}],
		"passes":[{"pass":"stage-1","name":"stage 1","target":{"value":"20.0","unit":"N·m"},"limits":{"least":{"value":"19.2","unit":"N·m"},"most":{"value":"20.8","unit":"N·m"}},"done":0,"bolts":2,"left":["2","1"]},
		{"pass":"recheck","name":"re-check","target":{"value":"20.0","unit":"N·m"},"limits":{"least":{"value":"19.2","unit":"N·m"},"most":{"value":"20.8","unit":"N·m"}},"done":0,"bolts":1,"left":["2"]},
		{"pass":"retorque","name":"re-torque","target":{"value":"20.0","unit":"N·m"},"limits":{"least":{"value":"19.2","unit":"N·m"},"most":{"value":"20.8","unit":"N·m"}},"done":0,"bolts":2,"left":["2","1"]}]},
		{"joint":"pan","title":"Oil pan","finished":false,"steps":[],
		"passes":[{"pass":"stage-1","name":"stage 1","target":{"value":"10","unit":"N·m"},"limits":{"least":{"value":"9.5","unit":"N·m"}},"done":0,"bolts":2,"left":["1","2"]}]}],
		"findings":[],"next":[{"kind":"measure","point":"head/dowel","name":"Height of the dowel","limits":{"most":{"value":"0.320","unit":"in"}}}],
		"readings":0,"attested":0,"voided":0,"entries":2}`, BuildOf("b1", state))
}

func TestPlan(t *testing.T) {
	p := parse(t, exercise)
	p.Notes = nil
	same(t, `{"plan":"Exercise","edition":"3","source":"Invented for the tests.","engine":"Exercise engine","joints":[
		{"joint":"head","title":"Cylinder head","order":["2","1"],"order_computed":false,
		"steps":[{"step":"faces","text":"Faces clean"},{"step":"dowel","text":"Height of the dowel","limits":{"most":{"value":"0.320","unit":"in"}}}],
		"passes":[{"pass":"stage-1","kind":"stage","name":"stage 1","target":{"value":"20.0","unit":"N·m"},"limits":{"least":{"value":"19.2","unit":"N·m"},"most":{"value":"20.8","unit":"N·m"}}},
		{"pass":"recheck","kind":"re-check","name":"re-check","target":{"value":"20.0","unit":"N·m"},"limits":{"least":{"value":"19.2","unit":"N·m"},"most":{"value":"20.8","unit":"N·m"}},
		"first":1,"wait_s":90,"relaxed":{"value":"17.6","unit":"N·m"},"moved":{"value":"5","unit":"°"}},
		{"pass":"retorque","kind":"re-torque","name":"re-torque","target":{"value":"20.0","unit":"N·m"},"limits":{"least":{"value":"19.2","unit":"N·m"},"most":{"value":"20.8","unit":"N·m"}},"heat_cycles":2}]},
		{"joint":"pan","title":"Oil pan","after":["head"],"order":["1","2"],"order_computed":true,"steps":[],
		"passes":[{"pass":"stage-1","kind":"stage","name":"stage 1","target":{"value":"10","unit":"N·m"},"limits":{"least":{"value":"9.5","unit":"N·m"}}}]}],"notes":[]}`, PlanOf(p))
}

// Nothing that is a list is ever null, however little there is.
func TestListsAreNeverNull(t *testing.T) {
	empty := &plan.Plan{Joints: []*plan.Joint{{Key: "head"}}}
	for _, form := range []any{PlanOf(empty), PlanOf(&plan.Plan{}), BuildOf("b1", judge.Judge(&plan.Plan{}, nil)), FindingsOf(nil), AgainOf([]judge.Again{{}})} {
		text, err := json.Marshal(form)
		require.NoError(t, err)
		for _, list := range []string{"joints", "steps", "passes", "order", "notes", "findings", "next", "left", "reasons", "identity"} {
			require.NotContains(t, string(text), `"`+list+`":null`)
		}
	}
}

// The fields of the shared forms are those that JSON.md promises.
func TestFormsHaveTheFieldsThatAreDocumented(t *testing.T) {
	text, err := os.ReadFile("../../JSON.md")
	require.NoError(t, err)
	// documented are the words in the first column of the table under a heading,
	// and whether its row says that they are optional.
	documented := func(heading string) map[string]bool {
		_, table, found := strings.Cut(string(text), "\n**"+heading+"**\n\n| field | what it is |\n| --- | --- |\n")
		require.True(t, found, heading)
		fields := map[string]bool{}
		for line := range strings.Lines(table) {
			cells := strings.Split(line, " | ")
			if len(cells) < 2 {
				break
			}
			for i, word := range strings.Split(cells[0], "`") {
				if i%2 == 1 {
					fields[word] = strings.Contains(line, "optional") && !strings.Contains(line, "`"+word+"` optional") || strings.Contains(line, "`"+word+"` optional")
				}
			}
		}
		return fields
	}
	keys := func(form any) map[string]bool {
		text, err := json.Marshal(form)
		require.NoError(t, err)
		var object map[string]any
		require.NoError(t, json.Unmarshal(text, &object))
		names := map[string]bool{}
		for name := range object {
			names[name] = true
		}
		return names
	}
	full := Reading{Point: "head/2", Pass: "stage-1", Angle: &Quantity{}, Told: "low", Instrument: "a", Identity: "b", Status: []string{"c"}, Raw: []byte{1}, Turned: &Quantity{}, Stretch: &Quantity{}, Before: "c", Early: true, Again: true, Voided: &Voided{}}
	for heading, forms := range map[string][2]any{
		"reading": {full, Reading{}},
		"finding": {Finding{Joint: "head", Point: "head/2", Pass: "stage-1", Entries: []string{"a"}, By: "b"}, Finding{}},
	} {
		most, least := keys(forms[0]), keys(forms[1])
		fields := documented(heading)
		require.Len(t, most, len(fields), heading)
		for name := range fields {
			require.Contains(t, most, name, heading)
		}
		for name := range most {
			if heading == "reading" && name == "value" {
				continue // shares its row with the optional angle
			}
			require.Equal(t, fields[name], !least[name], "%s of a %s: optional", name, heading)
		}
	}
}
