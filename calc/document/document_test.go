package document_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/document"
	"paintmark/calc/quantity"
)

// form has all the shapes that the program's files have.
type form struct {
	Title  string            `toml:"title"`
	Count  int               `toml:"count"`
	Order  []int             `toml:"order"`
	Torque quantity.Quantity `toml:"torque"`
	Engine struct {
		Name     string   `toml:"name"`
		Identity []string `toml:"identity"`
	} `toml:"engine"`
	Joint []joint `toml:"joint"`
}

type joint struct {
	Key   string              `toml:"key"`
	Bolts map[string]position `toml:"bolts"`
	Units map[string]string   `toml:"units"`
	Stage []stage             `toml:"stage"`
	Again *stage              `toml:"again"`
}

type position struct {
	X quantity.Quantity `toml:"x"`
}

type stage struct {
	Torque    quantity.Quantity   `toml:"torque"`
	Tolerance quantity.Tolerance  `toml:"tolerance"`
	Trials    []quantity.Quantity `toml:"trials"`
}

func decode(text string) (*document.File, form, error) {
	var into form
	file, err := document.Decode("f.toml", []byte(text), &into)
	return file, into, err
}

func lines(text ...string) string { return strings.Join(text, "\n") + "\n" }

// A column is counted in characters, as editors show it, also behind letters of
// several bytes.
func TestWhereFaultsStand(t *testing.T) {
	const howQuantity = `write a number and its unit, as in "88 N·m", "65 lbf·ft", "7.4 mm" or "3°"`
	const kinds = `quantities and names are written in quotes, as in "88 N·m"; counts without`
	for _, row := range []struct {
		name, text string
		faults     string // "line:column: problem|hint", one a line
	}{
		{"unknown key", "titel = \"x\"", `1:1: unknown key "titel"|did you mean "title"?`},
		{"unknown key far from all", "zzzz = 1", `1:1: unknown key "zzzz"|the keys known here are title, count, order, torque, engine, joint`},
		{"key in another case", "Title = \"x\"", `1:1: unknown key "Title"|did you mean "title"?`},
		{"quoted key", "\"titel\" = 1", `1:1: unknown key "titel"|did you mean "title"?`},
		{"all unknown keys", lines("titel = 1", "", "  cuont = 2", "[enigne]", "nmae = 1"),
			"1:1: unknown key \"titel\"|did you mean \"title\"?\n3:3: unknown key \"cuont\"|did you mean \"count\"?\n" +
				"4:2: unknown key \"enigne\"|did you mean \"engine\"?"},
		{"in a table", lines("[engine]", "nam = \"x\""), `2:1: unknown key "engine.nam"|did you mean "name"?`},
		{"in a dotted key", `engine.nam = "x"`, `1:8: unknown key "engine.nam"|did you mean "name"?`},
		{"in an array of tables", lines("[[joint]]", "[[joint]]", "[[joint.stage]]", "torqe = 1"),
			`4:1: unknown key "joint.stage.torqe"|did you mean "torque"?`},
		{"in a table of an array's last element", lines("[[joint]]", "[joint.again]", "tolerence = 1"),
			`3:1: unknown key "joint.again.tolerence"|did you mean "tolerance"?`},
		{"in an inline table", `joint = [{ key = "a" }, { kye = "b" }]`, `1:27: unknown key "joint.kye"|did you mean "key"?`},
		{"in a map's element", lines("[[joint]]", "[joint.bolts]", `"7" = { y = "3 mm" }`),
			`3:9: unknown key "joint.bolts.7.y"|the keys known here are x`},
		{"in a dotted map key", lines("[[joint]]", "[joint.bolts.7]", `y = "3 mm"`), `3:1: unknown key "joint.bolts.7.y"|the keys known here are x`},

		{"bad quantity", `torque = "88 Nmm"`, `1:10: "88 Nmm": unknown unit "Nmm"|` + howQuantity},
		{"behind letters of several bytes", `joint = [{ key = "µ·é漢", stage = [{ torque = "1 x" }] }]`, `1:46: "1 x": unknown unit "x"|` + howQuantity},
		{"in an array", lines("[[joint]]", "[[joint.stage]]", `trials = ["1 N·m", "2 N·m",`, `  "·" ]`), `4:3: "·" does not start with a number|` + howQuantity},
		{"bad tolerance", lines("[[joint]]", "[[joint.stage]]", "[[joint.stage]]", `tolerance = "4 %"`),
			`4:13: "4 %" is no tolerance|a tolerance is written "±4 %", "±2 N·m", "-2 % +6 %", "at least -3 %" or "at most +5 N·m"`},
		{"several at once", lines(`torque = "1 x"`, `[[joint]]`, `[[joint.stage]]`, `tolerance = "4"`), `1:10: "1 x": unknown unit "x"|` + howQuantity + "\n" +
			`4:13: "4" is no tolerance|a tolerance is written "±4 %", "±2 N·m", "-2 % +6 %", "at least -3 %" or "at most +5 N·m"`},

		{"a bare number for a quantity", "torque = 88", `1:10: "torque" has a value of the wrong kind (integer)|` + kinds},
		{"one in a map", lines("[[joint]]", `bolts = { "7·" = { x = 3.5 } }`), `2:24: "joint.bolts.7·.x" has a value of the wrong kind (float)|` + kinds},
		{"a table for a quantity", "torque = { value = 1 }", `1:10: "torque" has a value of the wrong kind (inlinetable)|` + kinds},
		{"a dotted key into a quantity", "torque.value = 1", `1:8: "torque" has a value of the wrong kind (table)|` + kinds},
		{"a table header for a quantity", "[torque]", `1:2: "torque" has a value of the wrong kind (table)|` + kinds},
		{"text for a count", `count = "3"`, `1:9: "count" has a value of the wrong kind (string)|` + kinds},
		{"text in an array of counts", `order = [1, "é", "3"]`, `1:13: "order" has a value of the wrong kind (string)|` + kinds},
		{"a number for a table", "engine = 3", `1:10: "engine" has a value of the wrong kind (integer)|` + kinds},
		{"several of the wrong kind", lines("torque = 88", "[[joint]]", "[joint.again]", "torque = true"),
			"1:10: \"torque\" has a value of the wrong kind (integer)|" + kinds + "\n" +
				"4:10: \"joint.again.torque\" has a value of the wrong kind (bool)|" + kinds},

		{"syntax", lines("# µm", "title = "), "2:9: "},
		{"syntax behind letters of several bytes", `title = "µ·é" x`, "1:15: "},
		{"a key twice", lines(`title = "a"`, `title = "b"`), "2:1: "},
		{"syntax and unknown keys", lines("titel = 1", "count = = 2"), "1:1: unknown key \"titel\"|did you mean \"title\"?\n2:9: "},
		{"a carriage return alone", "count = 1\rcount = 2", "1:10: "},
		{"not UTF-8", "title = \"µ\xff\"", "1:11: not UTF-8 text|save the file as UTF-8"},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, _, err := decode(row.text)
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			var got []string
			for _, f := range faults {
				require.Equal(t, "f.toml", f.File)
				got = append(got, fmt.Sprintf("%d:%d: %s|%s", f.Line, f.Column, f.Problem, f.HintText()))
			}
			want := strings.Split(row.faults, "\n")
			require.Len(t, got, len(want), "%q", got)
			for i := range want {
				if strings.HasSuffix(want[i], ": ") { // the library's words
					require.Regexp(t, "^"+want[i]+".+", got[i])
					continue
				}
				require.Equal(t, want[i], got[i])
			}
		})
	}
}

