package screen

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

// chunks gives each of its texts in a read of its own, as keys come.
type chunks []string

func (c *chunks) Read(p []byte) (int, error) {
	if len(*c) == 0 {
		return 0, io.EOF
	}
	n := copy(p, (*c)[0])
	*c = (*c)[1:]
	return n, nil
}

// pressed are the commands that keys give, one read each.
func pressed(terminal *Terminal, keys ...string) (commands []bench.Command, interrupts int) {
	for c := range terminal.Keys((*chunks)(&keys), func() { interrupts++ }) {
		commands = append(commands, c)
	}
	return commands, interrupts
}

// typed are keys pressed one after the other.
func typed(text string) []string {
	var keys []string
	for _, r := range text {
		keys = append(keys, string(r))
	}
	return keys
}

func TestKeys(t *testing.T) {
	l := newTeller(t)
	pull := l.read(pulling("12"), "65.20 lbf·ft", judge.Within)
	bolt, step := []bench.Event{pull, l.next(pulling("7"), 1)}, []bench.Event{l.next(confirming(), 0)}
	step[0].Last = fact.Entry{}
	bolt[1].Last = pull.Last
	paused := l.next(pulling("7"), 1)
	paused.Paused = true
	tests := map[string]struct {
		events []bench.Event
		keys   []string
		want   []bench.Command
	}{
		"confirm":                               {step, typed("y"), []bench.Command{{Kind: bench.Assure, Point: "head/faces"}}},
		"confirm a bolt: the session refuses":   {bolt, typed("y"), []bench.Command{{Kind: bench.Assure, Point: "head/7"}}},
		"another point":                         {bolt, typed("p12\r"), []bench.Command{{Kind: bench.Choose, Point: "12"}}},
		"another point in a pass":               {bolt, typed("p head/12  stage-2 \n"), []bench.Command{{Kind: bench.Choose, Point: "head/12", Pass: "stage-2"}}},
		"void":                                  {bolt, typed("vslipped\r"), []bench.Command{{Kind: bench.Void, Entry: pull.Last.Ref, Text: "slipped"}}},
		"void with nothing there":               {step, typed("vslippery\ry"), []bench.Command{{Kind: bench.Assure, Point: "head/faces"}}}, // one y, not two
		"skip":                                  {bolt, typed("sno room\r"), []bench.Command{{Kind: bench.Leave, Point: "head/7", Pass: "stage-1", Text: "no room"}}},
		"skip a step":                           {step, typed("svery dry"), nil},
		"by hand":                               {bolt, typed("m65.5\r"), []bench.Command{{Kind: bench.Attest, Point: "head/7", Pass: "stage-1", Text: "65.5"}}},
		"a step by hand":                        {step, typed("m65 by eye"), nil},
		"pause":                                 {bolt, typed(" "), []bench.Command{{Kind: bench.Pause}}},
		"go on":                                 {[]bench.Event{paused}, typed(" "), []bench.Command{{Kind: bench.Continue}}},
		"leave":                                 {bolt, typed("q"), []bench.Command{{Kind: bench.Quit}}},
		"before anything is next":               {nil, typed("ysyesmy"), nil},
		"keys that mean nothing":                {bolt, typed("xYQ7\t\r"), nil},
		"backspace":                             {bolt, typed("p13\x7f2\r"), []bench.Command{{Kind: bench.Choose, Point: "12"}}},
		"backspace, the other one, to the end":  {bolt, typed("p1\b\b\b7\r"), []bench.Command{{Kind: bench.Choose, Point: "7"}}},
		"backspace takes a whole character":     {bolt, typed("smä\x7f\r"), []bench.Command{{Kind: bench.Leave, Point: "head/7", Pass: "stage-1", Text: "m"}}},
		"the line away":                         {bolt, typed("p123\x157\r"), []bench.Command{{Kind: bench.Choose, Point: "7"}}},
		"escape":                                {bolt, typed("p12\x1by"), []bench.Command{{Kind: bench.Assure, Point: "head/7"}}},
		"an empty answer":                       {bolt, typed("v  \ry"), []bench.Command{{Kind: bench.Assure, Point: "head/7"}}},
		"an arrow in a prompt":                  {bolt, append(append(typed("p1"), "\x1b[D", "\x1bOA", "\x1b[3~", "\x1b[1;5C"), typed("2\r")...), []bench.Command{{Kind: bench.Choose, Point: "12"}}},
		"an arrow and what follows in one read": {bolt, []string{"p", "\x1b[A12\r"}, []bench.Command{{Kind: bench.Choose, Point: "12"}}},
		"a key with Alt":                        {bolt, []string{"\x1bq", "\x1bä"}, nil},
		"escape twice":                          {bolt, []string{"p", "\x1b\x1b", "y"}, []bench.Command{{Kind: bench.Assure, Point: "head/7"}}},
		"escape and enter in one read":          {bolt, []string{"p", "7", "\x1b\r", "y"}, []bench.Command{{Kind: bench.Assure, Point: "head/7"}}},
		"several keys in one read":              {bolt, []string{"p12\rsno room\r"}, []bench.Command{{Kind: bench.Choose, Point: "12"}, {Kind: bench.Leave, Point: "head/7", Pass: "stage-1", Text: "no room"}}},
		"control characters are no text":        {bolt, typed("p1\x00\x01\u009b2\r"), []bench.Command{{Kind: bench.Choose, Point: "12"}}},
		"bytes that are no character":           {bolt, []string{"p", "1\xff\xfe2", "\r"}, []bench.Command{{Kind: bench.Choose, Point: "12"}}},
		"keys after leaving are read on":        {bolt, typed("qy"), []bench.Command{{Kind: bench.Quit}, {Kind: bench.Assure, Point: "head/7"}}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			terminal, screen := show(t, 80, 24, test.events...)
			commands, interrupts := pressed(terminal, test.keys...)
			require.Equal(t, test.want, commands)
			require.Zero(t, interrupts)
			require.Empty(t, screen.faults)
		})
	}
}

