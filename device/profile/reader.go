package profile

import (
	"bytes"
	"errors"
	"fmt"
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
	held    *half
	last    last
	ended   bool
}

// A half is the one of torque and angle that came first.
type half struct {
	sample device.Sample
	angle  bool
}

// last is the counted frame before.
type last struct {
	counted bool
	count   uint64
	angle   bool
	raw     []byte
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
	r.expire(at)
	r.framer.Feed(p, at)
}

// EndPacket tells that what was fed last ended a packet of the transport.
func (r *Reader) EndPacket() {
	if f, ok := r.framer.(Packeted); ok {
		f.EndPacket()
	}
}

// Next gives what came of the next frame that is no reading by ErrIgnored.
func (r *Reader) Next() (Outcome, bool) {
	for {
		if r.given < len(r.next) {
			r.given++
			return r.next[r.given-1], true
		}
		r.next, r.given = r.next[:0], 0
		f, ok := r.framer.Next()
		if !ok && r.ended && r.held != nil {
			r.release()
			continue
		}
		if !ok {
			return Outcome{}, false
		}
		m, err := r.decoder.Decode(f)
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
// frame; a frame that was sent again is the error.
func (r *Reader) count(m *Measure, f Frame) error {
	if !m.counted {
		return nil
	}
	before, same := r.last, bytes.Equal(r.last.raw, f.Raw)
	r.last = last{true, m.count, m.hasAngle, append(before.raw[:0], f.Raw...)}
	if !before.counted {
		return nil
	}
	switch {
	case m.count == (before.count+1)%m.modulo:
	case m.count == before.count && m.hasAngle != before.angle:
	case m.count == before.count && same:
		return &Rejection{Reason: fmt.Sprintf("the frame with count %d was sent again", m.count)}
	case m.count == before.count:
		r.tell(f, fmt.Sprintf("the count stays at %d while the frames change", m.count), "is the counter's field in the profile right?")
	default:
		r.tell(f, fmt.Sprintf("frames are missing: the count went from %d to %d", before.count, m.count), "or the instrument was switched off and on")
	}
	return nil
}

func (r *Reader) tell(f Frame, reason, hint string) {
	r.next = append(r.next, Outcome{Raw: f.Raw, Time: f.Time, Err: &Rejection{Reason: reason, Hint: hint}})
}

// pair puts a half to the one that is held, or holds it.
func (r *Reader) pair(h half) {
	first := h.angle == r.profile.reading.angleFirst
	if first {
		r.release()
		r.held = &h
		return
	}
	if r.held == nil {
		r.alone(h)
		return
	}
	whole, second := r.held.sample, h.sample
	if h.angle {
		whole.Angle = second.Angle
	} else {
		whole.Value = second.Value
	}
	whole.Time = second.Time
	whole.Raw = append(whole.Raw, second.Raw...)
	whole.Status = append(whole.Status, second.Status...)
	r.held = nil
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

// release gives what is held, which waited in vain.
func (r *Reader) release() {
	if r.held != nil {
		h := *r.held
		r.held = nil
		r.alone(h)
	}
}

// expire releases what has waited long enough.
func (r *Reader) expire(now time.Time) {
	if r.held != nil && !now.Before(r.held.sample.Time.Add(r.profile.reading.pairWithin)) {
		r.release()
	}
}

// Deadline is when silence will have ended what waits for more: a frame, or the
// other half of a pair; false where nothing waits.
func (r *Reader) Deadline() (due time.Time, ok bool) {
	if f, patient := r.framer.(Patient); patient {
		due, ok = f.Deadline()
	}
	if r.held != nil {
		if end := r.held.sample.Time.Add(r.profile.reading.pairWithin); !ok || end.Before(due) {
			due, ok = end, true
		}
	}
	return due, ok
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
	r.expire(now)
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
