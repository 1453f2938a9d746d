package book

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"paintmark/calc/fact"
	"paintmark/log/entry"
	"paintmark/log/pages"
)

// A Report is what was found in a book.
type Report struct {
	Path    string
	Build   string    // empty if it cannot be told
	Created time.Time // zero if it cannot be told

	Entries   int   // how many there should be
	Intact    int   // how many are in their place as they were recorded
	Recovered int   // how many are not, but could be had from elsewhere in the file
	Bytes     int64 // of the entries that are left

	Traces       int // how many the entries that are left name
	TracesIntact int // how many of these are as they were recorded
	Unnamed      int // how many are whole, and no entry names them

	Ends []End // each station's last entry that is left
	// Faults are all that is wrong. Where they are of one entry, they stand in
	// the order of stations and numbers.
	Faults []Fault
	// Notes are what is worth knowing and not wrong.
	Notes []string
	// Renewable tells that nothing is wrong but that lines are missing in the
	// witness, or all of it, so that Renew can write it anew.
	Renewable bool
}

// An End is the last entry of a station. Its hash stands for all before it.
type End struct {
	Ref  fact.Ref
	Hash entry.Hash
}

// Sound tells that nothing is wrong with the book.
func (r Report) Sound() bool { return len(r.Faults) == 0 }

// Err is nil for a sound book, or else an ErrDamaged with all faults; ErrNewer
// if nothing is wrong but entries that only a newer program can read.
func (r Report) Err() error {
	if r.Sound() {
		return nil
	}
	e := &Error{Path: r.Path, Class: ErrNewer, Faults: r.Faults}
	if r.Renewable {
		e.Hint = hintRenew
	}
	for _, f := range r.Faults {
		if f.Kind != Newer {
			e.Class = ErrDamaged
		}
	}
	return e
}

func (r *Report) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// end notes an entry as its station's last. They come in order.
func (r *Report) end(e fact.Entry) {
	if n := len(r.Ends); n > 0 && r.Ends[n-1].Ref.Station == e.Station {
		r.Ends = r.Ends[:n-1]
	}
	r.Ends = append(r.Ends, End{e.Ref, e.Hash})
}

// Entries gives all entries, in the order of fact.Sort, every one of them
// verified. Where anything is wrong with one of them or one is missing, it gives
// an error of class ErrDamaged instead; see Salvage. A witness that is not there
// does not confirm, but is no error here; Verify reports it.
func (b *Book) Entries(ctx context.Context) ([]fact.Entry, error) {
	var x *examination
	err := b.read(ctx, func(s *snapshot) error {
		x = examine(s, false)
		return nil
	})
	if err != nil {
		return nil, err
	}
	r := x.report
	r.Path, r.Faults = b.path, x.readingFaults()
	if err := r.Err(); err != nil {
		return nil, err
	}
	return x.accepted(), nil
}

// accepted are the entries that are left.
func (x *examination) accepted() []fact.Entry {
	list := make([]fact.Entry, 0, len(x.entries))
	for _, k := range x.entries {
		if k.accepted != nil {
			list = append(list, k.accepted.entry)
		}
	}
	fact.Sort(list)
	return list
}

// Verify checks everything about the book at path and tells all that is wrong.
// Its error is for a book that cannot be looked at: ErrMissing, ErrEmpty,
// ErrForeign, ErrNewer or ErrLocked. One that is damaged or ends too early has
// a Report.
func Verify(path string) (Report, error) {
	r, _, err := Salvage(path)
	return r, err
}

// Salvage verifies the book at path and gives the entries that are left of it,
// in the order of fact.Sort: those in their place, and those found elsewhere in
// the file. Each is confirmed by a hash kept apart from it.
func Salvage(path string) (Report, []fact.Entry, error) {
	b, err := newBook(path, Options{})
	if err != nil {
		return Report{}, nil, err
	}
	var x *examination
	err = b.read(context.Background(), func(s *snapshot) error {
		if _, err := readLabel(s.pages); errors.Is(err, ErrNewer) || errors.Is(err, ErrForeign) {
			return b.fail(err)
		}
		x = examine(s, true)
		x.judgeTraces()
		x.checkPages()
		return nil
	})
	if errors.Is(err, ErrShort) || errors.Is(err, ErrDamaged) || errors.Is(err, ErrForeign) {
		x, err = salvageFile(path, err)
	}
	if err != nil {
		return Report{}, nil, err
	}
	x.report.Path = path
	return x.report, x.accepted(), nil
}

// checkPages looks at all pages, first with our own eyes, then with bbolt's.
func (x *examination) checkPages() {
	faults := x.s.pages.Check()
	for _, f := range pageFaults(faults) {
		if !slices.Contains(x.report.Faults, f) {
			x.report.Faults = append(x.report.Faults, f)
		}
	}
	if len(faults) > 0 || len(x.s.pages.Faults) > 0 {
		return // bbolt's own check could end the process, and stops at a header
	}
	err := guarded(func() error {
		return x.s.db.View(func(tx *bbolt.Tx) error {
			var first error
			for err := range tx.Check() {
				if first == nil {
					first = err
				}
			}
			return first
		})
	})
	if err != nil {
		x.fault(nil, Page, "bbolt: %v", err)
	}
}

// salvageFile looks for entries in a file that cannot be opened as a book. Why
// it cannot is the first fault. A file without a trace of a book stays what it is.
func salvageFile(path string, why error) (*examination, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // only read
	info, err := file.Stat()
	if err != nil {
		return nil, err
	}
	s := &snapshot{r: file, size: info.Size()}
	if err := s.takeWitness(path); err != nil {
		return nil, err
	}
	if errors.Is(why, ErrForeign) && !s.witnessed {
		return nil, why
	}
	// The header pages may be good though the file ends too early.
	s.pages, _ = pages.Headers(file)
	x := examine(s, true)
	x.judgeTraces()
	if errors.Is(why, ErrForeign) && x.report.Intact+x.report.Recovered == 0 {
		return nil, why
	}
	var e *Error
	if errors.As(why, &e) {
		text := e.Class.Error()
		if e.Detail != "" {
			text += ": " + e.Detail
		}
		x.report.Faults = append([]Fault{{Kind: Page, Text: text}}, x.report.Faults...)
	}
	return x, nil
}
