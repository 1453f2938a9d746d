package book

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/log/entry"
	"paintmark/log/samples"
)

// maxBlocks bounds the blocks of a trace: a million samples, a quarter of an hour
// of the fastest wrench. It keeps a hostile file from filling the memory.
const maxBlocks = 256

// A Pull is a trace that is being recorded. It may be used by several goroutines.
type Pull struct {
	book *Book

	mu     sync.Mutex
	head   samples.Head
	tried  bool // a number was chosen before, though perhaps not committed
	ended  bool
	saved  int      // samples on disk
	scale  scale    // of them
	stored [][]byte // head and blocks, as on disk
}

// BeginPull begins the trace of a pull of point in pass with an instrument, as
// far as these are known already. Nothing is written before there are samples.
func (b *Book) BeginPull(point fact.Point, pass fact.Pass, instrument string) (*Pull, error) {
	o := b.options
	if o.Station == "" {
		return nil, b.fail(errors.New("opened without a station, so nothing can be recorded"))
	}
	if err := entry.CheckPoint(point); err != nil {
		return nil, b.fail(err)
	}
	began := o.at(max(0, o.Now().Sub(o.Start)))
	return &Pull{book: b, head: samples.Head{
		Station: o.Station, Began: began, Session: o.Session, Point: point, Pass: pass, Instrument: instrument,
	}}, nil
}

// Save puts the samples of the pull, as far as they have come, on disk, in one
// transaction: all of them or none of the new ones. t is the whole trace from its
// beginning. What was saved before must be in it unchanged; only its scale may
// have become finer. After an error Save can be called again, with what has come
// since.
//
// The cost is two syncs and the bytes of the last block, whatever the pull's
// length. The first call makes sure that book and witness agree, as Append does.
func (p *Pull) Save(ctx context.Context, t *trace.Trace) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	b := p.book
	before := p.saved
	switch {
	case p.ended:
		return b.fail(errors.New("the pull has ended, so no samples can follow"))
	case t.Len() < before:
		return b.fail(fmt.Errorf("%d samples of a pull of which %d are saved", t.Len(), before))
	case t.Len() == before:
		return nil
	case t.Len() > maxBlocks*samples.MaxSamples:
		return b.fail(fmt.Errorf("%w: %d samples in one pull", samples.ErrUnfit, t.Len()))
	}
	kept := 1 // the head
	if scaleOf(t) == p.scale {
		kept += before / samples.MaxSamples
	}
	var fresh [][]byte
	for from := (kept - 1) * samples.MaxSamples; from < t.Len(); from += samples.MaxSamples {
		data, err := samples.Encode(part(t, from, min(from+samples.MaxSamples, t.Len())))
		if err != nil {
			return b.fail(err)
		}
		fresh = append(fresh, data)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	var head []byte
	_, err := b.update(ctx, func(w *writer) (err error) {
		head, err = p.put(w, kept, fresh)
		return err
	})
	if err != nil {
		return err
	}
	if before == 0 {
		p.stored = [][]byte{head}
	}
	p.stored = append(p.stored[:kept], fresh...)
	p.saved, p.scale = t.Len(), scaleOf(t)
	return nil
}

// End gives the name under which an entry can keep the trace, and takes no more
// samples. It is the zero one if none were saved.
func (p *Pull) End() fact.Trace {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ended = true
	if p.saved == 0 {
		return fact.Trace{}
	}
	return fact.Trace{Station: p.head.Station, Number: p.head.Number, Samples: p.saved, Hash: sumParts(p.stored)}
}

// A scale is how the samples of a trace are to be read.
type scale struct {
	tick              time.Duration
	torque, angle     quantity.Unit
	torqueExp, angExp int32
	hasAngle          bool
}

func scaleOf(t *trace.Trace) scale {
	return scale{t.Tick, t.Torque.Unit, t.Angle.Unit, t.Torque.Exponent, t.Angle.Exponent, t.HasAngle()}
}

