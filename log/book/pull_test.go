package book

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/log/samples"
)

// curve is the first n samples of a pull with noise that depends on seed; of an
// invented wrench with 200 samples a second.
func curve(n, seed int) *trace.Trace {
	t := &trace.Trace{
		Tick:   time.Millisecond,
		Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: -1},
		Angle:  trace.Series{Unit: quantity.Degree, Exponent: -1},
	}
	for i := range n {
		noise := int64((i*7919 + seed*104729) % 13)
		t.Times = append(t.Times, int64(5*i)+noise%2)
		t.Torque.Values = append(t.Torque.Values, int64(math.Sqrt(float64(i)*800))+noise)
		t.Angle.Values = append(t.Angle.Values, int64(i*3/2)+noise/6)
	}
	return t
}

// begin saves a pull of n samples, in three steps.
func begin(t testing.TB, b *Book, point fact.Point, n int) *Pull {
	t.Helper()
	p, err := b.BeginPull(point, "stage-1", "wrench-2")
	require.NoError(t, err)
	for _, part := range []int{n / 3, n / 2, n} {
		require.NoError(t, p.Save(context.Background(), curve(part, n)))
	}
	return p
}

// pulled is a reading with the trace of a pull of n samples.
func pulled(t testing.TB, b *Book, r fact.Reading, n int) fact.Reading {
	t.Helper()
	r.Trace = begin(t, b, r.Point, n).End()
	return r
}

