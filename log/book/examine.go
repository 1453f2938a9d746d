package book

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"sync"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

// A candidate is bytes that say they are a certain entry.
type candidate struct {
	data  []byte
	hash  entry.Hash
	entry fact.Entry // valid if err is nil
	prev  entry.Hash
	err   error
}

func newCandidate(data []byte) *candidate {
	c := &candidate{data: data, hash: entry.Sum(data)}
	c.entry, c.prev, c.err = entry.Decode(data)
	return c
}

// A known is all that is known of one entry.
type known struct {
	ref     fact.Ref
	chain   *chainRecord // what the chain says
	witness *entry.Hash  // what the witness says
	live    *candidate   // what stands in its place
	point   fact.Point   // where that is
	strays  []*candidate // what was found elsewhere in the file

	accepted  *candidate // the entry as it was recorded
	recovered bool       // accepted is a stray
}

// An examination finds out what became of every entry that a book should hold.
//
// Up to four voices tell which hash an entry had when it was recorded: the
// chain, the witness, the entry after it, and its own bytes. Bytes are accepted
// if at least one of the other voices confirms them and no more deny them, so
// that one damage leaves no doubt about what it struck.
type examination struct {
	s           *snapshot
	report      Report
	entries     map[fact.Ref]*known
	hashes      map[entry.Hash]fact.Ref // whose hash is which, by chain and bytes
	witness     witness
	unwitnessed []line // entries of the last transaction that still lack their lines
	denied      bool   // the witness says something that the book does not
}

// examine compares everything with everything. With search it looks for lost
// entries in the whole file, in pages that are not in use any more too.
func examine(s *snapshot, search bool) *examination {
	x := &examination{s: s, entries: map[fact.Ref]*known{}, hashes: map[entry.Hash]fact.Ref{}}
	if s.pages != nil {
		x.readPages()
	}
	x.witness = parseWitness(s.witness)
	x.readWitness()
	x.findGaps()
	if search && (len(x.report.Faults) > 0 || x.incomplete()) && x.carve() {
		x.findGaps()
	}
	x.judge()
	x.judgeWitness()
	x.judgeLabel()
	x.report.Renewable = !x.denied && !x.report.Sound() &&
		!slices.ContainsFunc(x.report.Faults, func(f Fault) bool { return f.Kind != Witness })
	x.sort()
	return x
}

func (x *examination) sort() {
	slices.SortStableFunc(x.report.Faults, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Ref.Station, b.Ref.Station), cmp.Compare(a.Ref.Number, b.Ref.Number))
	})
}

func (x *examination) fault(k *known, kind Kind, format string, args ...any) {
	f := Fault{Kind: kind, Text: fmt.Sprintf(format, args...)}
	if k != nil {
		f.Ref = k.ref
		switch {
		case k.accepted != nil:
			f.Point = k.accepted.entry.Body.About()
		case k.chain != nil:
			f.Point = k.chain.point
		case k.live != nil:
			f.Point = k.point
		}
	}
	x.report.Faults = append(x.report.Faults, f)
}

func (x *examination) know(r fact.Ref) *known {
	k := x.entries[r]
	if k == nil {
		k = &known{ref: r}
		x.entries[r] = k
	}
	return k
}

func (x *examination) readPages() {
	buckets, faults := x.s.pages.Buckets()
	for name := range buckets {
		if name != string(bucketAbout) && name != string(bucketEntries) && name != string(bucketChain) && name != string(bucketTraces) {
			x.fault(nil, Page, "a bucket %q, which this program does not know", name)
		}
	}
	if b := buckets[string(bucketChain)]; b != nil {
		faults = append(faults, b.All(x.readChain)...)
	} else {
		x.fault(nil, Page, "the chain is gone")
	}
	if b := buckets[string(bucketEntries)]; b != nil {
		var list []*stored
		faults = append(faults, b.All(func(key, value []byte) { list = append(list, &stored{key: key, value: value}) })...)
		decode(list)
		for _, e := range list {
			x.readEntry(e.key, e.candidate)
		}
	} else {
		x.fault(nil, Page, "the entries are gone")
	}
	x.report.Faults = append(x.report.Faults, pageFaults(faults)...)
	for _, f := range x.s.pages.Faults {
		x.fault(nil, Header, "%v; recording writes it anew", f)
	}
	// A record under a wrong key has the hash of an entry that is somewhere else.
	for _, r := range x.refs() {
		k := x.entries[r]
		if k.chain == nil || k.live != nil {
			continue
		}
		if other := x.hashes[k.chain.hash]; other != r {
			x.fault(x.know(other), Chain, "the chain has it as %s", r)
			delete(x.entries, r)
		}
	}
}

