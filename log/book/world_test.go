package book

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"paintmark/calc/fact"
)

func isUnsound(err error) bool { return errors.Is(err, ErrUnsound) }

// makeForeign makes a bbolt file of some other program.
func makeForeign(t testing.TB, path string) {
	db, err := bbolt.Open(path, 0o600, nil)
	require.NoError(t, err)
	require.NoError(t, db.Update(func(tx *bbolt.Tx) error {
		_, err := tx.CreateBucket([]byte("recipes"))
		return err
	}))
	require.NoError(t, db.Close())
}

func TestLocked(t *testing.T) {
	b := create(t)
	record(t, b, reading(1))
	for name, readOnly := range map[string]bool{"by a writer": false, "by a reader": true} {
		t.Run(name, func(t *testing.T) {
			holder, err := bbolt.Open(b.Path(), 0o600, &bbolt.Options{ReadOnly: readOnly, Timeout: time.Second})
			require.NoError(t, err)
			o := options("bench-2")
			o.Wait = time.Millisecond
			other, err := newBook(b.Path(), o)
			require.NoError(t, err)

			_, err = other.Append(context.Background(), reading(1))
			require.ErrorIs(t, err, ErrLocked)
			require.NotErrorIs(t, err, ErrUnsound)
			_, err = other.Entries(context.Background())
			if readOnly {
				require.NoError(t, err)
			} else {
				require.ErrorIs(t, err, ErrLocked)
				_, err = Open(b.Path(), o)
				require.ErrorIs(t, err, ErrLocked)
			}

			// Who waits gives up when told to, or gets it when it is free.
			other.options.Wait = time.Minute
			ctx, cancel := context.WithCancel(context.Background())
			failed := make(chan error)
			go func() {
				_, err := other.Append(ctx, reading(1))
				failed <- err
			}()
			cancel()
			require.ErrorIs(t, <-failed, context.Canceled)
			go func() {
				_, err := other.Append(context.Background(), reading(1))
				failed <- err
			}()
			require.NoError(t, holder.Close())
			require.NoError(t, <-failed)
		})
	}
}

// Two stations record and one desk reads, all at once.
func TestTogether(t *testing.T) {
	b := create(t)
	const each = 25
	var wg sync.WaitGroup
	failed := make(chan error, 100)
	for _, station := range []string{"bench-2", "bench-3"} {
		wg.Go(func() {
			w, err := Open(b.Path(), options(station))
			for i := 0; err == nil && i < each; i++ {
				_, err = w.Append(context.Background(), reading(i))
			}
			failed <- err
		})
	}
	written := make(chan struct{})
	go func() { wg.Wait(); close(written) }()
	go func() {
		var err error
		seen, known := 0, 0
		for done := false; err == nil && !done; {
			select {
			case <-written:
				done = true
			default:
			}
			var entries, history []fact.Entry
			if entries, err = b.Entries(context.Background()); err == nil {
				history, err = b.History(context.Background(), "head/3")
			}
			if err == nil && (len(entries) < seen || len(history) < known) {
				err = errors.New("entries vanished")
			}
			seen, known = len(entries), len(history)
		}
		failed <- err
	}()
	for range 3 {
		require.NoError(t, <-failed)
	}
	require.Equal(t, 1+2*each, requireSound(t, b.Path()).Entries)
}

// One Book in several hands.
func TestSharedBook(t *testing.T) {
	b := create(t)
	var wg sync.WaitGroup
	failed := make(chan error, 8)
	for i := range cap(failed) {
		wg.Go(func() {
			_, err := b.Append(context.Background(), reading(i), reading(i+1))
			failed <- err
		})
	}
	wg.Wait()
	for range cap(failed) {
		require.NoError(t, <-failed)
	}
	require.Equal(t, 1+2*cap(failed), requireSound(t, b.Path()).Entries)
}

// A full disk: the entry that does not fit is refused, those before stay, and
// recording goes on when there is room.
func TestFullDisk(t *testing.T) {
	b := create(t)
	record(t, b, reading(0))
	info, err := os.Stat(b.Path())
	require.NoError(t, err)
	b.maxSize = int(info.Size())
	recorded := 2
	for {
		_, err = b.Append(context.Background(), readings(20)...)
		if err != nil {
			break
		}
		recorded += 20
	}
	require.ErrorIs(t, err, berrors.ErrMaxSizeReached)
	require.NotErrorIs(t, err, ErrUnsound)
	require.Equal(t, recorded, requireSound(t, b.Path()).Entries)
	b.maxSize = 0
	record(t, b, reading(1))
	require.Equal(t, recorded+1, requireSound(t, b.Path()).Entries)
}

// A witness that cannot even be opened: refused before anything is written.
func TestWitnessIsAFolder(t *testing.T) {
	b := create(t)
	record(t, b, reading(0))
	path := WitnessPath(b.Path())
	aside := filepath.Join(t.TempDir(), "aside")
	require.NoError(t, os.Rename(path, aside))
	require.NoError(t, os.Mkdir(path, 0o700))
	_, err := b.Append(context.Background(), reading(1))
	require.Error(t, err)
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.Rename(aside, path))
	require.Equal(t, 2, requireSound(t, b.Path()).Entries)
	record(t, b, reading(1))
}

// A book that vanishes under an open handle is missing, and not made anew.
func TestVanished(t *testing.T) {
	path := filepath.Join(t.TempDir(), "2117.book")
	b, _, err := Create(path, options("bench-1"), opening)
	require.NoError(t, err)
	record(t, b, reading(1))
	require.NoError(t, os.Remove(path))
	_, err = b.Append(context.Background(), reading(2))
	require.ErrorIs(t, err, ErrMissing)
	_, err = b.Entries(context.Background())
	require.ErrorIs(t, err, ErrMissing)
	require.NoFileExists(t, path)
}

// A panic of bbolt's becomes an error, and gives the book free for others.
func TestPanic(t *testing.T) {
	b := create(t)
	for _, where := range []string{"while open", "while opening"} {
		t.Run(where, func(t *testing.T) {
			admit := func(*os.File) error { return nil }
			if where == "while opening" {
				admit = func(*os.File) error { panic("assertion failed") }
			}
			l, err := b.lock(context.Background(), false, admit)
			if err == nil {
				err = guarded(func() error {
					return l.db.Update(func(*bbolt.Tx) error { panic("assertion failed") })
				})
				l.abandon()
			}
			require.ErrorIs(t, err, errPanicked)
			require.ErrorIs(t, err, ErrDamaged)
			record(t, b, reading(1))
		})
	}
}

// A file that is cut off while it is mapped faults; that is an error as well.
func TestFault(t *testing.T) {
	s := newSpecimen()
	path := s.write(t, t.TempDir())
	b, err := newBook(path, options("bench-1"))
	require.NoError(t, err)
	l, err := b.lock(context.Background(), false, admitAny)
	require.NoError(t, err)
	require.NoError(t, os.Truncate(path, 2*pageSize))
	err = guarded(func() error {
		return l.db.View(func(tx *bbolt.Tx) error {
			return tx.Bucket(bucketEntries).ForEach(func(_, _ []byte) error { return nil })
		})
	})
	require.ErrorIs(t, err, ErrDamaged)
	l.abandon()
	_, err = b.Entries(context.Background())
	require.ErrorIs(t, err, ErrShort)
}
