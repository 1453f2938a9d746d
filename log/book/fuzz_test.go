package book

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

// Whatever bytes stand in a book's place, it is never a panic, a fault or a
// silent alteration: every way in gives an error or the truth. The input is a
// list of changes to the example book: four bytes of offset, one to store there.
func FuzzBook(f *testing.F) {
	whole := readExample(f)
	dir := f.TempDir()
	f.Add([]byte{}, uint32(math.MaxUint32), []byte{})
	f.Fuzz(func(t *testing.T, changes []byte, length uint32, tail []byte) {
		s := whole.clone()
		for ; len(changes) >= 5; changes = changes[5:] {
			s.book[binary.LittleEndian.Uint32(changes)%uint32(len(s.book))] = changes[4]
		}
		s.book = append(s.book[:min(len(s.book), int(length))], tail...)
		path := s.write(t, dir)

		r, left, err := Salvage(path)
		if err != nil {
			requireOwn(t, err)
		}
		whole.requireTrue(t, left, r.Faults)
		b, err := Open(path, options("bench-1"))
		if err != nil {
			requireOwn(t, err)
			b, err = newBook(path, options("bench-1"))
			require.NoError(t, err)
		}
		entries, err := b.Entries(context.Background())
		if err != nil {
			requireOwn(t, err)
		} else {
			whole.requireTrue(t, entries, nil)
			require.Len(t, entries, len(whole.entries))
		}
		whole.requireHistories(t, b)
		_, err = b.Append(context.Background(), reading(1))
		if err != nil {
			requireOwn(t, err)
		} else {
			after, _, err := Salvage(path)
			require.NoError(t, err)
			require.True(t, after.Sound() || !r.Sound(), "%v", after.Faults)
		}
	})
}

// The same of a book with traces: a trace is given as it was recorded or not at
// all, and what is wrong with it never touches an entry.
func FuzzTraces(f *testing.F) {
	book, err := os.ReadFile(tracedExample)
	require.NoError(f, err)
	witness, err := os.ReadFile(WitnessPath(tracedExample))
	require.NoError(f, err)
	dir := f.TempDir()
	whole := specimen{book: book, witness: witness}
	b, err := Open(whole.write(f, dir), options("bench-1"))
	require.NoError(f, err)
	whole.entries, err = b.Entries(context.Background())
	require.NoError(f, err)
	pulls := tracedPulls()
	names := []fact.Trace{fact.TraceOf(whole.entries[1].Body), fact.TraceOf(whole.entries[2].Body)}
	f.Add([]byte{})
	for _, name := range names {
		at := bytes.Index(book, tracePrefix(name.Station, name.Number))
		for _, further := range []int{len("bench-1") + 8, len("bench-1") + 14, len("bench-1") + 40, 3000} {
			f.Add(append(binary.LittleEndian.AppendUint32(nil, uint32(at+further)), 1))
		}
	}
	f.Fuzz(func(t *testing.T, changes []byte) {
		s := whole.clone()
		for ; len(changes) >= 5; changes = changes[5:] {
			s.book[binary.LittleEndian.Uint32(changes)%uint32(len(s.book))] = changes[4]
		}
		path := s.write(t, dir)
		r, left, err := Salvage(path)
		if err != nil {
			requireOwn(t, err)
		}
		whole.requireTrue(t, left, r.Faults)
		b, err := newBook(path, options("bench-1"))
		require.NoError(t, err)
		for i, name := range names {
			got, err := b.Trace(context.Background(), name)
			if err != nil {
				requireOwn(t, err)
				require.False(t, r.Sound(), "%v", err)
				continue
			}
			require.Equal(t, pulls[i], got)
		}
		list, err := b.Unnamed(context.Background())
		if err != nil {
			requireOwn(t, err)
		}
		for _, u := range list {
			got, err := b.Trace(context.Background(), u.Name)
			require.NoError(t, err)
			require.NoError(t, got.Check())
		}
	})
}

