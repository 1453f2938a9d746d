package book

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"paintmark/calc/fact"
	"paintmark/log/entry"
	"paintmark/log/pages"
)

// A specimen is a sound book's two files and what is recorded in them.
type specimen struct {
	book, witness []byte
	older         []byte // the book before its last transaction
	entries       []fact.Entry
}

// total is the number of entries of a specimen; its last one is bench-1#63, all
// alone in the last transaction.
const total = 85

// newSpecimen makes a book of two stations that is large enough to have branches
// in both of its trees.
var newSpecimen = sync.OnceValue(func() specimen {
	dir, err := os.MkdirTemp("", "specimen")
	must(err)
	defer func() { must(os.RemoveAll(dir)) }()
	path := filepath.Join(dir, "2117.book")
	b, _, err := Create(path, options("bench-1"), opening)
	must(err)
	other, err := Open(path, options("bench-2"))
	must(err)
	var s specimen
	for _, step := range []struct {
		by    *Book
		count int
	}{{b, 60}, {other, 20}, {b, 1}, {other, 2}, {b, 1}} {
		s.older, err = os.ReadFile(path)
		must(err)
		_, err = step.by.Append(context.Background(), readings(step.count)...)
		must(err)
	}
	s.book, err = os.ReadFile(path)
	must(err)
	s.witness, err = os.ReadFile(WitnessPath(path))
	must(err)
	s.entries, err = b.Entries(context.Background())
	must(err)
	return s
})

func must(err error) {
	if err != nil {
		panic(err)
	}
}

// write puts a specimen's files into a folder and gives the book's path. Files
// that are nil are not there.
func (s specimen) write(t testing.TB, dir string) string {
	path := filepath.Join(dir, "2117.book")
	for name, data := range map[string][]byte{path: s.book, WitnessPath(path): s.witness} {
		if data != nil {
			require.NoError(t, os.WriteFile(name, data, 0o600))
		}
	}
	return path
}

func (s specimen) clone() specimen {
	return specimen{bytes.Clone(s.book), bytes.Clone(s.witness), s.older, s.entries}
}

func (s specimen) headers(t testing.TB) (newest, older []byte) {
	f, err := pages.Open(bytes.NewReader(s.book), int64(len(s.book)))
	require.NoError(t, err)
	return s.book[f.Page*pageSize:][:pageSize], s.book[(1-f.Page)*pageSize:][:pageSize]
}

// page gives the first page in use of a sort that holds something. Only pages of
// entries hold the start of one.
func (s specimen) page(t testing.TB, flags uint16, holding string) []byte {
	return s.pageWithout(t, flags, holding, "\x00\x00\x00never")
}

func (s specimen) pageWithout(t testing.TB, flags uint16, holding, lacking string) []byte {
	f, err := pages.Open(bytes.NewReader(s.book), int64(len(s.book)))
	require.NoError(t, err)
	free := map[uint64]bool{}
	list := s.book[f.Freelist*pageSize:][:pageSize]
	for i := range uint64(binary.LittleEndian.Uint16(list[10:])) {
		free[binary.LittleEndian.Uint64(list[16+8*i:])] = true
	}
	for id := uint64(2); id < f.High; id++ {
		page := s.book[id*pageSize:][:pageSize]
		if !free[id] && binary.LittleEndian.Uint16(page[8:]) == flags && bytes.Contains(page, []byte(holding)) && !bytes.Contains(page, []byte(lacking)) {
			return page
		}
	}
	require.FailNow(t, "no such page")
	return nil
}

// Flags of pages; see package pages.
const (
	branchPage = 1
	leafPage   = 2
	freePages  = 16
)

// bolt changes the book's content with bbolt, as a careful forger would.
func (s *specimen) bolt(t testing.TB, change func(entries, chain, about *bbolt.Bucket) error) {
	path := filepath.Join(t.TempDir(), "x")
	require.NoError(t, os.WriteFile(path, s.book, 0o600))
	db, err := bbolt.Open(path, 0o600, nil)
	require.NoError(t, err)
	require.NoError(t, db.Update(func(tx *bbolt.Tx) error {
		return change(tx.Bucket(bucketEntries), tx.Bucket(bucketChain), tx.Bucket(bucketAbout))
	}))
	require.NoError(t, db.Close())
	s.book, err = os.ReadFile(path)
	require.NoError(t, err)
}

