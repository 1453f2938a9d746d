package main

import (
	"context"
	"fmt"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/mark"
	"paintmark/log/book"
)

// The commands that record one fact by word rather than by instrument. They are
// the keys of record, for where there is no terminal.

var pointArg = cli.Arg{Name: "point", Help: "the point, as in head-left/7", Complete: completePoints}

var passFlag = cli.Flag{Name: "pass", Kind: cli.String, Value: "PASS",
	Help: "the pass, as in stage-2, recheck or retorque; that in which the joint is if not given"}

// recordFact is a command's Run that records what body makes of the build's
// state, and says how.
func recordFact(ctx context.Context, c *cli.Call, body func([]fact.Entry, *judge.State) (fact.Body, error)) (*judge.State, fact.Entry, error) {
	b, err := openBook(c, true)
	if err != nil {
		return nil, fact.Entry{}, err
	}
	entries, state, err := judged(ctx, b)
	if err != nil {
		return nil, fact.Entry{}, err
	}
	made, err := body(entries, state)
	if err != nil {
		return nil, fact.Entry{}, err
	}
	return commit(ctx, c, b, made)
}

// commit appends one fact and judges the build anew.
func commit(ctx context.Context, c *cli.Call, b *book.Book, made fact.Body) (*judge.State, fact.Entry, error) {
	saved, err := b.Append(ctx, made)
	if len(saved) == 0 {
		return nil, fact.Entry{}, err
	}
	if err != nil {
		_, _ = fmt.Fprintf(c.Err, "warning: %v\n", err)
	}
	_, after, err := judged(ctx, b)
	return after, saved[0], err
}

func attestCommand() *cli.Command {
	return &cli.Command{
		Name:    "attest",
		Summary: "records a value that was stated by hand, not measured",
		About: `For a mechanical wrench or a feeler gauge. The value is marked as attested
everywhere and never counts as measured. Without a unit it is in the unit of its
target.`,
		Examples: []cli.Example{
			{Line: `paintmark attest 2117 head-left/7 "65 lbf·ft"`, Does: "one pull in the pass in which the joint is"},
			{Line: "paintmark attest 2117 head-left/dowel-front 0.305", Does: "a measured step of preparation"},
			{Line: `paintmark attest 88 head/2 "90°, 92 N·m"`, Does: "an angle, and the torque at its end if it is known"},
		},
		Args:  []cli.Arg{buildArg, pointArg, {Name: "value", Help: "the value"}},
		Flags: []cli.Flag{passFlag, stationFlag},
		Run: func(ctx context.Context, c *cli.Call) error {
			var point fact.Point
			state, e, err := recordFact(ctx, c, func(entries []fact.Entry, s *judge.State) (fact.Body, error) {
				t, err := s.TaskFor(fact.Point(c.Arg("point")), fact.Pass(c.String("pass")))
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				r, err := bench.Stated(c.Arg("value"), t)
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				point = t.Point
				r.Point, r.Pass = t.Point, t.Pass
				r.Told = string(judge.Foresee(s.Plan, entries, r).Verdict)
				return r, nil
			})
			if err != nil {
				return err
			}
			r, _ := state.Reading(e.Ref)
			m := mark.Verdict(r.Verdict)
			_, err = fmt.Fprintf(c.Out, "%s %s  %s  %s  %s attested  %s\n", m.Symbol, m.Word, point, r.Reading.Spoken(), mark.Attested.Symbol, e.Ref)
			if err == nil {
				err = findingsExit(state)
			}
			return err
		},
	}
}

