package cli

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/document"
)

const helpWord = "help"

// A line is what the words of the command line mean.
type line struct {
	path  []*Command // the program's root, then the commands named
	given []setting
	args  []string

	help     bool // help was asked for
	overview bool // a group was named, without a command of it
	lost     bool // a command was named that there is not
	plain    bool // "--" was seen: all that follows are arguments
	pending  *Flag
	err      error // the first thing that is wrong
}

type setting struct {
	flag  Flag
	value string
}

func (l *line) command() *Command { return l.path[len(l.path)-1] }

// names are those of the commands named, without the program's.
func (l *line) names() []string {
	var names []string
	for _, c := range l.path[1:] {
		names = append(names, c.Name)
	}
	return names
}

func (l *line) fail(hint, format string, args ...any) {
	if l.err != nil {
		return
	}
	err := Usagef("%s", strings.Join(append(l.names(), fmt.Sprintf(format, args...)), ": "))
	if hint != "" {
		err = WithHint(err, hint)
	}
	l.err = err
}

// read makes out what the words mean. It goes on after a fault, because help
// may be asked for behind it, and because a line that is being typed is
// completed as far as it makes sense.
func (p *Program) read(words []string) *line {
	l := &line{path: []*Command{p.root()}}
	for i := 0; i < len(words) && !l.lost; i++ {
		word := words[i]
		switch {
		case l.plain:
			l.args = append(l.args, word)
		case word == "--":
			l.plain = true
		case word == "--help" || word == "-h":
			l.help = true
		case isFlag(word):
			next := ""
			if i+1 < len(words) {
				next = words[i+1]
			}
			if p.readFlag(l, word, next, i+1 < len(words)) {
				i++
			}
		case len(l.command().Commands) > 0:
			p.readCommand(l, word)
		default:
			l.args = append(l.args, word)
		}
	}
	if l.lost || l.help {
		return l
	}
	p.finish(l)
	return l
}

// isFlag tells a flag from an argument: "-" and negative numbers are arguments.
func isFlag(word string) bool {
	if len(word) < 2 || word[0] != '-' {
		return false
	}
	return word[1] != '.' && (word[1] < '0' || word[1] > '9')
}

func (p *Program) readCommand(l *line, word string) {
	group := l.command()
	for _, c := range group.Commands {
		if c.Name == word {
			l.path = append(l.path, c)
			return
		}
	}
	if word == helpWord && len(l.path) == 1 && !l.help {
		l.help = true
		return
	}
	var names []string
	for _, c := range group.Commands {
		names = append(names, c.Name)
	}
	hint := ""
	if near := document.Nearest(word, names); near != "" {
		hint = fmt.Sprintf("did you mean %q?", near)
	}
	l.fail(hint, "unknown command %q", word)
	l.lost = true
}

// readFlag reads the flag that word is and tells whether it has used next up.
func (p *Program) readFlag(l *line, word, next string, more bool) bool {
	typed, value, given := strings.Cut(word, "=")
	name := strings.TrimLeft(typed, "-")
	flags := p.flagsOf(l.command())
	i := slices.IndexFunc(flags, func(f Flag) bool { return "--"+f.Name == typed })
	if i < 0 {
		l.fail(p.flagHint(l, flags, name), "unknown flag %s", typed)
		return false
	}
	f := flags[i]
	used := false
	switch {
	case f.Kind == Bool && !given:
		value = "true"
	case given:
	case !more:
		l.pending = &f
		l.fail("", "flag --%s needs a value", name)
		return false
	case isFlag(next) || next == "--":
		l.fail(fmt.Sprintf("write --%s=%s if that is the value", name, next), "flag --%s needs a value, before %s", name, next)
		return false
	default:
		value, used = next, true
	}
	l.set(f, "--"+name, value)
	return used
}

func (l *line) set(f Flag, from, value string) {
	if err := f.check(value); err != nil {
		l.fail("", "%s: %v", from, err)
		return
	}
	if f.Kind == Int { // the library would take 010 for 8
		n, _ := strconv.Atoi(value)
		value = strconv.Itoa(n)
	}
	l.given = append(l.given, setting{f, value})
}

// flagHint is what to do about a flag that is not known here.
func (p *Program) flagHint(l *line, flags []Flag, name string) string {
	if len(l.path) == 1 {
		for _, c := range p.Commands {
			if c.Name == name {
				return fmt.Sprintf("did you mean \"%s %s\"?", p.Name, name)
			}
		}
	}
	names := []string{"help"}
	for _, f := range flags {
		names = append(names, f.Name)
	}
	if near := document.Nearest(name, names); near != "" {
		return fmt.Sprintf("did you mean --%s?", near)
	}
	if len(l.path) == 1 {
		return "the flags of a command stand behind it"
	}
	return ""
}

// check tells what is wrong with a value of the flag.
func (f Flag) check(value string) error {
	switch f.Kind {
	case Bool:
		if _, err := strconv.ParseBool(value); err != nil {
			return fmt.Errorf("%q is neither true nor false", value)
		}
	case Int:
		if _, err := strconv.Atoi(value); err != nil {
			return fmt.Errorf("%q is not a whole number", value)
		}
	case Duration:
		if _, err := time.ParseDuration(value); err != nil {
			return fmt.Errorf("%q is not a length of time such as 30s, 5m or 1h30m", value)
		}
	}
	return oneOf(value, f.OneOf)
}

func oneOf(value string, allowed []string) error {
	if len(allowed) == 0 || slices.Contains(allowed, value) {
		return nil
	}
	return fmt.Errorf("%q is none of %s", value, strings.Join(allowed, ", "))
}

// finish looks at the line as a whole: flags that the environment gives, and
// the number of arguments.
func (p *Program) finish(l *line) {
	c := l.command()
	for _, f := range p.flagsOf(c) {
		typed := slices.ContainsFunc(l.given, func(s setting) bool { return s.flag.Name == f.Name })
		if f.Env == "" || typed {
			continue
		}
		if value := p.getenv(f.Env); value != "" {
			l.set(f, "variable "+f.Env, value)
		}
	}
	if len(c.Commands) > 0 {
		l.overview = l.err == nil
		l.fail("", "which command?")
		return
	}
	rest := l.args
	for _, a := range c.Args {
		if len(rest) == 0 {
			if !a.Optional {
				l.fail("", "%s is missing", strings.ToUpper(a.Name))
			}
			return
		}
		n := 1
		if a.Many {
			n = len(rest)
		}
		for _, word := range rest[:n] {
			if err := oneOf(word, a.OneOf); err != nil {
				l.fail("", "%s: %v", strings.ToUpper(a.Name), err)
			}
		}
		rest = rest[n:]
	}
	if len(rest) > 0 {
		l.fail("", "unexpected argument %q", rest[0])
	}
}

// bind gives the arguments their names.
func (l *line) bind() map[string][]string {
	bound := map[string][]string{}
	rest := l.args
	for _, a := range l.command().Args {
		if len(rest) == 0 {
			break
		}
		n := 1
		if a.Many {
			n = len(rest)
		}
		bound[a.Name], rest = rest[:n], rest[n:]
	}
	return bound
}
