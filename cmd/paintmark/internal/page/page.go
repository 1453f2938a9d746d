// Package page writes the trace page: every pull of one engine's book as a curve, in
// one HTML file that is opened from disk and needs no network.
//
// The page has in it the samples of each pull as the book keeps them: integers with
// an exponent, told as differences. What a reader is shown is made of those integers;
// only the lines on the screen are thinned, and never by a whole pixel. Turn
// is computed (package trace) and is said to be.
//
// Curves are drawn by uPlot, whose source and licence are in the folder uplot; its
// content-security policy lets the page run these scripts and reach nothing. All text
// that comes from a plan or a book is somebody else's: html/template escapes it, and
// the script only ever sets it as text.
//
// The page shows and does not judge: marks are those of package mark, findings those
// of packages judge and trace.
package page

import (
	"bytes"
	"crypto/sha256"
	_ "embed" // the page, its style and its scripts
	"encoding/base64"
	"encoding/json"
	"html/template"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/mark"
)

// An Input is what a page is written from.
type Input struct {
	State   *judge.State
	Entries []fact.Entry
	// Trace gives the samples that an entry names.
	Trace func(fact.Trace) (*trace.Trace, error)
	// Build is the name under which the shelf has the book.
	Build string
	// Verified tells that the book was found sound; Summary says what was found.
	Verified bool
	Summary  string
	// Printed is when, and Version which program does it.
	Printed time.Time
	Version string
	// TimeZone is where the times are shown; nil for UTC.
	TimeZone *time.Location
}

func (in Input) zone() *time.Location {
	if in.TimeZone == nil {
		return time.UTC
	}
	return in.TimeZone
}

var (
	//go:embed page.html
	pageText string
	//go:embed page.css
	styleText string
	//go:embed page.js
	scriptText string
	//go:embed uplot/uPlot.iife.min.js
	plotText string
	//go:embed uplot/uPlot.min.css
	plotStyle string
	//go:embed uplot/LICENSE
	plotLicence string
	//go:embed uplot/SOURCE
	plotSource string
)

var page = sync.OnceValue(func() *template.Template { return template.Must(template.New("page").Parse(pageText)) })

type view struct {
	Build, Plan, Edition, Engine string
	Identity                     []fact.Identity
	Standing                     markData
	StandingText                 string
	Sound                        bool
	Summary                      string
	Findings                     []findingView
	OddPulls                     []oddView
	Joints                       []jointView
	Pulls                        []pullView
	Without, Unplaced            int
	Unread                       []string
	Attested, Readings           int
	Cautions                     []string
	Printed, Version             string
	Policy                       string
	Style                        template.CSS
	Plot, Script, Data           template.JS
	Licence                      string
}

type findingView struct {
	Mark               markData
	Kind, Where        string
	Text, Remedy, Name string
	Pull               int // −1 if no trace belongs to it
}

type oddView struct {
	Pull              int
	Where, Kind, Text string
	Mark              markData
}

type pullView struct {
	Index int
	*pullData
	PassName string
	OddWords string
}

// Write writes the page.
func Write(w io.Writer, in Input) error {
	if in.State == nil || in.State.Plan == nil || in.Trace == nil {
		return errNothing
	}
	g := &gathering{in: in, last: map[fact.Point]quantity.Quantity{}}
	doc := document{Pulls: g.pulls()}
	for _, js := range in.State.Joints {
		doc.Joints = append(doc.Joints, jointOf(js.Joint))
	}
	data, err := json.Marshal(doc)
	if err != nil {
		return err
	}
	v := newView(in, g, doc.Pulls)
	v.Data = template.JS(data) // json.Marshal escapes what could end the element
	var b bytes.Buffer
	if err := page().Execute(&b, v); err != nil {
		return err
	}
	_, err = w.Write(bytes.Map(allowed, b.Bytes()))
	return err
}

// allowed replaces what no HTML may hold, and the controls that turn the direction of
// the text after them (Unicode Standard Annex 9, section 2).
func allowed(r rune) rune {
	switch {
	case r < 0x20 && r != '\t' && r != '\n' && r != '\r', r == 0x7F,
		r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069, r == 0xFFFE, r == 0xFFFF:
		return 0xFFFD
	}
	return r
}

