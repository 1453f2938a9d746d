package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/mark"
)

func reviewCommand() *cli.Command {
	return &cli.Command{
		Name:    "review",
		Summary: "shows what was found, then every reading",
		About:   "For QA, at a desk, also while the bench works on. The filters can be combined.",
		Examples: []cli.Example{
			{Line: "paintmark review 2117", Does: "all of it"},
			{Line: "paintmark review 2117 --joint head-left --pass recheck", Does: "one pass"},
			{Line: "paintmark review 2117 --verdict low --verdict relaxed", Does: "what was not right"},
			{Line: "paintmark review 2117 --json", Does: "for a program that reads it"},
		},
		Args: []cli.Arg{buildArg},
		Flags: []cli.Flag{
			{Name: "joint", Kind: cli.String, Value: "JOINT", Help: "only this joint"},
			{Name: "pass", Kind: cli.String, Value: "PASS", Help: "only this pass, as in stage-2 or recheck"},
			{Name: "bolt", Kind: cli.String, Value: "BOLT", Help: "only this bolt or step of each joint"},
			{Name: "verdict", Kind: cli.Strings, Value: "VERDICT", Help: "only readings with this verdict"},
		},
		JSON: true,
		Run: func(ctx context.Context, c *cli.Call) error {
			b, _, state, err := readBuild(ctx, c)
			if err != nil {
				return err
			}
			f := filter{c.String("joint"), fact.Pass(c.String("pass")), c.String("bolt"), map[string]bool{}}
			for _, v := range c.Strings("verdict") {
				f.verdicts[v] = true
			}
			if c.JSON() {
				err = json.NewEncoder(c.Out).Encode(reviewOf(b.Build(), state, f))
			} else {
				err = printReview(c.Out, b.Build(), state, f, time.Local)
			}
			if err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

// filter tells which readings and findings are shown.
type filter struct {
	joint    string
	pass     fact.Pass
	bolt     string
	verdicts map[string]bool
}

func (f filter) place(joint, place string, pass fact.Pass) bool {
	return (f.joint == "" || f.joint == joint) && (f.bolt == "" || f.bolt == place) && (f.pass == "" || f.pass == pass)
}

func (f filter) reading(r judge.Judged) bool {
	p := r.Reading.Point
	return f.place(p.Joint(), p.Place(), r.Reading.Pass) && (len(f.verdicts) == 0 || f.verdicts[string(r.Verdict)])
}

func (f filter) findings(s *judge.State) []judge.Finding {
	var list []judge.Finding
	for _, found := range s.Findings {
		if f.place(found.Joint, found.Point.Place(), found.Pass) {
			list = append(list, found)
		}
	}
	return list
}

// readings are all readings of a build in the order of plan and passes.
func readings(s *judge.State, f filter) []judge.Judged {
	var list []judge.Judged
	take := func(cells []*judge.Cell) {
		for _, c := range cells {
			for _, r := range c.Readings {
				if f.reading(r) {
					list = append(list, r)
				}
			}
		}
	}
	for _, js := range s.Joints {
		take(js.Steps)
		for _, ps := range js.Passes {
			take(ps.Cells)
		}
	}
	for _, r := range s.Loose {
		if f.reading(r) {
			list = append(list, r)
		}
	}
	return list
}

type review struct {
	Build     string            `json:"build"`
	Findings  []answer.Finding  `json:"findings"`
	Readings  []answer.Reading  `json:"readings"`
	Decisions []answer.Decision `json:"decisions"`
}

func reviewOf(build string, s *judge.State, f filter) review {
	r := review{Build: build, Findings: answer.FindingsOf(f.findings(s)), Readings: []answer.Reading{}, Decisions: answer.DecisionsOf(s.Decisions)}
	for _, judged := range readings(s, f) {
		r.Readings = append(r.Readings, answer.ReadingOf(judged))
	}
	return r
}

func printReview(to io.Writer, build string, s *judge.State, f filter, zone *time.Location) error {
	if _, err := fmt.Fprintf(to, "%s: %s, edition %s%s\n\n", build, s.Plan.Title, s.Plan.Edition, identityWords(s)); err != nil {
		return err
	}
	if err := printFindings(to, f.findings(s)); err != nil {
		return err
	}
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	group := ""
	for _, r := range readings(s, f) {
		if g := r.Reading.Point.Joint() + " " + string(r.Reading.Pass); g != group {
			group = g
			_, _ = fmt.Fprintf(w, "\n%s\n", groupName(s, r))
		}
		m := mark.Verdict(r.Verdict)
		value := r.Reading.Spoken()
		if c, err := r.Turned.Cmp(r.Reading.Angle); err == nil && c != 0 {
			value += ", " + r.Turned.String() + " in all"
		}
		if !r.Stretch.IsZero() {
			value += ", stretch " + r.Stretch.String()
		}
		_, _ = fmt.Fprintf(w, "  %s\t%s\t%s %s\t%s\t%s\t%s\n", r.Reading.Point.Place(), value, m.Symbol, m.Word,
			r.Entry.Time.In(zone).Format("2006-01-02 15:04:05"), r.Entry.Ref, remarks(r))
	}
	for i, d := range s.Decisions {
		if i == 0 {
			_, _ = fmt.Fprintln(w, "\ndecisions")
		}
		what, point, because, by := string(judge.BoltSentBack), d.Entry.Body.About(), "", ""
		switch b := d.Entry.Body.(type) {
		case fact.Accepted:
			what, because, by = string(judge.Accepted)+" "+b.Finding+", "+b.Kind, b.Because, b.By
		case fact.SentBack:
			because, by = b.Because, b.By
		}
		if d.Void != nil {
			because += fmt.Sprintf("; %s taken back: %s", mark.TakenBack.Symbol, d.Void.Body.(fact.Void).Because)
		}
		_, _ = fmt.Fprintf(w, "  %s\t%s\t%s\t%s\t%s\t%s\n", point, what, by, d.Entry.Time.In(zone).Format("2006-01-02 15:04:05"), d.Entry.Ref, because)
	}
	return w.Flush()
}

func groupName(s *judge.State, r judge.Judged) string {
	js, ok := s.Joint(r.Reading.Point.Joint())
	if !ok {
		return r.Reading.Point.Joint() + ", not in the plan"
	}
	if ps, ok := js.Pass(r.Reading.Pass); ok {
		words := fmt.Sprintf("%s, %s: %s (%s)", js.Joint.Key, ps.Pass.Name, plan.TargetWords(ps.Pass.Target), ps.Pass.Limits)
		if !ps.Pass.Watch.IsZero() {
			words += ", torque at the end " + ps.Pass.Watch.String()
		}
		return words
	}
	return js.Joint.Key + ", preparation"
}

// remarks are what else is to be said of a reading.
func remarks(r judge.Judged) string {
	var list []string
	if r.Void != nil {
		list = append(list, fmt.Sprintf("%s taken back: %s", mark.TakenBack.Symbol, r.Void.Body.(fact.Void).Because))
	}
	if r.Reading.Attested {
		list = append(list, mark.Attested.Symbol+" attested")
	} else {
		list = append(list, r.Reading.Instrument.Name)
	}
	if r.Early {
		list = append(list, mark.Early.Symbol+" too early")
	}
	if r.Again {
		list = append(list, "pulled again")
	}
	list = append(list, r.Reading.Status...)
	if r.Reading.Told != "" && r.Reading.Told != string(r.Verdict) {
		list = append(list, "the builder was told "+r.Reading.Told)
	}
	return strings.Join(list, ", ")
}
