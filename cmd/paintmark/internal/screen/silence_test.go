package screen

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/cmd/paintmark/internal/bench"
)

// Silence shows its age, and the age grows by itself.
func TestSilenceShowsItsAge(t *testing.T) {
	l := newTeller(t)
	e := l.next(pulling("7"), 0)
	e.Heard = []bench.Heard{{Instrument: "wrench-a", Last: e.Time.Add(-4 * time.Second)}, {Instrument: "gauge-b"}}
	terminal, screen := show(t, 80, 24, e)
	require.Contains(t, screen.String(), " heard: wrench-a 4 s ago, gauge-b not yet\n")
	drawn := screen.String()
	terminal.Tick(e.Time)
	require.Equal(t, drawn, screen.String())
	terminal.Tick(e.Time.Add(2 * time.Minute))
	require.Contains(t, screen.String(), " heard: wrench-a 2 min ago, gauge-b not yet\n")

	quiet := l.fails(bench.Quiet, "", "serial:usb=A1: 3 requests had no reply")
	quiet.Since = quiet.Time.Add(-90 * time.Second)
	quiet.Hint = "is it on?"
	quiet.Heard = []bench.Heard{{Instrument: "wrench-a", Last: quiet.Since, Quiet: true}}
	terminal.Show(quiet)
	text := screen.String()
	require.Contains(t, text, "quiet     wrench-a: serial:usb=A1: 3 requests had no reply; the last\n          value came 1 min ago. What is recorded is safe.")
	require.Contains(t, text, "          hint: is it on?\n")
	require.Contains(t, text, "QUIET   wrench-a: the last value came 1 min ago")
	terminal.Tick(quiet.Time.Add(time.Hour))
	require.Contains(t, screen.String(), "QUIET   wrench-a: the last value came 1 h 01 min ago")

	back := l.tell(bench.Talking, func(e *bench.Event) {
		e.Instrument, e.Since, e.Heard = "wrench-a", e.Time.Add(-2*time.Second), []bench.Heard{{Instrument: "wrench-a", Last: e.Time}}
	})
	terminal.Show(back)
	require.NotContains(t, screen.String(), "QUIET")
	require.Contains(t, screen.String(), "talking   wrench-a; before that, the last value came 2 s ago")
	require.Empty(t, screen.faults)
}

func TestSilenceInPlainLines(t *testing.T) {
	l := newTeller(t)
	var out strings.Builder
	plain := Plain(&out, time.UTC)
	never := l.fails(bench.Quiet, "", "serial:usb=A1: no good frame came for 2s")
	plain(never)
	plain(l.tell(bench.Unfinished, func(e *bench.Event) {
		e.Instrument, e.Raw, e.Text, e.Hint = "wrench-a", []byte("+00\r"), "no whole frame", "another ending?"
	}))
	plain(l.tell(bench.Zeroed, func(e *bench.Event) { e.Instrument, e.Text = "gauge-b", `zero, by "Z\r"` }))
	require.Equal(t, `12:00:01  `+warn+` quiet     wrench-a: serial:usb=A1: no good frame came for 2s; no value came yet. What is recorded is safe.
12:00:02  `+warn+` unfinished wrench-a sent "+00\r": no whole frame
          hint: another ending?
12:00:03  `+good+` zeroed    gauge-b: zero, by "Z\r". What it says from here on counts from there.
`, out.String())
}

// The key for zero is offered where an instrument can be set to it; the only one
// is filled in.
func TestTheKeyForZero(t *testing.T) {
	l := newTeller(t)
	e := l.next(pulling("7"), 0)
	terminal, screen := show(t, 80, 24, e)
	require.NotContains(t, screen.String(), "z zero")
	_, sent := terminal.key('z')
	require.False(t, sent)
	require.Contains(t, screen.String(), "no instrument here can be set to zero (Enter)")
	terminal.key('\r')
	e.Heard = []bench.Heard{{Instrument: "wrench-a"}, {Instrument: "gauge-b", Zeroes: true}}
	terminal.Show(e)
	require.Contains(t, screen.String(), keysWithZero)
	_, sent = terminal.key('z')
	require.False(t, sent)
	require.Contains(t, screen.String(), "set which instrument to zero? it must hang free (gauge-b) gauge-b")
	c, sent := terminal.key('\r')
	require.True(t, sent)
	require.Equal(t, bench.Command{Kind: bench.Zero, Text: "gauge-b"}, c)
	e.Heard[0].Zeroes = true
	terminal.Show(e)
	terminal.key('z')
	_, sent = terminal.key('\r')
	require.False(t, sent, "none is guessed")
}
