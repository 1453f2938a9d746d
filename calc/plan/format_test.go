package plan

import (
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/calc/quantity"
)

func format(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	return string(text)
}

// skeleton is what the parts of the document are put into: FORMAT.md's own
// smallest plan with a head of its joint.
const skeleton = `title = "Exercise engine S1"
edition = "1"
source = "invented"
[engine]
name = "S1"
cylinders = 1
`

const skeletonJoint = skeleton + `[[joint]]
key = "cover"
title = "Cover"
order = ["1", "2", "3", "4"]
tolerance = "±5 %"
[joint.bolts]
1 = { x = "0 mm", y = "0 mm" }
2 = { x = "80 mm", y = "0 mm" }
3 = { x = "80 mm", y = "60 mm" }
4 = { x = "0 mm", y = "60 mm" }
[[joint.stage]]
torque = "22 N·m"
`

// Every example of the document is what the document says it is.
func TestExamplesOfTheFormat(t *testing.T) {
	blocks := regexp.MustCompile("(?ms)^```([a-z ]+)\n(.*?)^```$").FindAllStringSubmatch(format(t), -1)
	kinds := map[string]int{}
	for i, b := range blocks {
		kind, text := b[1], b[2]
		kinds[kind]++
		switch kind {
		case "toml", "toml joint", "toml part":
			whole := map[string]string{"toml": "", "toml joint": skeleton, "toml part": skeletonJoint}[kind] + text
			p, err := Parse("plan.toml", []byte(whole))
			require.NoError(t, err, text)
			workable(t, p)
		case "toml fault":
			_, err := Parse("plan.toml", []byte(text))
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			var told strings.Builder
			for _, f := range faults {
				fmt.Fprintf(&told, "%v\nhint: %s\n", f, f.HintText())
			}
			require.Equal(t, "text", blocks[i+1][1], "what is told follows")
			require.Equal(t, blocks[i+1][2], told.String())
		case "text":
		default:
			require.Fail(t, "a block of an unknown kind", kind)
		}
	}
	require.Equal(t, map[string]int{"toml": 1, "toml joint": 1, "toml part": 6, "toml fault": 1, "text": 1}, kinds)
}

// rows are the rows of the table under a heading, without its head.
func rows(t *testing.T, heading string) [][]string {
	t.Helper()
	_, section, ok := strings.Cut(format(t), "\n"+heading+"\n")
	require.True(t, ok, heading)
	section, _, _ = strings.Cut(section, "\n#")
	var list [][]string
	for line := range strings.Lines(section) {
		if cells := strings.Split(strings.Trim(line, "|\n "), " | "); strings.HasPrefix(line, "| ") && strings.HasPrefix(cells[0], "`") {
			cells[0] = strings.Trim(cells[0], "`")
			list = append(list, cells)
		}
	}
	require.NotEmpty(t, list, heading)
	return list
}

func TestTablesOfTheFormat(t *testing.T) {
	unquoted := func(text string) string {
		s, err := strconv.Unquote(text)
		require.NoError(t, err, text)
		return s
	}
	for _, row := range rows(t, "### Values with a unit") {
		q, err := quantity.Parse(unquoted(row[0]))
		require.NoError(t, err)
		require.Equal(t, row[1], q.String())
	}
	for _, row := range rows(t, "### Tolerances") {
		tolerance, err := quantity.ParseTolerance(unquoted(row[0]))
		require.NoError(t, err)
		l, err := tolerance.Around(quantity.MustParse("50 N·m"))
		require.NoError(t, err)
		require.Equal(t, row[1], l.String())
	}
	for _, row := range rows(t, "### Times") {
		var d duration
		require.NoError(t, d.UnmarshalText([]byte(unquoted(row[0]))))
		require.Equal(t, row[1], time.Duration(d).String())
	}
}

// The document has every key of the file, with whether it is needed, and none
// that is not there.
func TestKeysOfTheFormat(t *testing.T) {
	for heading, table := range map[string]string{
		"### At the top":          "",
		"### `[engine]`":          "[engine]\n",
		"### `[[joint]]`":         "[[joint]]\n",
		"### `[joint.bolts]`":     "bolts",
		"### `[[joint.prepare]]`": "[[joint.prepare]]\nkey = \"k\"\ntext = \"t\"\n",
		"### `[[joint.stage]]`":   "[[joint.stage]]\ntorque = \"30 N·m\"\n",
		"### `[joint.recheck]`":   "[joint.recheck]\nall = true\nrelaxed = \"9 %\"\n",
		"### `[joint.retorque]`":  "[joint.retorque]\nall = true\nheat_cycles = 1\n",
	} {
		documented := map[string]bool{}
		for _, row := range rows(t, heading) {
			documented[row[0]] = true
		}
		// The program lists the keys it knows when it meets one far from all.
		probe := "zzzzzzzzzzzzzzzzzzzzzzzz = 1\n"
		text := ""
		switch table {
		case "":
			text = probe + skeletonJoint
		case "bolts":
			text = strings.Replace(skeletonJoint, `x = "0 mm"`, `zzzzzzzzzzzzzzzzzzzzzzzz = 1, x = "0 mm"`, 1)
		case "[engine]\n", "[[joint]]\n":
			text = strings.Replace(skeletonJoint, table, table+probe, 1)
		default:
			text = skeletonJoint + table + probe
		}
		_, err := Parse("plan.toml", []byte(text))
		var fault *document.Fault
		require.ErrorAs(t, err, &fault)
		known, ok := strings.CutPrefix(fault.Hint, "the keys known here are ")
		require.True(t, ok, fault.Error())
		for _, key := range strings.Split(known, ", ") {
			own := map[string]bool{"engine": true, "joint": true, "bolts": true, "prepare": true, "stage": true, "recheck": true, "retorque": true}[key]
			// What the one has and the other may not is refused with its own words.
			foreign := heading == "### `[joint.recheck]`" && key == "heat_cycles" ||
				heading == "### `[joint.retorque]`" && (key == "wait" || key == "relaxed" || key == "moved")
			require.Equal(t, !own && !foreign, documented[key], "%s: %s", heading, key)
			delete(documented, key)
		}
		require.Empty(t, documented, heading)
	}
}

// What the document says is needed cannot be left out, and what it says is not
// needed can.
func TestWhatIsNeeded(t *testing.T) {
	full := sound
	for heading, table := range map[string]string{
		"### At the top": "", "### `[engine]`": "[engine]", "### `[[joint.prepare]]`": "key = \"dowel\"",
		"### `[joint.retorque]`": "[joint.retorque]",
	} {
		for _, row := range rows(t, heading) {
			key, needed := row[0], row[1]
			if needed != "yes" && needed != "no" {
				continue
			}
			before, after, ok := strings.Cut(full, table)
			require.True(t, ok)
			pattern := regexp.MustCompile(`(?m)^` + key + ` = .*\n`)
			text := before
			if at := pattern.FindStringIndex(table + after); at != nil {
				text += (table + after)[:at[0]] + (table + after)[at[1]:]
			}
			_, err := Parse("plan.toml", []byte(text))
			require.Equal(t, needed == "yes", err != nil, "%s without %s: %v", heading, key, err)
		}
	}
}