func TestWhatIsAsked(t *testing.T) {
	l := newTeller(t)
	pull := l.read(pulling("12"), "65.20 lbf·ft", judge.Within)
	entry := func(body fact.Body) bench.Event {
		e := l.next(pulling("7"), 1)
		e.Last = fact.Entry{Ref: fact.Ref{Station: "bench-1", Number: 4}, Body: body}
		return e
	}
	for _, test := range []struct {
		event bench.Event
		key   rune
		want  string
	}{
		{entry(pull.Last.Body), 'v', " void head/12 65.20 lbf·ft: why?"},
		{entry(fact.Confirmation{Point: "head/faces"}), 'v', " void the confirmation of head/faces: why?"},
		{entry(fact.Skip{Point: "head/7"}), 'v', " void the skip of head/7: why?"},
		{entry(nil), 'p', " which point? (7, or head/7, and a pass if not this one)"},
		{entry(nil), 's', " leave head/7 out of this pass: why?"},
		{l.next(confirming(), 0), 'm', " head/faces wants to be confirmed, not read (Enter)"},
		{l.next(confirming(), 0), 's', " head/faces is preparation and cannot be left out (Enter)"},
		{l.tell(bench.Complete), 's', " nothing is next that could be left out (Enter)"},
		{l.tell(bench.Complete), 'm', " nothing is next that could be read (Enter)"},
		{newTeller(t).next(pulling("7"), 1), 'v', " there is nothing to take back (Enter)"},
		{entry(nil), 'm', " value at head/7 by hand, attested and not measured?"},
	} {
		terminal, screen := show(t, 80, 24, test.event)
		_, sent := terminal.key(test.key)
		require.False(t, sent)
		lines := strings.Split(strings.TrimRight(screen.String(), "\n"), "\n")
		require.Equal(t, test.want, lines[len(lines)-1])
		require.NotContains(t, screen.String(), "p point")
		terminal.key(0x1b)
		require.NotContains(t, screen.String(), test.want)
		require.Contains(t, screen.String(), keysHelp)
	}
}

func TestALongAnswerShowsItsEnd(t *testing.T) {
	terminal, screen := show(t, 40, 24, newTeller(t).next(pulling("7"), 1))
	terminal.key('s')
	for _, r := range strings.Repeat("word ", 100) + "手順" {
		terminal.key(r)
	}
	terminal.key('x')
	require.Len(t, terminal.prompt.text, maxAnswer)
	last := screen.lines()[screen.y]
	require.True(t, strings.HasSuffix(last, "word word"), last)
	require.Equal(t, 39, screen.x, "room for the cursor")
	terminal.key(0x15)
	for _, r := range "手順書" {
		terminal.key(r)
	}
	require.True(t, strings.HasSuffix(screen.lines()[screen.y], "why? 手順書"))
}

// A verdict that comes while the builder types leaves the prompt as it is, and
// the answer is about what was asked for.
func TestAPullWhileTheBuilderTypes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newTeller(t)
		terminal, screen := show(t, 80, 24, l.next(pulling("12"), 0))
		keyboard, keys := io.Pipe()
		commands := terminal.Keys(keyboard, func() {})
		press := func(text string) {
			_, err := io.WriteString(keys, text)
			require.NoError(t, err)
			synctest.Wait()
		}
		press("s")
		press("no ro")
		terminal.Show(l.read(pulling("12"), "65.20 lbf·ft", judge.Within))
		terminal.Show(l.next(pulling("7"), 1))
		require.Contains(t, screen.String(), " leave head/12 out of this pass: why? no ro\n")
		require.Contains(t, screen.String(), "✓ WITHIN   head/12")
		require.Contains(t, screen.String(), "NEXT head/7")
		press("om\r")
		require.Equal(t, bench.Command{Kind: bench.Leave, Point: "head/12", Pass: "stage-1", Text: "no room"}, <-commands)

		press("v")
		first := terminal.latest.Ref
		terminal.Show(l.read(pulling("7"), "65 lbf·ft", judge.Within))
		press("slipped\r")
		require.Equal(t, bench.Command{Kind: bench.Void, Entry: first, Text: "slipped"}, <-commands)
		require.NoError(t, keys.Close())
		_, open := <-commands
		require.False(t, open)
	})
}

