// Package cli is the program's face to the shell: which commands there are, how
// their words are read, what help says, what is printed when something is
// wrong, and with which code the program ends.
//
// A [Program] is a tree of [Command] values, and a command is plain data with a
// Run function. Command files know this package only; the library below it
// stands in one file, library.go, and could be changed there. [Main] reads the
// words, runs one command, reports its error and returns the exit code; nothing
// here ends the process.
//
// The rules of everything that is printed:
//
//   - Answers go to standard output, all else to standard error. Help that was
//     asked for is an answer.
//   - An error is one line, "paintmark: what and where", then "hint: what to do"
//     lines. An error that is a list ([errors.Join], the faults of a file) is one
//     such pair for each of its parts. A hint comes from a method
//     HintText() string anywhere in the error.
//   - The exit code is one of the table in exit.go, which every help text ends
//     with.
//
// The rules of the words on the command line:
//
//   - Flags may stand before or behind arguments, as "--name value" or
//     "--name=value". Common flags may stand before the command as well.
//   - A word after "--" is an argument, and so is "-" and whatever begins like a
//     negative number, "-0.5".
//   - A flag's value is taken to the letter; commas do not split it. A flag that
//     takes a list is given several times. Of any other flag the last one counts.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// A Program is a tree of commands.
type Program struct {
	Name     string
	Summary  string // one line
	About    string // paragraphs, separated by empty lines
	Examples []Example
	// Flags are common to all commands.
	Flags    []Flag
	Commands []*Command
	// Code gives the exit code of an error that does not carry one, or Done
	// where it knows none.
	Code func(error) Code
	// Env looks a variable of the environment up; os.Getenv if nil.
	Env func(string) string
}

// A Command is one thing the program does, or a group of them: it has either
// Run or Commands.
type Command struct {
	Name     string
	Summary  string // one line, as in "says how far a build is"
	About    string // paragraphs, separated by empty lines
	Examples []Example
	Args     []Arg
	Flags    []Flag
	// JSON says that the command can answer in JSON: it has the flag --json.
	JSON     bool
	Commands []*Command
	Run      func(ctx context.Context, c *Call) error
}

// An Example is a line as it is typed, and what it does.
type Example struct{ Line, Does string }

// An Arg is an argument of a command. Help shows its name in capitals.
type Arg struct {
	Name     string
	Help     string
	Optional bool     // it and all behind it may be missing
	Many     bool     // it takes all the rest; with Optional also nothing
	OneOf    []string // the words that are allowed, if not any
	Complete Completer
}

// A Kind is what a flag takes.
type Kind uint8

// The kinds of flag. Each is read by the method of Call that has its name.
const (
	Bool     Kind = iota // no value
	String               // one value
	Int                  // a whole number in decimal
	Duration             // "30s", "5m", "1h30m"
	Strings              // a value each time it is given
)

// A Flag is a flag of a command, "--name".
type Flag struct {
	Name     string
	Kind     Kind
	Value    string // how help calls its value, as in "DIR"
	Help     string
	Default  string   // as it would be typed; Strings and Bool have none
	Env      string   // the variable that gives it where it is not typed
	OneOf    []string // the words that are allowed, if not any
	Complete Completer
}

var jsonFlag = Flag{Name: "json", Help: "answer in JSON"}

// A Call is one run of a command: its streams, and the flags and arguments as
// they were given.
type Call struct {
	In       io.Reader
	Out, Err io.Writer
	Env      func(string) string

	name  string // "plan check"
	known []Flag
	flags values
	words []Arg
	args  map[string][]string
}

// values are the flags as the library has read them.
type values interface {
	Bool(name string) bool
	String(name string) string
	Int(name string) int
	Duration(name string) time.Duration
	Strings(name string) []string
	IsSet(name string) bool
}

// Arg is the argument of this name, empty where it was left out.
func (c *Call) Arg(name string) string {
	if list := c.Args(name); len(list) > 0 {
		return list[0]
	}
	return ""
}

