package attach

import (
	"context"
	"time"

	"paintmark/device"
)

// A chunk is what one Read of a link gave.
type chunk struct {
	bytes  []byte
	at     time.Time
	packet bool // the last byte ends a packet
	err    error
}

// intake reads a link on a goroutine of its own, so that silence can be waited
// for and something said at the same time.
type intake struct {
	now      func() time.Time
	link     device.Link
	stamped  device.Stamped
	packeted device.Packeted
	buf      [2][]byte
	chunks   chan chunk
	stop     context.CancelFunc
	stopped  chan struct{}
}

func newIntake(ctx context.Context, link device.Link, now func() time.Time) *intake {
	in := &intake{now: now, link: link, chunks: make(chan chunk), stopped: make(chan struct{})}
	in.stamped, _ = link.(device.Stamped)
	in.packeted, _ = link.(device.Packeted)
	in.buf = [2][]byte{make([]byte, readSize), make([]byte, readSize)}
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
	c := chunk{bytes: buf[:n], at: in.now()}
	if in.stamped != nil {
		c.at = in.stamped.Stamp()
	}
	if in.packeted != nil {
		c.packet = in.packeted.EndOfPacket()
	}
	return c
}

// close ends the goroutine; the link must be closed already.
func (in *intake) close() {
	in.stop()
	<-in.stopped
}
