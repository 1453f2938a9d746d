package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"paintmark/calc/plan"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/cli"
)

func planCommand() *cli.Command {
	return &cli.Command{
		Name:    "plan",
		Summary: "looks after plans, the files that say what a build needs",
		Commands: []*cli.Command{{
			Name:    "check",
			Summary: "reads a plan and says what is in it, or all that is wrong with it",
			About: `Every fault is told with its line and column and what to do about it. A sound
plan is shown as the program understands it: each joint with the order of its
bolts, each pass with its target and limits.`,
			Examples: []cli.Example{
				{Line: "paintmark plan check testdata/plans/vee-six.toml", Does: "checks a plan"},
			},
			Args: []cli.Arg{{Name: "file", Help: "the plan", Complete: cli.Files}},
			JSON: true,
			Run: func(_ context.Context, c *cli.Call) error {
				p, _, err := readPlan(c.Arg("file"))
				if err != nil {
					return err
				}
				for _, note := range p.Notes {
					_, _ = fmt.Fprintln(c.Err, "note: "+note)
				}
				for _, said := range caution.For(p) {
					_, _ = fmt.Fprintln(c.Err, "caution: "+said)
				}
				if c.JSON() {
					return json.NewEncoder(c.Out).Encode(answer.PlanOf(p))
				}
				return printPlan(c.Out, p)
			},
		}},
	}
}

func printPlan(to io.Writer, p *plan.Plan) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	say := func(format string, args ...any) { _, _ = fmt.Fprintf(w, format+"\n", args...) }
	say("%s, edition %s", p.Title, p.Edition)
	say("source of the figures: %s", p.Source)
	say("engine: %s, %d cylinders", p.Engine.Name, p.Engine.Cylinders)
	for _, j := range p.Joints {
		say("\n%s: %s", j.Key, j.Title)
		if len(j.After) > 0 {
			say("  after\t%s", strings.Join(j.After, ", "))
		}
		if made := join(j.Thread, j.Class, j.Lubricant); made != "" {
			say("  bolts\t%d, %s", len(j.Bolts), made)
		} else {
			say("  bolts\t%d", len(j.Bolts))
		}
		how := "as listed"
		if j.OrderComputed {
			how = "computed from the middle outwards"
		}
		keys := make([]string, len(j.Bolts))
		for i, b := range j.Bolts {
			keys[i] = b.Key
		}
		say("  order\t%s (%s)", strings.Join(keys, " "), how)
		lengths := 0
		for _, s := range j.Steps {
			if s.FreeLength() {
				lengths++
			} else if s.Measured() {
				say("  %s\tmeasured: %s, %s", s.Key, s.Text, s.Limits)
			} else {
				say("  %s\tconfirmed: %s", s.Key, s.Text)
			}
		}
		if lengths > 0 {
			say("  lengths\tmeasured: each of %s, before it is tightened", count(lengths, "bolt", "bolts"))
		}
		for _, pass := range j.Passes {
			say("  %s\t%s, %s%s", pass.Name, targetWords(pass), pass.Limits, passWords(pass, len(j.Bolts)))
		}
	}
	return w.Flush()
}

func join(parts ...string) string {
	var list []string
	for _, p := range parts {
		if p != "" {
			list = append(list, p)
		}
	}
	return strings.Join(list, ", ")
}

// targetWords is a pass's target, and what an angle begins at.
func targetWords(p plan.Pass) string {
	words := plan.TargetWords(p.Target)
	if p.ByAngle() {
		words += " on from " + p.Snug.String()
	}
	return words
}

// passWords says of a re-check or re-torque which bolts, when, and what counts.
func passWords(p plan.Pass, bolts int) string {
	if !p.Watch.IsZero() {
		return "; torque at the end " + p.Watch.String()
	}
	if p.Kind == plan.Stage {
		return ""
	}
	words := fmt.Sprintf("; all %d bolts", bolts)
	if p.First > 0 {
		words = fmt.Sprintf("; the %d bolts pulled first", p.First)
	}
	if p.Wait > 0 {
		words += ", not before " + plan.WaitWords(p.Wait)
	}
	if p.HeatCycles > 0 {
		words += ", after " + plan.CycleWords(p.HeatCycles)
	}
	if p.Kind == plan.Recheck && !p.Relaxed.IsZero() {
		words += ", relaxed below " + p.Relaxed.String()
	}
	if !p.Moved.IsZero() {
		words += ", moved beyond " + p.Moved.String()
	}
	return words
}
