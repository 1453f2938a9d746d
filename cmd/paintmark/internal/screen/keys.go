package screen

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/bench"
)

// The keys, for the exceptions only: a pull needs none.
const (
	keysHelp     = "p point   v void   s skip   y confirm   m by hand   space pause   q leave"
	keysWithZero = "p point  v void  s skip  y confirm  m by hand  z zero  space pause  q leave"
)

// maxLine is the longest line that is read as a command.
const maxLine = 4096

// Lines reads commands from lines of text, as they come from a pipe. Lines that
// are no command are told to refuse.
func Lines(from io.Reader, refuse func(error)) <-chan bench.Command {
	commands := make(chan bench.Command)
	go func() {
		defer close(commands)
		in := bufio.NewReaderSize(from, maxLine)
		for {
			text, err := in.ReadSlice('\n')
			if errors.Is(err, bufio.ErrBufferFull) {
				for errors.Is(err, bufio.ErrBufferFull) {
					_, err = in.ReadSlice('\n')
				}
				refuse(fmt.Errorf("a line of more than %d bytes is no command", maxLine))
				text = nil
			}
			if line := strings.TrimSpace(string(text)); line != "" {
				if c, bad := bench.ParseCommand(line); bad != nil {
					refuse(bad)
				} else {
					commands <- c
				}
			}
			if err != nil {
				if !errors.Is(err, io.EOF) {
					refuse(fmt.Errorf("no more commands can be read: %w", err))
				}
				return
			}
		}
	}()
	return commands
}

// prompt is a question that is being answered at the keyboard.
type prompt struct {
	question string
	text     []rune
	// command is completed with the text and sent; none is sent if it has no
	// kind. What it is about was fixed when the key was pressed, so that a pull in
	// between does not change it.
	command bench.Command
}

const (
	interruptKey = 0x03
	escape       = 0x1b
	maxAnswer    = 200 // characters
	maxAsked     = 16  // commands that wait for the session
)

// Keys reads single keys from a terminal in raw mode and sends commands, until
// the terminal ends or the interrupt key is pressed, which calls interrupt.
// Keys are read on while the session is busy and when it was told to leave, so
// that the interrupt key is always heard.
func (t *Terminal) Keys(from io.Reader, interrupt func()) <-chan bench.Command {
	commands := make(chan bench.Command, maxAsked)
	go func() {
		defer close(commands)
		in := bufio.NewReader(from)
		for {
			r, _, err := in.ReadRune()
			if err != nil {
				return
			}
			if r == interruptKey {
				interrupt()
				return
			}
			if r == escape && skipSequence(in) {
				continue
			}
			if c, ok := t.key(r); ok {
				select {
				case commands <- c:
				default:
					t.Say(warn + " wait until what was asked for before is done")
				}
			}
		}
	}()
	return commands
}

// Asking tells whether a question is being answered at the keyboard.
func (t *Terminal) Asking() bool {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	return t.prompt != nil
}

// skipSequence takes the rest of what a function key or a key with Alt sends
// after its escape; false if the escape stood alone.
func skipSequence(in *bufio.Reader) bool {
	next := func() byte {
		if in.Buffered() == 0 {
			return 0
		}
		b, _ := in.Peek(1)
		return b[0]
	}
	take := func() { _, _ = in.Discard(1) }
	switch b := next(); {
	case b < ' ' || b == 0x7f: // nothing, or a key of its own
		return false
	case b == '[': // a control sequence ends with 40 to 7E (ECMA-48, 5.4)
		take()
		for b = next(); b >= ' ' && b < 0x40; b = next() {
			take()
		}
		if b >= 0x40 && b < 0x7f {
			take()
		}
	case b == 'O':
		take()
		if b = next(); b >= ' ' && b < 0x7f {
			take()
		}
	default:
		_, _, _ = in.ReadRune()
	}
	return true
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
	// What cannot be done is asked for all the same and goes nowhere, so that a
	// reason that is being typed is not taken for keys.
	cannot := func(why string) (bench.Command, bool) { return ask(why+" (Enter)", bench.Command{}) }
	task := t.last.Task
	point := string(task.Point)
	switch r {
	case 'p':
		return ask("which point? (7, or head/7, and a pass if not this one)", bench.Command{Kind: bench.Choose})
	case 'v':
		if t.latest.IsZero() {
			return cannot("there is nothing to take back")
		}
		return ask("void "+entryWords(t.latest)+": why?", bench.Command{Kind: bench.Void, Entry: t.latest.Ref})
	case 's':
		switch {
		case point == "":
			return cannot("nothing is next that could be left out")
		case task.Pass == "":
			return cannot(point + " is preparation and cannot be left out")
		}
		return ask("leave "+point+" out of this pass: why?", bench.Command{Kind: bench.Leave, Point: point, Pass: task.Pass})
	case 'm':
		switch {
		case point == "":
			return cannot("nothing is next that could be read")
		case task.Kind == judge.Confirm:
			return cannot(point + " wants to be confirmed, not read")
		}
		return ask("value at "+point+" by hand, attested and not measured?", bench.Command{Kind: bench.Attest, Point: point, Pass: task.Pass})
	case 'z':
		names := t.zeroes()
		if len(names) == 0 {
			return cannot("no instrument here can be set to zero")
		}
		ask("set which instrument to zero? it must hang free ("+strings.Join(names, ", ")+")", bench.Command{Kind: bench.Zero})
		if len(names) == 1 {
			t.prompt.text = []rune(names[0])
			t.redraw()
		}
	case 'y':
		return bench.Command{Kind: bench.Assure, Point: point}, point != ""
	case ' ':
		if t.last.Paused {
			return bench.Command{Kind: bench.Continue}, true
		}
		return bench.Command{Kind: bench.Pause}, true
	case 'q':
		return bench.Command{Kind: bench.Quit}, true
	case 0x0c:
		t.columns = 0 // as if the size had changed: everything is drawn anew
		t.redraw()
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
		c, text := p.command, strings.TrimSpace(string(p.text))
		switch {
		case c.Kind == "" || text == "":
			return bench.Command{}, false
		case c.Kind == bench.Choose:
			point, pass, _ := strings.Cut(text, " ")
			c.Point, c.Pass = point, fact.Pass(strings.TrimSpace(pass))
		default:
			c.Text = text
		}
		return c, true
	case r == escape:
		t.prompt = nil
	case r == 0x7f || r == 0x08:
		if len(p.text) > 0 {
			p.text = p.text[:len(p.text)-1]
		}
	case r == 0x15:
		p.text = nil
	case unicode.IsPrint(r) && r != utf8.RuneError && len(p.text) < maxAnswer:
		p.text = append(p.text, r)
	}
	t.redraw()
	return bench.Command{}, false
}
