package book

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"go.etcd.io/bbolt"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

// Append records facts, in one transaction: all of them or none. When it
// returns, they are on disk, in the book and in the witness, and have the numbers
// and hashes that it returns. Facts recorded together have the same time.
//
// An error means that nothing was recorded, except ErrUnwitnessed, with which
// the entries are returned too. A book whose end its witness does not confirm is
// ErrDamaged, and is left as it is. A trace that a fact names must be in the book
// as it is named. Append reads the ends of book and witness,
// and once for every Book, and when another program has written, its pages.
func (b *Book) Append(ctx context.Context, bodies ...fact.Body) ([]fact.Entry, error) {
	if b.options.Station == "" {
		return nil, b.fail(errors.New("opened without a station, so nothing can be recorded"))
	}
	now := b.options.Now()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.since = max(now.Sub(b.options.Start), b.since+1)
	w, err := b.update(ctx, func(w *writer) error { return w.write(bodies) })
	if w == nil {
		return nil, err
	}
	return w.entries, err
}

// update calls change in a transaction, and writes to the witness what that
// recorded. It gives the writer where the transaction is on disk, even if the
// witness then could not be written.
func (b *Book) update(ctx context.Context, change func(*writer) error) (*writer, error) {
	if err := ctx.Err(); err != nil {
		return nil, b.fail(err)
	}
	l, err := b.lockForWriting(ctx)
	if err != nil {
		return nil, err
	}
	defer func() { l.close() }()
	w := &writer{book: b, locked: l}
	defer w.closeWitness()
	err = guarded(func() error {
		return l.db.Update(func(tx *bbolt.Tx) error {
			w.tx = tx
			return change(w)
		})
	})
	switch {
	case errors.Is(err, errPanicked):
		l.abandon()
		return nil, b.fail(err)
	case err != nil && !errors.Is(err, errNothing):
		return nil, b.fail(err)
	}
	if len(w.lines) > 0 {
		if err := b.addLines(w.witness, w.lines); err != nil {
			return w, &Error{Path: b.path, Class: ErrUnwitnessed, Cause: err}
		}
	}
	if info, err := l.file.Stat(); err == nil {
		b.trusted = stamp{w.transaction, info.Size(), info.ModTime()}
	}
	return w, nil
}

// errUntrusted means that the file is not as it was last found sound.
var errUntrusted = errors.New("the file has changed")

// lockForWriting gives bbolt the file once its pages were found sound, or when
// nothing has changed since they were.
func (b *Book) lockForWriting(ctx context.Context) (*locked, error) {
	var now stamp
	known := func(file *os.File) (err error) {
		if now, err = look(file); err == nil && now != b.trusted {
			err = errUntrusted
		}
		return err
	}
	if b.trusted != (stamp{}) {
		l, err := b.lock(ctx, false, known)
		if !errors.Is(err, errUntrusted) {
			return l, err
		}
	}
	err := b.read(ctx, func(s *snapshot) error {
		if faults := s.pages.Check(); len(faults) > 0 {
			return &Error{Path: b.path, Class: ErrDamaged, Faults: pageFaults(faults)}
		}
		_, err := readLabel(s.pages)
		return b.fail(err)
	})
	if err != nil {
		return nil, err
	}
	// What another program writes from here on, it writes to a sound file.
	return b.lock(ctx, false, admitAny)
}

// A writer is one transaction.
type writer struct {
	book    *Book
	locked  *locked
	tx      *bbolt.Tx
	witness *os.File

	transaction uint64
	entries     []fact.Entry
	lines       []line
}

// errNothing ends a transaction that has nothing to commit.
var errNothing = errors.New("nothing to record")

func (w *writer) closeWitness() {
	if w.witness != nil {
		_ = w.witness.Close() // synced already
	}
}

// begin makes sure that book and witness agree, and gives each station's last
// entry.
func (w *writer) begin() ([]line, error) {
	chain := w.tx.Bucket(bucketChain)
	if w.tx.Bucket(bucketEntries) == nil || chain == nil {
		return nil, &Error{Class: ErrDamaged, Detail: "a part of it is gone"}
	}
	last, err := lastLines(chain)
	if err != nil {
		return nil, err
	}
	return last, w.settle(last)
}