func TestDecodes(t *testing.T) {
	for name, text := range map[string]string{
		"Unix":                    "title = \"µ\"\n[[joint]]\nkey = \"a\"\nunits = { any = \"1\", thing = \"2\" }\n[[joint.stage]]\ntorque = \"88.0 N·m\"\n",
		"Windows":                 "title = \"µ\"\r\n[[joint]]\r\nkey = \"a\"\r\nunits = { any = \"1\", thing = \"2\" }\r\n[[joint.stage]]\r\ntorque = \"88.0 N·m\"\r\n",
		"with a byte order mark":  "\uFEFFtitle = \"µ\"\n[[joint]]\nkey = \"a\"\nunits = { any = \"1\", thing = \"2\" }\n[[joint.stage]]\ntorque = \"88.0 N·m\"\n",
		"inline, without newline": `title = "µ"` + "\n" + `joint = [{ key = "a", units = { any = "1", thing = "2" }, stage = [{ torque = "88.0 N·m" }] }]`,
	} {
		file, got, err := decode(text)
		require.NoError(t, err, name)
		require.NoError(t, file.Err())
		require.Equal(t, "µ", got.Title)
		require.Equal(t, "a", got.Joint[0].Key)
		require.Equal(t, map[string]string{"any": "1", "thing": "2"}, got.Joint[0].Units)
		require.Equal(t, "88.0 N·m", got.Joint[0].Stage[0].Torque.String())
	}
	_, _, err := decode("")
	require.NoError(t, err, "an empty file")
}

