package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/log/book"
)

func openCommand() *cli.Command {
	return &cli.Command{
		Name:    "open",
		Summary: "opens a new build: makes its book and pins its plan",
		About: `The plan's whole text is kept in the book; editing the file later changes
nothing of the build. What the plan asks for to tell the engine from others is
given with --identity.`,
		Examples: []cli.Example{
			{Line: `paintmark open 2117 --plan plans/vee-six.toml --identity "engine number=E-2117" --identity "customer=Demonstration"`, Does: "opens build 2117"},
		},
		Args: []cli.Arg{{Name: "build", Help: "a name for the build: letters, digits, dots, hyphens and underscores"}},
		Flags: []cli.Flag{
			{Name: "plan", Kind: cli.String, Value: "FILE", Help: "the plan", Complete: cli.Files},
			{Name: "identity", Kind: cli.Strings, Value: "NAME=VALUE", Help: "what tells this engine from others; once for each that the plan asks for"},
			stationFlag,
		},
		Run: func(_ context.Context, c *cli.Call) error {
			b, p, err := openBuild(c, c.Arg("build"), time.Now)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.Out, "opened %s: %s\n%s, %s\nnext: paintmark record %s\n",
				b.Path(), p.Title, count(len(p.Joints), "joint", "joints"), count(bolts(p), "bolt", "bolts"), c.Arg("build"))
			for _, said := range caution.For(p) {
				_, _ = fmt.Fprintln(c.Err, "caution: "+said)
			}
			return err
		},
	}
}

func bolts(p *plan.Plan) int {
	n := 0
	for _, j := range p.Joints {
		n += len(j.Bolts)
	}
	return n
}

// readPlan reads and checks a plan.
func readPlan(file string) (*plan.Plan, string, error) {
	if file == "" {
		return nil, "", cli.Usagef("which plan? name it with --plan")
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, "", cli.Fail(cli.Usage, err)
	}
	p, err := plan.Parse(file, text)
	if err != nil {
		return nil, "", cli.Fail(cli.Usage, err)
	}
	return p, string(text), nil
}

// openBuild makes the book of a new build from the flags of the command.
func openBuild(c *cli.Call, name string, now func() time.Time) (*book.Book, *plan.Plan, error) {
	p, text, err := readPlan(c.String("plan"))
	if err != nil {
		return nil, nil, err
	}
	identity, err := identities(p, c.Strings("identity"))
	if err != nil {
		return nil, nil, err
	}
	s, err := openShelf(c)
	if err != nil {
		return nil, nil, err
	}
	path, err := s.Book(name)
	if err != nil {
		return nil, nil, cli.Fail(cli.Usage, err)
	}
	if err := os.MkdirAll(s.Dir(), 0o755); err != nil {
		return nil, nil, err
	}
	o, err := writer(c, now)
	if err != nil {
		return nil, nil, err
	}
	b, _, err := book.Create(path, o, fact.Opening{
		Build: name, Plan: text, PlanName: baseName(c.String("plan")), Identity: identity, Program: version(),
	})
	return b, p, err
}

// baseName keeps the paths of one machine out of the book.
func baseName(path string) string {
	if i := strings.LastIndexAny(path, `/\`); i >= 0 {
		return path[i+1:]
	}
	return path
}

// identities matches what was given with what the plan asks for.
func identities(p *plan.Plan, given []string) ([]fact.Identity, error) {
	values := map[string]string{}
	for _, g := range given {
		name, value, ok := strings.Cut(g, "=")
		name, value = strings.TrimSpace(name), strings.TrimSpace(value)
		if !ok || value == "" {
			return nil, cli.Usagef(`--identity %q: write it as "name=value"`, g)
		}
		if _, twice := values[name]; twice {
			return nil, cli.Usagef("--identity: %q is given twice", name)
		}
		values[name] = value
	}
	var list []fact.Identity
	var missing []string
	for _, name := range p.Engine.Identity {
		if values[name] == "" {
			missing = append(missing, fmt.Sprintf("--identity %q", name+"=…"))
		} else {
			list = append(list, fact.Identity{Name: name, Value: values[name]})
		}
		delete(values, name)
	}
	for name := range values {
		return nil, cli.WithHint(cli.Usagef("the plan does not ask for %q", name), "it asks for: "+strings.Join(p.Engine.Identity, ", "))
	}
	if len(missing) > 0 {
		return nil, cli.WithHint(cli.Usagef("the plan asks what tells this engine from others"), "give "+strings.Join(missing, " and "))
	}
	return list, nil
}