func ref(text string) fact.Ref {
	r, err := fact.ParseRef(text)
	must(err)
	return r
}

// find gives an entry of the specimen and its stored bytes.
func (s specimen) find(text string) (fact.Entry, []byte) {
	i := slices.IndexFunc(s.entries, func(e fact.Entry) bool { return e.Ref == ref(text) })
	e := s.entries[i]
	var prev entry.Hash
	for _, b := range s.entries {
		if b.Station == e.Station && b.Number == e.Number-1 {
			prev = b.Hash
		}
	}
	data, err := entry.Encode(e, prev)
	must(err)
	return e, data
}

// line gives where an entry's line stands in the witness.
func (s specimen) line(text string) (from, to int) {
	r := ref(text)
	from = bytes.Index(s.witness, fmt.Appendf(nil, "%s %d ", r.Station, r.Number))
	return from, from + bytes.IndexByte(s.witness[from:], '\n') + 1
}

// What becomes of a book under every sort of damage: how many entries are still
// in their place, how many can be had from elsewhere in the file, and what
// Verify says. A name "" in names stands for the book as a whole.
func TestDamage(t *testing.T) {
	const all = total
	type names map[string]Kind
	for name, c := range map[string]struct {
		damage            func(t *testing.T, s *specimen)
		intact, recovered int
		names             names
		exactly           bool // nothing else is at fault
		readable          bool // Entries gives all of it
		writable          bool // Append goes on
	}{
		"nothing": {func(*testing.T, *specimen) {}, all, 0, nil, true, true, true},

		// Header pages.
		"newest header lost": {func(t *testing.T, s *specimen) { h, _ := s.headers(t); clear(h) },
			all - 1, 1, names{"bench-1#63": Missing, "": Header}, true, false, false},
		"newest header torn": {func(t *testing.T, s *specimen) { h, _ := s.headers(t); clear(h[40:]) },
			all - 1, 1, names{"bench-1#63": Missing, "": Header}, true, false, false},
		"older header lost": {func(t *testing.T, s *specimen) { _, h := s.headers(t); clear(h) },
			all, 0, names{"": Header}, true, true, true},
		"newest header's head": {func(t *testing.T, s *specimen) { h, _ := s.headers(t); h[0] ^= 4 },
			all, 0, names{"": Header}, true, true, true},
		"both headers lost": {func(t *testing.T, s *specimen) { clear(s.book[:2*pageSize]) },
			0, all, names{"": Page, "bench-1#1": Missing, "bench-1#63": Missing, "bench-2#22": Missing}, false, false, false},
		"both headers torn": {func(t *testing.T, s *specimen) { s.book[40] ^= 1; s.book[pageSize+40] ^= 1 },
			0, all, names{"": Page, "bench-1#1": Missing}, false, false, false},
		"rolled back": {func(t *testing.T, s *specimen) { s.book = bytes.Clone(s.older) },
			all - 1, 0, names{"bench-1#63": Missing}, true, false, false},
		"rolled back with its witness": {func(t *testing.T, s *specimen) {
			s.book = bytes.Clone(s.older)
			from, _ := s.line("bench-1#63")
			s.witness = s.witness[:from]
		}, all - 1, 0, nil, true, true, true}, // what this package cannot tell: an older, sound book

		// Pages.
		"free list, one page": {func(t *testing.T, s *specimen) { s.page(t, freePages, "")[16] ^= 1 },
			all, 0, names{"": Page}, false, true, false},
		"free list's count": {func(t *testing.T, s *specimen) { s.page(t, freePages, "")[10]-- },
			all, 0, names{"": Page}, true, true, false},
		"free list lost": {func(t *testing.T, s *specimen) { clear(s.page(t, freePages, "")) },
			all, 0, names{"": Page}, true, true, false},
		"root page lost": {func(t *testing.T, s *specimen) { clear(s.page(t, leafPage, "entries")) },
			0, all, names{"": Page, "bench-1#1": Missing, "bench-2#22": Missing}, false, false, false},
		"branch of the entries lost": {func(t *testing.T, s *specimen) { clear(s.page(t, branchPage, "head/")) },
			0, all, names{"": Page, "bench-1#1": Missing, "bench-2#22": Missing}, false, false, false},
		"branch of the chain lost": {func(t *testing.T, s *specimen) { clear(s.pageWithout(t, branchPage, "bench-1\x00\x00", "head/")) },
			all, 0, names{"": Page, "bench-1#1": Chain, "bench-2#22": Chain}, false, false, false},
		"a leaf of the entries lost": {func(t *testing.T, s *specimen) {
			for page := range slices.Chunk(s.book, pageSize) {
				if page[8] == leafPage && bytes.Contains(page, []byte("head/4\x00bench-1")) {
					clear(page)
				}
			}
		}, all - 15, 0, names{"": Page, "bench-1#6": Missing}, false, false, false},
		"a leaf of the chain lost": {func(t *testing.T, s *specimen) { clear(s.pageWithout(t, leafPage, "bench-2\x00\x00", "\x89\x01")) },
			all, 0, names{"": Page, "bench-2#1": Chain, "bench-2#22": Chain}, false, false, false},
		"a leaf's count": {func(t *testing.T, s *specimen) { s.page(t, leafPage, "head/4\x00bench-1")[10]-- },
			all - 15, 15, names{"": Page, "bench-1#6": Missing}, false, false, false},
		"a leaf's number": {func(t *testing.T, s *specimen) { s.page(t, leafPage, "head/4\x00bench-1")[0]++ },
			all - 15, 15, names{"": Page, "bench-1#6": Missing}, false, false, false},
		"a leaf turned branch": {func(t *testing.T, s *specimen) { s.page(t, leafPage, "head/4\x00bench-1")[8] = branchPage },
			all - 15, 15, names{"": Page, "bench-1#6": Missing}, false, false, false},
		"a branch that leads to itself": {func(t *testing.T, s *specimen) {
			p := s.page(t, branchPage, "head/")
			copy(p[16+8:], p[:8])
		}, all - 16, 16, names{"": Page}, false, false, false},
		"a branch that leads nowhere": {func(t *testing.T, s *specimen) {
			copy(s.page(t, branchPage, "head/")[16+8:], "\xff\xff\xff\xff\xff\xff\xff\x7f")
		}, all - 16, 16, names{"": Page}, false, false, false},
		"a branch's key": {func(t *testing.T, s *specimen) {
			p := s.page(t, branchPage, "head/")
			p[bytes.Index(p, []byte("head/"))+12] ^= 1
		}, all - 32, 32, names{"": Page}, false, false, false},

		// Entries.
		"a digit of a value": {func(t *testing.T, s *specimen) { s.change("bench-1#20", "98.8 N", "99.8 N") },
			all - 1, 0, names{"bench-1#20": Altered}, true, false, true},
		"a digit of a value, with an older copy left": {func(t *testing.T, s *specimen) {
			_, data := s.find("bench-1#20")
			p := s.page(t, leafPage, string(data))
			s.book = append(s.book, p...) // beyond what is in use, as free pages are
			p = s.page(t, leafPage, string(data))
			p[bytes.Index(p, data)+bytes.Index(data, []byte("98.8 N"))] = '8'
		}, all - 1, 1, names{"bench-1#20": Altered}, true, false, true},
		"the last entry": {func(t *testing.T, s *specimen) {
			_, data := s.find("bench-1#63")
			s.replace(data, bytes.Replace(data, []byte("80.0 N"), []byte("90.0 N"), 1))
		}, all - 1, 0, names{"bench-1#63": Altered}, true, false, false},
		"an entry deleted": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, _, _ *bbolt.Bucket) error { return entries.Delete(entryKey("head/8", ref("bench-1#20"))) })
		}, all - 1, 1, names{"bench-1#20": Missing}, true, false, true},
		"an entry deleted without a trace in the book": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, chain, _ *bbolt.Bucket) error {
				must(entries.Delete(entryKey("head/8", ref("bench-1#20"))))
				return chain.Delete(chainKey(ref("bench-1#20")))
			})
		}, all - 1, 1, names{"bench-1#20": Missing}, true, false, true},
		"the last entry deleted without a trace": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, chain, _ *bbolt.Bucket) error {
				must(entries.Delete(entryKey("head/0", ref("bench-1#63"))))
				return chain.Delete(chainKey(ref("bench-1#63")))
			})
		}, all - 1, 1, names{"bench-1#63": Missing}, true, false, false},
		"an entry forged, chain and all": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, chain, _ *bbolt.Bucket) error { return s.forge("bench-1#20", entries, chain) })
		}, all - 1, 1, names{"bench-1#20": Altered}, true, false, true},
		"the last entry forged, chain and all": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, chain, _ *bbolt.Bucket) error { return s.forge("bench-1#63", entries, chain) })
		}, all, 0, names{"bench-1#63": Witness}, true, false, false},
		"an entry under another point": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, _, _ *bbolt.Bucket) error {
				_, data := s.find("bench-1#20")
				must(entries.Delete(entryKey("head/8", ref("bench-1#20"))))
				return entries.Put(entryKey("head/9", ref("bench-1#20")), data)
			})
		}, all - 1, 1, names{"bench-1#20": WrongKey}, true, false, true},
		"an entry twice": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, _, _ *bbolt.Bucket) error {
				_, data := s.find("bench-1#20")
				return entries.Put(entryKey("head/9", ref("bench-1#20")), data)
			})
		}, all, 0, names{"bench-1#20": WrongKey}, true, false, true},
		"two entries changed places": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, _, _ *bbolt.Bucket) error {
				_, a := s.find("bench-1#20")
				_, b := s.find("bench-1#30")
				must(entries.Put(entryKey("head/8", ref("bench-1#20")), b))
				return entries.Put(entryKey("head/8", ref("bench-1#30")), a)
			})
		}, all - 2, 2, names{"bench-1#20": WrongKey, "bench-1#30": WrongKey}, true, false, true},
		"an entry added": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, _, _ *bbolt.Bucket) error {
				e, _ := s.find("bench-1#63")
				last := e.Hash
				e.Number++
				data, err := entry.Encode(e, last)
				must(err)
				return entries.Put(entryKey(e.Body.About(), e.Ref), data)
			})
		}, all, 0, names{"bench-1#64": Altered}, true, false, true},
		"an entry of a newer program": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, chain, _ *bbolt.Bucket) error {
				e, _ := s.find("bench-1#63")
				last := e.Hash
				e.Number++
				e.Body = fact.Confirmation{Point: "head/1"}
				data, err := entry.Encode(e, last)
				must(err)
				data = bytes.Replace(data, []byte("\x04\xa1\x01\x66head/1"), []byte("\x18\x63\xa1\x01\x66head/1"), 1)
				hash := entry.Sum(data)
				s.witness = line{e.Ref, hash}.appendTo(s.witness)
				must(chain.Put(chainKey(e.Ref), chainRecord{hash, "head/1"}.bytes()))
				return entries.Put(entryKey("head/1", e.Ref), data)
			})
		}, all, 0, names{"bench-1#64": Newer}, true, false, true},

		// The chain.
		"a hash in the chain": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, chain, _ *bbolt.Bucket) error {
				return chain.Put(chainKey(ref("bench-1#20")), chainRecord{entry.Hash{1}, "head/8"}.bytes())
			})
		}, all, 0, names{"bench-1#20": Chain}, true, false, true},
		"the last hash in the chain": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, chain, _ *bbolt.Bucket) error {
				return chain.Put(chainKey(ref("bench-1#63")), chainRecord{entry.Hash{1}, "head/0"}.bytes())
			})
		}, all, 0, names{"bench-1#63": Chain}, true, false, false},
		"a point in the chain": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, chain, _ *bbolt.Bucket) error {
				e, _ := s.find("bench-1#20")
				return chain.Put(chainKey(e.Ref), chainRecord{e.Hash, "head/9"}.bytes())
			})
		}, all, 0, names{"bench-1#20": Chain}, true, false, true},
		"a record in the chain cut": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, chain, _ *bbolt.Bucket) error { return chain.Put(chainKey(ref("bench-1#20")), []byte("x")) })
		}, all, 0, names{"bench-1#20": Chain}, false, false, true},
		"a number in the chain": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, chain, _ *bbolt.Bucket) error {
				e, _ := s.find("bench-1#20")
				must(chain.Delete(chainKey(e.Ref)))
				e.Number = 1 << 60
				return chain.Put(chainKey(e.Ref), chainRecord{e.Hash, "head/8"}.bytes())
			})
		}, all, 0, names{"bench-1#20": Chain}, false, false, false},
		"a garbled key in the chain": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, chain, _ *bbolt.Bucket) error { return chain.Put([]byte("zz"), []byte("x")) })
		}, all, 0, names{"": Chain}, true, false, false},

		// What it is about.
		"another build's name": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, _, about *bbolt.Bucket) error { return about.Put(keyBuild, []byte("2118")) })
		}, all, 0, names{"": Label}, true, false, true},
		"another day": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, _, about *bbolt.Bucket) error { return about.Put(keyCreated, []byte("2026-03-01T07:30:00Z")) })
		}, all, 0, names{"": Label}, true, false, true},
		"no format": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, _, about *bbolt.Bucket) error { return about.Delete(keyFormat) })
		}, all, 0, names{"": Label}, true, false, false},
		"an unknown key": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(_, _, about *bbolt.Bucket) error { return about.Put([]byte("x"), nil) })
		}, all, 0, names{"": Label}, true, false, false},

		// The witness.
		"a hash in the witness": {func(t *testing.T, s *specimen) { _, to := s.line("bench-1#20"); s.flip(to - 5) },
			all, 0, names{"bench-1#20": Witness}, true, false, true},
		"the last hash in the witness": {func(t *testing.T, s *specimen) { _, to := s.line("bench-1#63"); s.flip(to - 5) },
			all, 0, names{"bench-1#63": Witness}, true, false, false},
		"a number in the witness": {func(t *testing.T, s *specimen) {
			from, _ := s.line("bench-1#20")
			s.witness[from+len("bench-1 ")] = '9'
		}, all, 0, names{"bench-1#20": Witness}, false, false, true},
		"a station in the witness": {func(t *testing.T, s *specimen) {
			from, _ := s.line("bench-1#20")
			s.witness[from] = 'w'
		}, all, 0, names{"bench-1#20": Witness}, false, false, true},
		"garbage in the witness": {func(t *testing.T, s *specimen) {
			from, _ := s.line("bench-1#20")
			s.witness[from+7] = 0
		}, all, 0, names{"": Witness, "bench-1#20": Witness}, true, false, true},
		"a line dropped": {func(t *testing.T, s *specimen) {
			s.witness = slices.Delete(s.witness, first(s.line("bench-1#20")), second(s.line("bench-1#20")))
		},
			all, 0, names{"bench-1#20": Witness}, true, false, false},
		"a line twice": {func(t *testing.T, s *specimen) {
			from, to := s.line("bench-1#20")
			s.witness = slices.Insert(s.witness, to, s.witness[from:to]...)
		}, all, 0, names{"bench-1#20": Witness}, true, false, false},
		"two lines changed places": {func(t *testing.T, s *specimen) {
			from, to := s.line("bench-1#20")
			_, end := s.line("bench-1#21")
			s.witness = slices.Concat(s.witness[:from], s.witness[to:end], s.witness[from:to], s.witness[end:])
		}, all, 0, names{"bench-1#20": Witness}, true, false, true},
		"a line added": {func(t *testing.T, s *specimen) {
			s.witness = line{ref("bench-1#64"), entry.Hash{7}}.appendTo(s.witness)
		}, all, 0, names{"bench-1#64": Missing}, true, false, false},
		"a line of another station added": {func(t *testing.T, s *specimen) {
			s.witness = line{ref("bench-3#1"), entry.Hash{7}}.appendTo(s.witness)
		}, all, 0, names{"bench-3#1": Missing}, true, false, false},
		"a line far ahead": {func(t *testing.T, s *specimen) {
			s.witness = line{ref("bench-1#9999999999"), entry.Hash{7}}.appendTo(s.witness)
		}, all, 0, names{"bench-1#9999999999": Missing, "": Missing}, true, false, false},
		"the last line lost": {func(t *testing.T, s *specimen) { from, _ := s.line("bench-1#63"); s.witness = s.witness[:from] },
			all, 0, nil, true, true, true}, // as after a crash
		"the last line torn": {func(t *testing.T, s *specimen) { s.witness = s.witness[:len(s.witness)-30] },
			all, 0, nil, true, true, true}, // as after a crash
		"the last line's end": {func(t *testing.T, s *specimen) { s.witness = s.witness[:len(s.witness)-1] },
			all, 0, nil, true, true, true}, // as after a crash
		"the last line zeroed": {func(t *testing.T, s *specimen) { clear(s.witness[len(s.witness)-30:]) },
			all, 0, nil, true, true, true}, // as after a power cut
		"torn differently": {func(t *testing.T, s *specimen) { s.witness = append(s.witness[:len(s.witness)-30], "zz"...) },
			all, 0, names{"": Witness}, true, false, false},
		"a torn line ahead": {func(t *testing.T, s *specimen) { s.witness = append(s.witness, "bench-1 64 0"...) },
			all, 0, names{"": Witness}, true, false, false},
		"two transactions' lines lost": {func(t *testing.T, s *specimen) { from, _ := s.line("bench-2#21"); s.witness = s.witness[:from] },
			all, 0, names{"bench-2#21": Witness, "bench-2#22": Witness, "bench-1#63": Witness}, true, false, false},
		"half of it lost": {func(t *testing.T, s *specimen) { s.witness = s.witness[:len(s.witness)/2] },
			all, 0, names{"": Witness, "bench-1#63": Witness, "bench-2#1": Witness}, false, false, false},
		"empty witness": {func(t *testing.T, s *specimen) { s.witness = []byte{} },
			all, 0, names{"bench-1#1": Witness, "bench-2#22": Witness}, false, false, false},
		"no witness": {func(t *testing.T, s *specimen) { s.witness = nil },
			all, 0, names{"": Witness}, true, true, false},
		"another book's witness": {func(t *testing.T, s *specimen) {
			s.witness = nil
			for n := range uint64(30) {
				s.witness = line{fact.Ref{Station: "bench-1", Number: n + 1}, entry.Hash{byte(n), 1}}.appendTo(s.witness)
			}
		}, all, 0, names{"bench-1#1": Witness, "bench-1#63": Witness, "bench-2#1": Witness}, false, false, false},

		// Both.
		"no witness and the root lost": {func(t *testing.T, s *specimen) {
			s.witness = nil
			clear(s.page(t, leafPage, "entries"))
		}, 0, all - 2, names{"": Page, "bench-1#63": Missing, "bench-2#22": Missing}, false, false, false}, // nothing confirms the last ones
		"no witness and the newest header lost": {func(t *testing.T, s *specimen) {
			s.witness = nil
			h, _ := s.headers(t)
			clear(h)
		}, all - 1, 0, names{"": Witness}, false, false, false},
		"no witness and an entry altered": {func(t *testing.T, s *specimen) {
			s.witness = nil
			s.change("bench-1#20", "98.8 N", "99.8 N")
		}, all - 1, 0, names{"bench-1#20": Altered, "": Witness}, true, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newSpecimen().clone()
			c.damage(t, &s)
			path := s.write(t, t.TempDir())

			r, left, err := Salvage(path)
			require.NoError(t, err)
			found := names{}
			for _, f := range r.Faults {
				key := f.Ref.String()
				if f.Ref.IsZero() {
					key = ""
				}
				if _, ok := found[key]; !ok || found[key] != c.names[key] {
					found[key] = f.Kind
				}
			}
			for key, kind := range c.names {
				require.Equal(t, kind, found[key], "what is said of %q in %v", key, r.Faults)
			}
			if c.exactly {
				require.Len(t, found, len(c.names), "%v", r.Faults)
			}
			require.Equal(t, len(c.names) == 0, r.Sound())
			require.Equal(t, []int{c.intact, c.recovered}, []int{r.Intact, r.Recovered}, "%v", r.Faults)
			require.Len(t, left, c.intact+c.recovered)
			s.requireTrue(t, left, r.Faults)

			b, err := Open(path, options("bench-1"))
			if err == nil {
				var entries []fact.Entry
				entries, err = b.Entries(context.Background())
				if err == nil {
					require.Len(t, entries, c.intact)
				}
			}
			if name == "an entry of a newer program" {
				require.ErrorIs(t, err, ErrNewer)
			} else {
				require.Equal(t, c.readable, err == nil, "%v", err)
				require.Equal(t, !c.readable, isUnsound(err), "%v", err)
			}

			if b == nil {
				b, err = newBook(path, options("bench-1"))
				require.NoError(t, err)
			}
			if name != "rolled back with its witness" {
				s.requireHistories(t, b)
			}
			before, err := os.ReadFile(path)
			require.NoError(t, err)
			_, err = b.Append(context.Background(), reading(5))
			require.Equal(t, c.writable, err == nil, "%v", err)
			if !c.writable {
				require.True(t, isUnsound(err), "%v", err)
				after, err := os.ReadFile(path)
				require.NoError(t, err)
				require.True(t, bytes.Equal(before, after), "a damaged book is left as it is")
				return
			}
			record(t, b, reading(6)) // the other header page
			r, err = Verify(path)
			require.NoError(t, err)
			if c.readable {
				require.Empty(t, r.Faults, "recording goes on and mends it")
				require.Equal(t, c.intact+2, r.Intact)
			} else {
				require.False(t, r.Sound(), "recording does not hide it")
			}
		})
	}
}

