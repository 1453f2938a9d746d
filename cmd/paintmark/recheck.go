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
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/cli"
)

func recheckCommand() *cli.Command {
	return &cli.Command{
		Name:    "recheck",
		Summary: "lists the bolts to go over again, first-pulled first, and why",
		About: `In each joint the bolts stand in the order in which they were really pulled in
the last stage: those pulled first have settled under all the others.`,
		Examples: []cli.Example{
			{Line: "paintmark recheck 2117", Does: "the list, to take to the engine"},
		},
		Args: []cli.Arg{buildArg},
		JSON: true,
		Run: func(ctx context.Context, c *cli.Call) error {
			_, _, state, err := readBuild(ctx, c)
			if err != nil {
				return err
			}
			if c.JSON() {
				err = json.NewEncoder(c.Out).Encode(answer.AgainOf(state.Again))
			} else {
				err = printAgain(c.Out, state, time.Now())
				printCautions(c.Err, state)
			}
			if err == nil && len(state.Again) > 0 {
				err = cli.Fail(cli.Findings, nil)
			}
			return err
		},
	}
}

func printAgain(to io.Writer, s *judge.State, now time.Time) error {
	if len(s.Again) == 0 {
		_, err := fmt.Fprintln(to, "No bolt is to be gone over.")
		return err
	}
	joint := ""
	for _, a := range s.Again {
		if a.Joint != joint {
			joint = a.Joint
			js, _ := s.Joint(joint)
			if _, err := fmt.Fprintf(to, "%s: %s\n", joint, js.Joint.Title); err != nil {
				return err
			}
		}
		when := ""
		if a.NotBefore.After(now) {
			when = ", not before " + a.NotBefore.In(now.Location()).Format("15:04:05")
		}
		goal := " to " + a.Target.String()
		if a.Target.Dimension() != quantity.Torque {
			goal = ": " + plan.TargetWords(a.Target)
		}
		if _, err := fmt.Fprintf(to, "  [ ] bolt %-4s %s%s (%s)%s\n         %s\n", a.Place, a.Name, goal, a.Limits, when,
			strings.Join(a.Reasons, "\n         ")); err != nil {
			return err
		}
	}
	return nil
}
