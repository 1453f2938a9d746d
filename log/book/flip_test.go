package book

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/log/pages"
)

// newSmall makes a book of a few entries, of which every byte can be tried.
func newSmall(t testing.TB) specimen {
	path := filepath.Join(t.TempDir(), "2117.book")
	b, _, err := Create(path, options("bench-1"), opening)
	require.NoError(t, err)
	other, err := Open(path, options("bench-2"))
	require.NoError(t, err)
	record(t, b, readings(4)...)
	record(t, other, reading(1), reading(2))
	record(t, b, pulled(t, b, reading(3), 40))
	begin(t, other, "head/4", 30) // and never ended
	var s specimen
	s.book, err = os.ReadFile(path)
	require.NoError(t, err)
	s.witness, err = os.ReadFile(WitnessPath(path))
	require.NoError(t, err)
	s.entries, err = b.Entries(context.Background())
	require.NoError(t, err)
	return s
}

// look examines a specimen in memory, as Salvage does with files, but for
// bbolt's own check.
func (s specimen) look() (Report, []fact.Entry) {
	shot := &snapshot{r: bytes.NewReader(s.book), size: int64(len(s.book)), witness: s.witness, witnessed: s.witness != nil}
	p, err := pages.Open(shot.r, shot.size)
	if err != nil {
		return Report{Faults: []Fault{{Kind: Page, Text: err.Error()}}}, nil
	}
	shot.pages = p
	x := examine(shot, false)
	x.judgeTraces()
	x.report.Faults = append(x.report.Faults, pageFaults(p.Check())...)
	return x.report, x.accepted()
}

// inUse marks the bytes of a book that mean something: headers, the pages of the
// trees with their tables, keys and values, and the list of free pages.
func (s specimen) inUse(t testing.TB) []bool {
	f, err := pages.Open(bytes.NewReader(s.book), int64(len(s.book)))
	require.NoError(t, err)
	used := make([]bool, len(s.book))
	mark := func(from, length int) {
		for i := range length {
			used[from+i] = true
		}
	}
	u16 := func(at int) int { return int(binary.LittleEndian.Uint16(s.book[at:])) }
	u32 := func(at int) int { return int(binary.LittleEndian.Uint32(s.book[at:])) }
	u64 := func(at int) int { return int(binary.LittleEndian.Uint64(s.book[at:])) }
	mark(0, 16+64)
	mark(pageSize, 16+64)
	list := int(f.Freelist) * pageSize
	mark(list, 16+8*u16(list+10))

	var tree func(at int)
	tree = func(at int) {
		count := u16(at + 10)
		mark(at, 16+16*count)
		for i := range count {
			element := at + 16 + 16*i
			if u16(at+8) == branchPage {
				mark(element+u32(element), u32(element+4))
				tree(u64(element+8) * pageSize)
				continue
			}
			value := element + u32(element+4) + u32(element+8)
			mark(element+u32(element+4), u32(element+8))
			switch {
			case u32(element) == 0:
				mark(value, u32(element+12))
			case u64(value) == 0: // a bucket inside its value, after its head
				mark(value, 16)
				tree(value + 16)
			default:
				mark(value, 16)
				tree(u64(value) * pageSize)
			}
		}
	}
	tree(int(f.Root) * pageSize)
	return used
}

