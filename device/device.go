// Package device is the instruments' side: how bytes reach the program and
// become samples. It is built of four layers, each of which can be changed
// without the next:
//
//	transport   a Link: bytes from one place, and whether it is still there
//	framing     bytes cut into frames (device/profile)
//	decoding    a frame's value, unit and status (device/profile)
//	attachment  an Adapter that reads a Link through a profile, and finds the
//	            instrument again when it was unplugged (device/attach)
//
// Transports stand in folders of their own (device/serialport, device/replay,
// device/typed) and are handed in by whoever joins them; nothing registers
// itself, so that two instruments of one kind can run at once. Every one of
// them passes the conformance suite in device/devicetest.
package device

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"paintmark/calc/quantity"
)

// Errors that every layer speaks. They are wrapped with the address.
var (
	// ErrLost means that the instrument went away: unplugged, switched off, out
	// of reach. It is not the end of a session.
	ErrLost = errors.New("instrument lost")
	// ErrClosed means that we closed it ourselves.
	ErrClosed = errors.New("closed")
	// ErrAbsent means that nothing is at the address now.
	ErrAbsent = errors.New("not attached")
	// ErrBusy means that another program has it.
	ErrBusy = errors.New("in use by another program")
	// ErrDenied means that we may not open it.
	ErrDenied = errors.New("no permission")
)

// An Address says where an instrument is attached: a transport and a place, as
// in "serial:/dev/ttyUSB0", "serial:usb=A50285BI", "replay:pulls.rec".
type Address struct{ Transport, Place string }

// ParseAddress reads "transport:place".
func ParseAddress(text string) (Address, error) {
	transport, place, ok := strings.Cut(text, ":")
	if !ok || transport == "" {
		return Address{}, fmt.Errorf("%q is no address: one is written transport:place, as in serial:/dev/ttyUSB0", text)
	}
	return Address{transport, place}, nil
}

// String is what ParseAddress reads.
func (a Address) String() string { return a.Transport + ":" + a.Place }

// A Settings is how a serial line must be set. Transports without a line
// ignore it.
type Settings struct {
	Baud     int
	DataBits int
	Parity   string // "none", "odd", "even", "mark", "space"
	StopBits string // "1", "1.5", "2"
	DTR, RTS bool   // the levels while open
}

// A Transport opens links to one address, again and again.
type Transport interface {
	// Open opens a link to what is at the address now. It fails with ErrAbsent,
	// ErrBusy or ErrDenied, wrapped, where one of these is the reason, and soon
	// after ctx is done.
	Open(ctx context.Context) (Link, error)
	// Address is the address as the user wrote it.
	Address() Address
}

// A Link carries bytes to and from one instrument.
//
// Read blocks until there is at least one byte: silence is not an error. It
// fails with ErrLost when the instrument has gone, with io.EOF at the end of a
// source that ends, and with ErrClosed after Close, which may be called from
// any goroutine, more than once, and ends a Read that blocks. An error is
// final. Bytes and an error are never returned together.
type Link interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Close() error
	// Identity is what tells this instrument from others of its kind, such as
	// the serial number of its USB adapter; empty where the transport has none.
	Identity() string
}

// A Sample is what one frame said.
type Sample struct {
	Time   time.Time         // when its last byte came, with the monotonic clock
	Value  quantity.Quantity // zero Unit where the instrument sends a bare number and the profile fixes none
	Angle  quantity.Quantity // zero where the frame has none
	Status []string          // words for the flags that were set, as the profile has them
	Raw    []byte            // the whole frame, to the byte
}

// An EventKind is what an adapter has to tell.
type EventKind uint8

// The kinds of event.
const (
	// Sampled: Event.Sample is a good sample.
	Sampled EventKind = iota + 1
	// Rejected: Event.Raw came and made no sample; Event.Err says why.
	Rejected
	// Lost: the instrument went away; Event.Err says how. The adapter looks for
	// it until it is closed.
	Lost
	// Found: the instrument is back, or is there for the first time after it
	// was absent at the start; Event.Identity is what it was known by.
	Found
	// Ended: a source that ends (a recording, a pipe) is at its end. Nothing follows.
	Ended
)

func (k EventKind) String() string {
	return [...]string{"", "sampled", "rejected", "lost", "found", "ended"}[k]
}

// An Event is one thing an adapter has to tell, in the order in which it happened.
type Event struct {
	Kind     EventKind
	Time     time.Time
	Sample   Sample
	Raw      []byte
	Err      error
	Identity string
}

// An Adapter is one attached instrument as the rest of the program sees it.
//
// Next blocks until there is an event, ctx is done (then its error), or the
// adapter is closed (then ErrClosed). Nothing is dropped between two calls.
// Close may be called from any goroutine, more than once; it returns when
// nothing of the adapter runs any more.
type Adapter interface {
	Next(ctx context.Context) (Event, error)
	Close() error
}
