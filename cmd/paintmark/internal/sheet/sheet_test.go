package sheet

import (
	"bytes"
	"encoding/hex"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/mark"
)

var update = flag.Bool("update", false, "write the golden files anew")

// node is an element of a page, as a strict XML parser sees it.
type node struct {
	name  string
	attrs map[string]string
	text  string // of itself and of what is in it
	kids  []*node

	start int // where its text begins in that of the page
}

// read parses a page strictly: every element closed, every entity known.
func read(page []byte) (*node, error) {
	d := xml.NewDecoder(bytes.NewReader(page))
	root := &node{}
	stack := []*node{root}
	var text strings.Builder
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			if len(stack) != 1 {
				return nil, errors.New("an element was not closed")
			}
			root.text = text.String()
			return root, nil
		}
		if err != nil {
			return nil, err
		}
		switch tok := token.(type) {
		case xml.StartElement:
			n := &node{name: tok.Name.Local, attrs: map[string]string{}, start: text.Len()}
			for _, a := range tok.Attr {
				n.attrs[a.Name.Local] = a.Value
			}
			top := stack[len(stack)-1]
			top.kids = append(top.kids, n)
			stack = append(stack, n)
		case xml.EndElement:
			top := stack[len(stack)-1]
			top.text = text.String()[top.start:]
			stack = stack[:len(stack)-1]
		case xml.CharData:
			text.Write(tok)
		}
	}
}

// all gives every element for which keep is true, in the order of the page.
func (n *node) all(keep func(*node) bool) []*node {
	var list []*node
	for _, k := range n.kids {
		if keep(k) {
			list = append(list, k)
		}
		list = append(list, k.all(keep)...)
	}
	return list
}

func named(name string) func(*node) bool { return func(n *node) bool { return n.name == name } }

func classed(class string) func(*node) bool {
	return func(n *node) bool { return slices.Contains(strings.Fields(n.attrs["class"]), class) }
}

func written(t testing.TB, in Input) ([]byte, *node) {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Write(&b, in))
	root, err := read(b.Bytes())
	require.NoError(t, err)
	return b.Bytes(), root
}

// joints are the parts of the page about the joints, in the order of the plan.
func joints(root *node) []*node { return root.all(classed("joint")) }

// tables are those of a part of the page, by their titles.
func tables(part *node) map[string]*node {
	list := map[string]*node{}
	for _, n := range part.all(named("table")) {
		if t := n.all(classed("t")); len(t) == 1 {
			list[t[0].text] = n
		}
	}
	return list
}

// line is the row of an entry in a table, and the remarks under it.
func line(t testing.TB, table *node, entry string) (row *node, remarks string) {
	t.Helper()
	rows := table.all(named("tr"))
	for i, r := range rows {
		cells := r.all(named("td"))
		if len(cells) == 0 || cells[len(cells)-1].text != entry {
			continue
		}
		if i+1 < len(rows) && classed("remark")(rows[i+1]) {
			remarks = rows[i+1].text
		}
		return r, remarks
	}
	require.Failf(t, "no row", "no row of entry %s in %q", entry, table.text)
	return nil, ""
}

// straight is the six-cylinder with its caps done and its head in hand.
func straight(t testing.TB) *record {
	t.Helper()
	r := newRecord(t, "straight-six.toml", fact.Identity{Name: "engine number", Value: "R6-0007"})
	r.confirm("main-caps/shells")
	r.reading("main-caps/end-float", "", "0.12 mm", gauge)
	for i := 1; i <= 3; i++ {
		r.stage(t, "main-caps", fact.Pass(fmt.Sprintf("stage-%d", i)), wrench)
	}
	r.wait(20 * time.Minute)
	r.stage(t, "main-caps", "recheck", wrench, angle("1.5°"))
	r.confirm("head/faces")
	r.confirm("head/threads")
	r.reading("head/dowel-front", "", "7.80 mm", gauge)
	r.reading("head/dowel-rear", "", "7.71 mm", gauge)
	r.stage(t, "head", "stage-1", fact.Instrument{}, attested)
	r.stage(t, "head", "stage-2", wrench)
	return r
}

