package book

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/trace"
	"paintmark/log/pages"
	"paintmark/log/samples"
)

// Trace gives the samples of a pull, as an entry names them. It reads no others.
// One that is not in the book as it is named is ErrDamaged.
func (b *Book) Trace(ctx context.Context, t fact.Trace) (*trace.Trace, error) {
	var got *trace.Trace
	err := b.read(ctx, func(s *snapshot) error {
		buckets, faults := s.pages.Buckets()
		traces := buckets[string(bucketTraces)]
		if traces == nil && len(faults) > 0 {
			return b.fail(&Error{Class: ErrDamaged, Faults: pageFaults(faults)})
		}
		var parts [][]byte
		if traces != nil {
			err := traces.Prefix(tracePrefix(t.Station, t.Number), func(_, value []byte) error {
				parts = append(parts, value)
				return nil
			})
			var page *pages.Fault
			if errors.As(err, &page) {
				err = &Error{Class: ErrDamaged, Faults: pageFaults([]*pages.Fault{page})}
			}
			if err != nil {
				return b.fail(err)
			}
		}
		g, problem := checkParts(t, parts)
		if problem != nil {
			e := &Error{Class: ErrDamaged, Faults: []Fault{{Kind: Trace, Text: fmt.Sprintf("%s: %v", t, problem)}}}
			if errors.Is(problem, samples.ErrNewer) {
				e.Class, e.Faults[0].Kind = ErrNewer, Newer
			}
			return b.fail(e)
		}
		got = g.trace
		return nil
	})
	return got, err
}

// An Unnamed is a trace that no entry names: that of a pull which is going on, or
// was interrupted. Session and Began tell the one from the other.
type Unnamed struct {
	Point      fact.Point // empty if it was not known yet
	Pass       fact.Pass
	Instrument string // its short name
	Session    string
	Began      time.Time
	// Name is what an entry keeps it by, most likely an Interrupted, and what Trace
	// gives its samples for.
	Name fact.Trace
}

// Unnamed gives the traces that no entry names, in the order in which they were
// begun. Those that are damaged are left out; Verify reports them.
func (b *Book) Unnamed(ctx context.Context) ([]Unnamed, error) {
	entries, err := b.Entries(ctx)
	if err != nil {
		return nil, err
	}
	named := map[fact.Ref]bool{}
	for _, e := range entries {
		t := fact.TraceOf(e.Body)
		named[fact.Ref{Station: t.Station, Number: t.Number}] = true
	}
	var list []Unnamed
	err = b.read(ctx, func(s *snapshot) error {
		stored, _ := readTraces(s)
		for r, parts := range stored.parts {
			g, err := parts.read(r)
			if named[r] || err != nil {
				continue
			}
			h := g.head
			list = append(list, Unnamed{
				Point: h.Point, Pass: h.Pass, Instrument: h.Instrument, Session: h.Session, Began: h.Began,
				Name: fact.Trace{Station: r.Station, Number: r.Number, Samples: g.trace.Len(), Hash: sumParts(parts.inOrder)},
			})
		}
		return nil
	})
	slices.SortFunc(list, func(a, b Unnamed) int {
		return cmp.Or(a.Began.Compare(b.Began), cmp.Compare(a.Name.Station, b.Name.Station), cmp.Compare(a.Name.Number, b.Name.Number))
	})
	return list, err
}

// A whole is a trace that was read.
type whole struct {
	head  samples.Head
	trace *trace.Trace
}

// readParts makes a trace of its head and its blocks.
func readParts(station string, number uint64, parts [][]byte) (whole, error) {
	if len(parts) < 2 || len(parts) > 1+maxBlocks {
		return whole{}, fmt.Errorf("it has %d parts, its head among them", len(parts))
	}
	head, err := samples.DecodeHead(parts[0])
	if err == nil && (head.Station != station || head.Number != number) {
		err = fmt.Errorf("it says it is trace %d of %s", head.Number, head.Station)
	}
	if err != nil {
		return whole{}, err
	}
	var all *trace.Trace
	for i, data := range parts[1:] {
		t, rest, err := samples.Decode(data)
		switch {
		case err != nil:
			return whole{}, fmt.Errorf("block %d: %w", i+1, err)
		case len(rest) > 0:
			return whole{}, fmt.Errorf("block %d has something behind it", i+1)
		case i < len(parts)-2 && t.Len() != samples.MaxSamples:
			return whole{}, fmt.Errorf("block %d is not full", i+1)
		case all == nil:
			all = t
			continue
		case scaleOf(all) != scaleOf(t):
			return whole{}, fmt.Errorf("block %d is of another scale", i+1)
		}
		all.Times = append(all.Times, t.Times...)
		all.Torque.Values = append(all.Torque.Values, t.Torque.Values...)
		all.Angle.Values = append(all.Angle.Values, t.Angle.Values...)
	}
	return whole{head, all}, all.Check()
}

// checkParts reads a trace and compares it with what an entry says of it.
func checkParts(t fact.Trace, parts [][]byte) (whole, error) {
	if len(parts) == 0 {
		return whole{}, errors.New("it is not in the book")
	}
	if sumParts(parts) != t.Hash {
		return whole{}, errors.New("its bytes are not those that were recorded")
	}
	g, err := readParts(t.Station, t.Number, parts)
	if err == nil && g.trace.Len() != t.Samples {
		err = fmt.Errorf("%d samples, where the entry tells %d", g.trace.Len(), t.Samples)
	}
	return g, err
}