func requireCurve(t testing.TB, b *Book, name fact.Trace, want *trace.Trace) {
	t.Helper()
	got, err := b.Trace(context.Background(), name)
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func unnamed(t testing.TB, b *Book) []Unnamed {
	t.Helper()
	list, err := b.Unnamed(context.Background())
	require.NoError(t, err)
	return list
}

func TestPull(t *testing.T) {
	b := create(t)
	other, err := Open(b.Path(), options("bench-10")) // sorts right behind bench-1
	require.NoError(t, err)
	var names []fact.Trace
	for n, length := range []int{300, 1, samples.MaxSamples, samples.MaxSamples + 1, 3*samples.MaxSamples - 5} {
		r := pulled(t, b, reading(n), length)
		require.Equal(t, fact.Trace{Station: "bench-1", Number: uint64(n + 1), Samples: length, Hash: r.Trace.Hash}, r.Trace)
		names = append(names, r.Trace)
		require.EqualValues(t, n+1, pulled(t, other, reading(n), 20).Trace.Number)
		record(t, b, r)
	}
	for _, name := range names {
		requireCurve(t, other, name, curve(name.Samples, name.Samples))
	}
	entries, err := b.Entries(context.Background())
	require.NoError(t, err)
	require.Equal(t, names[4], entries[5].Body.(fact.Reading).Trace)
	list := unnamed(t, b)
	require.Len(t, list, 5)
	for i, u := range list {
		require.Equal(t, reading(i).Point, u.Point)
		require.Equal(t, fact.Pass("stage-1"), u.Pass)
		require.Equal(t, "wrench-2", u.Instrument)
		require.Equal(t, "sitting of bench-10", u.Session)
		requireCurve(t, b, u.Name, curve(20, 20))
		record(t, other, fact.Interrupted{Point: u.Point, Pass: u.Pass, Trace: u.Name, Because: "the program was ended"})
	}
	require.Empty(t, unnamed(t, b))
	r := requireSound(t, b.Path())
	require.Equal(t, []int{10, 10, 0}, []int{r.Traces, r.TracesIntact, r.Unnamed})
	require.Empty(t, r.Notes)
}

// What a pull may and may not do on its way.
func TestPullSteps(t *testing.T) {
	ctx := context.Background()
	b := create(t)
	p, err := b.BeginPull("head/1", "stage-1", "wrench-2")
	require.NoError(t, err)
	require.True(t, p.End().IsZero(), "nothing was saved, so there is nothing to name")
	require.Empty(t, unnamed(t, b))

	p, err = b.BeginPull("head/1", "stage-1", "wrench-2")
	require.NoError(t, err)
	require.NoError(t, p.Save(ctx, curve(0, 1)))
	require.NoError(t, p.Save(ctx, curve(50, 1)))
	require.NoError(t, p.Save(ctx, curve(50, 1)), "nothing new")
	require.ErrorContains(t, p.Save(ctx, curve(49, 1)), "49 samples")
	bad := curve(60, 1)
	bad.Times[55] = 0
	require.ErrorIs(t, p.Save(ctx, bad), samples.ErrUnfit)
	// A digit more, from some sample on: what came before is written with it too.
	long := curve(samples.MaxSamples+700, 1)
	require.NoError(t, p.Save(ctx, long))
	fine := curve(2*samples.MaxSamples+9, 1)
	fine.Torque.Exponent--
	for i := range fine.Torque.Values {
		fine.Torque.Values[i] *= 10
	}
	require.NoError(t, p.Save(ctx, fine))
	list := unnamed(t, b)
	require.Len(t, list, 1)
	requireCurve(t, b, list[0].Name, fine)

	name := p.End()
	require.Equal(t, list[0].Name, name)
	require.ErrorContains(t, p.Save(ctx, curve(30000, 1)), "ended")
	for text, wrong := range map[string]fact.Trace{
		"not in the book": {Station: "bench-1", Number: 2, Samples: 1},
		"not the one":     {Station: name.Station, Number: name.Number, Samples: name.Samples - 1, Hash: name.Hash},
	} {
		_, err = b.Append(ctx, fact.Reading{Point: "head/1", Trace: wrong})
		require.ErrorContains(t, err, text)
		require.NotErrorIs(t, err, ErrUnsound)
	}
	// The same trace may be named again, as when it was the wrong bolt.
	record(t, b, fact.Reading{Point: "head/1", Trace: name})
	record(t, b, fact.Void{Of: ref("bench-1#2"), Point: "head/1", Because: "wrong bolt"}, fact.Reading{Point: "head/2", Trace: name})
	require.Equal(t, 1, requireSound(t, b.Path()).Traces)

	p, err = b.BeginPull("head/3", "", "")
	require.NoError(t, err)
	endless := curve(maxBlocks*samples.MaxSamples+1, 1)
	require.ErrorIs(t, p.Save(ctx, endless), samples.ErrUnfit)

	_, err = b.BeginPull("a\x00b", "", "")
	require.Error(t, err)
	reader, err := Open(b.Path(), Options{})
	require.NoError(t, err)
	_, err = reader.BeginPull("head/1", "", "")
	require.ErrorContains(t, err, "station")
}

// What keeps a pull from being saved is an error, after which it goes on with the
// number it had.
func TestPullAfterErrors(t *testing.T) {
	b := create(t)
	p, err := b.BeginPull("head/1", "stage-1", "wrench-2")
	require.NoError(t, err)
	info, err := os.Stat(b.Path())
	require.NoError(t, err)
	b.maxSize = int(info.Size())
	var failed error
	saved := 0
	for n := 1000; failed == nil; n += 1000 {
		if failed = p.Save(context.Background(), curve(n, 1)); failed == nil {
			saved = n
		}
	}
	require.ErrorIs(t, failed, berrors.ErrMaxSizeReached)
	require.NotErrorIs(t, failed, ErrUnsound)
	if saved > 0 {
		requireCurve(t, b, unnamed(t, b)[0].Name, curve(saved, 1))
	}
	b.maxSize = 0
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	require.ErrorIs(t, p.Save(ended, curve(saved+5000, 1)), context.Canceled)
	require.NoError(t, p.Save(context.Background(), curve(saved+5000, 1)))
	record(t, b, fact.Reading{Point: "head/1", Trace: p.End()})

	// A transaction that was committed though it failed is taken up again.
	p, err = b.BeginPull("head/2", "stage-1", "wrench-2")
	require.NoError(t, err)
	lost := errors.New("lost")
	for range 2 {
		b.mu.Lock()
		_, err = b.update(context.Background(), func(w *writer) error {
			data, err := samples.Encode(curve(9, 1))
			require.NoError(t, err)
			_, err = p.put(w, 1, [][]byte{data})
			return err
		})
		b.mu.Unlock()
		require.NoError(t, err, lost)
	}
	require.NoError(t, p.Save(context.Background(), curve(10, 1)))
	require.EqualValues(t, 2, p.End().Number)
	require.Len(t, unnamed(t, b), 1)
}

// A book that its witness does not confirm is refused before the bolt is pulled.
func TestPullIntoUnsoundBook(t *testing.T) {
	s := newSpecimen().clone()
	s.book = s.older
	path := s.write(t, t.TempDir())
	b, err := Open(path, options("bench-1"))
	require.NoError(t, err)
	p, err := b.BeginPull("head/1", "stage-1", "wrench-2")
	require.NoError(t, err)
	require.ErrorIs(t, p.Save(context.Background(), curve(9, 1)), ErrDamaged)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.True(t, bytes.Equal(s.older, after))
}

func formatOf(t testing.TB, path string) string {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{ReadOnly: true})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	var text string
	require.NoError(t, db.View(func(tx *bbolt.Tx) error {
		text = string(tx.Bucket(bucketAbout).Get(keyFormat))
		return nil
	}))
	return text
}