// Every reading, step, bolt and finding of a state must be on the page, where it
// belongs and with what it says.
func TestEverythingOfTheStateIsOnThePage(t *testing.T) {
	for name, build := range map[string]func(testing.TB) *record{"complete": complete, "mistakes": mistakes, "straight six": straight} {
		t.Run(name, func(t *testing.T) {
			in := build(t).input(t)
			_, root := written(t, in)
			seen := 0
			for i, js := range in.State.Joints {
				part := joints(root)[i]
				require.Contains(t, part.text, js.Joint.Title)
				require.Contains(t, part.text, js.Joint.Thread)
				require.Contains(t, part.text, js.Joint.Lubricant)
				byTitle := tables(part)
				cells := slices.Clone(js.Steps)
				if js.Heat != nil {
					cells = append(cells, js.Heat)
				}
				if len(cells) > 0 {
					seen += cellsOn(t, byTitle["Preparation"], cells)
				}
				for _, step := range js.Joint.Steps {
					require.Contains(t, byTitle["Preparation"].text, step.Text)
				}
				for _, ps := range js.Passes {
					table := byTitle[sentence(ps.Pass.Name)]
					require.NotNil(t, table, "no table of %s", ps.Pass.Name)
					seen += cellsOn(t, table, ps.Cells)
					for _, c := range ps.Cells {
						require.Contains(t, table.text, c.Place)
					}
				}
			}
			if len(in.State.Loose) > 0 {
				table := tables(root)["Readings the plan has no place for"]
				for _, r := range in.State.Loose {
					readingOn(t, table, r)
					seen++
				}
			}
			require.Equal(t, in.State.Readings+in.State.Voided, seen)
			findingsOn(t, root, in.State)
			restOn(t, root, in)
		})
	}
}

func cellsOn(t *testing.T, table *node, cells []*judge.Cell) (seen int) {
	t.Helper()
	for _, c := range cells {
		for _, r := range c.Readings {
			readingOn(t, table, r)
			seen++
		}
		for _, e := range []*fact.Entry{c.Skip, c.Confirmed} {
			if e == nil {
				continue
			}
			row, remarks := line(t, table, e.String())
			if s, ok := e.Body.(fact.Skip); ok {
				require.Contains(t, row.text, "» skipped")
				require.Contains(t, remarks, s.Because)
			} else {
				require.Contains(t, row.text, "✓ confirmed")
			}
		}
		for _, p := range c.Past {
			row, remarks := line(t, table, p.Entry.String())
			require.True(t, classed("void")(row))
			if p.Void != nil {
				require.Contains(t, row.text, "× taken back")
				require.Contains(t, remarks, p.Void.Body.(fact.Void).Because)
			}
		}
	}
	return seen
}

func readingOn(t *testing.T, table *node, r judge.Judged) {
	t.Helper()
	row, remarks := line(t, table, r.Entry.String())
	require.Contains(t, row.text, r.Reading.Value.String())
	require.Contains(t, row.text, r.Reading.Angle.String())
	require.Contains(t, row.text, r.Entry.Time.In(time.FixedZone("", 3600)).Format(time.TimeOnly))
	if r.Reading.Attested {
		require.Contains(t, row.text, "◊ attested")
	} else {
		require.Contains(t, row.text, r.Reading.Instrument.Name)
		require.NotContains(t, row.text, "attested")
	}
	for _, word := range r.Reading.Status {
		require.Contains(t, remarks, word)
	}
	if r.Void == nil {
		require.Contains(t, row.text, mark.Verdict(r.Verdict).String())
		require.Empty(t, row.all(named("del")))
		return
	}
	require.Contains(t, row.text, "× taken back")
	struck := row.all(named("del"))
	require.NotEmpty(t, struck)
	require.Equal(t, r.Reading.Value.String(), struck[0].text)
	require.Contains(t, remarks, r.Void.String())
	require.Contains(t, remarks, r.Void.Body.(fact.Void).Because)
}

func findingsOn(t *testing.T, root *node, s *judge.State) {
	t.Helper()
	for i, f := range s.Findings {
		rows := root.all(func(n *node) bool { return n.attrs["id"] == "F"+strconv.Itoa(i+1) })
		require.Len(t, rows, 1)
		text := rows[0].text
		for _, want := range []string{mark.Status(f.Status).String(), string(f.Kind), f.Text, f.Remedy, f.Joint, f.Point.Place()} {
			require.Contains(t, text, want)
		}
		for _, r := range append(slices.Clone(f.Entries), f.By) {
			if !r.IsZero() {
				require.Contains(t, text, r.String())
			}
		}
		if f.Point != "" && f.Kind != judge.StepMissing { // and beside the reading it is about
			require.NotEmpty(t, root.all(func(n *node) bool { return n.attrs["href"] == "#F"+strconv.Itoa(i+1) }), "%s: %s", f.Kind, f.Text)
		}
	}
	if len(s.Findings) == 0 {
		require.Contains(t, root.text, "None: plan and readings agree.")
	}
}

