package profile

import (
	"bytes"
	"time"
)

// A Frame is what an instrument sent in one piece.
type Frame struct {
	Raw  []byte    // every byte of it
	Body []byte    // what is decoded: Raw without what only marks its ends
	Time time.Time // when its last byte came
	Err  error     // why it is no whole frame; nil if it is
}

// A Framer cuts the bytes of one link into frames. It gives the same frames
// however the bytes are split, keeps at most one frame and what was fed since,
// and allocates nothing in steady state.
type Framer interface {
	// Feed takes bytes and the time at which they came. It keeps no reference
	// to p. The frames it completes are to be fetched by Next before the next
	// Feed.
	Feed(p []byte, at time.Time)
	// Next gives the next complete frame, or one with Err for bytes that can be
	// no frame. Its slices are good until the next Feed.
	Next() (Frame, bool)
	// Rest is what came after the last frame: the beginning of one, at most.
	Rest() []byte
}

// A Patient framer ends frames by silence too.
type Patient interface {
	Framer
	// Deadline is when silence will have ended what has come so far; false
	// where nothing waits for that.
	Deadline() (time.Time, bool)
	// Elapse tells that nothing more has come up to now. Next then gives what
	// silence has ended.
	Elapse(now time.Time)
	// End tells that nothing will come any more. Next then gives what is whole
	// by its check; Rest keeps everything else.
	End()
}

// A Packeted framer needs to know where the transport's packets end.
type Packeted interface {
	Framer
	// EndPacket tells that what was fed last ended a packet.
	EndPacket()
}

type ending string

const (
	endsCR     ending = "cr"
	endsLF     ending = "lf"
	endsCRLF   ending = "crlf"
	endsEither ending = "either"
)

type framing struct {
	kind    string
	ending  ending
	longest int
	discard bool // the first frame
	tooLong error

	first, last  []byte // marks
	tail         int    // bytes after the end mark
	escaped      bool
	escape, flip byte
	restarts     bool // a start within a frame begins another
	length       int  // of every frame; 0 for any
	gap          time.Duration
	hex          bool // the body is hexadecimal digits
	check        *check

	registers        int    // of a Modbus reply; 0 for other framings
	request, refusal []byte // and what asks for it, and how one that refuses begins
}

// NewFramer makes a framer for one link. It starts with no bytes. It may be a
// Patient or a Packeted one.
func (p *Profile) NewFramer() Framer {
	switch f := p.framing; {
	case f.registers > 0:
		return &replies{framing: f}
	case f.kind == "silence":
		return &silent{framing: f}
	case f.kind == "packet":
		return &packets{framing: f}
	case f.kind == "lines" && len(f.last) == 0:
		return newLines(f)
	default:
		return &scanner{framing: f}
	}
}

// lines frames text in lines. Endings without a text before them are dropped.
// A line that is longer than allowed is given in pieces that are no frames, and
// the line after it is sound again.
type lines struct {
	framing
	limit   int // of a frame with its ending
	buf     []byte
	plain   []byte // without hexadecimal
	start   int    // of what is not given yet
	scanned int    // up to here there is no ending
	at      time.Time
	long    bool // inside a line that is too long
	cr      bool // the piece before ended in CR
}

var errFirst = &Rejection{Reason: "the first line after opening, which may lack its beginning"}

func newLines(f framing) *lines {
	l := &lines{framing: f, limit: f.longest + 1}
	if f.ending == endsCRLF {
		l.limit++
	}
	return l
}

// Feed implements Framer.
func (l *lines) Feed(p []byte, at time.Time) {
	if l.start > 0 {
		n := copy(l.buf, l.buf[l.start:])
		l.buf = l.buf[:n]
		l.scanned -= l.start
		l.start = 0
	}
	l.buf = append(l.buf, p...)
	l.at = at
}

// Next implements Framer.
func (l *lines) Next() (Frame, bool) {
	for {
		end, mark := l.find(min(len(l.buf), l.start+l.limit))
		if end < 0 {
			if len(l.buf)-l.start < l.limit {
				return Frame{}, false
			}
			raw := l.take(l.start + l.limit)
			l.long, l.cr = true, raw[len(raw)-1] == '\r'
			return Frame{Raw: raw, Time: l.at, Err: l.tooLong}, true
		}
		raw := l.take(end)
		f := Frame{Raw: raw, Body: raw[:max(0, len(raw)-mark)], Time: l.at}
		switch {
		case len(f.Body) == 0:
		case l.long:
			f.Body, f.Err = nil, l.tooLong
		case l.discard:
			f.Body, f.Err = nil, errFirst
		default:
			f.Body, f.Err = l.verified(raw, len(f.Body), &l.plain)
		}
		blank := len(f.Body) == 0 && f.Err == nil
		l.long, l.discard = false, false
		if !blank {
			return f, true
		}
	}
}

// verified is the body of a frame whose first to bytes are its body and the rest
// its mark, if it keeps its check.
func (f *framing) verified(raw []byte, to int, plain *[]byte) ([]byte, error) {
	l := layout{whole: raw, to: to}
	if f.hex {
		var err error
		if *plain, err = unhex((*plain)[:0], raw[:to]); err != nil {
			return nil, err
		}
		l.to = len(*plain)
		*plain = append(*plain, raw[to:]...)
		l.whole = *plain
	}
	if err := f.check.verify(l); err != nil {
		return nil, err
	}
	return l.whole[:l.to], nil
}

// find looks for an ending before limit and gives the place after it and its
// length, or -1.
func (l *lines) find(limit int) (end, mark int) {
	window := l.buf[l.scanned:limit]
	switch l.ending {
	case endsCR:
		if i := bytes.IndexByte(window, '\r'); i >= 0 {
			return l.scanned + i + 1, 1
		}
	case endsLF:
		if i := bytes.IndexByte(window, '\n'); i >= 0 {
			return l.scanned + i + 1, 1
		}
	case endsEither:
		i := bytes.IndexByte(window, '\r')
		if i >= 0 {
			window = window[:i]
		}
		if j := bytes.IndexByte(window, '\n'); j >= 0 {
			i = j
		}
		if i >= 0 {
			return l.scanned + i + 1, 1
		}
	case endsCRLF:
		for {
			i := bytes.IndexByte(l.buf[l.scanned:limit], '\n')
			if i < 0 {
				break
			}
			i += l.scanned
			if i > l.start && l.buf[i-1] == '\r' || i == l.start && l.long && l.cr {
				return i + 1, 2
			}
			l.scanned = i + 1
		}
	}
	l.scanned = limit
	return -1, 0
}

func (l *lines) take(end int) []byte {
	raw := l.buf[l.start:end:end]
	l.start, l.scanned = end, end
	return raw
}

// Rest implements Framer.
func (l *lines) Rest() []byte { return l.buf[l.start:] }