// part is the samples of a trace from one on and up to another.
func part(t *trace.Trace, from, to int) *trace.Trace {
	cut := *t
	cut.Times = t.Times[from:to]
	cut.Torque.Values = t.Torque.Values[from:min(to, len(t.Torque.Values))]
	if t.HasAngle() {
		cut.Angle.Values = t.Angle.Values[from:min(to, len(t.Angle.Values))]
	}
	return &cut
}

// sumParts is the hash of a trace: of its head and its blocks, one after another.
func sumParts(parts [][]byte) (hash entry.Hash) {
	h := sha256.New()
	for _, data := range parts {
		_, _ = h.Write(data) // never fails
	}
	h.Sum(hash[:0])
	return hash
}

// put puts blocks into the transaction, from number from on, and the head where
// there is none yet. The first trace of a book gives it the bucket.
func (p *Pull) put(w *writer, from int, blocks [][]byte) (head []byte, err error) {
	first := len(p.stored) == 0
	if first {
		if _, err := w.begin(); err != nil {
			return nil, err
		}
	}
	w.transaction = uint64(w.tx.ID())
	traces := w.tx.Bucket(bucketTraces)
	switch {
	case traces == nil && !first:
		return nil, &Error{Class: ErrDamaged, Detail: "its traces are gone"}
	case traces == nil:
		if traces, err = w.tx.CreateBucket(bucketTraces); err != nil {
			return nil, err
		}
		about := w.tx.Bucket(bucketAbout)
		if about == nil {
			return nil, &Error{Class: ErrDamaged, Detail: "it does not say what it is about"}
		}
		if err := about.Put(keyFormat, fmt.Append(nil, formatPrefix, tracesVersion)); err != nil {
			return nil, err
		}
	}
	traces.FillPercent = 1 // a station's numbers rise
	if first {
		if head, err = p.number(traces); err != nil {
			return nil, err
		}
		if err := traces.Put(traceKey(p.head.Station, p.head.Number, 0), head); err != nil {
			return nil, err
		}
	}
	for i, data := range blocks {
		if err := traces.Put(traceKey(p.head.Station, p.head.Number, uint32(from+i)), data); err != nil {
			return nil, err
		}
	}
	return head, nil
}

// number gives the trace its number, the station's next, and its head. A number
// that was chosen before, in a transaction of which it is not known whether it
// was committed, is used again if it was.
func (p *Pull) number(traces *bbolt.Bucket) (head []byte, err error) {
	var last uint64
	c := traces.Cursor()
	key, _ := c.Seek(append([]byte(p.head.Station), 1)) // behind all of the station's
	if key == nil {
		key, _ = c.Last()
	} else {
		key, _ = c.Prev()
	}
	if r, _, err := parseTraceKey(key); err == nil && r.Station == p.head.Station {
		last = r.Number
	}
	if p.tried && last == p.head.Number {
		if head, err = samples.EncodeHead(p.head); err == nil && bytes.Equal(head, traces.Get(traceKey(p.head.Station, last, 0))) {
			return head, nil
		}
	}
	p.tried, p.head.Number = true, last+1
	return samples.EncodeHead(p.head)
}

// checkTrace makes sure that the trace that a fact names is in the book so.
func (w *writer) checkTrace(t fact.Trace) error {
	if t.IsZero() {
		return nil
	}
	var parts [][]byte
	if traces := w.tx.Bucket(bucketTraces); traces != nil {
		prefix := tracePrefix(t.Station, t.Number)
		for c, key, value := cursorAt(traces, prefix); bytes.HasPrefix(key, prefix); key, value = c.Next() {
			parts = append(parts, value)
		}
	}
	switch g, err := readParts(t.Station, t.Number, parts); {
	case len(parts) == 0:
		return fmt.Errorf("%s is not in the book", t)
	case err != nil:
		return &Error{Class: ErrDamaged, Detail: fmt.Sprintf("%s: %v", t, err)}
	case g.trace.Len() != t.Samples || sumParts(parts) != t.Hash:
		return fmt.Errorf("%s is not the one that is named: samples were saved after its end", t)
	}
	return nil
}

func cursorAt(b *bbolt.Bucket, prefix []byte) (c *bbolt.Cursor, key, value []byte) {
	c = b.Cursor()
	key, value = c.Seek(prefix)
	return c, key, value
}