// Args are the arguments that an Arg with Many has taken.
func (c *Call) Args(name string) []string {
	if !slices.ContainsFunc(c.words, func(a Arg) bool { return a.Name == name }) {
		panic(fmt.Sprintf("cli: command %q declares no argument %q", c.name, name))
	}
	return c.args[name]
}

// declared guards against asking for a flag that was never declared, which the
// library would answer with an empty value.
func (c *Call) declared(name string, kinds ...Kind) {
	i := slices.IndexFunc(c.known, func(f Flag) bool { return f.Name == name })
	if i < 0 || len(kinds) > 0 && !slices.Contains(kinds, c.known[i].Kind) {
		panic(fmt.Sprintf("cli: command %q declares no such flag %q", c.name, name))
	}
}

// Bool tells whether a flag without a value is on.
func (c *Call) Bool(flag string) bool { c.declared(flag, Bool); return c.flags.Bool(flag) }

// String is the value of a flag.
func (c *Call) String(flag string) string { c.declared(flag, String); return c.flags.String(flag) }

// Int is the value of a flag.
func (c *Call) Int(flag string) int { c.declared(flag, Int); return c.flags.Int(flag) }

// Duration is the value of a flag.
func (c *Call) Duration(flag string) time.Duration {
	c.declared(flag, Duration)
	return c.flags.Duration(flag)
}

// Strings are the values of a flag, in the order they were given.
func (c *Call) Strings(flag string) []string {
	c.declared(flag, Strings)
	return c.flags.Strings(flag)
}

// Set tells whether a flag was given, on the command line or by its variable.
func (c *Call) Set(flag string) bool { c.declared(flag); return c.flags.IsSet(flag) }

// JSON tells whether the answer shall be JSON.
func (c *Call) JSON() bool { return c.Bool(jsonFlag.Name) }

// OutFile is the file behind Out, such as the terminal, nil where it is none.
func (c *Call) OutFile() *os.File {
	w := c.Out
	if o, ok := w.(*output); ok {
		w = o.to
	}
	f, _ := w.(*os.File)
	return f
}

// output remembers the first error of writing an answer, so that a full disk
// does not end as a success.
type output struct {
	to  io.Writer
	err error
}

func (o *output) Write(p []byte) (int, error) {
	n, err := o.to.Write(p)
	if err != nil && o.err == nil {
		o.err = err
	}
	return n, err
}

// completeWord is the hidden command that the completion scripts call.
const completeWord = "__complete"

// Main reads args (without the program's name), runs the command they name and
// returns the exit code. When ctx is cancelled, the command is expected to come
// back with an error that wraps the reason, and the code is Interrupted.
func Main(ctx context.Context, program *Program, args []string, in io.Reader, out, errs io.Writer) (exit int) {
	answer := &output{to: out}
	name, err := program.main(ctx, args, in, answer, errs)
	if err == nil && answer.err != nil {
		err = fmt.Errorf("the answer could not be written: %w", answer.err)
	}
	code := program.code(ctx, err)
	program.report(errs, name, code, err)
	return int(code)
}

// main returns the name of the command that was run with its error.
func (p *Program) main(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) (name string, err error) {
	if len(args) > 0 && args[0] == completeWord {
		return "", p.completeTo(ctx, args[1:], in, out)
	}
	l := p.read(args)
	name = strings.Join(l.names(), " ")
	switch {
	case l.lost:
		return name, l.err
	case l.help:
		return name, p.help(out, l)
	case l.overview:
		_ = p.help(errs, l)
		_, _ = fmt.Fprintln(errs)
		return name, l.err
	case l.err != nil:
		return name, l.err
	}
	return name, p.run(ctx, l, &Call{In: in, Out: out, Err: errs, Env: p.getenv}, func(ctx context.Context, c *Call) (err error) {
		defer func() {
			if r := recover(); r != nil {
				err = WithHint(fmt.Errorf("a fault of the program itself: %v", r), "please report it with what stands above")
				_, _ = errs.Write(debug.Stack())
			}
		}()
		return l.command().Run(ctx, c)
	})
}

