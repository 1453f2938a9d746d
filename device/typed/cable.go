package typed

import (
	"errors"
	"io"
	"sync"
	"time"
)

// Place is the place of a cable that types, in an address: "typed:cable".
const Place = "cable"

// perKey is the longest time from one character to the next in what a cable
// types. Keyboards are asked every 8 to 10 ms as a rule, and a character takes two
// reports; a fast typist needs 100 ms (both from memory).
const perKey = 40 * time.Millisecond

// mostLines is how many lines wait while nobody reads.
const mostLines = 64

// ErrByHand means that a line came as slowly as a hand types.
var ErrByHand = errors.New("that was typed by hand, and not by the cable")

// ErrFull means that nobody reads what the cable types.
var ErrFull = errors.New("too many lines wait to be read")

// A Cable is an instrument that types a value and Enter where the keyboard is,
// as its transport. Whoever reads the keyboard hands it the lines.
type Cable struct {
	*Transport
	lines   chan string
	ending  sync.Once
	ended   chan struct{}
	partial string // of a line; of the goroutine that reads alone
}

// NewCable makes the transport of a cable. It holds a goroutine from its first
// Open to End.
func NewCable() *Cable {
	c := &Cable{lines: make(chan string, mostLines), ended: make(chan struct{})}
	c.Transport = New(Place, c)
	c.measured = true
	return c
}

// Line hands over a line without its Enter, and how long it took from its first
// character to Enter. A line that took longer than a cable does is refused with
// ErrByHand: what a person states is to be marked so.
func (c *Cable) Line(text string, took time.Duration) error {
	if took > time.Duration(len([]rune(text)))*perKey {
		return ErrByHand
	}
	select {
	case c.lines <- text + "\n":
		return nil
	default:
		return ErrFull
	}
}

// End tells that nothing more is typed. Lines that were handed over are still
// read.
func (c *Cable) End() { c.ending.Do(func() { close(c.ended) }) }

// Read gives what was handed over, to the transport itself.
func (c *Cable) Read(p []byte) (int, error) {
	for c.partial == "" {
		select {
		case c.partial = <-c.lines:
			continue
		default:
		}
		select {
		case c.partial = <-c.lines:
		case <-c.ended:
			if len(c.lines) == 0 {
				return 0, io.EOF
			}
		}
	}
	n := copy(p, c.partial)
	c.partial = c.partial[n:]
	return n, nil
}

// Starts tells whether a line that begins so is a value and no command: with a
// digit, a sign or a decimal mark.
func Starts(r rune) bool {
	return r >= '0' && r <= '9' || r == '+' || r == '-' || r == '.' || r == ','
}