func (x *examination) readChain(key, value []byte) {
	ref, err := parseChainKey(key)
	if err != nil {
		x.fault(nil, Chain, "a key that is garbled")
		return
	}
	k := x.know(ref)
	record, err := parseChainRecord(value)
	if err != nil {
		x.fault(k, Chain, "its record in the chain is garbled")
		return
	}
	k.chain = &record
	if _, ok := x.hashes[record.hash]; !ok {
		x.hashes[record.hash] = ref
	}
}

// A stored is a key and its value, and what that is.
type stored struct {
	key, value []byte
	candidate  *candidate
}

// decode reads all values, on all processors: it is what takes the time.
func decode(list []*stored) {
	var wg sync.WaitGroup
	for part := range slices.Chunk(list, max(128, len(list)/runtime.GOMAXPROCS(0)+1)) {
		wg.Go(func() {
			for _, e := range part {
				e.candidate = newCandidate(e.value)
			}
		})
	}
	wg.Wait()
}

func (x *examination) readEntry(key []byte, c *candidate) {
	point, ref, err := parseEntryKey(key)
	switch {
	case err != nil && c.err != nil:
		x.fault(nil, WrongKey, "a garbled key with something that is no entry")
		return
	case c.err == nil && (err != nil || ref != c.entry.Ref || point != c.entry.Body.About()):
		k := x.know(c.entry.Ref)
		k.strays = append(k.strays, c)
		x.fault(k, WrongKey, "it stands under the key of %s (%s)", ref, point)
		return
	}
	k := x.know(ref)
	if k.live != nil {
		x.fault(k, WrongKey, "two entries have its number, of %s and of %s", k.point, point)
		if k.chain == nil || k.chain.hash != c.hash {
			return
		}
	}
	k.live, k.point = c, point
	if c.err == nil {
		x.hashes[c.hash] = ref
	}
}

// readWitness takes over the witness's lines. A line whose entry nobody else
// knows, but with the hash of another one, was altered.
func (x *examination) readWitness() {
	for _, text := range x.witness.bad {
		x.fault(nil, Witness, "%s", text)
	}
	at := map[string]uint64{}
	for _, l := range x.witness.lines {
		k := x.entries[l.ref]
		if other, ok := x.hashes[l.hash]; ok && other != l.ref && (k == nil || k.live == nil && k.chain == nil) {
			x.fault(x.know(other), Witness, "its line in the witness says %s", l.ref)
			x.denied = true
			continue
		}
		k = x.know(l.ref)
		switch {
		case k.witness != nil:
			x.fault(k, Witness, "the witness has a second line for it")
			x.denied = x.denied || *k.witness != l.hash
			continue
		case l.ref.Number < at[l.ref.Station]:
			x.fault(k, Witness, "its line in the witness is out of order")
		}
		at[l.ref.Station] = max(at[l.ref.Station], l.ref.Number)
		k.witness = &l.hash
	}
}

// largestGap is how many missing entries in a row are named one by one. A
// garbled number may open a gap of any size.
const largestGap = 1000

// findGaps adds the entries of which nothing is left but a gap in the numbers.
func (x *examination) findGaps() {
	last := fact.Ref{}
	for _, r := range x.refs() {
		if r.Station != last.Station {
			last = fact.Ref{Station: r.Station}
		}
		switch gap := r.Number - last.Number - 1; {
		case gap > largestGap:
			x.fault(nil, Missing, "%d entries, %s#%d to %d", gap, r.Station, last.Number+1, r.Number-1)
		default:
			for n := last.Number + 1; n < r.Number; n++ {
				x.know(fact.Ref{Station: r.Station, Number: n})
			}
		}
		last = r
	}
}