// The interrupt key is heard in a prompt, behind an escape, after leaving, and
// while nobody takes the commands.
func TestTheInterruptKey(t *testing.T) {
	for _, keys := range [][]string{{"\x03"}, {"p", "1", "\x03"}, {"\x1b\x03"}, {"p", "\x1b\x03"}, {"q", "\x03"}, {"\x1b[\x03"}, {"\x1bO\x03"}} {
		terminal, screen := show(t, 80, 24, newTeller(t).next(pulling("7"), 1))
		_, interrupts := pressed(terminal, append(keys, "q")...)
		require.Equal(t, 1, interrupts, "%q", keys)
		require.Empty(t, screen.faults)
	}
	terminal, screen := show(t, 80, 24, newTeller(t).next(pulling("7"), 1))
	interrupted := make(chan struct{})
	keys := chunks(append(typed(strings.Repeat("y", maxAsked+1)), "\x03"))
	commands := terminal.Keys(&keys, func() { close(interrupted) })
	<-interrupted
	require.Contains(t, screen.String(), "● wait until what was asked for before is done")
	for range maxAsked {
		require.Equal(t, bench.Assure, (<-commands).Kind)
	}
	_, open := <-commands
	require.False(t, open)
}

func TestControlLDrawsTheScreenAnew(t *testing.T) {
	l := newTeller(t)
	terminal, screen := show(t, 80, 24, l.story()...)
	before := screen.String()
	for i := range screen.screen {
		screen.screen[i] = screen.blank() // some other program wrote over it
	}
	terminal.key(0x0c)
	require.Equal(t, before, screen.String())
}

func TestLines(t *testing.T) {
	long := strings.Repeat("x", maxLine)
	tests := map[string]struct {
		from    io.Reader
		want    []bench.Command
		refused []string
	}{
		"commands, blank lines, lines that are none": {strings.NewReader("point 7 stage-2\n\n  \r\nvoid slipped\r\ndance\nquit"),
			[]bench.Command{{Kind: bench.Choose, Point: "7", Pass: "stage-2"}, {Kind: bench.Void, Text: "slipped"}, {Kind: bench.Quit}},
			[]string{`"dance" is no command: they are point, void, skip, confirm, attest, zero, pause, go and quit`}},
		"nothing": {strings.NewReader(""), nil, nil},
		"a line too long, and one after it": {strings.NewReader("skip " + long + long + long + "\npause\n"),
			[]bench.Command{{Kind: bench.Pause}}, []string{"a line of more than 4096 bytes is no command"}},
		"a line too long at the end": {strings.NewReader("pause\nskip " + long),
			[]bench.Command{{Kind: bench.Pause}}, []string{"a line of more than 4096 bytes is no command"}},
		"the longest": {strings.NewReader("skip " + long[:maxLine-7] + "\npause\n"),
			[]bench.Command{{Kind: bench.Leave, Text: long[:maxLine-7]}, {Kind: bench.Pause}}, nil},
		"a pipe that breaks": {io.MultiReader(strings.NewReader("pause\n"), iotest.ErrReader(errors.New("broken pipe"))),
			[]bench.Command{{Kind: bench.Pause}}, []string{"no more commands can be read: broken pipe"}},
		"byte by byte": {iotest.OneByteReader(strings.NewReader("go\nskip ünder\n")),
			[]bench.Command{{Kind: bench.Continue}, {Kind: bench.Leave, Text: "ünder"}}, nil},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			var commands []bench.Command
			var refused []string
			for c := range Lines(test.from, func(err error) { refused = append(refused, err.Error()) }) {
				commands = append(commands, c)
			}
			require.Equal(t, test.want, commands)
			require.Equal(t, test.refused, refused)
		})
	}
}

// Whatever is typed, no key breaks the screen.
func FuzzKeys(f *testing.F) {
	for _, keys := range []string{"p12\rvslipped\r", "\x1b[A\x1bOP\x1b", "s\x1b[2J\x9b\x00\r", "m\u202e65\r \x0c\x03", "\x1b[1;\x1b[\xff"} {
		f.Add(keys, true)
		f.Add(keys, false)
	}
	f.Fuzz(func(t *testing.T, keys string, apart bool) {
		l := newTeller(t)
		screen := newEmulator(80, 24)
		terminal := NewTerminal(screen, screen.size, time.UTC)
		e := l.next(pulling("7"), 1)
		e.Last = fact.Entry{Ref: fact.Ref{Station: "bench-1", Number: 4}, Body: fact.Reading{Point: "head/12", Value: quantity.MustParse("65 lbf·ft")}}
		terminal.Show(e)
		parts := []string{keys}
		if apart {
			parts = nil
			for i := range len(keys) {
				parts = append(parts, keys[i:i+1])
			}
		}
		commands, _ := pressed(terminal, parts...)
		for _, c := range commands {
			for _, text := range []string{c.Point, string(c.Pass), c.Text} {
				require.Equal(t, clean(text), text, "no text that could break a screen")
			}
		}
		require.Empty(t, screen.faults)
		require.Equal(t, 1, strings.Count(screen.String(), "NEXT head/7"), fmt.Sprint(screen))
	})
}