func newView(in Input, g *gathering, pulls []*pullData) *view {
	s := in.State
	v := &view{
		Build: in.Build, Plan: s.Plan.Title, Edition: s.Plan.Edition, Engine: s.Plan.Engine.Name, Identity: s.Opening.Identity,
		Sound: in.Verified, Summary: in.Summary, Without: g.without, Unplaced: traces(in.Entries) - len(pulls) - len(g.unread), Unread: g.unread, Attested: s.Attested, Readings: s.Readings,
		Cautions: caution.All(), Printed: in.Printed.In(in.zone()).Format("2006-01-02 15:04:05 -07:00"), Version: in.Version,
		Plot: template.JS(plotText), Script: template.JS(scriptText), Licence: plotSource + "\n" + plotLicence,
	}
	if v.Build == "" {
		v.Build = s.Opening.Build
	}
	v.Policy = "default-src 'none'; style-src 'unsafe-inline'; script-src " + hashOf(plotText) + " " + hashOf(scriptText) + "; base-uri 'none'; form-action 'none'"
	v.Style = style()
	switch n := s.Unsettled(); {
	case n > 0:
		v.Standing, v.StandingText = markOf(mark.Status(judge.Open)), strconv.Itoa(n)+" open or for review"
	case !s.Complete():
		v.Standing, v.StandingText = markOf(mark.Pending), "work is left to do; nothing that was found is open"
	default:
		v.Standing, v.StandingText = markOf(mark.Status(judge.Settled)), "all is done, and nothing that was found is open"
	}
	for n, f := range s.Findings {
		one := findingView{Mark: markOf(mark.Status(f.Status)), Kind: string(f.Kind), Where: f.Joint, Text: f.Text, Remedy: f.Remedy, Name: f.Name, Pull: -1}
		if f.Point != "" {
			one.Where = string(f.Point)
		}
		for i, p := range pulls {
			for _, k := range p.finding {
				if k == n {
					one.Pull = i
				}
			}
		}
		v.Findings = append(v.Findings, one)
	}
	for i, p := range pulls {
		row := pullView{Index: i, pullData: p, PassName: p.pass.Name}
		var words []string
		for _, o := range p.Odd {
			words = append(words, o.Kind)
		}
		row.OddWords = strings.Join(words, ", ")
		v.Pulls = append(v.Pulls, row)
		for _, o := range p.Odd[:p.own] {
			v.OddPulls = append(v.OddPulls, oddView{i, p.Point + ", " + p.pass.Name, o.Kind, o.Text, p.Mark})
		}
	}
	for _, js := range s.Joints {
		v.Joints = append(v.Joints, drawn(js.Joint))
	}
	return v
}

// traces counts the traces that entries name.
func traces(entries []fact.Entry) (n int) {
	for _, e := range entries {
		var name fact.Trace
		switch b := e.Body.(type) {
		case fact.Reading:
			name = b.Trace
		case fact.Interrupted:
			name = b.Trace
		case fact.Note:
			name = b.Trace
		}
		if name != (fact.Trace{}) {
			n++
		}
	}
	return n
}

func hashOf(script string) string {
	sum := sha256.Sum256([]byte(script))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// style is the style sheet with a class and a variable for each colour of the palette.
func style() template.CSS {
	var b strings.Builder
	b.WriteString(plotStyle + "\n")
	b.WriteString(":root{")
	for _, c := range append(mark.Palette(), mark.White) {
		b.WriteString("--" + class(c) + ":" + c.Hex() + ";")
	}
	b.WriteString("}\n" + styleText)
	for _, c := range append(mark.Palette(), mark.White) {
		b.WriteString("." + class(c) + "{background:" + c.Hex() + ";color:" + c.Ink().Hex() + "}\n")
	}
	return template.CSS(b.String()) // of constants only
}

// class is the colour's name as a class: "bluish-green".
func class(c mark.Colour) string { return strings.ReplaceAll(c.Name, " ", "-") }
