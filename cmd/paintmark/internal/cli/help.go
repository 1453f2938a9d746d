package cli

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"unicode/utf8"
)

// width is where the paragraphs of help are broken.
const width = 79

// help writes the help of the command that the line names: worked examples,
// usage, what it does, what can be said to it, and the exit codes.
func (p *Program) help(w io.Writer, l *line) error {
	c := l.command()
	name := strings.Join(append([]string{p.Name}, l.names()...), " ")
	var b strings.Builder
	if len(c.Examples) > 0 {
		b.WriteString("Examples:\n")
		for _, e := range c.Examples {
			fmt.Fprintf(&b, "  %s\n      %s\n", e.Line, e.Does)
		}
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "Usage:\n  %s\n\n", name+c.usage())
	fmt.Fprintf(&b, "%s %s.\n\n", name, strings.TrimSuffix(c.Summary, "."))
	for paragraph := range strings.SplitSeq(c.About, "\n\n") {
		if paragraph = wrap(paragraph); paragraph != "" {
			b.WriteString(paragraph + "\n\n")
		}
	}
	section(&b, "Commands", leaves(c, ""))
	var rows [][2]string
	for _, a := range c.Args {
		rows = append(rows, [2]string{strings.ToUpper(a.Name), a.Help + choice(a.OneOf)})
	}
	section(&b, "Arguments", rows)
	rows = nil
	for _, f := range p.flagsOf(c) {
		rows = append(rows, [2]string{strings.TrimSpace("--" + f.Name + " " + f.Value), f.describe()})
	}
	section(&b, "Flags", append(rows, [2]string{"--help", "this text"}))
	rows = nil
	for _, row := range codes {
		rows = append(rows, [2]string{fmt.Sprint(int(row.code)), row.meaning})
	}
	section(&b, "Exit codes", rows)
	_, err := io.WriteString(w, strings.TrimSuffix(b.String(), "\n"))
	return err
}

// usage is what stands behind the command's name: " [flags] BUILD [FILE…]".
func (c *Command) usage() string {
	if len(c.Commands) > 0 {
		return " COMMAND"
	}
	text := " [flags]"
	for _, a := range c.Args {
		word := strings.ToUpper(a.Name)
		if a.Many {
			word += "…"
		}
		if a.Optional {
			word = "[" + word + "]"
		}
		text += " " + word
	}
	return text
}

// leaves lists the commands that can be run below c.
func leaves(c *Command, before string) [][2]string {
	var rows [][2]string
	for _, sub := range c.Commands {
		if len(sub.Commands) > 0 {
			rows = append(rows, leaves(sub, before+sub.Name+" ")...)
			continue
		}
		rows = append(rows, [2]string{before + sub.Name, sub.Summary})
	}
	return rows
}

func (f Flag) describe() string {
	text := f.Help + choice(f.OneOf)
	if f.Kind == Strings {
		text += "; may be given again"
	}
	if f.Default != "" {
		text += ", " + f.Default + " if not given"
	}
	if f.Env != "" {
		text += " (also by the variable " + f.Env + ")"
	}
	return text
}

func choice(words []string) string {
	if len(words) == 0 {
		return ""
	}
	return ": " + strings.Join(words, ", ")
}

func section(b *strings.Builder, title string, rows [][2]string) {
	if len(rows) == 0 {
		return
	}
	b.WriteString(title + ":\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	for _, row := range rows {
		_, _ = fmt.Fprintf(t, "  %s\t%s\n", row[0], row[1])
	}
	_ = t.Flush()
	b.WriteString("\n")
}

// wrap breaks a paragraph into lines. Lines that are indented stay as they are.
func wrap(paragraph string) string {
	if strings.HasPrefix(paragraph, " ") {
		return strings.TrimRight(paragraph, "\n ")
	}
	var b strings.Builder
	column := 0
	for _, word := range strings.Fields(paragraph) {
		n := utf8.RuneCountInString(word)
		switch {
		case column == 0:
		case column+1+n > width:
			b.WriteByte('\n')
			column = 0
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}