// write puts the facts into the transaction, after book and witness were found
// to agree.
func (w *writer) write(bodies []fact.Body) error {
	last, err := w.begin()
	if err != nil {
		return err
	}
	entries, chain := w.tx.Bucket(bucketEntries), w.tx.Bucket(bucketChain)
	w.transaction = uint64(w.tx.ID()) - 1
	if len(bodies) == 0 {
		return errNothing
	}
	w.transaction++

	o := w.book.options
	ref, prev := fact.Ref{Station: o.Station}, entry.Hash{}
	if i := slices.IndexFunc(last, func(l line) bool { return l.ref.Station == o.Station }); i >= 0 {
		ref, prev = last[i].ref, last[i].hash
		if err := checkLast(entries, chain, last[i]); err != nil {
			return err
		}
	}
	chain.FillPercent = 1 // a station's numbers rise
	for _, body := range bodies {
		if err := w.checkTrace(fact.TraceOf(body)); err != nil {
			return err
		}
		ref.Number++
		e := fact.Entry{
			Ref: ref, Time: o.at(w.book.since), Since: w.book.since, Session: o.Session, Body: body,
		}
		data, err := entry.Encode(e, prev)
		if err != nil {
			return err
		}
		e.Hash = sha256.Sum256(data)
		if err := entries.Put(entryKey(body.About(), ref), data); err != nil {
			return err
		}
		if err := chain.Put(chainKey(ref), chainRecord{e.Hash, body.About()}.bytes()); err != nil {
			return err
		}
		prev = e.Hash
		w.entries = append(w.entries, e)
		w.lines = append(w.lines, line{ref, e.Hash})
	}
	return nil
}

// lastLines is the last entry of each station.
func lastLines(chain *bbolt.Bucket) ([]line, error) {
	var last []line
	c := chain.Cursor()
	for key, value := c.Last(); key != nil; {
		ref, err := parseChainKey(key)
		if err != nil {
			return nil, &Error{Class: ErrDamaged, Detail: "the chain's keys are garbled"}
		}
		record, err := parseChainRecord(value)
		if err != nil {
			return nil, &Error{Class: ErrDamaged, Detail: ref.String() + ": its record in the chain is garbled"}
		}
		last = append(last, line{ref, record.hash})
		c.Seek(append([]byte(ref.Station), 0)) // the station's first
		key, value = c.Prev()
	}
	return last, nil
}

// checkLast makes sure that the entry on which the next one will follow is the
// one that the chain tells.
func checkLast(entries, chain *bbolt.Bucket, l line) error {
	record, err := parseChainRecord(chain.Get(chainKey(l.ref)))
	if err == nil {
		data := entries.Get(entryKey(record.point, l.ref))
		if data != nil && entry.Sum(data) == l.hash {
			return nil
		}
	}
	return &Error{Class: ErrDamaged, Faults: []Fault{{
		Ref: l.ref, Point: record.point, Kind: Altered, Text: "the station's last entry is not the one that the chain tells",
	}}}
}

// settle opens the witness and makes sure that it tells what the book holds.
// Lines that a crash kept from being written are added; any other difference
// is an error.
func (w *writer) settle(last []line) error {
	path := WitnessPath(w.book.path)
	file, err := os.OpenFile(path, os.O_RDWR|os.O_APPEND, 0)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err == nil {
		w.witness = file
		if ok, err := agrees(file, last); ok || err != nil {
			return err
		}
	}
	return w.mend(path)
}

// mend compares the witness with the whole book, and adds the lines of the last
// transaction where they are all that is missing.
func (w *writer) mend(path string) error {
	s, err := take(w.locked, w.book.path)
	if err != nil {
		return err
	}
	x := examine(s, false)
	r := x.report
	if r.Faults = x.readingFaults(); !r.Sound() {
		return r.Err()
	}
	if w.witness == nil && len(x.unwitnessed) == 0 {
		return &Error{Class: ErrDamaged, Detail: "its witness " + path + " is missing", Hint: hintRenew}
	}
	if w.witness == nil {
		if w.witness, err = os.OpenFile(path, os.O_RDWR|os.O_APPEND|os.O_CREATE|os.O_EXCL, filePermission); err != nil {
			return err
		}
		if err := syncFolder(filepath.Dir(path)); err != nil {
			return err
		}
	}
	if int64(x.witness.whole) != int64(len(s.witness)) {
		if err := w.witness.Truncate(int64(x.witness.whole)); err != nil {
			return fmt.Errorf("cutting a torn line off the witness: %w", err)
		}
	}
	return w.book.addLines(w.witness, x.unwitnessed)
}