// refs are all entries known of, by station and number.
func (x *examination) refs() []fact.Ref {
	return slices.SortedFunc(maps.Keys(x.entries), func(a, b fact.Ref) int {
		return cmp.Or(cmp.Compare(a.Station, b.Station), cmp.Compare(a.Number, b.Number))
	})
}

// incomplete tells that an entry is not simply in its place.
func (x *examination) incomplete() bool {
	for _, k := range x.entries {
		if k.live == nil || k.live.err != nil ||
			k.chain != nil && k.chain.hash != k.live.hash || k.witness != nil && *k.witness != k.live.hash {
			return true
		}
	}
	return len(x.entries) == 0
}

// judge decides for every entry, each station's last first, which bytes are the
// recorded ones, and what is wrong.
func (x *examination) judge() {
	refs := x.refs()
	x.report.Entries = len(refs)
	for _, r := range slices.Backward(refs) {
		k := x.entries[r]
		after := x.saidBy(x.entries[fact.Ref{Station: r.Station, Number: r.Number + 1}])
		if k.live != nil && k.live.err == nil && k.confirms(k.live, after) {
			k.accepted = k.live
			continue
		}
		for _, c := range k.strays {
			if k.confirms(c, after) {
				k.accepted, k.recovered = c, true
				break
			}
		}
	}
	for _, r := range refs {
		k := x.entries[r]
		after := x.entries[fact.Ref{Station: r.Station, Number: r.Number + 1}]
		if k.accepted != nil && !k.recovered {
			x.report.Intact++
			x.judgeIntact(k)
		} else {
			x.judgeLost(k, x.saidBy(after))
		}
		if k.recovered {
			x.report.Recovered++
		}
		if k.accepted != nil {
			x.report.Bytes += int64(len(k.accepted.data))
			x.report.end(k.accepted.entry)
		}
	}
}

// saidBy is the hash that an entry tells of the one before it, nil if it cannot
// be asked.
func (x *examination) saidBy(k *known) *entry.Hash {
	switch {
	case k == nil:
		return nil
	case k.accepted != nil:
		return &k.accepted.prev
	case k.live != nil && k.live.err == nil:
		return &k.live.prev
	case len(k.strays) == 1:
		return &k.strays[0].prev
	}
	return nil
}

// confirms weighs what chain, witness and the entry after say of bytes.
func (k *known) confirms(c *candidate, after *entry.Hash) bool {
	yes, no := 0, 0
	for _, hash := range []*entry.Hash{k.chainHash(), k.witness, after} {
		switch {
		case hash == nil:
		case *hash == c.hash:
			yes++
		default:
			no++
		}
	}
	return yes > 0 && yes >= no
}

func (k *known) chainHash() *entry.Hash {
	if k.chain == nil {
		return nil
	}
	return &k.chain.hash
}

// judgeIntact names what around an entry in its place does not agree with it.
func (x *examination) judgeIntact(k *known) {
	c := k.accepted
	switch {
	case k.chain == nil:
		x.fault(k, Chain, "the chain does not have it")
	case k.chain.hash != c.hash:
		x.fault(k, Chain, "the chain has another hash for it")
	case k.chain.point != c.entry.Body.About():
		x.fault(k, Chain, "the chain has it under %q", k.chain.point)
	}
	if k.witness != nil && *k.witness != c.hash {
		x.fault(k, Witness, "the witness has another hash for it")
		x.denied = true
	}
	if k.ref.Number == 1 {
		return // its bytes say that none came before, or they would be none
	}
	if before := x.entries[fact.Ref{Station: k.ref.Station, Number: k.ref.Number - 1}]; before != nil {
		var hash *entry.Hash
		switch {
		case before.accepted != nil:
			hash = &before.accepted.hash
		case before.chain != nil:
			hash = before.chainHash()
		default:
			hash = before.witness
		}
		if hash != nil && *hash != c.prev {
			x.fault(k, OutOfChain, "it follows on an entry that is not %s", before.ref)
		}
	}
}