func restOn(t *testing.T, root *node, in Input) {
	t.Helper()
	s := in.State
	wants := []string{s.Opening.Build, s.Plan.Title, s.Plan.Edition, s.Plan.Source, s.Plan.Engine.Name,
		"This record does not replace the judgement of the person who signs it.",
		"paintmark verify EX-0042", "Builder", "Quality assurance", "Customer", in.Summary, "paintmark 0.1.0"}
	for _, id := range s.Opening.Identity {
		wants = append(wants, id.Value)
	}
	for _, h := range in.Heads {
		wants = append(wants, h.Station, strconv.FormatUint(h.Number, 10), hex.EncodeToString(h.Hash[:]))
	}
	for _, i := range s.Instruments {
		wants = append(wants, i.Name, i.Address, i.Identity, i.Profile, i.Calibrated, i.Due)
		if (i.Range != quantity.Limits{}) {
			wants = append(wants, i.Range.String())
		}
	}
	for _, e := range s.Notes {
		n := e.Body.(fact.Note)
		wants = append(wants, n.What, n.Instrument, n.Text)
	}
	for _, e := range s.Replans {
		wants = append(wants, e.Body.(fact.Replan).Because, e.Body.(fact.Replan).PlanName, e.String())
	}
	for _, note := range s.Plan.Notes {
		wants = append(wants, note+".")
	}
	for _, a := range s.Again {
		wants = append(wants, a.Reasons...)
	}
	for _, w := range wants {
		require.Contains(t, root.text, w)
	}
	require.Equal(t, len(s.Again) > 0, len(root.all(classed("again"))) == 1)
	if len(s.Again) > 0 {
		require.Len(t, root.all(classed("again"))[0].all(named("tr")), len(s.Again)+1)
	}
}

// What a reader looks for on the sheet of a build that went wrong, said out.
func TestMistakesAreShown(t *testing.T) {
	_, root := written(t, mistakes(t).input(t))
	left, manifold := tables(joints(root)[0]), joints(root)[2]

	first := left["Stage 1"]
	row, remarks := line(t, first, "bench-1#15")
	require.Equal(t, "31.4 lbf·ft", row.all(named("del"))[0].text)
	require.Equal(t, "read as ▲ high; taken back 09:07:30 by bench-1#16: wrench slipped off", remarks)
	row, _ = line(t, first, "bench-1#12")
	require.Contains(t, row.text, "» skipped at first")
	row, _ = line(t, first, "bench-1#14")
	require.Contains(t, row.text, "41°")
	row, _ = line(t, first, "bench-1#11")
	require.Contains(t, row.text, "24.90 lbf·ft", "a digit was lost")
	_, remarks = line(t, first, "bench-1#17")
	require.Equal(t, "the instrument said: low battery", remarks)
	require.Contains(t, first.text, "8 of 8 done · 2026-03-02")

	second := left["Stage 2"]
	require.Contains(t, second.text, "□ missed")
	row, _ = line(t, second, "bench-1#27")
	require.Contains(t, row.text, "◊ attested")
	row, _ = line(t, second, "bench-1#28")
	// 61.0 N·m / 1.3558179483314004 N·m per lbf·ft (exact by the definitions of
	// foot, pound and standard gravity) = 44.9913.
	require.Contains(t, row.text, "61.0 N·m ≈ 44.99 lbf·ft")

	check := left["Re-check"]
	row, remarks = line(t, check, "bench-1#40")
	require.Contains(t, row.text, "✓ held")
	require.Equal(t, "gone over before the wait was over", remarks)
	require.Contains(t, check.text, "The first 4 bolts pulled, first-pulled first, not before 20 min after the last pull of the stages.")
	require.Contains(t, check.text, "first moves at 57.2 lbf·ft or more")
	row, _ = line(t, check, "bench-1#41")
	require.Contains(t, row.text, "check57.2–67.6 lbf·ft55.9 lbf·ft◄ relaxed")
	row, remarks = line(t, check, "bench-1#42")
	require.Contains(t, row.text, "65 lbf·ft62.4–67.6 lbf·ft65.3 lbf·ft✓ within")
	require.Equal(t, "pulled again, as it had not held", remarks)
	require.Contains(t, check.text, "○ not done yet")

	require.Contains(t, tables(joints(root)[1])["Stage 2"].text, "□ Missed: no bolt was pulled, and a later pass was begun. Bolts: 4, 5, 3, 6, 2, 7, 1, 8.")
	require.Contains(t, left["Re-torque"].text, "To 65 lbf·ft (62.4–67.6 lbf·ft).○ Not begun. All bolts to do, in this order: 4, 5, 3, 6, 2, 7, 1, 8.")
	require.Contains(t, manifold.text, "The order of this joint was computed by the program")
	require.NotContains(t, joints(root)[0].text, "was computed by the program")

	head := root.all(named("header"))[0].text
	require.Contains(t, head, "● open")
	require.Contains(t, head, "Intake manifold: preparation (0 of 1 done), stage 1 (1 of 6 done), stage 2 (0 of 6 done)")
	require.Contains(t, head, "changed 1 time since the opening")
	require.Contains(t, root.all(classed("instruments"))[0].text, "1 reading stated by hand")
	require.Contains(t, root.all(classed("cautions"))[0].text, "◊ One value on this sheet was stated by hand and not measured.")
	require.Contains(t, root.text, "unreadable × 2")
	require.Contains(t, root.text, "bytes ff0013")
}

