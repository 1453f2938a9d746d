package profile

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"time"

	"paintmark/device"
)

// An Outcome is what a frame came to: a sample, or why it is none.
type Outcome struct {
	Sample device.Sample
	Raw    []byte // good until the next Feed
	Time   time.Time
	Err    error
}

// A Reader reads the bytes of one link: it frames and decodes them, puts torque
// and angle of alternating frames together, and watches the instrument's own
// count of frames. It is for one goroutine.
type Reader struct {
	profile *Profile
	framer  Framer
	decoder *Decoder
	next    []Outcome // that are ready
	given   int       // of them
	held    half
	holds   bool
	now     time.Time // up to which is known what came
	last    [2]last   // of value and angle, where they come in frames of their own
	before  *last     // the one of them that came last
	heard   int       // sound frames
	ended   bool
}

// A half is the one of torque and angle that came first.
type half struct {
	sample device.Sample
	angle  bool
}

// last is the counted frame before.
type last struct {
	count, modulo uint64
	raw           []byte
}

// NewReader makes a reader for one link.
func (p *Profile) NewReader() *Reader {
	return &Reader{profile: p, framer: p.NewFramer(), decoder: p.NewDecoder()}
}

// NeedsPackets tells that a link must have packets to be read through this
// profile.
func (p *Profile) NeedsPackets() bool { return p.framing.kind == "packet" }

// Feed takes bytes as a Framer does.
func (r *Reader) Feed(p []byte, at time.Time) {
	r.now = at
	r.framer.Feed(p, at)
}

// EndPacket tells that what was fed last ended a packet of the transport.
func (r *Reader) EndPacket() {
	if f, ok := r.framer.(Packeted); ok {
		f.EndPacket()
	}
}

// Next gives what came of the next frame, but for those that are no reading by
// ErrIgnored.
func (r *Reader) Next() (Outcome, bool) {
	for {
		if r.given < len(r.next) {
			r.given++
			return r.next[r.given-1], true
		}
		r.next, r.given = r.next[:0], 0
		f, ok := r.framer.Next()
		switch {
		case ok && r.late(f.Time), !ok && (r.ended || r.late(r.now) && !r.coming()):
			r.release()
		}
		if !ok {
			if len(r.next) == 0 {
				return Outcome{}, false
			}
			continue
		}
		m, err := r.decoder.Decode(f)
		if err == nil || errors.Is(err, ErrIgnored) {
			r.heard++
		}
		if errors.Is(err, ErrIgnored) {
			continue
		}
		if err == nil || m.counted {
			if again := r.count(&m, f); again != nil {
				err = again
			}
		}
		switch {
		case err != nil:
			r.next = append(r.next, Outcome{Raw: f.Raw, Time: f.Time, Err: err})
		case r.profile.reading.channel != nil:
			r.pair(half{m.Sample(), m.hasAngle})
		default:
			r.next = append(r.next, Outcome{Sample: m.Sample(), Raw: f.Raw, Time: f.Time})
		}
	}
}

// count compares the frame's count with the one before. A gap is told beside the
// frame; a frame that was sent again is the error. Both halves of a pair may
// have one count.
func (r *Reader) count(m *Measure, f Frame) error {
	if !m.counted {
		return nil
	}
	own, before := &r.last[0], r.before
	if m.hasAngle && r.profile.reading.channel != nil {
		own = &r.last[1]
	}
	var was last
	if before != nil {
		was = *before
	}
	again, same := own.raw != nil && own.count == m.count, bytes.Equal(own.raw, f.Raw)
	*own = last{m.count, m.modulo, append(own.raw[:0], f.Raw...)}
	r.before = own
	next := was.count + 1
	switch {
	case before == nil || m.count == next || was.modulo > 0 && m.count == next%was.modulo:
	case m.count == was.count && !again:
	case m.count == was.count && same:
		return &Rejection{Reason: fmt.Sprintf("the frame with count %d was sent again", m.count)}
	case m.count == was.count:
		r.tell(f, fmt.Sprintf("the count stays at %d while the frames change", m.count), "is the counter's field in the profile right?", 0)
	default:
		r.tell(f, fmt.Sprintf("frames are missing: the count went from %d to %d", was.count, m.count), "or the instrument was switched off and on", between(next, m.count, was.modulo))
	}
	return nil
}