func first(a, _ int) int  { return a }
func second(_, b int) int { return b }

func (s *specimen) flip(at int) {
	if s.witness[at] == '0' {
		s.witness[at] = '1'
	} else {
		s.witness[at] = '0'
	}
}

// replace changes bytes wherever they stand in the file, in old pages too.
func (s *specimen) replace(from, to []byte) { s.book = bytes.ReplaceAll(s.book, from, to) }

// change changes an entry's bytes, in all copies.
func (s *specimen) change(text, from, to string) {
	_, data := s.find(text)
	if !bytes.Contains(data, []byte(from)) {
		panic(fmt.Sprintf("%q is not in %x", from, data))
	}
	s.replace(data, bytes.Replace(data, []byte(from), []byte(to), 1))
}

// forge writes another value, with the right hashes everywhere in the book but
// in the entry after it.
func (s *specimen) forge(text string, entries, chain *bbolt.Bucket) error {
	e, old := s.find(text)
	_, prev, err := entry.Decode(old)
	must(err)
	r := e.Body.(fact.Reading)
	r.Told = "low"
	e.Body = r
	data, err := entry.Encode(e, prev)
	must(err)
	must(entries.Put(entryKey(r.Point, e.Ref), data))
	return chain.Put(chainKey(e.Ref), chainRecord{entry.Sum(data), r.Point}.bytes())
}

