package profile

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"time"
)

// scanner frames what has marks at its ends, or a mark and a fixed length. What
// makes no frame is given up to the next start, and that start is tried: a
// damaged frame costs itself and never the one behind it.
type scanner struct {
	framing
	buf     []byte
	start   int // of what is not given yet
	scanned int // from start; up to here there is no end
	at      time.Time
	long    bool   // inside a line that is too long
	plain   []byte // without escapes or hexadecimal
}

var errBetween = &Rejection{
	Reason: "bytes before the start of a frame",
	Hint:   "is the start, or the baud rate, another than the profile says?",
}

// Feed implements Framer.
func (s *scanner) Feed(p []byte, at time.Time) {
	if s.start > 0 {
		s.buf = s.buf[:copy(s.buf, s.buf[s.start:])]
		s.start = 0
	}
	s.buf = append(s.buf, p...)
	s.at = at
}

// Next implements Framer.
func (s *scanner) Next() (Frame, bool) {
	for {
		data := s.buf[s.start:]
		if len(data) == 0 {
			return Frame{}, false
		}
		if skip := s.seek(data, 0); skip > 0 {
			if skip >= s.longest {
				return s.reject(s.longest, errBetween), true
			}
			if !bytes.HasPrefix(data[skip:], s.first) {
				return Frame{}, false
			}
			return s.reject(skip, errBetween), true
		}
		if len(data) < len(s.first) {
			return Frame{}, false
		}
		n, err := s.extent(data)
		switch {
		case err != nil:
			s.long = len(s.first) == 0
			return s.reject(s.inner(data[:n]), err), true
		case n == 0:
			return Frame{}, false
		}
		if s.long || s.discard && n > len(s.last) {
			err := s.tooLong
			if !s.long {
				err = errFirst
			}
			blank := n <= len(s.last)
			s.long, s.discard = false, false
			if blank {
				s.take(n)
				continue
			}
			return s.reject(n, err), true
		}
		l, err := s.layout(data[:n])
		if err == nil && !(len(s.first) == 0 && l.from == l.to) {
			err = s.check.verify(l)
		}
		if err != nil {
			return s.reject(s.inner(data[:n]), err), true
		}
		raw := s.take(n)
		if len(s.first) == 0 && l.from == l.to {
			continue
		}
		return Frame{Raw: raw, Body: l.whole[l.from:l.to], Time: s.at}, true
	}
}

// seek is where the next start, or the beginning of one, lies at or behind from.
func (s *scanner) seek(data []byte, from int) int {
	if len(s.first) == 0 {
		return from
	}
	for i := from; i < len(data); i++ {
		j := bytes.IndexByte(data[i:], s.first[0])
		if j < 0 {
			break
		}
		i += j
		if begins(data[i:], s.first) {
			return i
		}
	}
	return len(data)
}

// begins tells whether data begins with mark, or might once more has come.
func begins(data, mark []byte) bool {
	n := min(len(data), len(mark))
	return bytes.Equal(data[:n], mark[:n])
}

// inner is where the next frame may start within bytes that are none.
func (s *scanner) inner(data []byte) int {
	if len(s.first) == 0 {
		return len(data)
	}
	return s.seek(data, 1)
}

// extent is the length of the frame at the beginning of data, 0 where more must
// come, or an error about so many bytes.
func (s *scanner) extent(data []byte) (int, error) {
	if s.length > 0 {
		if len(data) < s.length {
			return 0, nil
		}
		return s.length, nil
	}
	window := data[:min(len(data), len(s.first)+s.longest+len(s.last))]
	whole := len(window) < len(data) || len(window) == len(s.first)+s.longest+len(s.last)
	i := max(s.scanned, len(s.first))
	for ; i < len(window); i++ {
		switch c := window[i]; {
		case c == s.last[0] && begins(window[i:], s.last):
			if len(window)-i < len(s.last) {
				if whole {
					continue
				}
				s.scanned = i
				return 0, nil
			}
			if n := i + len(s.last) + s.tail; len(data) >= n {
				return n, nil
			}
			s.scanned = i
			return 0, nil
		case s.escaped && c == s.escape:
			if i+1 == len(window) && !whole {
				s.scanned = i
				return 0, nil
			}
			i++
		case s.restarts && c == s.first[0] && begins(window[i:], s.first):
			if len(window)-i < len(s.first) {
				if whole {
					continue
				}
				s.scanned = i
				return 0, nil
			}
			return i, errCut
		}
	}
	s.scanned = i
	if whole {
		// An end that begins here and goes on behind is left for the next piece.
		for n := min(len(s.last), len(window)) - 1; n > 0; n-- {
			if bytes.HasSuffix(window, s.last[:n]) {
				return len(window) - n, s.tooLong
			}
		}
		return len(window), s.tooLong
	}
	return 0, nil
}

var errCut = &Rejection{Reason: "a frame without an end: another starts within it"}

// layout takes a frame apart, without its escapes and its hexadecimal form.
func (s *scanner) layout(raw []byte) (layout, error) {
	l := layout{whole: raw, from: len(s.first), to: len(raw) - len(s.last) - s.tail, tail: s.tail}
	if s.length > 0 {
		l.from, l.to, l.tail = 0, len(raw), 0
	}
	if !s.escaped && !s.hex {
		return l, nil
	}
	s.plain = append(s.plain[:0], raw[:l.from]...)
	body := raw[l.from:l.to]
	if s.hex {
		var err error
		if s.plain, err = unhex(s.plain, body); err != nil {
			return l, err
		}
	} else {
		for i := 0; i < len(body); i++ {
			c := body[i]
			if c == s.escape && i+1 < len(body) {
				i++
				c = body[i] ^ s.flip
			}
			s.plain = append(s.plain, c)
		}
	}
	end := len(s.plain)
	s.plain = append(s.plain, raw[l.to:]...)
	l.whole, l.to = s.plain, end
	return l, nil
}

// unhex appends the bytes that hexadecimal digits stand for.
func unhex(to, text []byte) ([]byte, error) {
	for i := 0; i < len(text); i += 2 {
		var b [1]byte
		if i+1 == len(text) {
			return to, &Rejection{Reason: fmt.Sprintf("%s has an odd number of hexadecimal digits", quote(text))}
		}
		if _, err := hex.Decode(b[:], text[i:i+2]); err != nil {
			return to, &Rejection{Reason: fmt.Sprintf("%s are no hexadecimal digits", quote(text[i:i+2]))}
		}
		to = append(to, b[0])
	}
	return to, nil
}

func (s *scanner) reject(n int, err error) Frame {
	return Frame{Raw: s.take(n), Time: s.at, Err: err}
}

func (s *scanner) take(n int) []byte {
	raw := s.buf[s.start : s.start+n : s.start+n]
	s.start, s.scanned = s.start+n, 0
	return raw
}

// Rest implements Framer.
func (s *scanner) Rest() []byte { return s.buf[s.start:] }
