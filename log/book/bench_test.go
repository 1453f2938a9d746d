package book

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/log/entry"
)

// Each benchmark measures its baseline in the same run, turn by turn, and reports
// the ratio of the medians.

func median(list []time.Duration) float64 {
	slices.Sort(list)
	return float64(list[len(list)/2])
}

func timed(list *[]time.Duration, f func()) {
	start := time.Now()
	f()
	*list = append(*list, time.Since(start))
}

// fullReading is a reading with all that a real one has.
func fullReading(n int) fact.Reading {
	r := reading(n)
	r.Angle = quantity.MustParse("31.5 °")
	r.Instrument = fact.Instrument{
		Name: "wrench-2", Address: "serial:usb=BENCH-0042", Identity: "BENCH-0042", Profile: "lines", Calibrated: "2026-01-03",
		Range: quantity.Limits{Least: quantity.MustParse("20 N·m"), Most: quantity.MustParse("200 N·m")},
	}
	return r
}

// fill makes a book of so many entries.
func fill(b *testing.B, path string, entries int) *Book {
	book, _, err := Create(path, options("bench-1"), opening)
	require.NoError(b, err)
	for done := 1; done < entries; {
		list := make([]fact.Body, min(500, entries-done))
		for i := range list {
			list[i] = fullReading(done + i)
		}
		record(b, book, list...)
		done += len(list)
	}
	return book
}

// Committing a reading, with its witness, against a plain append and sync of the
// same bytes. Recording must sync three times, one after the other: the pages,
// then the header that makes them count, then the witness.
func BenchmarkAppend(b *testing.B) {
	dir := b.TempDir()
	book := fill(b, filepath.Join(dir, "2117.book"), 300)
	_, data := readBack(b, book)
	plain, err := os.Create(filepath.Join(dir, "plain"))
	require.NoError(b, err)
	defer func() { require.NoError(b, plain.Close()) }()
	var recording, appending []time.Duration
	n := 0
	for b.Loop() {
		timed(&appending, func() {
			_, err = plain.Write(data)
			if err == nil {
				err = plain.Sync()
			}
		})
		require.NoError(b, err)
		r := fullReading(n)
		timed(&recording, func() { _, err = book.Append(context.Background(), r) })
		require.NoError(b, err)
		n++
	}
	b.ReportMetric(median(recording)/median(appending), "times-plain")
	b.ReportMetric(median(recording)/1e3, "median-µs")
	b.ReportMetric(median(appending)/1e3, "plain-µs")
	b.ReportMetric(0, "ns/op")
}

// Saving a quarter of a second of samples of a pull that goes on, each time, at
// 1000 a second for four seconds, against recording a reading, turn by turn in
// the same book.
func BenchmarkSave(b *testing.B) {
	book := fill(b, filepath.Join(b.TempDir(), "2117.book"), 300)
	const step, length = 250, 4000
	whole := curve(length, 1)
	var saving, beginning, recording []time.Duration
	var p *Pull
	n := 0
	for b.Loop() {
		var err error
		into := &saving
		if n%length == 0 {
			p, err = book.BeginPull("head/3", "stage-1", "wrench-2")
			require.NoError(b, err)
			into = &beginning // it looks at the witness too
		}
		t := part(whole, 0, n%length+step)
		timed(into, func() { err = p.Save(context.Background(), t) })
		require.NoError(b, err)
		r := fullReading(n)
		timed(&recording, func() { _, err = book.Append(context.Background(), r) })
		require.NoError(b, err)
		n += step
	}
	if len(saving) > 0 { // not of the one round of a trial
		b.ReportMetric(median(saving)/median(recording), "times-entry")
		b.ReportMetric(median(saving)/1e3, "save-µs")
	}
	b.ReportMetric(median(beginning)/1e3, "first-save-µs")
	b.ReportMetric(median(recording)/1e3, "entry-µs")
	b.ReportMetric(0, "ns/op")
}

// readBack gives the book's last entry and its bytes.
func readBack(b *testing.B, book *Book) (fact.Entry, []byte) {
	entries, err := book.Entries(context.Background())
	require.NoError(b, err)
	e := entries[len(entries)-1]
	data, err := entry.Encode(e, entries[len(entries)-2].Hash)
	require.NoError(b, err)
	return e, data
}

