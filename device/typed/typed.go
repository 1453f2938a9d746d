// Package typed carries lines that a person types, or that another program
// pipes in: a number, a unit if there is one, and Enter.
//
// It is how values of a mechanical wrench or a feeler gauge are stated. They
// were not measured by anything this program could ask, so the transport is
// device.Attesting: every sample that comes of it is marked as attested, and
// stays so.
//
// A [Cable] is another thing: an instrument whose cable types what it measured
// as a keyboard would. Its values are measured, and a line that came as slowly
// as a hand types is refused.
//
// The reader is the caller's: standard input, or the lines of a screen that
// reads keys of its own. A Read of it may wait for ever and cannot be ended
// from here, so one goroutine reads it from the first Open on, until it ends or
// fails; what it has read when no link is open waits for the next one.
package typed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"paintmark/device"
	"paintmark/device/profile"
)

// Name is the transport's name in an address: "typed:keyboard".
const Name = "typed"

// profileText reads what a person types. A number is never guessed at: "88,4"
// might be 88.4 or 884, and is rejected with the reason.
const profileText = `
name = "typed"
note = "A number, a unit if there is one, and Enter."

[framing]
ending = "either"

[reading]
pattern = '\s*(?P<value>[-+−]?[ \t]*[0-9.,]+(?:[eE][-+]?[0-9]+)?)\s*(?P<unit>[^\s0-9.,].*)?'
ignore = '\s*'
`

// Profile reads a typed number with an optional unit, as in "88", "88.4 Nm" or
// "-0.05 mm". A sample of a number alone has no unit; whoever asked for the
// value knows in which it was asked.
func Profile() *profile.Profile {
	p, err := profile.Parse(Name, []byte(profileText))
	if err != nil {
		panic(err) // a constant
	}
	return p
}

// A Transport carries the lines of one reader. Its links end with io.EOF when
// the reader does, have no identity, and are open one at a time.
type Transport struct {
	place  string
	reader io.Reader

	measured bool // by an instrument that types

	pieces chan []byte   // from the goroutine that reads
	ended  chan struct{} // closed when the reader has ended
	err    error         // what it ended with; to be read after ended

	mu      sync.Mutex
	started bool
	open    *link
	rest    []byte // of the last piece
}

// New carries the lines of r under the name of place, such as "keyboard".
func New(place string, r io.Reader) *Transport {
	return &Transport{place: place, reader: r, pieces: make(chan []byte), ended: make(chan struct{})}
}

// Address implements device.Transport.
func (t *Transport) Address() device.Address { return device.Address{Transport: Name, Place: t.place} }

// Attested implements device.Attesting: what a person types was not measured.
func (t *Transport) Attested() bool { return !t.measured }

func (t *Transport) fail(err error) error { return &device.Error{Address: t.Address(), Err: err} }

// Open implements device.Transport.
func (t *Transport) Open(ctx context.Context) (device.Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, t.fail(err)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.open != nil {
		return nil, t.fail(device.ErrBusy)
	}
	if !t.started {
		t.started = true
		go t.pump()
	}
	t.open = &link{transport: t, closed: make(chan struct{})}
	return t.open, nil
}

func (t *Transport) pump() {
	defer close(t.ended)
	for {
		buf := make([]byte, 1024)
		n, err := t.reader.Read(buf)
		if n > 0 {
			t.pieces <- buf[:n]
		}
		if err != nil {
			t.err = io.EOF
			if !errors.Is(err, io.EOF) {
				t.err = unreadable{t.fail(fmt.Errorf("cannot be read on: %w", err))}
			}
			return
		}
	}
}

// unreadable is the end of a reader that failed.
type unreadable struct{ error }

func (u unreadable) Unwrap() error        { return u.error }
func (u unreadable) Is(target error) bool { return target == io.EOF }

type link struct {
	transport *Transport
	closing   sync.Once
	closed    chan struct{}
}

func (l *link) Identity() string { return "" }

func (l *link) Read(p []byte) (int, error) {
	t := l.transport
	if n, err := l.takeRest(p, nil); n > 0 || err != nil {
		return n, err
	}
	select {
	case piece := <-t.pieces:
		return l.takeRest(p, piece)
	case <-t.ended:
		return 0, t.err
	case <-l.closed:
		return 0, t.fail(device.ErrClosed)
	}
}

// takeRest gives of what was read before, and of piece, as much as p holds. A
// closed link takes nothing and leaves it to the next.
func (l *link) takeRest(p, piece []byte) (int, error) {
	t := l.transport
	t.mu.Lock()
	defer t.mu.Unlock()
	t.rest = append(t.rest, piece...)
	if t.open != l {
		return 0, t.fail(device.ErrClosed)
	}
	n := copy(p, t.rest)
	t.rest = t.rest[n:]
	return n, nil
}

// Deaf implements device.Deaf: there is nobody to tell.
func (l *link) Deaf() bool { return true }

// Write takes everything, for nobody.
func (l *link) Write(p []byte) (int, error) {
	select {
	case <-l.closed:
		return 0, l.transport.fail(device.ErrClosed)
	default:
		return len(p), nil
	}
}

func (l *link) Close() error {
	l.closing.Do(func() {
		close(l.closed)
		l.transport.mu.Lock()
		defer l.transport.mu.Unlock()
		l.transport.open = nil
	})
	return nil
}
