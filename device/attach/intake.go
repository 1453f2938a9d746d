package attach

import (
	"context"
	"time"

	"paintmark/device"
)

// A chunk is what one Read of a link gave; without bytes and error it is the
// end of a wait.
type chunk struct {
	bytes  []byte
	at     time.Time
	packet bool // the last byte ends a packet
	err    error
}

// intake reads a link. Where silence may end a frame, it reads on a goroutine
// of its own, so that it can wait for silence at the same time.
type intake struct {
	options  Options
	link     device.Link
	stamped  device.Stamped
	packeted device.Packeted
	unpaced  bool // silence says nothing
	buf      [2][]byte
	chunks   chan chunk // nil where the link is read directly
	stop     context.CancelFunc
	stopped  chan struct{}
}

func newIntake(ctx context.Context, link device.Link, o Options, patient bool) *intake {
	in := &intake{options: o, link: link}
	in.stamped, _ = link.(device.Stamped)
	in.packeted, _ = link.(device.Packeted)
	if u, ok := link.(device.Unpaced); ok {
		in.unpaced = u.Unpaced()
	}
	in.buf[0] = make([]byte, readSize)
	if !patient || in.unpaced {
		return in
	}
	in.buf[1] = make([]byte, readSize)
	in.chunks, in.stopped = make(chan chunk), make(chan struct{})
	ctx, in.stop = context.WithCancel(ctx)
	go in.pump(ctx)
	return in
}

// pump reads until the link fails. A buffer is used again when the next one has
// been taken, and so the one before it is done with.
func (in *intake) pump(ctx context.Context) {
	defer close(in.stopped)
	for i := 0; ; i = 1 - i {
		c := in.read(in.buf[i])
		select {
		case in.chunks <- c:
		case <-ctx.Done():
			return
		}
		if c.err != nil {
			return
		}
	}
}

func (in *intake) read(buf []byte) chunk {
	n, err := in.link.Read(buf)
	if err != nil {
		return chunk{err: err}
	}
	c := chunk{bytes: buf[:n], at: in.options.Now()}
	if in.stamped != nil {
		c.at = in.stamped.Stamp()
	}
	if in.packeted != nil {
		c.packet = in.packeted.EndOfPacket()
	}
	return c
}

// next waits for bytes, or until the deadline if there is one.
func (in *intake) next(deadline time.Time, ok bool) chunk {
	if in.chunks == nil {
		return in.read(in.buf[0])
	}
	var silence <-chan time.Time
	if ok {
		silence = in.options.After(deadline.Sub(in.options.Now()))
	}
	select {
	case c := <-in.chunks:
		return c
	case <-in.stopped: // without a word: the adapter is being closed
		return chunk{err: device.ErrClosed}
	case <-silence:
	}
	// What came in the meantime goes first: its time says whether it was late.
	select {
	case c := <-in.chunks:
		return c
	default:
		return chunk{at: deadline}
	}
}

// close ends the goroutine; the link is closed for that.
func (in *intake) close(link device.Link) {
	if in.chunks == nil {
		return
	}
	in.stop()
	_ = link.Close()
	<-in.stopped
}
