package devicetest

import (
	"context"
	"io"
	"sync"

	"paintmark/device"
)

// A Stream is a pipe in memory whose writer never waits.
type Stream struct {
	mu      sync.Mutex
	more    sync.Cond
	bytes   []byte
	packets []int // how many of the bytes are of each packet, where they come in packets
	whole   bool  // the last Read gave the last byte of a packet
	err     error // what Read gives when bytes are used up
	closed  bool
}

// NewStream makes an empty stream.
func NewStream() *Stream {
	s := &Stream{}
	s.more.L = &s.mu
	return s
}

// Write adds bytes. It fails after End or Close.
func (s *Stream) Write(p []byte) (int, error) {
	if err := s.feed(p, false); err != nil {
		return 0, err
	}
	return len(p), nil
}

func (s *Stream) feed(p []byte, packet bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || s.err != nil {
		return io.ErrClosedPipe
	}
	if packet {
		s.packets = append(s.packets, len(p))
	}
	s.bytes = append(s.bytes, p...)
	s.more.Broadcast()
	return nil
}

// End lets Read fail with err once it has given all bytes.
func (s *Stream) End(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = err
	}
	s.more.Broadcast()
}

// Read waits for bytes.
func (s *Stream) Read(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for !s.closed && s.err == nil && len(s.bytes) == 0 {
		s.more.Wait()
	}
	switch {
	case s.closed:
		return 0, io.ErrClosedPipe
	case len(s.bytes) == 0:
		return 0, s.err
	}
	n := min(len(p), len(s.bytes))
	if len(s.packets) > 0 {
		n = min(n, s.packets[0])
		if s.packets[0] -= n; s.packets[0] == 0 {
			s.packets, s.whole = s.packets[1:], true
		} else {
			s.whole = false
		}
	}
	copy(p, s.bytes[:n])
	s.bytes = s.bytes[n:]
	return n, nil
}

// Close ends a Read that waits, and every one after it, with io.ErrClosedPipe.
func (s *Stream) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.more.Broadcast()
	return nil
}

// A Wire is a transport in memory: an instrument on a wire that can be cut. It
// is made by NewWire, plugged in.
type Wire struct {
	address  device.Address
	identity string
	packets  bool

	mu      sync.Mutex
	plugged bool
	open    *wireLink
}

// NewWire makes a wire with the identity of its instrument.
func NewWire(address device.Address, identity string) *Wire {
	return &Wire{address: address, identity: identity, plugged: true}
}

// InPackets makes w one whose links have packets: each Feed is one.
func (w *Wire) InPackets() *Wire {
	w.packets = true
	return w
}

// Address implements device.Transport.
func (w *Wire) Address() device.Address { return w.address }

// Open implements device.Transport. One link at a time can be open.
func (w *Wire) Open(ctx context.Context) (device.Link, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case ctx.Err() != nil:
		return nil, w.fail(ctx.Err())
	case !w.plugged:
		return nil, w.fail(device.ErrAbsent)
	case w.open != nil:
		return nil, w.fail(device.ErrBusy)
	}
	w.open = &wireLink{wire: w, stream: NewStream()}
	if w.packets {
		return packetLink{w.open}, nil
	}
	return w.open, nil
}

func (w *Wire) fail(err error) error { return &device.Error{Address: w.address, Err: err} }

// Feed is what the instrument sends. It is lost while nothing is open.
func (w *Wire) Feed(p []byte) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.open == nil {
		return nil
	}
	return w.open.stream.feed(p, w.packets)
}

// Unplug cuts the wire. What was fed before is still read.
func (w *Wire) Unplug() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.plugged = false
	if w.open != nil {
		w.open.stream.End(device.ErrLost)
	}
	return nil
}

// Plug joins it again.
func (w *Wire) Plug() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.plugged = true
	return nil
}

// End lets the source end, as a pipe does.
func (w *Wire) End() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.open != nil {
		w.open.stream.End(io.EOF)
	}
	return nil
}

type wireLink struct {
	wire   *Wire
	stream *Stream
}

func (l *wireLink) Identity() string { return l.wire.identity }

func (l *wireLink) Read(p []byte) (int, error) {
	n, err := l.stream.Read(p)
	switch err {
	case nil, io.EOF:
		return n, err
	case io.ErrClosedPipe:
		err = device.ErrClosed
	}
	return n, l.wire.fail(err)
}

// packetLink is the link of a wire that has packets.
type packetLink struct{ *wireLink }

// EndOfPacket implements device.Packeted.
func (l packetLink) EndOfPacket() bool {
	l.stream.mu.Lock()
	defer l.stream.mu.Unlock()
	return l.stream.whole
}

// Write takes everything; the instrument does not listen.
func (l *wireLink) Write(p []byte) (int, error) {
	l.stream.mu.Lock()
	defer l.stream.mu.Unlock()
	switch {
	case l.stream.closed:
		return 0, l.wire.fail(device.ErrClosed)
	case l.stream.err != nil:
		return 0, l.wire.fail(device.ErrLost)
	}
	return len(p), nil
}

func (l *wireLink) Close() error {
	l.wire.mu.Lock()
	defer l.wire.mu.Unlock()
	if l.wire.open == l {
		l.wire.open = nil
	}
	return l.stream.Close()
}