// between is how many counts lie between what should have come next and what
// came; 0 where a counter without end went back. A counter of varying length
// goes on behind its modulo.
func between(next, came, modulo uint64) uint64 {
	switch {
	case came >= next:
		return came - next
	case modulo == 0:
		return 0
	}
	if next %= modulo; came >= next {
		return came - next
	}
	return modulo - next + came
}

func (r *Reader) tell(f Frame, reason, hint string, missing uint64) {
	r.next = append(r.next, Outcome{Raw: f.Raw, Time: f.Time, Err: &Rejection{Reason: reason, Hint: hint, Beside: 1, Missing: missing}})
}

// pair puts a half to the one that is held, or holds it.
func (r *Reader) pair(h half) {
	first := h.angle == r.profile.reading.angleFirst
	if first {
		r.release()
		r.held, r.holds = h, true
		return
	}
	if !r.holds {
		r.alone(h)
		return
	}
	whole, second := r.held.sample, h.sample
	r.held, r.holds = half{}, false
	if h.angle {
		whole.Angle = second.Angle
	} else {
		whole.Value = second.Value
	}
	whole.Time = second.Time
	whole.Raw = append(whole.Raw, second.Raw...)
	for _, word := range second.Status {
		if !slices.Contains(whole.Status, word) {
			whole.Status = append(whole.Status, word)
		}
	}
	r.next = append(r.next, Outcome{Sample: whole, Raw: whole.Raw, Time: whole.Time})
}

// alone gives a half that has no other: torque is a reading without an angle, an
// angle without torque is none.
func (r *Reader) alone(h half) {
	o := Outcome{Sample: h.sample, Raw: h.sample.Raw, Time: h.sample.Time}
	if h.angle {
		o.Sample = device.Sample{}
		o.Err = &Rejection{
			Reason: fmt.Sprintf("an angle of %s without its value", h.sample.Angle),
			Hint:   "is pair_first or pair_within in the profile another than the instrument's?",
		}
	}
	r.next = append(r.next, o)
}

// Heard is how many frames have come up to now that are as the profile says,
// those that it ignores and halves of pairs among them.
func (r *Reader) Heard() int { return r.heard }

// release gives what is held, which waited in vain.
func (r *Reader) release() {
	if r.holds {
		h := r.held
		r.held, r.holds = half{}, false
		r.alone(h)
	}
}

// late tells that what is held has waited long enough at a time.
func (r *Reader) late(at time.Time) bool { return r.holds && !at.Before(r.due()) }

// due is when what is held has waited long enough.
func (r *Reader) due() time.Time { return r.held.sample.Time.Add(r.profile.reading.pairWithin) }

// coming tells that bytes have come of which only silence will say whether they
// are a frame, one that may be in time.
func (r *Reader) coming() bool {
	f, ok := r.framer.(Patient)
	if ok {
		_, ok = f.Deadline()
	}
	return ok
}

// Deadline is when silence will have ended what waits for more: a frame, or the
// other half of a pair; false where nothing waits.
func (r *Reader) Deadline() (due time.Time, ok bool) {
	if f, patient := r.framer.(Patient); patient {
		if due, ok = f.Deadline(); ok {
			return due, true
		}
	}
	if r.holds {
		return r.due(), true
	}
	return time.Time{}, false
}

// Patient tells that silence may end something.
func (r *Reader) Patient() bool {
	_, ok := r.framer.(Patient)
	return ok || r.profile.reading.channel != nil
}

// Elapse tells that nothing more has come up to now.
func (r *Reader) Elapse(now time.Time) {
	if f, ok := r.framer.(Patient); ok {
		f.Elapse(now)
	}
	r.now = now
}

// End tells that nothing will come any more.
func (r *Reader) End() {
	if f, ok := r.framer.(Patient); ok {
		f.End()
	}
	r.ended = true
}

// Rest is what came after the last frame.
func (r *Reader) Rest() []byte { return r.framer.Rest() }
