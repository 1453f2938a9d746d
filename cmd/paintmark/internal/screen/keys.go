package screen

import (
	"bufio"
	"io"
	"strings"
	"unicode/utf8"

	"paintmark/calc/fact"
	"paintmark/cmd/paintmark/internal/bench"
)

// The keys, for the exceptions only: a pull needs none.
const keysHelp = "p point   v void   s skip   y confirm   m by hand   space pause   q leave"

// Lines reads commands from lines of text, as they come from a pipe. Lines that
// are no command are told to refuse.
func Lines(from io.Reader, refuse func(error)) <-chan bench.Command {
	commands := make(chan bench.Command)
	go func() {
		defer close(commands)
		scanner := bufio.NewScanner(from)
		for scanner.Scan() {
			if strings.TrimSpace(scanner.Text()) == "" {
				continue
			}
			c, err := bench.ParseCommand(scanner.Text())
			if err != nil {
				refuse(err)
				continue
			}
			commands <- c
		}
	}()
	return commands
}

// prompt is a question that is being answered at the keyboard.
type prompt struct {
	question string
	text     []rune
	// command is completed with the text and sent. What it is about was fixed
	// when the key was pressed, so that a pull in between does not change it.
	command bench.Command
}

// Keys reads single keys from a terminal in raw mode and sends commands, until
// the terminal ends or the interrupt key is pressed, which calls interrupt.
func (t *Terminal) Keys(from io.Reader, interrupt func()) <-chan bench.Command {
	commands := make(chan bench.Command)
	go func() {
		defer close(commands)
		in := bufio.NewReader(from)
		for {
			r, _, err := in.ReadRune()
			if err != nil {
				return
			}
			if r == 0x1b && in.Buffered() > 0 { // an arrow key or the like: not ours
				_, _ = in.Discard(in.Buffered())
				continue
			}
			if r == 0x03 {
				interrupt()
				return
			}
			if c, ok := t.key(r); ok {
				commands <- c
				if c.Kind == bench.Quit {
					return
				}
			}
		}
	}()
	return commands
}

// key takes one key, and gives a command where one is complete.
func (t *Terminal) key(r rune) (bench.Command, bool) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	if t.prompt != nil {
		return t.answer(r)
	}
	ask := func(question string, c bench.Command) (bench.Command, bool) {
		t.prompt = &prompt{question: question, command: c}
		t.redraw()
		return bench.Command{}, false
	}
	task := string(t.last.Task.Point)
	switch r {
	case 'p':
		return ask("which point? (7, or head/7, and a pass if not this one)", bench.Command{Kind: bench.Choose})
	case 'v':
		if t.latest == (fact.Ref{}) {
			return ask("void the last entry: why?", bench.Command{Kind: bench.Void})
		}
		return ask("void "+t.latestText+": why?", bench.Command{Kind: bench.Void, Entry: t.latest})
	case 's':
		if task == "" {
			return bench.Command{}, false
		}
		return ask("leave "+task+" out of this pass: why?", bench.Command{Kind: bench.Leave, Point: task, Pass: t.last.Task.Pass})
	case 'm':
		if task == "" {
			return bench.Command{}, false
		}
		return ask("value at "+task+" by hand, attested and not measured?", bench.Command{Kind: bench.Attest, Point: task, Pass: t.last.Task.Pass})
	case 'y':
		return bench.Command{Kind: bench.Assure, Point: task}, task != ""
	case ' ':
		if t.last.Paused {
			return bench.Command{Kind: bench.Continue}, true
		}
		return bench.Command{Kind: bench.Pause}, true
	case 'q':
		return bench.Command{Kind: bench.Quit}, true
	}
	return bench.Command{}, false
}

// answer takes one key of the answer to a prompt.
func (t *Terminal) answer(r rune) (bench.Command, bool) {
	p := t.prompt
	switch {
	case r == '\r' || r == '\n':
		t.prompt = nil
		defer t.redraw()
		text := strings.TrimSpace(string(p.text))
		if text == "" {
			return bench.Command{}, false
		}
		c := p.command
		if c.Kind == bench.Choose {
			point, pass, _ := strings.Cut(text, " ")
			c.Point, c.Pass = point, fact.Pass(strings.TrimSpace(pass))
		} else {
			c.Text = text
		}
		return c, true
	case r == 0x1b:
		t.prompt = nil
	case r == 0x7f || r == 0x08:
		if len(p.text) > 0 {
			p.text = p.text[:len(p.text)-1]
		}
	case r == 0x15:
		p.text = nil
	case r >= ' ' && r != utf8.RuneError && len(p.text) < 200:
		p.text = append(p.text, r)
	}
	t.redraw()
	return bench.Command{}, false
}
