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
// them passes the conformance suite in device/devicetest. What a shop owns is
// listed by device/rack; device/simulated makes instruments for tests and for
// trying the program out.
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
	// ErrDeaf means that nothing can be said to what is there, as to a recording.
	ErrDeaf = errors.New("nothing can be said to it")
)

// An Error is what went wrong at one address.
type Error struct {
	Address Address
	Err     error
	Hint    string // what to do about it; may be empty
}

// Error is "serial:/dev/ttyUSB0: not attached".
func (e *Error) Error() string { return e.Address.String() + ": " + e.Err.Error() }

// Unwrap gives the reason, such as ErrBusy.
func (e *Error) Unwrap() error { return e.Err }

// HintText is what to do about it: the error's own hint, or that of its reason.
func (e *Error) HintText() string {
	var inner interface{ HintText() string }
	if e.Hint == "" && errors.As(e.Err, &inner) {
		return inner.HintText()
	}
	return e.Hint
}

// An Address says where an instrument is attached: a transport and a place, as
// in "serial:/dev/ttyUSB0", "serial:usb=PM0001", "replay:pulls.rec".
type Address struct{ Transport, Place string }

// ParseAddress reads "transport:place".
func ParseAddress(text string) (Address, error) {
	transport, place, ok := strings.Cut(text, ":")
	if !ok || transport == "" || place == "" {
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

// DefaultSettings is what is used where nothing else is said: 9600 baud, eight
// bits, no parity, one stop bit, DTR and RTS up (common practice; cables often
// draw their power from these two).
func DefaultSettings() Settings {
	return Settings{Baud: 9600, DataBits: 8, Parity: "none", StopBits: "1", DTR: true, RTS: true}
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
// source that ends (or with an error that is io.EOF and says why it ended), and
// with ErrClosed after Close, which may be called from any goroutine, more than
// once, and ends a Read that blocks. An error is final. Bytes and an error are
// never returned together.
type Link interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Close() error
	// Identity is what tells this instrument from others of its kind, such as
	// the serial number of its USB adapter; empty where the transport has none.
	Identity() string
}

// Attesting is what a transport has that carries values which a person states
// and no instrument measured.
type Attesting interface {
	// Attested tells that the values are stated, not measured.
	Attested() bool
}

// Stamped is what a link has that knows better than the clock when its bytes
// came, as a recording does.
type Stamped interface {
	// Stamp is when the bytes of the last Read came, for whoever called it.
	Stamp() time.Time
}

// Packeted is what a link has whose bytes come in packets. A Read of it gives
// bytes of one packet only.
type Packeted interface {
	// EndOfPacket tells that the last Read gave the last byte of a packet, for
	// whoever called it.
	EndOfPacket() bool
}

// Unpaced is what a link has whose bytes may come faster than they once came,
// as those of a recording that is played without waiting: that none come says
// nothing then.
type Unpaced interface {
	// Unpaced tells that silence on this link has no meaning.
	Unpaced() bool
}

// Deaf is what a link has to which nothing can be said, as that of a recording:
// what is written to it reaches nobody.
type Deaf interface {
	// Deaf tells that it is so.
	Deaf() bool
}

// Wrapping is what a link has that stands in front of another one, as one that
// is recorded does: by it, whoever wants to know more of the instrument finds
// the link of its transport.
type Wrapping interface {
	Unwrap() Link
}

// A Sample is what one frame said. It shares no memory with anything.
type Sample struct {
	Time   time.Time         // when its last byte came, with the monotonic clock
	Value  quantity.Quantity // zero Unit where the instrument sends a bare number and the profile fixes none
	Angle  quantity.Quantity // zero where the frame has none
	Status []string          // words for the flags that were set, as the profile has them; see fact.Overload
	Raw    []byte            // the whole frame, to the byte
	// Attested marks a value that a person stated; see Attesting.
	Attested bool
}

// An EventKind is what an adapter has to tell.
type EventKind uint8

// The kinds of event.
const (
	// Sampled: Event.Sample is a good sample.
	Sampled EventKind = iota + 1
	// Rejected: Event.Raw came and made no sample; Event.Err says why.
	Rejected
	// Lost: the instrument went away, or is not there at the start; Event.Err
	// says how. The adapter looks for it until it is closed. While it looks,
	// another Lost says that the reason has changed: that another program has
	// it now, say.
	Lost
	// Found: the instrument is back, or is there for the first time after it
	// was absent at the start; Event.Identity is what it was known by. Event.Err
	// says that it is another one than before, where both have an identity.
	Found
	// Ended: a source that ends (a recording, a pipe) is at its end. Nothing
	// follows. Event.Err says why where it is not simply at its end.
	Ended
	// Quiet: an instrument that should be talking is not, though it is there;
	// Event.Err says how that is known. Event.Since is when its last good frame came. Told once, until Resumed or
	// Lost.
	Quiet
	// Resumed: a quiet instrument talks again; its sample follows. Event.Since is
	// that of Quiet.
	Resumed
	// Unfinished: Event.Raw came, makes no whole frame yet, and nothing came after
	// it for a while. It is not given up: it may yet become part of a sample, or
	// of what is Rejected.
	Unfinished
)

// String is the kind's name in small letters.
func (k EventKind) String() string {
	names := [...]string{Sampled: "sampled", Rejected: "rejected", Lost: "lost", Found: "found", Ended: "ended",
		Quiet: "quiet", Resumed: "resumed", Unfinished: "unfinished"}
	if k == 0 || int(k) >= len(names) {
		return fmt.Sprintf("event kind %d", k)
	}
	return names[k]
}

// An Event is one thing an adapter has to tell, in the order in which it happened.
type Event struct {
	Kind   EventKind
	Time   time.Time
	Sample Sample
	Raw    []byte
	Err    error
	// Since is when the last good frame came before a silence; zero if none has.
	Since time.Time
	// Pieces and Bytes are of a Rejected that stands for many: how many there
	// were and how long they are together; Raw is their beginning. Pieces is zero
	// where it stands for Raw alone.
	Pieces, Bytes int
	// Identity is the Link's, so that every sample can say which instrument
	// gave it; empty where it has none, and in Lost while it was never there.
	Identity string
}

// An Adapter is one attached instrument as the rest of the program sees it.
//
// Next blocks until there is an event, ctx is done (then its error), or the
// adapter is closed or has told Ended (then ErrClosed). Nothing is dropped
// between two calls, and what was read before Close is still given after it.
// Close may be called from any goroutine, more than once; it returns when
// nothing of the adapter runs any more.
type Adapter interface {
	Next(ctx context.Context) (Event, error)
	Close() error
}

// A Teller is an adapter through which something can be said to its instrument.
type Teller interface {
	// Tell sends bytes to the instrument, once, when nothing else is being said
	// and no reply is awaited. It waits for the instrument while that is away, and
	// returns when the transport has taken the bytes or has failed, with ErrDeaf
	// where nobody would hear them, with ErrClosed when the adapter is closed, or
	// when ctx is done. What the instrument says of it comes as any other event.
	Tell(ctx context.Context, what []byte) error
}