func requireOwn(t testing.TB, err error) {
	t.Helper()
	var e *Error
	require.ErrorAs(t, err, &e)
	require.True(t, isUnsound(err) || errors.Is(err, ErrNewer), "%v", err)
}

// A witness of any bytes is read without a panic, and of a book that it does not
// confirm, nothing false is said.
func FuzzWitness(f *testing.F) {
	whole := readExample(f)
	f.Add(whole.witness)
	f.Add(whole.witness[:100])
	f.Add(append(bytes.Clone(whole.witness), "bench-1 18446744073709551615 "...))
	f.Add([]byte("bench-1 01 00\n\n\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		w := parseWitness(data)
		var again []byte
		for _, l := range w.lines {
			again = l.appendTo(again)
		}
		if len(w.bad) == 0 {
			require.Equal(t, string(data[:w.whole]), string(again))
		}
		s := whole.clone()
		s.witness = data
		r, left := s.look()
		whole.requireTrue(t, left, r.Faults)
		require.LessOrEqual(t, r.Entries, len(whole.entries)+len(w.lines)*(largestGap+1))
		if r.Sound() {
			require.Len(t, left, len(whole.entries))
		}
	})
}

// The size of a witness is known from the last number of each station.
func TestWitnessSize(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var last []line
		var text []byte
		for range rapid.IntRange(1, 3).Draw(t, "stations") {
			station := rapid.StringMatching(`[a-z]{1,8}`).Draw(t, "station")
			n := rapid.Uint64Range(1, 1200).Draw(t, "last")
			last = append(last, line{ref: fact.Ref{Station: station, Number: n}})
			for i := range n {
				text = line{fact.Ref{Station: station, Number: i + 1}, entry.Hash{byte(i)}}.appendTo(text)
			}
		}
		if got := witnessSize(last); got != int64(len(text)) {
			t.Fatalf("%d, not %d", got, len(text))
		}
		w := parseWitness(text)
		if len(w.bad) > 0 || len(w.torn) > 0 || w.whole != len(text) {
			t.Fatalf("%v", w.bad)
		}
	})
	// No overflow, however wrong a number is.
	_ = witnessSize([]line{{ref: fact.Ref{Station: "a", Number: math.MaxUint64}}})
}

func TestWitnessLine(t *testing.T) {
	good := "bench-1 17 " + string(bytes.Repeat([]byte("0a"), 32))
	l, err := parseLine([]byte(good))
	require.NoError(t, err)
	require.Equal(t, good+"\n", string(l.appendTo(nil)))
	for _, bad := range []string{"", "bench-1", "bench-1 17", "bench-1 17 ", good[:len(good)-1], good + "0", good + " ", " " + good,
		"bench-1 017" + good[10:], "bench-1 +7" + good[10:], "bench-1 0" + good[10:], "bench-1 18446744073709551616" + good[10:],
		"bench 1" + good[7:], good[:20] + "G" + good[21:], good[:12] + "A" + good[13:], good + "\r"} {
		_, err := parseLine([]byte(bad))
		require.Error(t, err, "%q", bad)
	}
}

func TestWitnessPath(t *testing.T) {
	require.Equal(t, "shelf/2117.witness", WitnessPath("shelf/2117.book"))
	require.Equal(t, "copy.witness", WitnessPath("copy"))
}

// A witness is never read without end.
func TestWitnessIsNoFile(t *testing.T) {
	if _, err := os.Stat("/dev/zero"); err != nil {
		t.Skip("no /dev/zero here")
	}
	b := create(t)
	path := WitnessPath(b.Path())
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.Symlink("/dev/zero", path))
	_, err = b.Entries(context.Background())
	require.ErrorContains(t, err, "no file")
	_, err = b.Append(context.Background(), reading(1))
	require.ErrorContains(t, err, "no file")
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.WriteFile(path, text, 0o600))
}