// Whichever byte of a small book is changed: either something is said to be
// wrong, or the byte is one that means nothing, and all entries are as they were.
// Nothing that was altered is ever given as it were sound.
func TestEveryByte(t *testing.T) {
	s := newSmall(t)
	used := s.inUse(t)
	r, _ := s.look()
	require.Empty(t, r.Faults)

	const stride = 13 // of the bytes that mean nothing, some will do
	type finding struct {
		at    int
		alarm bool
		bad   string
	}
	var tried int
	results := make(chan []finding)
	workers := runtime.GOMAXPROCS(0)
	for w := range workers {
		go func() {
			var list []finding
			mine := s.clone()
			for at := range mine.book {
				if at%workers != w || !used[at] && at%stride != 0 {
					continue
				}
				for _, change := range []byte{0x01, 0xff} {
					mine.book[at] ^= change
					r, left := mine.look()
					x := finding{at: at, alarm: len(r.Faults) > 0}
					if !x.alarm && !slices.EqualFunc(left, s.entries, func(a, b fact.Entry) bool { return a.Hash == b.Hash && a.Ref == b.Ref }) {
						x.bad = "altered entries, and no word of it"
					}
					for _, e := range left {
						known := slices.ContainsFunc(s.entries, func(o fact.Entry) bool { return o.Ref == e.Ref && o.Hash == e.Hash })
						if !known && !slices.ContainsFunc(r.Faults, func(f Fault) bool { return f.Ref == e.Ref }) {
							x.bad = fmt.Sprintf("%s was altered, and nothing names it", e.Ref)
						}
					}
					list = append(list, x)
					mine.book[at] ^= change
				}
			}
			results <- list
		}()
	}
	for range workers {
		for _, x := range <-results {
			tried++
			require.Empty(t, x.bad, "byte %d (page %d, %d)", x.at, x.at/pageSize, x.at%pageSize)
			require.Equal(t, used[x.at], x.alarm, "byte %d (page %d, %d)", x.at, x.at/pageSize, x.at%pageSize)
		}
	}
	require.Greater(t, tried, 10000)
}

// Whichever byte of a witness is changed, a fault names the entry whose line it
// is in, or says that the line is garbled.
func TestEveryWitnessByte(t *testing.T) {
	s := newSmall(t)
	for at := range s.witness {
		for _, change := range []byte{0x01, 0x20, 0xff} {
			mine := s.clone()
			mine.witness[at] ^= change
			r, left := mine.look()
			l, err := parseLine(lineAt(s.witness, at))
			require.NoError(t, err)
			about := slices.ContainsFunc(r.Faults, func(f Fault) bool { return f.Ref == l.ref || f.Ref.IsZero() && f.Kind == Witness })
			noted := at >= len(s.witness)-1 && len(r.Notes) > 0 // its very end, as after a crash
			require.True(t, about || noted, "byte %d: %v", at, r.Faults)
			require.Len(t, left, len(s.entries))
			require.Equal(t, len(s.entries), r.Intact)
		}
	}
}

func lineAt(text []byte, at int) []byte {
	from := bytes.LastIndexByte(text[:at], '\n') + 1
	return text[from : at+bytes.IndexByte(text[at:], '\n')]
}

// A book cut off anywhere is too short or damaged, what is left of it is true,
// and nothing is written to it.
func TestTruncated(t *testing.T) {
	whole := newSpecimen()
	f, err := pages.Open(bytes.NewReader(whole.book), int64(len(whole.book)))
	require.NoError(t, err)
	end := int(f.High) * pageSize
	dir := t.TempDir()
	most := 0
	for length := 1; length <= len(whole.book); length += 1537 {
		s := whole.clone()
		s.book = s.book[:length]
		path := s.write(t, dir)
		b, err := Open(path, options("bench-1"))
		if length >= end {
			require.NoError(t, err)
			requireSound(t, path)
			continue
		}
		require.Nil(t, b)
		if length == 1 { // too little to tell what it was
			require.ErrorIs(t, err, ErrForeign)
			continue
		}
		require.ErrorIs(t, err, ErrShort, "%d bytes", length)
		r, left, err := Salvage(path)
		require.NoError(t, err)
		require.False(t, r.Sound())
		require.Equal(t, total, r.Entries)
		require.Equal(t, r.Intact+r.Recovered, len(left))
		whole.requireTrue(t, left, nil)
		require.GreaterOrEqual(t, len(left), most, "more bytes hold no less")
		most = len(left)
		missing := 0
		for _, f := range r.Faults {
			if f.Kind == Missing {
				missing++
			}
		}
		require.Equal(t, total-r.Intact, missing, "every entry that is not in its place is named")
		after, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Len(t, after, length)
	}
	require.Greater(t, most, total/2)
}