// Books without traces stay books of format 1, which every program can read. A
// trace makes it 2, so that an old program says that the book is newer, and not
// that it is damaged.
func TestFormatOfTraces(t *testing.T) {
	b := create(t)
	record(t, b, reading(1))
	require.Equal(t, "paintmark-book 1", formatOf(t, b.Path()))
	begin(t, b, "head/1", 30)
	require.Equal(t, "paintmark-book 2", formatOf(t, b.Path()))

	s := newSpecimen().clone()
	s.bolt(t, func(_, _, about *bbolt.Bucket) error { return about.Put(keyFormat, []byte("paintmark-book 3")) })
	_, err := Open(s.write(t, t.TempDir()), options("bench-1"))
	require.ErrorIs(t, err, ErrNewer)
	require.ErrorContains(t, err, "format 3, this program knows up to 2")
}

// traced is a book with traces: named ones, of several blocks and of one, and
// one that no entry names.
func traced(t testing.TB) (specimen, map[string]fact.Trace) {
	b := create(t)
	names := map[string]fact.Trace{}
	long := pulled(t, b, reading(1), 2*samples.MaxSamples+100)
	short := pulled(t, b, reading(2), 300)
	record(t, b, long)
	record(t, b, short)
	names["long"], names["short"] = long.Trace, short.Trace
	names["unnamed"] = begin(t, b, "head/9", 200).End()
	record(t, b, reading(8))
	var s specimen
	var err error
	s.book, err = os.ReadFile(b.Path())
	require.NoError(t, err)
	s.witness, err = os.ReadFile(WitnessPath(b.Path()))
	require.NoError(t, err)
	s.entries, err = b.Entries(context.Background())
	require.NoError(t, err)
	return s, names
}

// boltTraces changes the traces of a book with bbolt, as a careful forger would.
func (s *specimen) boltTraces(t testing.TB, change func(traces *bbolt.Bucket) error) {
	s.bolt(t, func(entries, _, _ *bbolt.Bucket) error { return change(entries.Tx().Bucket(bucketTraces)) })
}