// A storedTrace is the parts of a trace, without gaps if it is whole.
type storedTrace struct {
	inOrder [][]byte
	gap     bool
}

func (s *storedTrace) read(r fact.Ref) (whole, error) {
	if s.gap {
		return whole{}, errors.New("a part of it is missing")
	}
	return readParts(r.Station, r.Number, s.inOrder)
}

// A storedTraces is what the bucket holds.
type storedTraces struct {
	parts   map[fact.Ref]*storedTrace // by station and number
	garbled int                       // keys that are none
}

// readTraces reads all parts of all traces, and tells whether there is a bucket
// for them. What stands in damaged pages, which Check tells, is left out.
func readTraces(s *snapshot) (storedTraces, bool) {
	all := storedTraces{parts: map[fact.Ref]*storedTrace{}}
	if s.pages == nil {
		return all, false
	}
	buckets, _ := s.pages.Buckets()
	b := buckets[string(bucketTraces)]
	if b == nil {
		return all, false
	}
	_ = b.All(func(key, value []byte) {
		r, part, err := parseTraceKey(key)
		if err != nil {
			all.garbled++
			return
		}
		t := all.parts[r]
		if t == nil {
			t = &storedTrace{}
			all.parts[r] = t
		}
		t.gap = t.gap || part != uint32(len(t.inOrder))
		t.inOrder = append(t.inOrder, value)
	})
	return all, true
}

// judgeTraces compares the traces with what the entries say of them, and looks at
// those that no entry names.
func (x *examination) judgeTraces() {
	stored, there := readTraces(x.s)
	if x.s.pages != nil {
		if l, err := readLabel(x.s.pages); err == nil && l.traces != there {
			x.fault(nil, Label, "its format and whether it has traces do not agree")
		}
	}
	for range stored.garbled {
		x.fault(nil, Trace, "a garbled key")
	}
	named := map[fact.Ref]bool{}
	judged := map[fact.Trace]error{}
	for _, r := range x.refs() {
		k := x.entries[r]
		if k.accepted == nil {
			continue
		}
		t := fact.TraceOf(k.accepted.entry.Body)
		if t.IsZero() {
			continue
		}
		problem, seen := judged[t]
		if !seen {
			problem = stored.check(t)
			judged[t] = problem
			named[fact.Ref{Station: t.Station, Number: t.Number}] = true
			x.report.Traces++
			if problem == nil {
				x.report.TracesIntact++
			}
		}
		switch {
		case errors.Is(problem, samples.ErrNewer):
			x.fault(k, Newer, "%s: %v", t, problem)
		case problem != nil:
			x.fault(k, Trace, "%s: %v", t, problem)
		}
	}
	x.judgeUnnamed(stored, named)
	if slices.ContainsFunc(x.report.Faults, func(f Fault) bool { return f.Kind != Witness }) {
		x.report.Renewable = false
	}
	x.sort()
}

func (s storedTraces) check(t fact.Trace) error {
	parts := s.parts[fact.Ref{Station: t.Station, Number: t.Number}]
	if parts == nil {
		parts = &storedTrace{}
	}
	_, err := checkParts(t, parts.inOrder)
	if err == nil && parts.gap {
		err = errors.New("a part of it stands under a wrong key")
	}
	return err
}

// judgeUnnamed looks at the traces that no entry names, and for those that are not
// there at all: each station's numbers have no gaps.
func (x *examination) judgeUnnamed(stored storedTraces, named map[fact.Ref]bool) {
	refs := slices.SortedFunc(maps.Keys(stored.parts), func(a, b fact.Ref) int {
		return cmp.Or(cmp.Compare(a.Station, b.Station), cmp.Compare(a.Number, b.Number))
	})
	last := fact.Ref{}
	for _, r := range refs {
		if r.Station != last.Station {
			last = fact.Ref{Station: r.Station}
		}
		gap := r.Number - last.Number - 1
		for n := last.Number + 1; n < r.Number && gap <= largestGap; n++ {
			if !named[fact.Ref{Station: r.Station, Number: n}] {
				x.fault(nil, Trace, "trace %d of %s is not in the book", n, r.Station)
			}
		}
		if gap > largestGap {
			x.fault(nil, Trace, "%d traces before trace %d of %s are not in the book", gap, r.Number, r.Station)
		}
		last = r
		if named[r] {
			continue
		}
		g, err := stored.parts[r].read(r)
		if err != nil {
			kind := Trace
			if errors.Is(err, samples.ErrNewer) {
				kind = Newer
			}
			x.fault(nil, kind, "trace %d of %s: %v", r.Number, r.Station, err)
			continue
		}
		x.report.Unnamed++
		where := ""
		if g.head.Point != "" {
			where = fmt.Sprintf(" (%s)", g.head.Point)
		}
		x.report.note("trace %d of %s%s, of %d samples, belongs to no entry: a pull that is going on, or was interrupted", r.Number, r.Station, where, g.trace.Len())
	}
}
