package replay

import (
	"context"
	"fmt"
	"io"
	"sync"
	"time"

	"paintmark/device"
)

// A Recorder writes what the links it was given read. One recorder may be given
// the links of one instrument in turn, as it is lost and found again.
//
// Recording never gets into the way of reading: when the recording cannot be
// written, the bytes are given all the same, and Err says what happened.
type Recorder struct {
	mu    sync.Mutex
	out   io.Writer
	now   func() time.Time
	start time.Time
	last  time.Duration
	line  []byte
	err   error
}

// NewRecorder begins a recording now. The clock is time.Now if nil. Each chunk
// is one Write to out.
func NewRecorder(out io.Writer, now func() time.Time) *Recorder {
	if now == nil {
		now = time.Now
	}
	r := &Recorder{out: out, now: now, start: now()}
	r.write(fmt.Appendf(nil, "%s\n# begun %s\n", Header, r.start.UTC().Format(time.RFC3339)))
	return r
}

// Err is the first failure to write the recording, which has no more after it.
func (r *Recorder) Err() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

func (r *Recorder) write(line []byte) {
	if r.err == nil {
		_, r.err = r.out.Write(line)
	}
}

func (r *Recorder) record(p []byte, at time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.last = max(r.last, at.Sub(r.start))
	r.line = AppendChunk(r.line[:0], Chunk{At: r.last, Bytes: p})
	r.write(r.line)
}

// Transport records every link that t opens.
func (r *Recorder) Transport(t device.Transport) device.Transport {
	return &recordedTransport{Transport: t, recorder: r}
}

type recordedTransport struct {
	device.Transport
	recorder *Recorder
}

func (t *recordedTransport) Attested() bool {
	a, ok := t.Transport.(device.Attesting)
	return ok && a.Attested()
}

func (t *recordedTransport) Open(ctx context.Context) (device.Link, error) {
	link, err := t.Transport.Open(ctx)
	if err != nil {
		return nil, err
	}
	return t.recorder.Link(link), nil
}

// Link records what link reads.
func (r *Recorder) Link(link device.Link) device.Link {
	l := &recordedLink{Link: link, recorder: r}
	l.stamped, _ = link.(device.Stamped)
	if p, ok := link.(device.Packeted); ok {
		return &packetedLink{recordedLink: l, Packeted: p}
	}
	return l
}

// packetedLink is a recorded link that has packets.
type packetedLink struct {
	*recordedLink
	device.Packeted
}

type recordedLink struct {
	device.Link
	recorder *Recorder
	stamped  device.Stamped
	at       time.Time
}

func (l *recordedLink) Read(p []byte) (int, error) {
	n, err := l.Link.Read(p)
	if n > 0 {
		l.at = l.recorder.now()
		if l.stamped != nil {
			l.at = l.stamped.Stamp()
		}
		l.recorder.record(p[:n], l.at)
	}
	return n, err
}

// Unwrap implements device.Wrapping.
func (l *recordedLink) Unwrap() device.Link { return l.Link }

// Stamp is when the recorded bytes came.
func (l *recordedLink) Stamp() time.Time { return l.at }

// Unpaced is that of the link.
func (l *recordedLink) Unpaced() bool {
	u, ok := l.Link.(device.Unpaced)
	return ok && u.Unpaced()
}