const whole = `title = "µ µ"    # 1
count = 3
engine = { name = "six", identity = ["number", "customer"] }

[[joint]]            # 5
key = "head"
[joint.bolts]
7 = { x = "1 mm" }
"8.1" = { x = "2 mm" }
[joint.bolts.9]      # 10
x = "3 mm"
[[joint.stage]]
torque = "30 N·m"
[[joint.stage]]
  torque = "88 N·m"  # 15
  trials = ["1 N·m", "2 N·m"]

[[joint]]
again.torque = "1 N·m"
[[joint.stage]]      # 20
torque = "5 N·m"
`

// What is found wrong later, by the reader of the file, stands where the value
// stands, or at the nearest table around it.
func TestWhereLaterFaultsStand(t *testing.T) {
	for _, row := range []struct {
		path         string
		has          bool
		line, column int
	}{
		{"title", true, 1, 9},
		{"count", true, 2, 9},
		{"engine", true, 3, 10},
		{"engine.name", true, 3, 19},
		{"engine.identity", true, 3, 26},
		{"engine.identity[1]", true, 3, 48},
		{"engine.identity[2]", false, 3, 26},
		{"joint[0]", true, 5, 3},
		{"joint[0].key", true, 6, 7},
		{"joint[0].thread", false, 5, 3},
		{"joint[0].bolts", true, 7, 2},
		{"joint[0].bolts.7", true, 8, 5},
		{"joint[0].bolts.7.x", true, 8, 11},
		{"joint[0].bolts.8.1.x", true, 9, 15},
		{"joint[0].bolts.9", true, 10, 2},
		{"joint[0].bolts.9.x", true, 11, 5},
		{"joint[0].bolts.9.y", false, 10, 2},
		{"joint[0].stage[0].torque", true, 13, 10},
		{"joint[0].stage[1].torque", true, 15, 12},
		{"joint[0].stage[1].trials[1]", true, 16, 22},
		{"joint[0].stage[2].torque", false, 5, 3},
		{"joint[1].again", true, 19, 1},
		{"joint[1].again.torque", true, 19, 16},
		{"joint[1].stage[0]", true, 20, 3},
		{"joint[1].stage[0].torque", true, 21, 10},
		{"joint[2].key", false, 1, 1},
		{"nothing", false, 1, 1},
		{"", false, 1, 1},
		{"odd]", false, 1, 1},
		{"joint[0].bolts.x].x", false, 7, 2},
	} {
		file, _, err := decode(whole)
		require.NoError(t, err)
		require.Equal(t, row.has, file.Has(row.path), row.path)
		file.Fault(row.path, "wrong", "mend it")
		require.EqualError(t, file.Err(), fmt.Sprintf("f.toml:%d:%d: wrong", row.line, row.column), row.path)
	}
}

