package cli

import (
	"context"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	urfave "github.com/urfave/cli/v2"
)

// run lets the library parse the flags of a line that read has put in order,
// and hands them to do by way of c. The library gets the words in the one form
// in which it makes no mistakes:
//
//	program command command --flag=value … -- argument …
//
// that is, with canonical names, each flag's value behind its "=", behind the
// command and before a "--".
func (p *Program) run(ctx context.Context, l *line, c *Call, do func(context.Context, *Call) error) error {
	app := &urfave.App{
		Name:                      p.Name,
		Flags:                     libraryFlags(p.flagsOf(p.root())),
		Commands:                  p.libraryCommands(p.Commands, l, c, do),
		Action:                    p.action(l, c, do),
		HideHelp:                  true,
		HideVersion:               true,
		DisableSliceFlagSeparator: true,
		Compiled:                  time.Unix(0, 0), // or it looks at the program's file
		Reader:                    c.In,
		Writer:                    io.Discard,
		ErrWriter:                 io.Discard,
		// The library would end the process here.
		ExitErrHandler: func(*urfave.Context, error) {},
		OnUsageError:   usageError,
	}
	words := append([]string{p.Name}, l.names()...)
	for _, s := range l.given {
		words = append(words, "--"+s.flag.Name+"="+s.value)
	}
	return app.RunContext(ctx, append(append(words, "--"), l.args...))
}

func usageError(_ *urfave.Context, err error, _ bool) error { return Fail(Usage, err) }

func (p *Program) libraryCommands(commands []*Command, l *line, c *Call, do func(context.Context, *Call) error) []*urfave.Command {
	var list []*urfave.Command
	for _, command := range commands {
		if !slices.Contains(l.path, command) {
			continue // only what is named can be run
		}
		list = append(list, &urfave.Command{
			Name:         command.Name,
			Flags:        libraryFlags(p.flagsOf(command)),
			Subcommands:  p.libraryCommands(command.Commands, l, c, do),
			Action:       p.action(l, c, do),
			HideHelp:     true,
			OnUsageError: usageError,
		})
	}
	return list
}

func (p *Program) action(l *line, c *Call, do func(context.Context, *Call) error) urfave.ActionFunc {
	return func(u *urfave.Context) error {
		c.name = strings.Join(l.names(), " ")
		c.known = p.flagsOf(l.command())
		c.flags = contextValues{u}
		c.words = l.command().Args
		c.args = l.bind()
		return do(u.Context, c)
	}
}

type contextValues struct{ *urfave.Context }

func (v contextValues) Strings(name string) []string { return v.StringSlice(name) }

func libraryFlags(flags []Flag) []urfave.Flag {
	var list []urfave.Flag
	for _, f := range flags {
		switch f.Kind {
		case Bool:
			list = append(list, &urfave.BoolFlag{Name: f.Name})
		case Int:
			n, _ := strconv.Atoi(f.Default) // Check has looked at it
			list = append(list, &urfave.IntFlag{Name: f.Name, Value: n})
		case Duration:
			d, _ := time.ParseDuration(f.Default)
			list = append(list, &urfave.DurationFlag{Name: f.Name, Value: d})
		case Strings:
			list = append(list, &urfave.StringSliceFlag{Name: f.Name, KeepSpace: true})
		default:
			list = append(list, &urfave.StringFlag{Name: f.Name, Value: f.Default})
		}
	}
	return list
}