func TestACompleteBuildSaysSo(t *testing.T) {
	in := complete(t).input(t)
	require.Empty(t, in.State.Findings)
	_, root := written(t, in)
	head := root.all(named("header"))[0].text
	require.Contains(t, head, "✓ complete")
	require.NotContains(t, head, "Still to do")
	require.Contains(t, root.text, "No value in force on this sheet was stated by hand")
	require.Empty(t, root.all(classed("again")))
}

// A build in which everything was done but a finding was left for a person must
// not look like one without.
func TestCompleteIsNotSettled(t *testing.T) {
	r := complete(t)
	r.reading("head-left/4", "retorque", "65.1 lbf·ft", wrench)
	in := r.input(t)
	require.True(t, in.State.Complete())
	_, root := written(t, in)
	head := root.all(named("header"))[0].text
	require.Contains(t, head, "■ complete, not settled")
	require.Contains(t, head, "1 finding must still be dealt with or judged.")
}

func TestWhetherTheBookWasChecked(t *testing.T) {
	in := straight(t).input(t)
	const alarm = "Do not rely on this sheet"
	for _, tc := range []struct {
		verified bool
		summary  string
		want     string
		alarm    bool
	}{
		{true, "87 entries, all sound", "✓ verified (87 entries, all sound)", false},
		{true, "", "✓ verified", false},
		{false, "", "○ not verified (nobody checked the book before this sheet was printed)", false},
		{false, "entry bench-1#9 was altered", "● NOT sound (entry bench-1#9 was altered)", true},
	} {
		in.Verified, in.Summary = tc.verified, tc.summary
		_, root := written(t, in)
		require.Contains(t, root.all(named("header"))[0].text, "Book: "+tc.want)
		require.Equal(t, tc.alarm, strings.Contains(root.text, alarm), tc.want)
	}
}

func TestAnInputWithoutAStateIsAnError(t *testing.T) {
	require.Error(t, Write(io.Discard, Input{}))
}

type failing struct{ after int }

func (f *failing) Write(p []byte) (int, error) {
	f.after -= len(p)
	if f.after < 0 {
		return 0, errors.New("disk full")
	}
	return len(p), nil
}

func TestAnErrorOfTheWriterIsReported(t *testing.T) {
	in := straight(t).input(t)
	for _, n := range []int{0, 5000, 30000} {
		require.ErrorContains(t, Write(&failing{n}, in), "disk full")
	}
}

// hostile is text that tries to leave its place on the page.
const hostile = "\"'><script>alert(1)</script></bdi></td></table><img src=x onerror=alert(1)>\u202e}*/ ]]> &amp; <!-- {{.Build}} محرك \x00\x1b[31m\xff\ufffe 発動機"

// tainted is a small build that has one text wherever a plan, a book or a shelf
// can bring one.
func tainted(t testing.TB, text string) Input {
	t.Helper()
	r := newRecord(t, "vee-six.toml")
	in := fact.Instrument{Name: text, Address: text, Identity: text, Profile: text, Calibrated: text, Due: text}
	r.add(fact.Note{What: text, Instrument: text, Text: text, Point: fact.Point(text)})
	r.add(fact.Note{What: fact.InstrumentLost, Instrument: text, Text: text, Raw: []byte(text)})
	r.void(r.confirm("manifold/seals"), text)
	r.reading("manifold/2", "stage-1", "81 lbf·in", in, status(text), told(text))
	r.reading("manifold/2", "stage-1", "90 lbf·in", fact.Instrument{}, attested)
	r.void(r.reading("manifold/5", "stage-1", "90 lbf·in", in), text)
	r.add(fact.Skip{Point: "manifold/1", Pass: "stage-1", Because: text})
	r.add(fact.Skip{Point: "manifold/6", Pass: "stage-1", Because: text})
	r.reading("manifold/6", "stage-1", "99 lbf·in", in)
	r.reading(text, text, "160 lbf·in", in)
	r.reading("manifold/9", text, "160 lbf·in", in)
	r.add(fact.Replan{Plan: text, PlanName: text, Because: text})
	r.entries[0].Body = fact.Opening{Build: text, Plan: text, PlanName: text, Program: text,
		Identity: []fact.Identity{{Name: text, Value: text}}}
	p, err := plan.Parse("vee-six.toml", planText(t, "vee-six.toml"))
	require.NoError(t, err)
	p.Title, p.Edition, p.Source, p.Engine.Name = text, text, text, text
	p.Joints = p.Joints[2:] // the manifold
	p.Engine.Identity, p.Notes = []string{text}, append(p.Notes, text)
	for _, j := range p.Joints {
		j.Title, j.Thread, j.Class, j.Lubricant = text, text, text, text
		for i := range j.Steps {
			j.Steps[i].Text = text
		}
		for i := range j.Passes {
			j.Passes[i].Name += text
		}
	}
	return Input{State: judge.Judge(p, r.entries), Build: text, Summary: text, Version: text,
		Heads: []Head{{Station: text, Number: 9}}, Printed: r.at}
}

