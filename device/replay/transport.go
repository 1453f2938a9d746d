package replay

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"sync"
	"time"

	"paintmark/device"
)

// Name is the transport's name in an address: "replay:pulls.rec".
const Name = "replay"

// Options say how a recording is played. The zero Options plays it with its
// timing.
type Options struct {
	// Fast plays without waiting.
	Fast bool
	// Now and After stand in for the clock in tests; nil means time.Now and
	// time.After.
	Now   func() time.Time
	After func(time.Duration) <-chan time.Time
}

// A Transport plays a recording from its beginning, each time it is opened. Its
// links are not exclusive, end with io.EOF, have no identity, and take what is
// written to them without using it. A fault in the recording ends it too, after
// all that stands before it: the error is io.EOF and the *document.Fault.
type Transport struct {
	place   string
	open    func() (io.ReadCloser, error)
	options Options
}

// New plays the file at path.
func New(path string, o Options) *Transport {
	return From(path, func() (io.ReadCloser, error) { return os.Open(path) }, o)
}

// From plays what open gives, under the name of place. Closing it must end a
// Read that waits.
func From(place string, open func() (io.ReadCloser, error), o Options) *Transport {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.After == nil {
		o.After = time.After
	}
	return &Transport{place: place, open: open, options: o}
}

// Address implements device.Transport.
func (t *Transport) Address() device.Address { return device.Address{Transport: Name, Place: t.place} }

func (t *Transport) fail(err error, hint string) error {
	return &device.Error{Address: t.Address(), Err: err, Hint: hint}
}

// Open implements device.Transport.
func (t *Transport) Open(ctx context.Context) (device.Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, t.fail(err, "")
	}
	in, err := t.open()
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, t.fail(device.ErrAbsent, "there is no such file")
	case errors.Is(err, fs.ErrPermission):
		return nil, t.fail(device.ErrDenied, "the file may not be read by you")
	case err != nil:
		return nil, t.fail(err, "")
	}
	return &link{
		transport: t,
		in:        in,
		reader:    NewReader(t.place, in),
		start:     t.options.Now(),
		closed:    make(chan struct{}),
	}, nil
}

type link struct {
	transport *Transport
	in        io.Closer
	start     time.Time
	closed    chan struct{}
	closing   sync.Once
	closeErr  error

	mu     sync.Mutex // of one Read
	reader *Reader
	rest   []byte
	err    error
	stamp  time.Time
}

func (l *link) Identity() string { return "" }

func (l *link) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.isClosed() {
		return 0, l.transport.fail(device.ErrClosed, "")
	}
	if len(l.rest) == 0 && l.err == nil {
		l.fetch()
	}
	if len(l.rest) == 0 {
		return 0, l.err
	}
	n := copy(p, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}

// fetch waits for the next chunk and its time.
func (l *link) fetch() {
	chunk, err := l.reader.Next()
	switch {
	case l.isClosed():
		l.err = l.transport.fail(device.ErrClosed, "")
		return
	case err == io.EOF:
		l.err = io.EOF
		return
	case err != nil:
		l.err = l.transport.fail(unreadable{err}, "")
		return
	}
	due := l.start.Add(chunk.At)
	if wait := due.Sub(l.transport.options.Now()); wait > 0 && !l.transport.options.Fast {
		select {
		case <-l.transport.options.After(wait):
		case <-l.closed:
			l.err = l.transport.fail(device.ErrClosed, "")
			return
		}
	}
	l.stamp = due
	l.rest = chunk.Bytes
}

// Stamp implements device.Stamped: the recording's own times, counted from when
// it was opened.
func (l *link) Stamp() time.Time { return l.stamp }

// EndOfPacket implements device.Packeted: each chunk is one.
func (l *link) EndOfPacket() bool { return len(l.rest) == 0 }

// Unpaced implements device.Unpaced.
func (l *link) Unpaced() bool { return l.transport.options.Fast }

// Deaf implements device.Deaf: nobody hears what is written to a recording.
func (l *link) Deaf() bool { return true }

// unreadable is the end of a recording that cannot be read on. It is an end:
// the instrument is not lost, and must not be looked for.
type unreadable struct{ err error }

func (u unreadable) Error() string        { return "the recording cannot be read on: " + u.err.Error() }
func (u unreadable) Unwrap() error        { return u.err }
func (u unreadable) Is(target error) bool { return target == io.EOF }

func (l *link) Write(p []byte) (int, error) {
	if l.isClosed() {
		return 0, l.transport.fail(device.ErrClosed, "")
	}
	return len(p), nil
}

func (l *link) isClosed() bool {
	select {
	case <-l.closed:
		return true
	default:
		return false
	}
}

func (l *link) Close() error {
	l.closing.Do(func() {
		close(l.closed)
		l.closeErr = l.in.Close()
	})
	return l.closeErr
}