func (p *Program) getenv(name string) string {
	if p.Env != nil {
		return p.Env(name)
	}
	return os.Getenv(name)
}

// Check tells what is wrong with the program's declarations: for its tests.
// Every example must be one that the program itself would run.
func (p *Program) Check() error {
	var wrong []error
	note := func(format string, args ...any) { wrong = append(wrong, fmt.Errorf(format, args...)) }
	examples := func(where string, list []Example) {
		for _, e := range list {
			// "source <(paintmark completion bash)" is one too.
			_, text, ok := strings.Cut(e.Line, p.Name+" ")
			text, _, _ = strings.Cut(strings.NewReplacer("|", ")", ">", ")", "&", ")").Replace(text), ")")
			words, _ := splitLine(strings.TrimSpace(text))
			if l := p.read(words); !ok {
				note("%s: example %q does not call %s", where, e.Line, p.Name)
			} else if l.err != nil {
				note("%s: example %q: %w", where, e.Line, l.err)
			}
		}
	}
	var walk func(where string, c *Command)
	walk = func(where string, c *Command) {
		if c.Summary == "" {
			note("%s: no summary", where)
		}
		if (c.Run == nil) == (len(c.Commands) == 0) {
			note("%s: has either Run or commands of its own", where)
		}
		if c.Run != nil && len(c.Examples) == 0 {
			note("%s: no example", where)
		}
		examples(where, c.Examples)
		flags := map[string]bool{"help": true}
		for _, f := range p.flagsOf(c) {
			if flags[f.Name] {
				note("%s: flag --%s stands twice", where, f.Name)
			}
			flags[f.Name] = true
			if (f.Kind == Bool) != (f.Value == "") {
				note("%s: flag --%s has a kind that does not go with a value called %q", where, f.Name, f.Value)
			}
			if f.Default != "" && (f.Kind == Bool || f.Kind == Strings || f.check(f.Default) != nil) {
				note("%s: flag --%s has the default %q", where, f.Name, f.Default)
			}
			if f.Help == "" || f.Name == "" || utf8.RuneCountInString(f.Name) == 1 {
				note("%s: flag --%s needs help and a name of more than one letter", where, f.Name)
			}
		}
		for i, a := range c.Args {
			if a.Help == "" {
				note("%s: argument %s has no help", where, a.Name)
			}
			if i > 0 && (c.Args[i-1].Many || c.Args[i-1].Optional && !a.Optional) {
				note("%s: argument %s can never be told from the one before it", where, a.Name)
			}
		}
		names := map[string]bool{}
		for _, sub := range c.Commands {
			if names[sub.Name] || sub.Name == "" || strings.HasPrefix(sub.Name, "-") {
				note("%s: command %q stands twice or has no name", where, sub.Name)
			}
			names[sub.Name] = true
			walk(strings.TrimSpace(where+" "+sub.Name), sub)
		}
	}
	examples(p.Name, p.Examples)
	for _, c := range p.Commands {
		if c.Name == helpWord || c.Name == completeWord {
			note("%s: the name is taken", c.Name)
		}
	}
	root := p.root()
	root.Summary, root.Examples = "the program", nil
	walk("", root)
	return errors.Join(wrong...)
}

// root is the program as the command above all others.
func (p *Program) root() *Command {
	return &Command{Name: p.Name, Summary: p.Summary, About: p.About, Examples: p.Examples, Commands: p.Commands}
}

// flagsOf are the flags that may stand behind a command.
func (p *Program) flagsOf(c *Command) []Flag {
	flags := slices.Clone(c.Flags)
	if c.JSON {
		flags = append(flags, jsonFlag)
	}
	return append(flags, p.Flags...)
}