// judgeLost names what happened to an entry that is not in its place.
func (x *examination) judgeLost(k *known, after *entry.Hash) {
	rescue := ""
	if k.recovered {
		rescue = "; it can be had from elsewhere in the file"
	}
	switch {
	case k.live != nil && errors.Is(k.live.err, entry.ErrNewer) && k.confirms(k.live, after):
		x.fault(k, Newer, "%v", k.live.err)
	case k.live != nil && k.live.err == nil && k.chain == nil && k.witness == nil && after == nil:
		x.fault(k, Altered, "nothing confirms it: neither chain nor witness nor an entry after it")
	case k.live != nil:
		x.fault(k, Altered, "its bytes are not those that were recorded%s", rescue)
	case k.recovered && slices.ContainsFunc(x.report.Faults, func(f Fault) bool { return f.Ref == k.ref && f.Kind == WrongKey }):
		// It was found under another key, which was said.
	case k.witness != nil && k.chain == nil:
		x.fault(k, Missing, "the witness has it, the book does not%s", rescue)
	case k.witness == nil && k.chain != nil:
		x.fault(k, Missing, "the chain has it, the entries do not%s", rescue)
	default:
		x.fault(k, Missing, "it is not in the book%s", rescue)
	}
}

// judgeWitness decides what it means that entries have no line in the witness:
// those of the last transaction may lack it after a crash, no others.
func (x *examination) judgeWitness() {
	var open []*known
	for _, r := range x.refs() {
		if k := x.entries[r]; k.witness == nil && k.accepted != nil {
			open = append(open, k)
		}
	}
	last := x.sameTransaction(open)
	w := x.witness
	if last {
		for _, k := range open {
			x.unwitnessed = append(x.unwitnessed, line{k.ref, k.accepted.hash})
		}
	}
	switch {
	case !x.s.witnessed && !last:
		x.fault(nil, Witness, "there is no witness file")
		return
	case !last:
		for _, k := range open {
			x.fault(k, Witness, "its line is missing in the witness")
		}
	case len(open) > 0:
		x.report.note("the lines of %d entries, from %s on, are not in the witness yet, as after a crash; recording goes on and adds them", len(open), open[0].ref)
	}
	if len(w.torn) == 0 {
		return
	}
	for _, l := range x.unwitnessed {
		if bytes.HasPrefix(l.appendTo(nil), w.torn) {
			x.report.note("the last line of the witness is cut off, as after a crash; recording goes on and mends it")
			return
		}
	}
	x.fault(nil, Witness, "its last line is cut off, and not that of an entry that was being recorded")
}

// sameTransaction tells that entries are exactly what one call of Append wrote
// last: one station's last ones, of one time.
func (x *examination) sameTransaction(list []*known) bool {
	for i, k := range list {
		a, b := list[0].accepted.entry, k.accepted.entry
		if b.Station != a.Station || b.Number != a.Number+uint64(i) || b.Since != a.Since || b.Session != a.Session {
			return false
		}
	}
	if len(list) == 0 {
		return x.s.witnessed
	}
	end := list[len(list)-1].ref
	return x.entries[fact.Ref{Station: end.Station, Number: end.Number + 1}] == nil
}

// judgeLabel compares what the book says about itself with its opening.
func (x *examination) judgeLabel() {
	if x.s.pages == nil {
		return
	}
	l, err := readLabel(x.s.pages)
	var e *Error
	if errors.As(err, &e) {
		if e.Detail != "" {
			x.fault(nil, Label, "%s", e.Detail)
		}
		return // faults of pages are named already
	}
	x.report.Build, x.report.Created = l.build, l.created
	for _, k := range x.entries {
		if k.accepted == nil {
			continue
		}
		if o, ok := k.accepted.entry.Body.(fact.Opening); ok && o.Build == l.build && k.accepted.entry.Time.Equal(l.created) {
			return
		}
	}
	x.fault(nil, Label, "no opening of build %q at that time is in it", l.build)
}

// readingFaults are those that speak against the entries themselves. A witness
// that is not there says nothing. One that is there, and agrees, says that no
// transaction is lost with a damaged header page.
func (x *examination) readingFaults() []Fault {
	silent := Witness
	if x.s.witnessed {
		silent = Header
	}
	var faults []Fault
	for _, f := range x.report.Faults {
		if f.Kind != silent {
			faults = append(faults, f)
		}
	}
	return faults
}