func TestFaultsComeInTheOrderOfTheFile(t *testing.T) {
	file, _, err := decode(whole)
	require.NoError(t, err)
	require.NoError(t, file.Err())
	file.Fault("joint[1].stage[0].torque", "third", "")
	file.Fault("title", "first", "mend it")
	file.Fault("engine.name", "second", "")
	file.Fault("engine.name", "second too", "")
	err = file.Err()
	require.EqualError(t, err, "f.toml:1:9: first\nf.toml:3:19: second\nf.toml:3:19: second too\nf.toml:21:10: third")
	var fault *document.Fault
	require.ErrorAs(t, err, &fault, "a single fault can be got at")
	require.Equal(t, "mend it", fault.HintText())
	require.Len(t, err.(interface{ Unwrap() []error }).Unwrap(), 4)
}

func TestHugeAndHostileFiles(t *testing.T) {
	repeat := func(format string, n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, format, i)
		}
		return b.String()
	}
	for name, row := range map[string]struct{ text, problem string }{
		"larger than is read":                       {strings.Repeat("#", document.MaxSize+1), "4194305 bytes are more than the 4194304 that are read"},
		"arrays inside arrays":                      {"order = " + strings.Repeat("[", 9000) + strings.Repeat("]", 9000), "more than 32 tables and arrays inside each other"},
		"deeper than parsers go":                    {"order = " + strings.Repeat("[", 1<<20), "nested"},
		"tables inside tables":                      {"joint = [" + strings.Repeat("{units=", 5000) + "1" + strings.Repeat("}", 5000) + "]", "more than 32 tables and arrays inside each other"},
		"keys inside keys":                          {"[joint." + strings.Repeat("a.", 1<<20) + "a]", "unknown key"},
		"keys inside map keys":                      {"[[joint]]\n[joint.units." + strings.Repeat("a.", 1<<20) + "a]", "more than 32 tables and arrays inside each other"},
		"many unknown keys":                         {repeat("k%d = 1\n", 2e4), "and 19900 faults more"},
		"many unknown tables":                       {repeat("[[k%d]]\n", 2e4), "and 19900 faults more"},
		"many values of the wrong kind on one line": {"[[joint]]\n[[joint.stage]]\ntrials = [" + strings.Repeat("1,", 2e4) + "]", "and 19900 faults more"},
		"a long key":                                {strings.Repeat("k", 1<<20) + " = 1", "unknown key"},
		"a long unit":                               {`torque = "1 ` + strings.Repeat("x", 1<<20) + `"`, "unknown unit"},
		"a long number":                             {`torque = "` + strings.Repeat("9", 1<<20) + ` N·m"`, "more than 40 digits"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := decode(row.text)
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			require.Contains(t, faults[len(faults)-1].Problem, row.problem)
			require.LessOrEqual(t, len(faults), 101)
			for _, f := range faults {
				require.Less(t, len(f.Error()), 500, "a message is one line of bearable length")
				require.NotContains(t, f.Error(), "\n")
			}
		})
	}
}

func TestNearest(t *testing.T) {
	names := []string{"tolerance", "torque", "trials", "title"}
	for slip, want := range map[string]string{
		"torqe": "torque", "toqrue": "torque", "tolerence": "tolerance", "titel": "title", "title": "title",
		"thread": "", "zzz": "", "": "", "t": "",
	} {
		require.Equal(t, want, document.Nearest(slip, names), slip)
	}
	require.Empty(t, document.Nearest("torque", nil))
}

// One slip of the hand in a name of the program's files is understood.
func TestNearestMendsOneSlip(t *testing.T) {
	names := []string{"tolerance", "firing_order", "heat_cycles", "lubricant", "stage", "recheck"}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "name")
		i := rapid.IntRange(0, len(name)-1).Draw(t, "at")
		letter := rapid.StringMatching("[a-z]").Draw(t, "letter")
		slip := rapid.SampledFrom([]string{name[:i] + name[i+1:], name[:i] + letter + name[i:], name[:i] + letter + name[i+1:]}).Draw(t, "slip")
		require.Equal(t, name, document.Nearest(slip, names))
	})
}

