package book

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// A clock that goes a second further whenever it is looked at.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func newClock() *clock { return &clock{now: time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC)} }

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(time.Second)
	return c.now
}

func options(station string) Options {
	return Options{Station: station, Session: "sitting of " + station, Now: newClock().Now, Wait: 5 * time.Second}
}

var opening = fact.Opening{Build: "2117", Plan: "title = \"An invented plan\"\n", PlanName: "six.toml", Program: "test"}

// create makes a book that must be sound when the test ends.
func create(t testing.TB) *Book {
	t.Helper()
	b, _, err := Create(filepath.Join(t.TempDir(), "2117.book"), options("bench-1"), opening)
	require.NoError(t, err)
	t.Cleanup(func() {
		if !t.Failed() {
			requireSound(t, b.Path())
		}
	})
	return b
}

func requireSound(t testing.TB, path string) Report {
	t.Helper()
	r, err := Verify(path)
	require.NoError(t, err)
	require.Empty(t, r.Faults)
	require.NoError(t, r.Err())
	require.Equal(t, r.Entries, r.Intact)
	require.Zero(t, r.Recovered)
	return r
}

// reading is a pull of one of ten bolts.
func reading(n int) fact.Reading {
	return fact.Reading{
		Point: fact.NewPoint("head", fmt.Sprint(n%10)), Pass: "stage-1", Told: "within",
		Value: quantity.MustParse(fmt.Sprintf("%d.%d N·m", 80+n%20, n%10)), Raw: fmt.Appendf(nil, "%d.%d Nm\r\n", 80+n%20, n%10),
	}
}

func readings(n int) []fact.Body {
	list := make([]fact.Body, n)
	for i := range list {
		list[i] = reading(i)
	}
	return list
}

func record(t testing.TB, b *Book, bodies ...fact.Body) []fact.Entry {
	t.Helper()
	entries, err := b.Append(context.Background(), bodies...)
	require.NoError(t, err)
	require.Len(t, entries, len(bodies))
	return entries
}

func TestRecordAndRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "2117.book")
	b, first, err := Create(path, options("bench-1"), opening)
	require.NoError(t, err)
	require.Equal(t, "bench-1#1", first.String())
	require.Equal(t, "2117", b.Build())

	want := []fact.Entry{first}
	for i := range 30 {
		want = append(want, record(t, b, reading(i))...)
	}
	want = append(want, record(t, b, fact.Void{Of: want[3].Ref, Point: "head/2", Because: "wrong bolt"}, fact.Note{What: fact.SessionEnded})...)

	again, err := Open(path, Options{})
	require.NoError(t, err)
	require.Equal(t, "2117", again.Build())
	require.Equal(t, first.Time, again.Created())
	got, err := again.Entries(context.Background())
	require.NoError(t, err)
	require.Equal(t, want, got)

	for point, count := range map[fact.Point]int{"head/2": 4, "head/3": 3, "": 2, "head": 0, "head/": 0, "head/22": 0} {
		var about []fact.Entry
		for _, e := range want {
			if e.Body.About() == point {
				about = append(about, e)
			}
		}
		require.Len(t, about, count)
		history, err := again.History(context.Background(), point)
		require.NoError(t, err)
		require.Equal(t, about, history, "history of %q", point)
	}
	r := requireSound(t, path)
	require.Equal(t, []End{{want[32].Ref, want[32].Hash}}, r.Ends)
	require.Equal(t, 33, r.Entries)
	require.Equal(t, "2117", r.Build)
	require.Empty(t, r.Notes)
}

func TestTwoStations(t *testing.T) {
	b := create(t)
	other, err := Open(b.Path(), options("bench-2"))
	require.NoError(t, err)
	for i := range 6 {
		require.EqualValues(t, i+2, record(t, b, reading(i))[0].Number)
		require.EqualValues(t, i+1, record(t, other, reading(i))[0].Number)
	}
	entries, err := other.Entries(context.Background())
	require.NoError(t, err)
	require.Len(t, entries, 13)
	require.Len(t, requireSound(t, b.Path()).Ends, 2)
}

func TestTime(t *testing.T) {
	c := newClock()
	start := c.now
	o := options("bench-1")
	o.Start, o.Now = start, c.Now
	b, first, err := Create(filepath.Join(t.TempDir(), "a.book"), o, opening)
	require.NoError(t, err)
	require.Equal(t, time.Second, first.Since)
	c.now = start.Add(time.Hour)
	e := record(t, b, reading(1), reading(2))
	require.Equal(t, start.Add(time.Hour+time.Second), e[0].Time)
	require.Equal(t, e[0].Time, e[1].Time, "recorded together")
	c.now = start.Add(-time.Hour) // the clock is set back
	e = append(e, record(t, b, reading(3))...)
	require.Greater(t, e[2].Since, e[1].Since)
	require.Equal(t, start.Add(e[2].Since), e[2].Time)
	requireSound(t, b.Path())
}

func TestNothingIsRecordedWithoutAStation(t *testing.T) {
	b := create(t)
	reader, err := Open(b.Path(), Options{})
	require.NoError(t, err)
	_, err = reader.Append(context.Background(), reading(1))
	require.ErrorContains(t, err, "station")
	_, err = Open(b.Path(), Options{Station: "a b"})
	require.ErrorContains(t, err, "station")
	_, _, err = Create(filepath.Join(t.TempDir(), "a.book"), Options{}, opening)
	require.ErrorContains(t, err, "station")
}

