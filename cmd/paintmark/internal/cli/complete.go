package cli

import (
	"bufio"
	"context"
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"
)

// A Completion is what a word that is being typed could become.
type Completion struct {
	// Words are whole words, each with what it means behind a tab if that helps.
	// Those that do not begin as the word typed are dropped.
	Words []string
	// Files and Folders let the shell complete a path.
	Files, Folders bool
}

// A Completer finds the completion of a flag's value or an argument. The call
// has the flags and arguments typed before it, as far as they make sense. It
// must be quick and print nothing.
type Completer func(ctx context.Context, c *Call, typed string) Completion

// Files completes to the path of a file.
func Files(context.Context, *Call, string) Completion { return Completion{Files: true} }

// Folders completes to the path of a folder.
func Folders(context.Context, *Call, string) Completion { return Completion{Folders: true} }

// The scripts ask the program itself:
//
//	paintmark __complete bash LINE BREAKS    the line up to the cursor, COMP_WORDBREAKS
//	paintmark __complete zsh|fish WORD…      the words up to the cursor, the last one being typed
//
// and get a line "words", "files" or "folders", then for "words" a line for
// each word: the word, a tab, what it means.
var (
	//go:embed completion.bash
	bashScript string
	//go:embed completion.zsh
	zshScript string
	//go:embed completion.fish
	fishScript string
)

// Shells are those that there is a completion script for.
var Shells = []string{"bash", "zsh", "fish"}

// CompletionScript is the text that makes a shell complete the program's words.
func CompletionScript(shell, program string) (string, error) {
	script, ok := map[string]string{"bash": bashScript, "zsh": zshScript, "fish": fishScript}[shell]
	if !ok {
		return "", Usagef("%q is none of %s", shell, strings.Join(Shells, ", "))
	}
	return strings.NewReplacer("PROGRAM", program, "COMPLETE", completeWord).Replace(script), nil
}

// completeTo answers a completion script.
func (p *Program) completeTo(ctx context.Context, args []string, in io.Reader, out io.Writer) error {
	if len(args) == 0 {
		return Usagef("%s is for the completion scripts", completeWord)
	}
	shell, words := args[0], args[1:]
	insert := func(word string) string { return word }
	if shell == "bash" {
		if len(words) != 2 {
			return Usagef("%s bash takes a line and the word breaks", completeWord)
		}
		all, last := splitLine(words[0])
		breaks := words[1]
		insert = func(word string) string { return bashWord(word, last, breaks) }
		words = all[1:] // the first is the program itself
	}
	if len(words) == 0 {
		words = []string{""}
	}
	typed := words[len(words)-1]
	found, err := p.complete(ctx, in, words[:len(words)-1], typed)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(out)
	switch {
	case found.Files:
		_, _ = w.WriteString("files\n")
	case found.Folders:
		_, _ = w.WriteString("folders\n")
	default:
		_, _ = w.WriteString("words\n")
		for _, word := range found.Words {
			word, means, _ := strings.Cut(word, "\t")
			if strings.HasPrefix(word, typed) && !strings.ContainsAny(word+means, "\t\r\n") {
				_, _ = fmt.Fprintf(w, "%s\t%s\n", insert(word), means)
			}
		}
	}
	return w.Flush()
}

// complete finds what typed could become behind the words before it.
func (p *Program) complete(ctx context.Context, in io.Reader, before []string, typed string) (Completion, error) {
	l := p.read(before)
	c := l.command()
	switch {
	case l.lost:
		return Completion{}, nil
	case l.pending != nil:
		return p.ask(ctx, in, l, l.pending.Complete, l.pending.OneOf, typed)
	case !l.plain && strings.HasPrefix(typed, "-"):
		name, value, given := strings.Cut(typed, "=")
		if given {
			for _, f := range p.flagsOf(c) {
				if "--"+f.Name == name && f.Kind != Bool {
					found, err := p.ask(ctx, in, l, f.Complete, f.OneOf, value)
					for i := range found.Words {
						found.Words[i] = name + "=" + found.Words[i]
					}
					return found, err
				}
			}
			return Completion{}, nil
		}
		var words []string
		for _, f := range p.flagsOf(c) {
			again := slices.ContainsFunc(l.given, func(s setting) bool { return s.flag.Name == f.Name && s.flag.Kind != Strings })
			if !again {
				words = append(words, "--"+f.Name+"\t"+f.Help)
			}
		}
		return Completion{Words: append(words, "--help\tsays how it is used")}, nil
	case len(c.Commands) > 0 && !l.plain:
		var words []string
		for _, sub := range c.Commands {
			words = append(words, sub.Name+"\t"+sub.Summary)
		}
		return Completion{Words: words}, nil
	}
	for i, a := range c.Args {
		if i == len(l.args) || a.Many {
			return p.ask(ctx, in, l, a.Complete, a.OneOf, typed)
		}
	}
	return Completion{}, nil
}

// ask gives a completer the call as far as it was typed.
func (p *Program) ask(ctx context.Context, in io.Reader, l *line, completer Completer, words []string, typed string) (found Completion, err error) {
	if completer == nil {
		return Completion{Words: slices.Clone(words)}, nil
	}
	c := &Call{In: in, Out: io.Discard, Err: io.Discard, Env: p.getenv}
	err = p.run(ctx, l, c, func(ctx context.Context, c *Call) error {
		found = completer(ctx, c, typed)
		return nil
	})
	return found, err
}

// splitLine splits what was typed in a shell into words, as far as quotes and
// backslashes go, and gives the last word as it was typed too. Behind a space
// the last word is an empty one.
func splitLine(text string) (words []string, last string) {
	var word strings.Builder
	started, from := false, 0
	var quote rune
	escaped := false
	for i, r := range text {
		switch {
		case escaped:
			word.WriteRune(r)
			escaped = false
		case r == '\\' && quote != '\'':
			escaped = true
		case quote != 0:
			if r == quote {
				quote = 0
			} else {
				word.WriteRune(r)
			}
		case r == '\'' || r == '"':
			quote = r
		case r == ' ' || r == '\t' || r == '\n':
			if started {
				words = append(words, word.String())
				word.Reset()
			}
			started = false
			continue
		default:
			word.WriteRune(r)
		}
		if !started {
			started, from = true, i
		}
	}
	if !started {
		return append(words, ""), ""
	}
	return append(words, word.String()), text[from:]
}

// bashWord is what bash has to insert for word: bash takes what was typed to
// begin behind the last of its word breaks, and inserts to the letter.
func bashWord(word, typed, breaks string) string {
	if strings.ContainsAny(typed, `'"`) {
		return word // bash closes the quotes
	}
	cut := 0
	for i, r := range typed {
		if strings.ContainsRune(breaks, r) && strings.ContainsRune(":=@", r) {
			cut = i + 1
		}
	}
	if !strings.Contains(typed[:cut], `\`) && strings.HasPrefix(word, typed[:cut]) {
		word = word[cut:]
	}
	var b strings.Builder
	for _, r := range word {
		if strings.ContainsRune(" \t\\'\"`$&|;<>()*?[]{}!~#", r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}