func confirmCommand() *cli.Command {
	return &cli.Command{
		Name:    "confirm",
		Summary: "records that a step of preparation, or the heat cycles, were done",
		Examples: []cli.Example{
			{Line: "paintmark confirm 2117 head-left/threads", Does: "a step of preparation"},
			{Line: "paintmark confirm 2117 head-left/heat-cycles", Does: "the heat cycles before a re-torque"},
		},
		Args:  []cli.Arg{buildArg, pointArg},
		Flags: []cli.Flag{stationFlag},
		Run: func(ctx context.Context, c *cli.Call) error {
			state, e, err := recordFact(ctx, c, func(_ []fact.Entry, s *judge.State) (fact.Body, error) {
				t, err := s.TaskFor(fact.Point(c.Arg("point")), "")
				if err == nil && t.Kind != judge.Confirm {
					err = fmt.Errorf("%s is nothing to confirm: it wants a reading", t.Point)
				}
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				return fact.Confirmation{Point: t.Point}, nil
			})
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(c.Out, "%s confirmed  %s  %s\n", mark.Confirmed.Symbol, c.Arg("point"), e.Ref); err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

func skipCommand() *cli.Command {
	return &cli.Command{
		Name:    "skip",
		Summary: "leaves a bolt out of a pass on purpose, with a reason",
		About:   "It stays an open finding until the bolt is pulled in that pass.",
		Examples: []cli.Example{
			{Line: `paintmark skip 2117 head-left/7 --because "bracket in the way"`, Does: "leaves a bolt out of the pass in which the joint is"},
		},
		Args:  []cli.Arg{buildArg, pointArg},
		Flags: []cli.Flag{passFlag, becauseFlag, stationFlag},
		Run: func(ctx context.Context, c *cli.Call) error {
			state, e, err := recordFact(ctx, c, func(_ []fact.Entry, s *judge.State) (fact.Body, error) {
				t, err := s.TaskFor(fact.Point(c.Arg("point")), fact.Pass(c.String("pass")))
				switch {
				case err != nil:
				case t.Pass == "":
					err = fmt.Errorf("%s is preparation and cannot be left out", t.Point)
				case c.String("because") == "":
					err = fmt.Errorf("why? give a reason with --because")
				}
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				return fact.Skip{Point: t.Point, Pass: t.Pass, Because: c.String("because")}, nil
			})
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(c.Out, "%s skipped  %s, %s  %s\n", mark.Skipped.Symbol, c.Arg("point"), e.Body.(fact.Skip).Pass, e.Ref); err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

func voidCommand() *cli.Command {
	return &cli.Command{
		Name:    "void",
		Summary: "takes a reading, a confirmation, a skip or a decision back, with a reason",
		About: `The entry stays in the book and on the sheet, struck through, with the reason.
Without ENTRY it is the last one.`,
		Examples: []cli.Example{
			{Line: `paintmark void 2117 bench-1#23 --because "socket slipped"`, Does: "takes one entry back"},
			{Line: `paintmark void 2117 --because "wrong bolt"`, Does: "takes the last one back"},
		},
		Args:  []cli.Arg{buildArg, {Name: "entry", Help: "the entry, as review shows it: station#number", Optional: true}},
		Flags: []cli.Flag{becauseFlag, stationFlag},
		Run: func(ctx context.Context, c *cli.Call) error {
			state, e, err := recordFact(ctx, c, func(entries []fact.Entry, _ *judge.State) (fact.Body, error) {
				target, _ := bench.LastReading(entries)
				if c.Arg("entry") != "" {
					ref, err := fact.ParseRef(c.Arg("entry"))
					if err != nil {
						return nil, cli.Fail(cli.Usage, err)
					}
					target = ref
				}
				if c.String("because") == "" {
					return nil, cli.Usagef("why? give a reason with --because")
				}
				v, err := bench.Retraction(entries, target, c.String("because"))
				if err != nil {
					return nil, cli.Fail(cli.Usage, err)
				}
				return v, nil
			})
			if err != nil {
				return err
			}
			v := e.Body.(fact.Void)
			if _, err := fmt.Fprintf(c.Out, "%s taken back  %s at %s  %s\n", mark.TakenBack.Symbol, v.Of, v.Point, e.Ref); err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}

func replanCommand() *cli.Command {
	return &cli.Command{
		Name:    "replan",
		Summary: "gives a build another plan from here on, with a reason",
		About: `The plan before stays in the book. All that was recorded is judged by the new
plan; a reading that it has no place for is a finding.`,
		Examples: []cli.Example{
			{Line: `paintmark replan 2117 --plan plans/vee-six.toml --because "new edition of the figures"`, Does: "changes the plan"},
		},
		Args: []cli.Arg{buildArg},
		Flags: []cli.Flag{
			{Name: "plan", Kind: cli.String, Value: "FILE", Help: "the new plan", Complete: cli.Files}, becauseFlag, stationFlag,
		},
		Run: func(ctx context.Context, c *cli.Call) error {
			p, text, err := readPlan(c.String("plan"))
			if err != nil {
				return err
			}
			state, e, err := recordFact(ctx, c, func([]fact.Entry, *judge.State) (fact.Body, error) {
				if c.String("because") == "" {
					return nil, cli.Usagef("why? give a reason with --because")
				}
				return fact.Replan{Plan: text, PlanName: baseName(c.String("plan")), Because: c.String("because")}, nil
			})
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(c.Out, "plan changed to %s, edition %s  %s\n", p.Title, p.Edition, e.Ref); err != nil {
				return err
			}
			return findingsExit(state)
		},
	}
}