// bones are the elements of a page with the names of their attributes, without
// any text.
func bones(n *node) []string {
	var list []string
	for _, k := range n.all(func(*node) bool { return true }) {
		list = append(list, strings.Join(append([]string{k.name}, slices.Sorted(maps.Keys(k.attrs))...), " "))
	}
	return list
}

// sameBones names the first element that differs.
func sameBones(t *testing.T, want, got []string) {
	t.Helper()
	for i := range min(len(want), len(got)) {
		require.Equal(t, want[i], got[i], "element %d", i)
	}
	require.Len(t, got, len(want))
}

func TestHostileTextStaysText(t *testing.T) {
	page, root := written(t, tainted(t, "x"+hostile)) // x is past any date
	require.True(t, utf8.Valid(page))
	require.Empty(t, root.all(named("script")))
	require.Empty(t, root.all(named("img")))
	require.NotContains(t, string(page), "\u202e")
	shown := strings.NewReplacer("\u202e", "\ufffd", "\x00", "\ufffd", "\x1b", "\ufffd", "\xff", "\ufffd", "\ufffe", "\ufffd").Replace(hostile)
	require.GreaterOrEqual(t, strings.Count(root.text, shown), 30, "the text itself must be legible")
	_, harmless := written(t, tainted(t, "x"))
	sameBones(t, bones(harmless), bones(root))
	require.Equal(t, 1, strings.Count(string(page), "</style>"))
}

func FuzzText(f *testing.F) {
	f.Add("plain")
	f.Add(hostile)
	f.Add("\u2067rtl\u2069 \u200f")
	f.Add(strings.Repeat("long", 100))
	f.Add("\r\n\t\u0085\u2028 </style> \\3c ")
	_, harmless := written(f, tainted(f, "x"))
	want := bones(harmless)
	f.Fuzz(func(t *testing.T, text string) {
		page, root := written(t, tainted(t, "x"+text)) // never empty, never a verdict
		require.True(t, utf8.Valid(page))
		sameBones(t, want, bones(root))
	})
}

func TestThePageNeedsNothingElse(t *testing.T) {
	page, root := written(t, mistakes(t).input(t))
	text := string(page)
	for _, word := range []string{"http:", "https:", "//", "url(", "@import", "src=", "javascript:", "<script", "<link", "<object", "<iframe", "onclick"} {
		require.NotContains(t, text, word)
	}
	for _, n := range root.all(func(n *node) bool { return n.attrs["href"] != "" }) {
		target := strings.TrimPrefix(n.attrs["href"], "#")
		require.NotEqual(t, n.attrs["href"], target)
		require.Len(t, root.all(func(o *node) bool { return o.attrs["id"] == target }), 1)
	}
}

// W3C, WCAG 2.2, 1.4.3: text needs a contrast of 4.5 with its ground; 1.4.11:
// the parts of a drawing need 3. The marks are checked in package mark.
func TestContrastOfTheStyle(t *testing.T) {
	grounds := map[string]mark.Colour{"white": mark.White, "tint": colour(t, variable(t, "tint"))}
	texts := map[string]bool{}
	for _, name := range []string{"ink", "quiet", "strong"} {
		texts[variable(t, name)] = true
	}
	for _, m := range regexp.MustCompile(`[{;]color:([^;}]+)`).FindAllStringSubmatch(styleText, -1) {
		switch value := m[1]; {
		case value == "inherit", strings.HasPrefix(value, "var("):
		default:
			texts[value] = true
		}
	}
	require.GreaterOrEqual(t, len(texts), 3)
	for value := range texts {
		for name, ground := range grounds {
			require.GreaterOrEqual(t, mark.Contrast(colour(t, value), ground), 4.5, "%s on %s", value, name)
		}
	}
	for _, m := range regexp.MustCompile(`[{;](?:color|fill|stroke):var\(--(\w+)\)`).FindAllStringSubmatch(styleText, -1) {
		require.Contains(t, []string{"ink", "quiet", "strong"}, m[1])
	}
	// A mark's colour need not be seen, as its symbol and word are; the ring of a
	// disc must be.
	require.Regexp(t, `svg \.disc\{stroke:var\(--ink\)`, styleText)
}