// The strictness is our own; it must agree with that of the library, except
// where it is meant to be stricter: keys in another case, tables for a value
// that is read from text, depth.
func checkAgainstLibrary(t require.TestingT, text string) {
	var ours, theirs form
	_, err := document.Decode("f.toml", []byte(text), &ours)
	decoder := toml.NewDecoder(strings.NewReader(strings.TrimPrefix(text, "\uFEFF")))
	decoder.DisallowUnknownFields()
	other := decoder.Decode(&theirs)
	if err == nil {
		require.NoError(t, other)
		require.Equal(t, theirs, ours)
		return
	}
	var faults document.Faults
	require.ErrorAs(t, err, &faults)
	require.NotEmpty(t, faults)
	rows := strings.Split(strings.TrimPrefix(text, "\uFEFF"), "\n")
	meant := 0
	for _, f := range faults {
		require.NotEmpty(t, f.Problem)
		if strings.HasPrefix(f.Problem, "more than") || strings.HasSuffix(f.Problem, "table)") || strings.HasPrefix(f.Problem, "unknown key") && inAnotherCase(f) {
			meant++
		}
		if f.Line == 0 {
			require.Zero(t, f.Column)
			continue
		}
		require.LessOrEqual(t, f.Line, len(rows), f.Error())
		require.GreaterOrEqual(t, f.Column, 1, f.Error())
		require.LessOrEqual(t, f.Column, utf8.RuneCountInString(rows[f.Line-1])+1, f.Error())
	}
	if meant < len(faults) {
		require.Error(t, other, "ours says %v", err)
	}
}

func inAnotherCase(f *document.Fault) bool {
	key, _ := strconv.Unquote(strings.TrimPrefix(f.Problem, "unknown key "))
	near := strings.TrimSuffix(strings.TrimPrefix(f.Hint, `did you mean "`), `"?`)
	return near != "" && strings.EqualFold(key[strings.LastIndexByte(key, '.')+1:], near)
}

// Files that are nearly right: what a person gets by typing in a hurry.
func TestNearlyRightFiles(t *testing.T) {
	pieces := []string{"title", "count", "torque", "engine", "joint", "stage", "bolts", "7", `"8.1"`, "units", "again", "trials", "zzz", "[", "]",
		"[[", "]]", "{", "}", "=", ".", ",", "\n", "\n", " ", `"88 N·m"`, `"é"`, "3", "3.5", "true", "1979-05-27", "'''", `"""`, "#", "\r\n", "\uFEFF"}
	rapid.Check(t, func(t *rapid.T) {
		text := []rune(whole)
		for range rapid.IntRange(0, 4).Draw(t, "slips") {
			from := rapid.IntRange(0, len(text)).Draw(t, "from")
			to := min(from+rapid.IntRange(0, 12).Draw(t, "length"), len(text))
			piece := []rune(rapid.SampledFrom(append(pieces, "")).Draw(t, "piece"))
			text = append(append(append([]rune{}, text[:from]...), piece...), text[to:]...)
		}
		checkAgainstLibrary(t, string(text))
	})
}

func FuzzDecode(f *testing.F) {
	for _, text := range []string{whole, "", "\uFEFF", "titel = 1", "[[joint]]\n[joint.bolts.7]\ny = 1", "torque = 88", "title = \"µ\xff\"", "joint = [{ kye = 1 }]",
		"[a]\n[[a]]", "a.b = 1\n[a]", "\"\".\"\" = 1", "[\"\".x]", "order = [[1], [2]]", "count = 0x_1", "'x]' = { 'y[' = 1 }", "[torque]\nvalue = 1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) { checkAgainstLibrary(t, text) })
}