// Whatever happens to a trace: it is named, the other traces and all entries are
// as they were, and recording goes on unless the pages are damaged.
func TestDamagedTraces(t *testing.T) {
	sound, names := traced(t)
	key := func(name string, part uint32) []byte { return traceKey("bench-1", names[name].Number, part) }
	entryOf := func(name string) fact.Ref {
		for _, e := range sound.entries {
			if t := fact.TraceOf(e.Body); !t.IsZero() && t == names[name] {
				return e.Ref
			}
		}
		return fact.Ref{}
	}
	forge := func(t *testing.T, name string) []byte {
		data, err := samples.Encode(curve(300, 7))
		require.NoError(t, err)
		return data
	}
	for name, c := range map[string]struct {
		damage   func(t *testing.T, s *specimen)
		lost     []string // traces that cannot be had
		kind     Kind     // of a fault of each, or of the book where lost names none
		writable bool
	}{
		"nothing": {func(*testing.T, *specimen) {}, nil, "", true},
		"a byte of a block": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				data := bytes.Clone(b.Get(key("long", 2)))
				data[len(data)/2] ^= 1
				return b.Put(key("long", 2), data)
			})
		}, []string{"long"}, Trace, true},
		"other samples, with a right checksum": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error { return b.Put(key("short", 1), forge(t, "short")) })
		}, []string{"short"}, Trace, true},
		"a block deleted": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error { return b.Delete(key("long", 3)) })
		}, []string{"long"}, Trace, true},
		"a block added": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error { return b.Put(key("short", 2), forge(t, "short")) })
		}, []string{"short"}, Trace, true},
		"two blocks changed places": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				one, two := bytes.Clone(b.Get(key("long", 1))), bytes.Clone(b.Get(key("long", 2)))
				must(b.Put(key("long", 1), two))
				return b.Put(key("long", 2), one)
			})
		}, []string{"long"}, Trace, true},
		"two traces changed places": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				one, two := bytes.Clone(b.Get(key("long", 1))), bytes.Clone(b.Get(key("short", 1)))
				must(b.Put(key("long", 1), two))
				return b.Put(key("short", 1), one)
			})
		}, []string{"long", "short"}, Trace, true},
		"a trace deleted": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				must(b.Delete(key("short", 0)))
				return b.Delete(key("short", 1))
			})
		}, []string{"short"}, Trace, true},
		"a trace that no entry names, altered": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				data := bytes.Clone(b.Get(key("unnamed", 1)))
				data[5] ^= 1
				return b.Put(key("unnamed", 1), data)
			})
		}, []string{"unnamed"}, Trace, true},
		"its head, altered": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				data := bytes.Clone(b.Get(key("unnamed", 0)))
				data[5] ^= 1
				return b.Put(key("unnamed", 0), data)
			})
		}, []string{"unnamed"}, Trace, true},
		"samples of a newer program": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				data := bytes.Clone(b.Get(key("unnamed", 1)))
				data[0] = samples.Version + 1
				return b.Put(key("unnamed", 1), data)
			})
		}, []string{"unnamed"}, Newer, true},
		"a garbled key": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error { return b.Put([]byte("zz"), []byte("x")) })
		}, nil, Trace, true},
		"a trace far ahead": {func(t *testing.T, s *specimen) {
			s.boltTraces(t, func(b *bbolt.Bucket) error {
				return b.Put(traceKey("bench-1", 1<<60, 0), []byte("x"))
			})
		}, nil, Trace, true},
		"the bucket deleted": {func(t *testing.T, s *specimen) {
			s.bolt(t, func(entries, _, _ *bbolt.Bucket) error { return entries.Tx().DeleteBucket(bucketTraces) })
		}, []string{"long", "short", "unnamed"}, Trace, true},
		"a page of them": {func(t *testing.T, s *specimen) {
			i := bytes.Index(s.book, key("short", 1))
			clear(s.book[i/pageSize*pageSize:][:pageSize])
		}, []string{"short", "unnamed", "long"}, Trace, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := sound.clone()
			c.damage(t, &s)
			path := s.write(t, t.TempDir())
			r, left, err := Salvage(path)
			require.NoError(t, err)
			require.Equal(t, c.kind == "", r.Sound(), "%v", r.Faults)
			require.Len(t, left, len(s.entries), "the entries are as they were")
			require.Equal(t, len(s.entries), r.Intact)
			s.requireTrue(t, left, nil)
			for _, name := range c.lost {
				at := entryOf(name)
				if at.IsZero() && name == "unnamed" && c.kind == Trace && r.Unnamed == 0 {
					continue // it has no entry, and is not there to be counted
				}
				require.True(t, slices.ContainsFunc(r.Faults, func(f Fault) bool { return f.Ref == at && f.Kind == c.kind }), "%s: %v", name, r.Faults)
			}
			if len(c.lost) == 0 && c.kind != "" {
				require.True(t, slices.ContainsFunc(r.Faults, func(f Fault) bool { return f.Kind == c.kind }), "%v", r.Faults)
			}

			b, err := Open(path, options("bench-1"))
			require.NoError(t, err)
			entries, err := b.Entries(context.Background())
			require.NoError(t, err, "judging does not read traces")
			require.Len(t, entries, len(s.entries))
			s.requireHistories(t, b)
			intact := 0
			for _, name := range []string{"long", "short"} {
				got, err := b.Trace(context.Background(), names[name])
				if slices.Contains(c.lost, name) {
					require.ErrorIs(t, err, ErrDamaged, name)
					continue
				}
				intact++
				require.NoError(t, err, name)
				require.Equal(t, curve(got.Len(), got.Len()), got)
			}
			require.Equal(t, []int{2, intact}, []int{r.Traces, r.TracesIntact})
			list, err := b.Unnamed(context.Background())
			require.NoError(t, err)
			if slices.Contains(c.lost, "unnamed") {
				require.Empty(t, list)
			} else {
				require.Len(t, list, 1)
				requireCurve(t, b, list[0].Name, curve(200, 200))
			}
			_, err = b.Append(context.Background(), reading(1))
			require.Equal(t, c.writable, err == nil, "%v", err)
		})
	}
}
