package profile

import "time"

// silent frames what stands between two gaps of silence. Of a frame that is
// longer than allowed it gives pieces that are none, up to the next gap.
type silent struct {
	framing
	buf, done []byte // what is coming, and what a gap has ended
	plain     []byte // without hexadecimal
	piece     int    // bytes of buf that were given
	started   bool
	long      bool      // inside a frame that is too long
	at        time.Time // when the last byte came
	ended     bool      // done is to be given
	doneLong  bool
	doneAt    time.Time
}

// Feed implements Framer.
func (s *silent) Feed(p []byte, at time.Time) {
	s.drop()
	if s.started && at.Sub(s.at) >= s.gap {
		s.finish()
	}
	s.buf = append(s.buf, p...)
	s.at, s.started = at, true
}

// drop lets go of the pieces that were given.
func (s *silent) drop() {
	if s.piece > 0 {
		s.buf = s.buf[:copy(s.buf, s.buf[s.piece:])]
		s.piece = 0
	}
}

// finish ends what is coming.
func (s *silent) finish() {
	s.buf, s.done = s.done[:0], s.buf
	s.ended, s.doneLong, s.doneAt = true, s.long, s.at
	s.long = false
}

// Deadline implements Patient.
func (s *silent) Deadline() (time.Time, bool) {
	return s.at.Add(s.gap), len(s.buf) > s.piece
}

// Elapse implements Patient.
func (s *silent) Elapse(now time.Time) {
	if due, ok := s.Deadline(); ok && !now.Before(due) {
		s.drop()
		s.finish()
	}
}

// End implements Patient: without silence after it, a frame is whole only where
// its check says so.
func (s *silent) End() {
	s.drop()
	if len(s.buf) == 0 || s.check == nil || s.long || s.discard {
		return
	}
	if _, err := s.verified(s.buf, len(s.buf), &s.plain); err == nil {
		s.finish()
	}
}

// Next implements Framer.
func (s *silent) Next() (Frame, bool) {
	if s.ended {
		s.ended = false
		f := Frame{Raw: s.done, Time: s.doneAt}
		discard := s.discard
		s.discard = false
		switch {
		case len(s.done) == 0:
			return s.Next()
		case s.doneLong:
			f.Err = s.tooLong
		case discard:
			f.Err = errFirst
		default:
			f.Body, f.Err = s.verified(s.done, len(s.done), &s.plain)
		}
		return f, true
	}
	if len(s.buf)-s.piece > s.longest {
		raw := s.buf[s.piece : s.piece+s.longest : s.piece+s.longest]
		s.piece += s.longest
		s.long = true
		return Frame{Raw: raw, Time: s.at, Err: s.tooLong}, true
	}
	return Frame{}, false
}

// Rest implements Framer.
func (s *silent) Rest() []byte { return s.buf[s.piece:] }

// packets frames each packet of the transport.
type packets struct {
	framing
	buf   []byte
	whole bool
	given bool
	at    time.Time
	plain []byte
}

// Feed implements Framer.
func (s *packets) Feed(p []byte, at time.Time) {
	if s.whole {
		s.buf, s.whole, s.given = s.buf[:0], false, false
	}
	s.buf = append(s.buf, p...)
	s.at = at
}

// EndPacket implements Packeted.
func (s *packets) EndPacket() { s.whole = len(s.buf) > 0 }

// Next implements Framer.
func (s *packets) Next() (Frame, bool) {
	if !s.whole || s.given {
		return Frame{}, false
	}
	s.given = true
	f := Frame{Raw: s.buf, Time: s.at}
	if len(s.buf) > s.longest {
		f.Err = s.tooLong
		return f, true
	}
	f.Body, f.Err = s.verified(s.buf, len(s.buf), &s.plain)
	return f, true
}

// Rest implements Framer.
func (s *packets) Rest() []byte {
	if s.given {
		return nil
	}
	return s.buf
}
