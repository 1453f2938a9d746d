package book

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"paintmark/log/entry"
	"paintmark/log/pages"
)

// Extension ends the name of a book's file.
const Extension = ".book"

// DefaultWait is how long a locked book is waited for.
const DefaultWait = 3 * time.Second

// Options are who writes, and how.
type Options struct {
	// Station names who writes; see entry.CheckStation. A book that is only read
	// needs none.
	Station string
	// Session names the sitting in which entries are recorded.
	Session string
	// Start is when the session began, with the monotonic clock; now if zero.
	// Entries are timed by their monotonic distance from it.
	Start time.Time
	// Now is the clock; time.Now if nil. It is asked by every goroutine that
	// records.
	Now func() time.Time
	// Wait is how long to wait for a book that another program has locked;
	// DefaultWait if zero.
	Wait time.Duration
}

func (o Options) check() error {
	if o.Station == "" {
		return nil
	}
	return entry.CheckStation(o.Station)
}

// at is the time that lies since after the session's start.
func (o Options) at(since time.Duration) time.Time { return o.Start.Round(0).Add(since).UTC() }

// A Book is the file of one build. It keeps nothing open, and may be used by
// several goroutines.
type Book struct {
	path    string
	options Options
	build   string
	created time.Time

	mu      sync.Mutex
	since   time.Duration // of the last entry this Book wrote
	trusted stamp         // the file as its pages were last found sound
	maxSize int           // bbolt's limit to the file; none if 0

	addLines func(*os.File, []line) error
}

// Open looks at the book at path without keeping it open. It fails with
// ErrMissing, ErrEmpty, ErrForeign, ErrShort, ErrDamaged, ErrNewer or ErrLocked.
func Open(path string, o Options) (*Book, error) {
	b, err := newBook(path, o)
	if err != nil {
		return nil, err
	}
	err = b.read(context.Background(), func(s *snapshot) error {
		label, err := readLabel(s.pages)
		if err != nil {
			return b.fail(err)
		}
		b.build, b.created = label.build, label.created
		return nil
	})
	if err != nil {
		return nil, err
	}
	return b, nil
}

func newBook(path string, o Options) (*Book, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Start.IsZero() {
		o.Start = o.Now()
	}
	if o.Wait == 0 {
		o.Wait = DefaultWait
	}
	return &Book{path: path, options: o, addLines: addLines}, nil
}

// Path is the book's file.
func (b *Book) Path() string { return b.path }

// Build is the name that the build was opened under.
func (b *Book) Build() string { return b.build }

// Station is who writes; empty for a book that is only read.
func (b *Book) Station() string { return b.options.Station }

// Created is when the build was opened.
func (b *Book) Created() time.Time { return b.created }

// A label is what the bucket about says.
type label struct {
	build   string
	created time.Time
	traces  bool // that there are some
}

// readLabel reads the bucket about. The error is of class ErrForeign, ErrNewer
// or ErrDamaged, without a path.
func readLabel(f *pages.File) (label, error) {
	buckets, faults := f.Buckets()
	if len(faults) > 0 {
		return label{}, &Error{Class: ErrDamaged, Faults: pageFaults(faults)}
	}
	about := buckets[string(bucketAbout)]
	if about == nil && buckets[string(bucketChain)] == nil {
		return label{}, &Error{Class: ErrForeign, Detail: "it belongs to another program"}
	}
	if about == nil {
		return label{}, &Error{Class: ErrDamaged, Detail: "it does not say what it is about"}
	}
	values := map[string]string{}
	if faults := about.All(func(k, v []byte) { values[string(k)] = string(v) }); len(faults) > 0 {
		return label{}, &Error{Class: ErrDamaged, Faults: pageFaults(faults)}
	}
	number, ok := strings.CutPrefix(values[string(keyFormat)], formatPrefix)
	version, err := strconv.ParseUint(number, 10, 32)
	switch {
	case !ok || err != nil || version == 0:
		return label{}, &Error{Class: ErrDamaged, Detail: "it does not say which format it has"}
	case version > tracesVersion:
		return label{}, &Error{Class: ErrNewer, Detail: fmt.Sprintf("format %d, this program knows up to %d", version, tracesVersion)}
	}
	created, err := time.Parse(time.RFC3339Nano, values[string(keyCreated)])
	if err != nil || len(values) != 3 {
		return label{}, &Error{Class: ErrDamaged, Detail: "what it says about itself is garbled"}
	}
	return label{values[string(keyBuild)], created, version == tracesVersion}, nil
}

// fail gives an error of this package the book's path, and every other one, as
// it comes from the system, too.
func (b *Book) fail(err error) error { return at(b.path, err) }

func at(path string, err error) error {
	var e *Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &e):
		if e.Path == "" {
			e.Path = path
		}
		return err
	default:
		var system *os.PathError
		if errors.As(err, &system) {
			return err // it names the path
		}
		return fmt.Errorf("%s: %w", path, err)
	}
}
