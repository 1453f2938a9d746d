package profile

import (
	"errors"
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

// A Reader reads the bytes of one link: it frames and decodes them. It is for
// one goroutine.
type Reader struct {
	profile *Profile
	framer  Framer
}

// NewReader makes a reader for one link.
func (p *Profile) NewReader() *Reader { return &Reader{profile: p, framer: p.NewFramer()} }

// NeedsPackets tells that a link must have packets to be read through this
// profile.
func (p *Profile) NeedsPackets() bool { return p.framing.kind == "packet" }

// Feed takes bytes as a Framer does.
func (r *Reader) Feed(p []byte, at time.Time) { r.framer.Feed(p, at) }

// EndPacket tells that what was fed last ended a packet of the transport.
func (r *Reader) EndPacket() {
	if f, ok := r.framer.(Packeted); ok {
		f.EndPacket()
	}
}

// Next gives what came of the next frame that is no reading by ErrIgnored.
func (r *Reader) Next() (Outcome, bool) {
	for {
		f, ok := r.framer.Next()
		if !ok {
			return Outcome{}, false
		}
		s, err := r.profile.Decode(f)
		if !errors.Is(err, ErrIgnored) {
			return Outcome{Sample: s, Raw: f.Raw, Time: f.Time, Err: err}, true
		}
	}
}

// Deadline, Elapse and End are those of a Patient framer; without one there is
// never a deadline.
func (r *Reader) Deadline() (time.Time, bool) {
	if f, ok := r.framer.(Patient); ok {
		return f.Deadline()
	}
	return time.Time{}, false
}

// Patient tells that silence may end a frame.
func (r *Reader) Patient() bool {
	_, ok := r.framer.(Patient)
	return ok
}

// Elapse tells that nothing more has come up to now.
func (r *Reader) Elapse(now time.Time) {
	if f, ok := r.framer.(Patient); ok {
		f.Elapse(now)
	}
}

// End tells that nothing will come any more.
func (r *Reader) End() {
	if f, ok := r.framer.(Patient); ok {
		f.End()
	}
}

// Rest is what came after the last frame.
func (r *Reader) Rest() []byte { return r.framer.Rest() }
