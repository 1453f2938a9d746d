package main

import (
	"context"
	"fmt"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/mark"
)

// What a person decides at a desk about findings and bolts.

var byFlag = cli.Flag{Name: "by", Kind: cli.String, Value: "NAME", Env: "PAINTMARK_BY", Help: "who decides, which is kept"}

// reasoned are the reason and the name of a decision, which both are needed.
func reasoned(c *cli.Call) (because, by string, err error) {
	because, by = strings.TrimSpace(c.String("because")), strings.TrimSpace(c.String("by"))
	switch {
	case because == "":
		return "", "", cli.Usagef("why? give a reason with --because")
	case by == "":
		return "", "", cli.WithHint(cli.Usagef("who decides? give a name with --by"), "or set PAINTMARK_BY once")
	}
	return because, by, nil
}

func acceptCommand() *cli.Command {
	return &cli.Command{
		Name:    "accept",
		Summary: "accepts a finding, with a reason: what it is about may stand as it is",
		About: `The finding is named as state and review show it. A reading that is accepted needs
nothing more. What comes later is found anew. What is still to be done cannot be
accepted; it is done or left out.`,
		Examples: []cli.Example{
			{Line: `paintmark accept 2117 k7m2qx --because "order does not matter here" --by "A. Muster"`, Does: "accepts a finding"},
		},
		Args:  []cli.Arg{buildArg, {Name: "finding", Help: "the finding's name, as review shows it", Complete: completeFindings}},
		Flags: []cli.Flag{becauseFlag, byFlag, stationFlag},
		Run: func(ctx context.Context, c *cli.Call) error {
			state, e, err := recordFact(ctx, c, func(_ []fact.Entry, s *judge.State) (fact.Body, error) {
				because, by, err := reasoned(c)
				if err != nil {
					return nil, err
				}
				a, err := s.Accept(c.Arg("finding"), because, by)
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				return a, nil
			})
			if err != nil {
				return err
			}
			a := e.Body.(fact.Accepted)
			m := mark.Status(judge.Accepted)
			if _, err := fmt.Fprintf(c.Out, "%s %s  %s  %s  %s\n", m.Symbol, m.Word, join(a.Finding, string(a.Point), string(a.Pass)), a.Kind, e.Ref); err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

func sendbackCommand() *cli.Command {
	return &cli.Command{
		Name:    "sendback",
		Summary: "sends a bolt back to the builder, with a reason",
		About: `It is work until a newer reading of it is right. A measured step of preparation can
be sent back too. Where a joint is tightened by angle or stretch, the bolt is
loosened and tightened again from the first stage.`,
		Examples: []cli.Example{
			{Line: `paintmark sendback 2117 head-left/7 --because "the mark has turned" --by "A. Muster"`, Does: "in the pass in which the bolt was read last"},
		},
		Args:  []cli.Arg{buildArg, pointArg},
		Flags: []cli.Flag{passFlag, becauseFlag, byFlag, stationFlag},
		Run: func(ctx context.Context, c *cli.Call) error {
			state, e, err := recordFact(ctx, c, func(_ []fact.Entry, s *judge.State) (fact.Body, error) {
				because, by, err := reasoned(c)
				if err != nil {
					return nil, err
				}
				b, err := s.SendBack(fact.Point(c.Arg("point")), fact.Pass(c.String("pass")), because, by)
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				return b, nil
			})
			if err != nil {
				return err
			}
			b := e.Body.(fact.SentBack)
			if _, err := fmt.Fprintf(c.Out, "%s sent back  %s  %s\n", mark.Status(judge.Open).Symbol, join(string(b.Point), string(b.Pass)), e.Ref); err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

// completeFindings offers the findings of the build that can be accepted.
func completeFindings(ctx context.Context, c *cli.Call, _ string) cli.Completion {
	b, err := openBook(c, false)
	if err != nil {
		return cli.Completion{}
	}
	_, state, err := judged(ctx, b)
	if err != nil {
		return cli.Completion{}
	}
	var words []string
	for _, f := range state.Findings {
		if _, err := state.Accept(f.Name, "", ""); err == nil {
			words = append(words, f.Name+"\t"+string(f.Kind)+" "+string(f.Point))
		}
	}
	return cli.Completion{Words: words}
}