func variable(t *testing.T, name string) string {
	t.Helper()
	m := regexp.MustCompile(`--` + name + `:(#[0-9A-F]{6})`).FindStringSubmatch(styleText)
	require.Len(t, m, 2, name)
	return m[1]
}

func colour(t *testing.T, hexText string) mark.Colour {
	t.Helper()
	b, err := hex.DecodeString(strings.TrimPrefix(hexText, "#"))
	require.NoError(t, err)
	require.Len(t, b, 3)
	return mark.Colour{R: b[0], G: b[1], B: b[2]}
}

func TestGolden(t *testing.T) {
	r := newRecord(t, "straight-six.toml", fact.Identity{Name: "engine number", Value: "R6-0001"})
	r.confirm("main-caps/shells")
	r.reading("main-caps/end-float", "", "0.12 mm", gauge)
	r.reading("main-caps/4L", "stage-1", "35.2 N·m", wrench)
	r.reading("main-caps/4R", "stage-1", "34.9 N·m", wrench)
	in := r.input(t)
	in.State.Joints = in.State.Joints[:1]
	page, _ := written(t, in)
	file := filepath.Join("testdata", "small.html")
	if *update {
		require.NoError(t, os.WriteFile(file, page, 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), string(page), "go test ./cmd/paintmark/internal/sheet -run Golden -update writes it anew")
}

func TestClock(t *testing.T) {
	at := func(text string) time.Time {
		v, err := time.Parse(time.RFC3339, text)
		require.NoError(t, err)
		return v
	}
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	opened := at("2026-03-28T10:00:00Z") // the day before summer time begins there
	c := newClock(berlin, opened)
	require.Equal(t, "Europe/Berlin (UTC+01:00)", c.name())
	require.Equal(t, "2026-03-28 11:00:00", c.full(opened))
	require.Equal(t, "2026-03-30 12:00:00 UTC+02:00", c.full(at("2026-03-30T10:00:00Z")))
	require.Equal(t, none, c.full(time.Time{}))
	require.Equal(t, "UTC", newClock(nil, opened).name())
	require.Equal(t, "UTC−03:30", newClock(time.FixedZone("", -12600), opened).name())

	show, day := c.shortly([]time.Time{opened, {}, opened.Add(time.Hour)})
	require.Equal(t, "2026-03-28", day)
	require.Equal(t, "12:00:00", show(opened.Add(time.Hour)))
	show, day = c.shortly([]time.Time{opened, opened.Add(24 * time.Hour)})
	require.Empty(t, day)
	require.Equal(t, "2026-03-28 11:00:00", show(opened))
}

func TestShellWord(t *testing.T) {
	for name, want := range map[string]string{
		"EX-0042": "EX-0042", "shelf/v6.book": "shelf/v6.book", "my engine": "'my engine'",
		"it's": `'it'\''s'`, "-rf": "'-rf'", "": "''", "a;b": "'a;b'", "$(x)": "'$(x)'",
	} {
		require.Equal(t, want, shellWord(name))
	}
}

// The drawing keeps the proportions of the plan, y up, and no disc leaves it or
// covers another.
func TestDrawingIsToScale(t *testing.T) {
	for name, build := range map[string]func(testing.TB) *record{"vee six": mistakes, "straight six": straight} {
		in := build(t).input(t)
		_, root := written(t, in)
		for i, js := range in.State.Joints {
			t.Run(name+" "+js.Joint.Key, func(t *testing.T) {
				svg := joints(root)[i].all(named("svg"))[0]
				box := strings.Fields(svg.attrs["viewBox"])
				width, height := number(t, box[2]), number(t, box[3])
				require.LessOrEqual(t, width, fullWidth+0.1)
				discs := svg.all(classed("disc"))
				require.Len(t, discs, len(js.Joint.Bolts))
				type xy struct{ x, y, r float64 }
				var at []xy
				for _, d := range discs {
					p := xy{number(t, d.attrs["cx"]), number(t, d.attrs["cy"]), number(t, d.attrs["r"])}
					require.True(t, p.x-p.r >= 0 && p.x+p.r <= width && p.y-p.r >= 0 && p.y+p.r <= height)
					at = append(at, p)
				}
				scale := 0.0
				for k := 1; k < len(at); k++ {
					a, b := js.Joint.Bolts[0], js.Joint.Bolts[k]
					dx := b.X.Base().Sub(a.X.Base()).InexactFloat64()
					dy := b.Y.Base().Sub(a.Y.Base()).InexactFloat64()
					apart := math.Hypot(at[k].x-at[0].x, at[k].y-at[0].y)
					require.Greater(t, apart, at[k].r+at[0].r)
					if scale == 0 {
						scale = apart / math.Hypot(dx, dy)
					}
					require.InDelta(t, dx*scale, at[k].x-at[0].x, 0.5)
					require.InDelta(t, -dy*scale, at[k].y-at[0].y, 0.5)
				}
			})
		}
	}
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return f
}

func TestDrawingSaysWhatIsOpen(t *testing.T) {
	_, root := written(t, mistakes(t).input(t))
	said := map[string]string{}
	for _, g := range joints(root)[0].all(named("svg"))[0].all(named("g")) {
		title := g.all(named("title"))[0].text
		said[strings.Fields(strings.ReplaceAll(title, ",", " "))[1]] = title
		require.Contains(t, g.text, "bolt")
	}
	require.Equal(t, map[string]string{
		"4": "bolt 4, number 1 in the order: too early",
		"5": "bolt 5, number 2 in the order: within",
		"3": "bolt 3, number 3 in the order: not done yet", // in the re-check
		"6": "bolt 6, number 4 in the order: skipped",
		"2": "bolt 2, number 5 in the order: within", // in stage 3; attested was stage 2
		"7": "bolt 7, number 6 in the order: missed",
		"1": "bolt 1, number 7 in the order: doubtful",
		"8": "bolt 8, number 8 in the order: low",
	}, said)
	legend := joints(root)[0].all(classed("legend"))[0].text
	require.NotContains(t, legend, "attested")
	require.Contains(t, legend, "double ring: among the first 4 pulled in the last stage")
	require.Len(t, joints(root)[0].all(classed("ring")), 4)
}

// A drawing made in the middle of a pass must not show a bolt as done in it, and
// what was attested is marked.
func TestDrawingInTheMiddleOfAPass(t *testing.T) {
	r := newRecord(t, "vee-six.toml")
	r.prepared("head-left")
	r.stage(t, "head-left", "stage-1", wrench)
	r.reading("head-left/4", "stage-2", "45 lbf·ft", fact.Instrument{}, attested)
	_, root := written(t, r.input(t))
	part := joints(root)[0]
	require.Contains(t, part.all(named("svg"))[0].text, "bolt 4, number 1 in the order: within, attested")
	legend := part.all(classed("legend"))[0].text
	require.Contains(t, legend, "○ not done yet: 7")
	require.Contains(t, legend, "✓ within: 1")
	require.Contains(t, legend, "dashed: ◊ attested")
	require.Len(t, part.all(classed("attested")), 1)
}

// However bolts lie, words must not cover each other unless the sheet says that
// they are too close.
func TestLayouts(t *testing.T) {
	held := boltState{place: "b12", mark: mark.Verdict(judge.Held)}
	grid := func(nx, ny int, dx, dy float64) (xs, ys []float64) {
		for i := range nx {
			for k := range ny {
				xs, ys = append(xs, float64(i)*dx), append(ys, float64(k)*dy)
			}
		}
		return xs, ys
	}
	for _, tc := range []struct {
		name           string
		nx, ny         int
		dx, dy         float64
		words, crowded bool
	}{
		{"one bolt", 1, 1, 0, 0, true, false},
		{"head", 7, 2, 126, 96, true, false},
		{"row", 20, 1, 35, 0, false, false},
		{"column", 1, 20, 0, 35, true, false},
		{"close", 60, 1, 1, 0, false, true},
		{"tiny", 4, 2, 0.001, 0.001, true, false},
		{"huge", 4, 2, 1e9, 1e9, true, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			xs, ys := grid(tc.nx, tc.ny, tc.dx, tc.dy)
			l := choose(xs, ys, slices.Repeat([]boltState{held}, len(xs)))
			require.Equal(t, tc.words, l.words)
			require.Equal(t, tc.crowded, l.crowded)
			for i := range xs {
				for k := range i {
					x, y := math.Abs(xs[i]-xs[k])*l.scale, math.Abs(ys[i]-ys[k])*l.scale
					require.True(t, tc.crowded || x >= l.wide*l.size-1e-6 || y >= l.high*l.size-1e-6)
				}
			}
			require.LessOrEqual(t, (slices.Max(xs)-slices.Min(xs))*l.scale+l.wide*l.size, fullWidth+1e-6)
			require.LessOrEqual(t, (slices.Max(ys)-slices.Min(ys))*l.scale, mostHigh+1e-6)
		})
	}
}

