package screen

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// An emulator is as much of a terminal as Terminal draws with. What it does not
// know is a fault: nothing else may get out.
type emulator struct {
	columns, rows int
	screen        [][]cell
	x, y          int
	wrap, hanging bool // hanging: the last column is written, the next character wraps
	style         string
	// cells is how many columns a character takes, as this terminal sees it.
	cells  func(rune) int
	faults []string
	rest   string // of a sequence that is not whole yet
}

// cell is one column: its character with what combines with it, empty for the
// second half of a wide one.
type cell struct{ text, style string }

func newEmulator(columns, rows int) *emulator {
	e := &emulator{columns: columns, rows: rows, wrap: true, cells: cells}
	e.screen = make([][]cell, rows)
	for i := range e.screen {
		e.screen[i] = e.blank()
	}
	return e
}

func (e *emulator) blank() []cell {
	line := make([]cell, e.columns)
	for i := range line {
		line[i] = cell{text: " "}
	}
	return line
}

func (e *emulator) size() (int, int) { return e.columns, e.rows }

func (e *emulator) Write(p []byte) (int, error) {
	text := e.rest + string(p)
	e.rest = ""
	for text != "" {
		if text[0] == 0x1b {
			end := strings.IndexFunc(text[1:], func(r rune) bool { return r >= '@' && r <= '~' && r != '[' })
			if end < 0 {
				e.rest = text
				break
			}
			e.sequence(text[1 : end+2])
			text = text[end+2:]
			continue
		}
		r, size := utf8.DecodeRuneInString(text)
		e.char(r)
		text = text[size:]
	}
	return len(p), nil
}

func (e *emulator) sequence(s string) {
	switch {
	case s == "[A":
		e.y, e.hanging = max(0, e.y-1), false
	case s == "[H":
		e.x, e.y, e.hanging = 0, 0, false
	case s == "[J":
		copy(e.screen[e.y][e.x:], e.blank())
		for i := e.y + 1; i < e.rows; i++ {
			e.screen[i] = e.blank()
		}
	case s == "[2J":
		for i := range e.screen {
			e.screen[i] = e.blank()
		}
	case s == "[?7l":
		e.wrap = false
	case s == "[?7h":
		e.wrap = true
	case s == "[0m":
		e.style = ""
	case strings.HasPrefix(s, "[") && strings.HasSuffix(s, "m") && strings.Trim(s[1:len(s)-1], "0123456789;") == "":
		e.style += s[1:]
	default:
		e.faults = append(e.faults, fmt.Sprintf("sequence %q", s))
	}
}

func (e *emulator) char(r rune) {
	switch {
	case r == '\r':
		e.x, e.hanging = 0, false
	case r == '\n':
		e.down()
	case r < ' ' || r >= 0x7f && r < 0xa0:
		e.faults = append(e.faults, fmt.Sprintf("control character %q", r))
	default:
		e.put(r)
	}
}

func (e *emulator) down() {
	e.hanging = false
	if e.y++; e.y == e.rows {
		e.y--
		e.screen = append(e.screen[1:], e.blank())
	}
}

func (e *emulator) put(r rune) {
	n := e.cells(r)
	if n == 0 {
		at := e.x
		if !e.hanging {
			at = max(0, e.x-1)
		}
		e.screen[e.y][at].text += string(r)
		return
	}
	if e.hanging || e.x+n > e.columns {
		if e.wrap {
			e.x = 0
			e.down()
		} else {
			e.x = max(0, e.columns-n)
		}
	}
	e.screen[e.y][e.x] = cell{string(r), e.style}
	if n == 2 && e.x+1 < e.columns {
		e.screen[e.y][e.x+1] = cell{"", e.style}
	}
	e.hanging = false
	if e.x += n; e.x >= e.columns {
		e.x, e.hanging = e.columns-1, true
	}
}

// lines are what stands on the screen, without what is blank at the ends.
func (e *emulator) lines() []string {
	lines := make([]string, e.rows)
	for i, row := range e.screen {
		var b strings.Builder
		for _, c := range row {
			b.WriteString(c.text)
		}
		lines[i] = strings.TrimRight(b.String(), " ")
	}
	return lines
}

// String is what stands on the screen, to its last line with anything on it.
func (e *emulator) String() string {
	return strings.TrimRight(strings.Join(e.lines(), "\n"), "\n") + "\n"
}

// row is the first row whose text has a part, -1 if none.
func (e *emulator) row(part string) int {
	for i, line := range e.lines() {
		if strings.Contains(line, part) {
			return i
		}
	}
	return -1
}

// resize gives the terminal another size. Terminals differ in what becomes of
// the lines: some wrap those that are too long, some cut them.
func (e *emulator) resize(columns, rows int, rewrap bool) {
	old := e.screen[:e.y+1]
	next := newEmulator(columns, rows)
	next.cells = e.cells
	for i, row := range old {
		used := len(row)
		for used > 0 && row[used-1] == (cell{text: " "}) {
			used--
		}
		for k, c := range row[:used] {
			if !rewrap && k >= columns {
				break
			}
			for _, r := range c.text {
				next.style = c.style
				next.put(r)
			}
		}
		if i < len(old)-1 {
			next.char('\r')
			next.char('\n')
		}
	}
	next.style, next.faults = e.style, e.faults
	*e = *next
}
