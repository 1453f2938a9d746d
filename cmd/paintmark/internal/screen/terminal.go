// Package screen shows a sitting: drawn in a terminal, as plain lines where
// there is none to draw in, or as JSON.
//
// The terminal is made for eyes two metres away and hands that hold a wrench.
// Above, line by line, stands the record as it grows. Below stands a panel that
// is redrawn in place: the last verdict as a banner across the whole width, in
// colour, with its word in letters several lines high; what is next in letters
// as high, the bolt as a badge; and the keys, which are needed for exceptions
// only. In a terminal with few rows the banner is one line and the letters are
// left out.
package screen

import (
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"paintmark/calc/fact"
	"paintmark/cmd/paintmark/internal/bench"
)

// A Terminal draws a sitting in a terminal.
type Terminal struct {
	to io.Writer
	// size gives the terminal's columns and rows.
	size func() (columns, rows int)
	zone *time.Location

	mutex  sync.Mutex
	banner *banner
	last   bench.Event // the last Next, Waiting or Complete
	turned bool        // it is of another joint or pass than the one before
	lost   []string    // instruments that are gone now
	latest fact.Entry  // what is taken back if no entry is named
	prompt *prompt
	heard  []bench.Heard // how each instrument stands
	clock  time.Time     // the time that ages are counted to
	aged   string        // what was drawn of them

	drawn         int // lines of the panel that stand on the screen
	columns, rows int // when they were drawn
	record        []string
}

// remembered is how many lines of the record are kept to draw them anew when
// the terminal's size has changed.
const remembered = 200

// NewTerminal draws to a terminal that is in raw mode.
func NewTerminal(to io.Writer, size func() (columns, rows int), zone *time.Location) *Terminal {
	return &Terminal{to: to, size: size, zone: zone}
}

// Show draws an event.
func (t *Terminal) Show(e bench.Event) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	t.latest, t.heard, t.clock = e.Last, e.Heard, e.Time
	if b := bannerOf(e); b != nil {
		t.banner = b
	}
	switch e.Kind {
	case bench.Next, bench.Waiting, bench.Complete:
		if was := t.last.Task; t.last.Kind != "" && (was.Joint != e.Task.Joint || was.Pass != e.Task.Pass) {
			t.turned = e.Kind == bench.Next
		}
		t.last = e
	case bench.Read:
		t.turned = false
	case bench.Paused, bench.Resumed:
		t.last.Paused = e.Kind == bench.Paused
	case bench.Lost:
		if !slices.Contains(t.lost, e.Instrument) {
			t.lost = append(t.lost, e.Instrument)
		}
	case bench.Found:
		t.lost = slices.DeleteFunc(t.lost, func(name string) bool { return name == e.Instrument })
	}
	t.draw(sentences(e, t.zone))
}

// Tick lets the ages of silence grow; it draws only where one looks older.
func (t *Terminal) Tick(now time.Time) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	if t.clock = now; t.drawn > 0 && t.ages() != t.aged {
		t.redraw()
	}
}

// Redraw draws the panel again, as after the terminal's size has changed.
func (t *Terminal) Redraw() {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	t.redraw()
}

// Close leaves the record on the screen and takes the panel away.
func (t *Terminal) Close() {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	var b strings.Builder
	t.erase(&b)
	_, _ = io.WriteString(t.to, b.String())
}

func (t *Terminal) redraw() { t.draw(nil) }

// draw writes lines above the panel, and the panel anew, in one write. No line
// is wider than the terminal, and none is wrapped even where the terminal finds
// a character wider, so that as many lines are gone over the next time as stand
// there. A terminal whose size has changed may have wrapped what stood there:
// then the whole screen is drawn anew.
func (t *Terminal) draw(lines []string) {
	columns, rows := t.size()
	if columns <= 0 || rows <= 0 {
		columns, rows = 80, 24
	}
	panel := t.panel(columns, rows)
	t.aged = t.ages()
	t.record = append(t.record, lines...)
	t.record = t.record[max(0, len(t.record)-remembered):]

	var b strings.Builder
	b.WriteString(wrapOff)
	anew := t.drawn > 0 && (columns != t.columns || rows != t.rows)
	if anew {
		b.WriteString(toTop)
		t.drawn, lines = 0, t.record
	}
	t.erase(&b)
	var above []string
	for _, line := range lines {
		above = append(above, wrap(line, columns)...)
	}
	if anew {
		above = above[max(0, len(above)-max(0, rows-len(panel))):]
	}
	for _, line := range above {
		b.WriteString(line + "\r\n")
	}
	for i, line := range panel {
		if i > 0 {
			b.WriteString("\r\n")
		}
		b.WriteString(line + reset)
	}
	b.WriteString(wrapOn)
	t.drawn, t.columns, t.rows = len(panel), columns, rows
	_, _ = io.WriteString(t.to, b.String())
}

// Control sequences that every terminal of today knows (ECMA-48; switching the
// wrapping of lines is DEC's private mode 7).
const (
	reset   = "\x1b[0m"
	bold    = "\x1b[1m"
	dim     = "\x1b[2m"
	reverse = "\x1b[7m"
	upLine  = "\x1b[A"
	toClear = "\r\x1b[J" // from the line's start to the screen's end
	toTop   = "\x1b[H\x1b[2J"
	wrapOff = "\x1b[?7l"
	wrapOn  = "\x1b[?7h"
)

// erase takes the panel away and leaves the cursor where it began.
func (t *Terminal) erase(b *strings.Builder) {
	if t.drawn > 0 {
		b.WriteString(strings.Repeat(upLine, t.drawn-1) + toClear)
	}
	t.drawn = 0
}

// Say puts a line of its own into the record.
func (t *Terminal) Say(text string) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	t.draw([]string{clean(indentation + text)})
}