func TestLimitsWithoutEndlessDigits(t *testing.T) {
	third := quantity.MustParse("33.333333333333333333 N·m")
	require.Equal(t, "33.333–36.4 N·m", limitWords(quantity.Limits{Least: third, Most: quantity.MustParse("36.4 N·m")}))
	require.Equal(t, "at most 0.00025 mm", limitWords(quantity.Limits{Most: quantity.MustParse("0.00025 mm")}))
	require.Equal(t, "at least 33.333 N·m", limitWords(quantity.Limits{Least: third}))
}

// A finding about several readings stands beside each of them.
func TestAFindingOfSeveralBoltsIsAtEachOfThem(t *testing.T) {
	r := newRecord(t, "vee-six.toml")
	r.confirm("manifold/seals")
	low := small
	low.Range.Least = quantity.MustParse("100 lbf·in")
	r.stage(t, "manifold", "stage-1", low)
	in := r.input(t)
	number := 1 + slices.IndexFunc(in.State.Findings, func(f judge.Finding) bool { return f.Kind == judge.InstrumentRange })
	require.Positive(t, number)
	_, root := written(t, in)
	links := tables(joints(root)[2])["Stage 1"].all(func(n *node) bool { return n.attrs["href"] == fmt.Sprintf("#F%d", number) })
	require.Len(t, links, 6)
}