// What cannot be stored leaves the book as it is, with everything recorded in
// the same call.
func TestUnfitFact(t *testing.T) {
	b := create(t)
	_, err := b.Append(context.Background(), reading(1), fact.Confirmation{Point: "a\x00b"})
	require.ErrorContains(t, err, "cannot be stored")
	require.NotErrorIs(t, err, ErrUnsound)
	require.EqualValues(t, 2, record(t, b, reading(1))[0].Number)
}

func TestCancelled(t *testing.T) {
	b := create(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := b.Append(ctx, reading(1))
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, 1, requireSound(t, b.Path()).Entries)
}

func TestCreateClobbersNothing(t *testing.T) {
	b := create(t)
	record(t, b, reading(1))
	before, err := os.ReadFile(b.Path())
	require.NoError(t, err)
	_, _, err = Create(b.Path(), options("bench-2"), opening)
	require.ErrorIs(t, err, ErrExists)
	after, err := os.ReadFile(b.Path())
	require.NoError(t, err)
	require.Equal(t, before, after)

	// A witness without its book tells of a book that is missing.
	lone := filepath.Join(t.TempDir(), "x.book")
	require.NoError(t, os.WriteFile(WitnessPath(lone), []byte("bench-1 1 00\n"), 0o600))
	_, _, err = Create(lone, options("bench-1"), opening)
	require.ErrorIs(t, err, ErrExists)
	require.NoFileExists(t, lone)
	_, err = Open(lone, Options{})
	require.ErrorIs(t, err, ErrMissing)
	require.ErrorContains(t, err, "witness")
}

func TestCreateLeavesNothingBehind(t *testing.T) {
	b := create(t)
	files, err := os.ReadDir(filepath.Dir(b.Path()))
	require.NoError(t, err)
	require.Len(t, files, 2, "the book and its witness")

	bad := fact.Opening{Plan: string(make([]byte, 9<<20))}
	dir := t.TempDir()
	_, _, err = Create(filepath.Join(dir, "a.book"), options("bench-1"), bad)
	require.ErrorContains(t, err, "cannot be stored")
	files, err = os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, files)

	_, _, err = Create(filepath.Join(dir, "nowhere", "a.book"), options("bench-1"), opening)
	require.ErrorIs(t, err, os.ErrNotExist)
}

// Where the file system has no links, a name that is taken is still left alone.
func TestPublish(t *testing.T) {
	dir := t.TempDir()
	draft, path := filepath.Join(dir, "draft"), filepath.Join(dir, "book")
	require.NoError(t, os.WriteFile(draft, []byte("new"), 0o600))
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	require.ErrorIs(t, publish(draft, path), ErrExists)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "old", string(text))
}

func TestWhatIsNoBook(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, data, 0o600))
		return path
	}
	sound, err := os.ReadFile(create(t).Path())
	require.NoError(t, err)
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.book"), 0o700))
	foreign := filepath.Join(dir, "foreign.book")
	makeForeign(t, foreign)
	for name, c := range map[string]struct {
		path string
		is   error
	}{
		"missing":        {filepath.Join(dir, "none.book"), ErrMissing},
		"missing folder": {filepath.Join(dir, "none", "a.book"), ErrMissing},
		"empty":          {write("empty.book", nil), ErrEmpty},
		"text":           {write("text.book", []byte("88.0 N·m\n")), ErrForeign},
		"long text":      {write("long.book", make([]byte, 1<<16)), ErrForeign},
		"folder":         {filepath.Join(dir, "folder.book"), ErrForeign},
		"other program":  {foreign, ErrForeign},
		"short":          {write("short.book", sound[:5000]), ErrShort},
		"very short":     {write("veryshort.book", sound[:40]), ErrShort},
	} {
		t.Run(name, func(t *testing.T) {
			before, _ := os.ReadFile(c.path)
			_, err := Open(c.path, options("bench-1"))
			requireClass(t, err, c.path, c.is)
			// A book that went bad under an open handle.
			b, err := newBook(c.path, options("bench-1"))
			require.NoError(t, err)
			_, err = b.Append(context.Background(), reading(1))
			requireClass(t, err, c.path, c.is)
			_, err = b.Entries(context.Background())
			if c.path != foreign { // whose pages are sound, only not a book's
				requireClass(t, err, c.path, c.is)
			}
			_, err = b.History(context.Background(), "head/1")
			require.Error(t, err)
			if c.is != ErrShort {
				_, err = Verify(c.path)
				requireClass(t, err, c.path, c.is)
			}
			after, _ := os.ReadFile(c.path)
			require.Equal(t, before, after, "nothing is written")
			require.NoFileExists(t, WitnessPath(c.path))
		})
	}
}

func requireClass(t *testing.T, err error, path string, class error) {
	t.Helper()
	require.ErrorIs(t, err, class)
	require.Equal(t, class != ErrMissing, isUnsound(err))
	var e *Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, path, e.Path)
	require.NotEmpty(t, e.HintText())
	require.NotContains(t, err.Error(), "\n")
}