// requireTrue makes sure that what is left of a book is what was recorded, or
// that a fault says it may not be.
func (s specimen) requireTrue(t testing.TB, left []fact.Entry, faults []Fault) {
	t.Helper()
	for _, e := range left {
		if !slices.ContainsFunc(faults, func(f Fault) bool { return f.Ref == e.Ref }) {
			i := slices.IndexFunc(s.entries, func(o fact.Entry) bool { return o.Ref == e.Ref })
			require.GreaterOrEqual(t, i, 0, "%s was never recorded", e.Ref)
			require.Equal(t, s.entries[i].Hash, e.Hash, "%s was altered, and nothing says so", e.Ref)
		}
	}
}

// requireHistories makes sure that the history of a point is as it was recorded
// or an error.
func (s specimen) requireHistories(t testing.TB, b *Book) {
	t.Helper()
	points := map[fact.Point]bool{}
	for _, e := range s.entries {
		points[e.Body.About()] = true
	}
	for point := range points {
		list, err := b.History(context.Background(), point)
		if err != nil {
			require.True(t, isUnsound(err) || errors.Is(err, ErrNewer), "%v", err)
			continue
		}
		s.requireTrue(t, list, nil)
		recorded := 0
		for _, e := range s.entries {
			if e.Body.About() == point {
				recorded++
			}
		}
		require.Len(t, list, recorded, "history of %s", point)
	}
}