// Verifying a book of 10 000 entries against SHA-256 alone over their bytes.
func BenchmarkVerify(b *testing.B) {
	path := filepath.Join(b.TempDir(), "2117.book")
	_, data := readBack(b, fill(b, path, 10000))
	var verifying, hashing []time.Duration
	var bytes int64
	for b.Loop() {
		timed(&verifying, func() {
			r, err := Verify(path)
			if err != nil || !r.Sound() {
				b.Fatal(err, r.Faults)
			}
			bytes = r.Bytes
		})
		timed(&hashing, func() {
			for done := int64(0); done < bytes; done += int64(len(data)) {
				_ = sha256.Sum256(data)
			}
		})
	}
	b.ReportMetric(float64(bytes)/median(verifying)*1e3, "MB/s")
	b.ReportMetric(median(verifying)/median(hashing), "times-SHA-256")
	b.ReportMetric(0, "ns/op")
}

// Reading all entries, and one point's, of a book of 10 000, against reading the
// bytes of its file.
func BenchmarkRead(b *testing.B) {
	path := filepath.Join(b.TempDir(), "2117.book")
	book := fill(b, path, 10000)
	for name, read := range map[string]func() ([]fact.Entry, error){
		"entries": func() ([]fact.Entry, error) { return book.Entries(context.Background()) },
		"history": func() ([]fact.Entry, error) { return book.History(context.Background(), "head/3") },
	} {
		b.Run(name, func(b *testing.B) {
			var reading, raw []time.Duration
			for b.Loop() {
				timed(&reading, func() {
					if list, err := read(); err != nil || len(list) < 1000 {
						b.Fatal(err, len(list))
					}
				})
				timed(&raw, func() {
					if _, err := os.ReadFile(path); err != nil {
						b.Fatal(err)
					}
				})
			}
			b.ReportMetric(median(reading)/1e6, "median-ms")
			b.ReportMetric(median(reading)/median(raw), "times-raw")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// Judging reads all entries. In a book of 300 pulls with 4000 samples each, against
// the same book without traces.
func BenchmarkReadBesideTraces(b *testing.B) {
	dir := b.TempDir()
	var books []*Book
	for _, samples := range []int{0, 4000} {
		book, _, err := Create(filepath.Join(dir, fmt.Sprintf("%d.book", samples)), options("bench-1"), opening)
		require.NoError(b, err)
		for n := range 300 {
			r := fullReading(n)
			if samples > 0 {
				p, err := book.BeginPull(r.Point, r.Pass, "wrench-2")
				require.NoError(b, err)
				require.NoError(b, p.Save(context.Background(), curve(samples, n)))
				r.Trace = p.End()
			}
			record(b, book, r)
		}
		books = append(books, book)
	}
	times := make([][]time.Duration, 2)
	var verifying []time.Duration
	for b.Loop() {
		for i, book := range books {
			timed(&times[i], func() {
				if list, err := book.Entries(context.Background()); err != nil || len(list) != 301 {
					b.Fatal(err, len(list))
				}
			})
		}
		timed(&verifying, func() {
			if r, err := Verify(books[1].Path()); err != nil || r.TracesIntact != 300 {
				b.Fatal(err, r.Faults)
			}
		})
	}
	info, err := os.Stat(books[1].Path())
	require.NoError(b, err)
	b.ReportMetric(median(times[1])/median(times[0]), "with/without")
	b.ReportMetric(median(times[1])/1e6, "entries-ms")
	b.ReportMetric(median(verifying)/1e6, "verify-ms")
	b.ReportMetric(float64(info.Size())/1e6, "MB")
	b.ReportMetric(0, "ns/op")
}

// Opening a book by name and reading it, on a shelf with 10 000 others against
// one with ten.
func BenchmarkShelf(b *testing.B) {
	var books []*Book
	for _, others := range []int{10, 10000} {
		dir := b.TempDir()
		book := fill(b, filepath.Join(dir, "2117.book"), 300)
		data, err := os.ReadFile(book.Path())
		require.NoError(b, err)
		for n := range others {
			path := filepath.Join(dir, fmt.Sprintf("build-%d.book", n))
			require.NoError(b, os.WriteFile(path, data[:pageSize], 0o600)) // names count here, not what is in them
			require.NoError(b, os.WriteFile(WitnessPath(path), nil, 0o600))
		}
		books = append(books, book)
	}
	times := make([][]time.Duration, 2)
	for b.Loop() {
		for i, book := range books {
			timed(&times[i], func() {
				again, err := Open(book.Path(), Options{})
				if err == nil {
					_, err = again.Entries(context.Background())
				}
				if err != nil {
					b.Fatal(err)
				}
			})
		}
	}
	b.ReportMetric(median(times[1])/median(times[0]), "10000/10")
	b.ReportMetric(median(times[1])/1e6, "median-ms")
	b.ReportMetric(0, "ns/op")
}