// Two instruments under one name, or one before and after its calibration, must
// be told apart at every reading.
func TestInstrumentsOfOneNameAreNumbered(t *testing.T) {
	r := newRecord(t, "vee-six.toml")
	r.reading("head-left/4", "stage-1", "25.0 lbf·ft", wrench)
	r.reading("head-left/3", "stage-1", "0.1 mm", gauge)
	other := wrench
	other.Calibrated = "2026-03-02"
	r.reading("head-left/5", "stage-1", "25.1 lbf·ft", other)
	_, root := written(t, r.input(t))
	stage := tables(joints(root)[0])["Stage 1"]
	row, _ := line(t, stage, "bench-1#2")
	require.Contains(t, row.text, "big-wrench [1]")
	row, _ = line(t, stage, "bench-1#3")
	require.Contains(t, row.text, "depth-gaugebench-1#3")
	row, _ = line(t, stage, "bench-1#4")
	require.Contains(t, row.text, "big-wrench [3]")
	rows := root.all(classed("instruments"))[0].all(named("tr"))
	require.Len(t, rows, 4)
	require.Contains(t, rows[3].text, "big-wrench [3]")
	require.Contains(t, rows[3].text, "2026-03-02")
}

// An open re-check says from when on it may be made.
func TestTheWaitIsShown(t *testing.T) {
	r := newRecord(t, "vee-six.toml")
	r.prepared("head-left")
	for i := 1; i <= 3; i++ {
		r.stage(t, "head-left", fact.Pass(fmt.Sprintf("stage-%d", i)), wrench)
	}
	last := r.entries[len(r.entries)-1].Time
	_, root := written(t, r.input(t))
	from := last.Add(20 * time.Minute).In(time.FixedZone("", 3600)).Format(time.DateTime)
	require.Contains(t, tables(joints(root)[0])["Re-check"].text, "Not before "+from)
	require.Contains(t, root.all(classed("again"))[0].text, "not before "+from)
	require.Contains(t, root.all(classed("again"))[0].text, "re-check: check57.2–67.6 lbf·ft")
}

// Entries of two stations keep their own numbers and both heads are shown.
func TestTwoStations(t *testing.T) {
	r := newRecord(t, "vee-six.toml")
	r.reading("head-left/4", "stage-1", "25.0 lbf·ft", wrench)
	r.entries = append(r.entries, fact.Entry{Ref: fact.Ref{Station: "bench-2", Number: 1}, Time: r.at,
		Body: fact.Reading{Point: "head-left/5", Pass: "stage-1", Value: quantity.MustParse("25.2 lbf·ft"), Instrument: wrench}})
	in := r.input(t)
	in.Heads = []Head{{"bench-1", 2, hashOf(r.entries[1].Ref)}, {"bench-2", 1, hashOf(r.entries[2].Ref)}}
	_, root := written(t, in)
	_, _ = line(t, tables(joints(root)[0])["Stage 1"], "bench-2#1")
	rows := root.all(classed("book"))[0].all(named("tr"))
	require.Len(t, rows, 3)
	for i, h := range in.Heads {
		require.Equal(t, h.Station+strconv.FormatUint(h.Number, 10)+hex.EncodeToString(h.Hash[:]), rows[i+1].text)
	}
}
