package book

import (
	"errors"
	"io"
	"slices"

	"github.com/fxamacker/cbor/v2"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

// carveBlock is how much of the file is looked through at a time.
const carveBlock = 1 << 20

// carve looks through the whole file for bytes that are an entry, wherever they
// stand: in pages that are damaged, or not in use any more. An entry's bytes are
// never split. What is found is a stray, and counts only if a hash confirms it.
// It tells whether it found entries that nothing else told of, which counts only
// where neither chain nor witness is left: a transaction that was never completed
// leaves such entries too.
func (x *examination) carve() bool {
	found := map[fact.Ref][]*candidate{}
	block := make([]byte, min(x.s.size, carveBlock+entry.MaxSize))
	for from := int64(0); from < x.s.size; from += carveBlock {
		n, err := x.s.r.ReadAt(block, from)
		if err != nil && !errors.Is(err, io.EOF) {
			continue // a block that cannot be read hides what is in it, no more
		}
		carveEntries(block[:n], found)
	}
	alone := true
	for _, k := range x.entries {
		alone = alone && k.chain == nil && k.witness == nil
	}
	more := false
	for r, list := range found {
		k := x.entries[r]
		if k == nil && alone {
			k, more = x.know(r), true
		}
		if k != nil {
			k.strays = append(k.strays, list...)
		}
	}
	return more
}

// carveEntries adds the entries that start in the first carveBlock bytes of data.
func carveEntries(data []byte, found map[fact.Ref][]*candidate) {
	for i := 0; i < min(len(data)-2, carveBlock); i++ {
		// The start of an entry: an array of nine, the version, a short text.
		if data[i] != 0x89 || data[i+1] != entry.Version || data[i+2]>>5 != 3 {
			continue
		}
		var item cbor.RawMessage
		if _, err := cbor.UnmarshalFirst(data[i:], &item); err != nil {
			continue
		}
		c := newCandidate(item)
		if c.err != nil {
			continue
		}
		same := func(o *candidate) bool { return o.hash == c.hash }
		if r := c.entry.Ref; !slices.ContainsFunc(found[r], same) {
			found[r] = append(found[r], c)
		}
		i += len(item) - 1
	}
}
