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

// Sift takes out of what is typed the lines of the cable, and gives the rest, as
// it was typed. A line of the cable begins with a digit, a sign or a decimal
// mark, ends with Enter, and comes faster than a hand types. What begins so and
// does not go on so fast is given after that moment, and with it all that
// follows up to Enter or a pause of two seconds: what is left of a line must
// not become a value. Slow is told of such a line when it ends.
//
// Reading from is ended by its own end alone.
func (c *Cable) Sift(from io.Reader, slow func(line string)) io.Reader {
	s := &sieve{cable: c, slow: slow, pieces: make(chan piece)}
	go s.pump(from)
	return s
}

type piece struct {
	bytes []byte
	at    time.Time
	err   error
}

type sieve struct {
	cable  *Cable
	slow   func(string)
	pieces chan piece

	rest        []byte // that is no line of the cable
	held        []byte // that may become one
	slowly      []byte // a line that began as a value and came too slowly
	began, last time.Time
	ended       bool // a line just now, by CR: an LF belongs to it
	err         error
}

// mostHeld is the longest line that is waited for.
const mostHeld = 128

// forgotten is the pause after which a line that came too slowly is over.
const forgotten = 2 * time.Second

func (s *sieve) pump(from io.Reader) {
	for {
		buf := make([]byte, 512)
		n, err := from.Read(buf)
		if n > 0 {
			s.pieces <- piece{bytes: buf[:n], at: time.Now()}
		}
		if err != nil {
			s.pieces <- piece{err: err}
			return
		}
	}
}

// Read implements io.Reader.
func (s *sieve) Read(p []byte) (int, error) {
	for len(s.rest) == 0 {
		if s.err != nil {
			return 0, s.err
		}
		var pause <-chan time.Time
		if len(s.held) > 0 {
			pause = time.After(perKey)
		}
		select {
		case next := <-s.pieces:
			s.take(next)
		case <-pause:
			s.slowly = append(s.slowly, s.held...)
			s.release()
		}
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

func (s *sieve) take(p piece) {
	if s.err = p.err; s.err != nil {
		s.release()
		s.cable.End()
		return
	}
	if p.at.Sub(s.last) > forgotten {
		s.slowly = nil
	}
	s.last = p.at
	for _, b := range p.bytes {
		after := s.ended
		s.ended = false
		switch {
		case after && b == '\n':
		case len(s.slowly) > 0:
			s.rest = append(s.rest, b)
			s.goOn(b)
		case len(s.held) == 0 && starts(b):
			s.held, s.began = append(s.held, b), p.at
		case len(s.held) == 0:
			s.rest = append(s.rest, b)
		case b == '\r' || b == '\n':
			s.line(b, p.at)
		default:
			s.held = append(s.held, b)
			if b < ' ' && b != '\t' || len(s.held) == mostHeld {
				s.release()
			}
		}
	}
}

// goOn takes one more byte of a line that comes too slowly.
func (s *sieve) goOn(b byte) {
	switch {
	case b == '\r' || b == '\n':
		s.slow(string(s.slowly))
		s.slowly = nil
	case b < ' ' && b != '\t': // another key
		s.slowly = nil
	case len(s.slowly) < mostHeld:
		s.slowly = append(s.slowly, b)
	}
}

// line ends what is held.
func (s *sieve) line(enter byte, at time.Time) {
	text := string(s.held)
	if s.cable.Line(text, at.Sub(s.began)) == nil {
		s.held, s.ended = s.held[:0], enter == '\r'
		return
	}
	s.release()
	s.rest = append(s.rest, enter)
	s.slow(text)
}

func (s *sieve) release() {
	s.rest = append(s.rest, s.held...)
	s.held = s.held[:0]
}

// starts tells whether a value may begin so.
func starts(b byte) bool {
	return b >= '0' && b <= '9' || b == '+' || b == '-' || b == '.' || b == ','
}
