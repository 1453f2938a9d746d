package book

import (
	"context"
	"errors"
	"fmt"

	"paintmark/calc/fact"
	"paintmark/log/entry"
	"paintmark/log/pages"
)

// History gives all entries of one point, in the order of fact.Sort; of the
// build itself for the empty point. They are one range of the book's keys, and
// of the other entries only hashes are read. It fails as Entries does, but for
// what concerns this point alone.
func (b *Book) History(ctx context.Context, point fact.Point) ([]fact.Entry, error) {
	var list []fact.Entry
	err := b.read(ctx, func(s *snapshot) error {
		r, err := readRoll(s)
		if err == nil {
			list, err = r.history(s, point)
		}
		return b.fail(err)
	})
	if err != nil {
		return nil, err
	}
	fact.Sort(list)
	return list, nil
}

// A roll is the chain, confirmed by the witness.
type roll map[fact.Ref]chainRecord

// readRoll reads chain and witness and makes sure that they agree and that no
// number is left out.
func readRoll(s *snapshot) (roll, error) {
	damaged := func(ref fact.Ref, kind Kind, text string) error {
		return &Error{Class: ErrDamaged, Faults: []Fault{{Ref: ref, Kind: kind, Text: text}}}
	}
	chain, err := bucket(s.pages, bucketChain)
	if err != nil {
		return nil, err
	}
	r := roll{}
	var broken error
	var last fact.Ref
	faults := chain.All(func(key, value []byte) {
		ref, err := parseChainKey(key)
		record, err2 := parseChainRecord(value)
		if ref.Station != last.Station {
			last = fact.Ref{Station: ref.Station}
		}
		if last.Number++; broken == nil && (err != nil || err2 != nil || last != ref) {
			broken = damaged(last, Chain, "it is missing or garbled in the chain")
		}
		r[ref] = record
	})
	if len(faults) > 0 {
		return nil, &Error{Class: ErrDamaged, Faults: pageFaults(faults)}
	}
	if broken != nil {
		return nil, broken
	}
	w := parseWitness(s.witness)
	for _, l := range w.lines {
		if record, ok := r[l.ref]; !ok {
			return nil, damaged(l.ref, Missing, "the witness has it, the book does not")
		} else if record.hash != l.hash {
			return nil, damaged(l.ref, Witness, "witness and chain have two hashes for it")
		}
	}
	if len(w.bad) > 0 {
		return nil, damaged(fact.Ref{}, Witness, w.bad[0])
	}
	if !s.witnessed && len(s.pages.Faults) > 0 {
		return nil, damaged(fact.Ref{}, Header, s.pages.Faults[0].Error())
	}
	return r, nil
}

// history reads the entries of a point and makes sure that they are those, and
// all of those, that the chain has for it.
func (r roll) history(s *snapshot, point fact.Point) ([]fact.Entry, error) {
	entries, err := bucket(s.pages, bucketEntries)
	if err != nil {
		return nil, err
	}
	found := map[fact.Ref]bool{}
	var list []fact.Entry
	err = entries.Prefix(pointPrefix(point), func(key, value []byte) error {
		_, ref, err := parseEntryKey(key)
		if err != nil {
			return &Error{Class: ErrDamaged, Faults: []Fault{{Point: point, Kind: WrongKey, Text: "a garbled key"}}}
		}
		damaged := func(kind Kind, format string, args ...any) error {
			return &Error{Class: ErrDamaged, Faults: []Fault{{ref, point, kind, fmt.Sprintf(format, args...)}}}
		}
		if record, ok := r[ref]; !ok || record.hash != entry.Sum(value) || record.point != point {
			return damaged(Altered, "it is not the entry that the chain has")
		}
		e, prev, err := entry.Decode(value)
		switch {
		case errors.Is(err, entry.ErrNewer):
			return &Error{Class: ErrNewer, Detail: ref.String(), Cause: err}
		case err != nil:
			return damaged(Altered, "%v", err)
		case e.Ref != ref || e.Body.About() != point:
			return damaged(WrongKey, "it says it is %s of %q", e.Ref, e.Body.About())
		case prev != r[fact.Ref{Station: ref.Station, Number: ref.Number - 1}].hash:
			return damaged(OutOfChain, "it does not follow on the entry before it")
		}
		found[ref] = true
		list = append(list, e)
		return nil
	})
	var page *pages.Fault
	if errors.As(err, &page) {
		err = &Error{Class: ErrDamaged, Faults: pageFaults([]*pages.Fault{page})}
	}
	if err != nil {
		return nil, err
	}
	for ref, record := range r {
		if record.point == point && !found[ref] {
			return nil, &Error{Class: ErrDamaged, Faults: []Fault{{ref, point, Missing, "the chain has it, the entries do not"}}}
		}
	}
	return list, nil
}

// bucket finds one of the book's buckets.
func bucket(f *pages.File, name []byte) (*pages.Bucket, error) {
	buckets, faults := f.Buckets()
	if len(faults) > 0 {
		return nil, &Error{Class: ErrDamaged, Faults: pageFaults(faults)}
	}
	b := buckets[string(name)]
	if b == nil {
		return nil, &Error{Class: ErrDamaged, Detail: fmt.Sprintf("its part %q is gone", name)}
	}
	return b, nil
}
