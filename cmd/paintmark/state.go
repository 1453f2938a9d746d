package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/mark"
)

func stateCommand() *cli.Command {
	return &cli.Command{
		Name:    "state",
		Summary: "says how far a build is, what was found and what is next",
		Examples: []cli.Example{
			{Line: "paintmark state 2117", Does: "in words"},
			{Line: "paintmark state 2117 --json", Does: "for a program that reads it"},
		},
		Args: []cli.Arg{buildArg},
		JSON: true,
		Run: func(ctx context.Context, c *cli.Call) error {
			b, _, state, err := readBuild(ctx, c)
			if err != nil {
				return err
			}
			if c.JSON() {
				err = json.NewEncoder(c.Out).Encode(answer.BuildOf(b.Build(), state))
			} else {
				err = printState(c.Out, b.Build(), state, time.Now())
				printCautions(c.Err, state)
			}
			if err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

func printState(to io.Writer, build string, s *judge.State, now time.Time) error {
	var b strings.Builder
	say := func(format string, args ...any) {
		b.WriteString(strings.TrimRight(fmt.Sprintf(format, args...), " ") + "\n")
	}
	row := func(name, bar, words string) { say("  %-14s %-24s %s", name, bar, words) }
	say("%s: %s, edition %s", build, s.Plan.Title, s.Plan.Edition)
	say("%s%s", s.Plan.Engine.Name, identityWords(s))
	say("%s, %d of them attested; %d taken back", count(s.Readings, "reading", "readings"), s.Attested, s.Voided)
	for _, js := range s.Joints {
		say("\n%s: %s", js.Joint.Key, js.Joint.Title)
		if n := len(js.Steps); n > 0 {
			row("preparation", bar(stepsDone(js), n), left(js.Steps))
		}
		for _, ps := range js.Passes {
			if ps.Pass.Kind == plan.Retorque && !ps.Begun() {
				row(ps.Pass.Name, bar(0, len(ps.Cells)), "after "+plan.CycleWords(ps.Pass.HeatCycles))
				continue
			}
			row(ps.Pass.Name, bar(ps.Done(), len(ps.Cells)), left(ps.Cells))
		}
	}
	say("")
	if _, err := io.WriteString(to, b.String()); err != nil {
		return err
	}
	if err := printFindings(to, s.Findings); err != nil {
		return err
	}
	_, err := fmt.Fprintln(to, nextLine(s, now))
	return err
}

func printCautions(to io.Writer, s *judge.State) {
	for _, said := range caution.For(s.Plan) {
		_, _ = fmt.Fprintln(to, "caution: "+said)
	}
}

func identityWords(s *judge.State) string {
	words := ""
	for _, id := range s.Opening.Identity {
		words += fmt.Sprintf(", %s %s", id.Name, id.Value)
	}
	return words
}

func stepsDone(js *judge.JointState) int {
	n := 0
	for _, c := range js.Steps {
		if c.Done {
			n++
		}
	}
	return n
}

// bar is "████░░ 4 of 6".
func bar(done, all int) string {
	const width = 12
	full := 0
	if all > 0 {
		full = done * width / all
	}
	return strings.Repeat("█", full) + strings.Repeat("░", width-full) + fmt.Sprintf(" %d of %d", done, all)
}

// left names what is not done, where anything is.
func left(cells []*judge.Cell) string {
	var places []string
	done := 0
	for _, c := range cells {
		if c.Done {
			done++
		} else {
			places = append(places, c.Place)
		}
	}
	if done == len(cells) {
		return mark.Verdict(judge.Within).Symbol
	}
	if done == 0 {
		return ""
	}
	return "left: " + strings.Join(places, " ")
}

func printFindings(to io.Writer, findings []judge.Finding) error {
	if len(findings) == 0 {
		_, err := fmt.Fprintln(to, "Nothing was found.")
		return err
	}
	for _, f := range findings {
		where := f.Joint
		if f.Point != "" {
			where = string(f.Point)
		}
		m := mark.Status(f.Status)
		by := ""
		if !f.By.IsZero() {
			by = " (" + f.By.String() + ")"
		}
		if _, err := fmt.Fprintf(to, "%s %-10s  %s  %s: %s\n  %10s  → %s%s\n", m.Symbol, m.Word, where, f.Kind, f.Text, f.Name, f.Remedy, by); err != nil {
			return err
		}
	}
	return nil
}

func nextLine(s *judge.State, now time.Time) string {
	if s.Complete() {
		return "\nNothing is left to do."
	}
	t := s.Tasks[0]
	words := "\nnext: "
	switch t.Kind {
	case judge.Confirm:
		words += fmt.Sprintf("confirm %s: %s", t.Point, t.Name)
	case judge.Measure:
		if t.Limits.IsZero() {
			words += fmt.Sprintf("measure %s: %s", t.Point, t.Name)
			break
		}
		words += fmt.Sprintf("measure %s: %s, allowed is %s", t.Point, t.Name, t.Limits)
	default:
		words += fmt.Sprintf("%s, %s: %s (%s)", t.Point, t.Name, plan.TargetWords(t.Target), t.Limits)
		if !t.Left.IsZero() {
			words += ", " + t.Left.String() + " more"
		}
		if !t.Watch.IsZero() {
			words += ", torque at the end " + t.Watch.String()
		}
		if !t.Shows.IsZero() {
			words += ", the indicator must show " + t.Shows.String()
		}
	}
	if t.SentBack != "" {
		words += ", sent back: " + t.SentBack
	}
	if t.Loosen != "" {
		words += "; loosen it first (" + t.Loosen + ")"
	}
	if t.NotBefore.After(now) {
		words += ", not before " + t.NotBefore.In(now.Location()).Format("2006-01-02 15:04:05")
	}
	return words
}
