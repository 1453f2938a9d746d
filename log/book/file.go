package book

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"paintmark/log/pages"
)

// A snapshot is what a book and its witness say at one moment.
type snapshot struct {
	r       io.ReaderAt
	size    int64
	pages   *pages.File // nil if the header pages cannot be used
	db      *bbolt.DB   // nil if bbolt cannot open it
	witness []byte
	// witnessed tells that there is a witness at all.
	witnessed bool
}

// read locks the book for reading, beside other readers, and calls use.
func (b *Book) read(ctx context.Context, use func(*snapshot) error) error {
	if err := checkFile(b.path); err != nil {
		return err
	}
	locked, err := b.lock(ctx, true, admitAny)
	if err != nil {
		return err
	}
	defer locked.close()
	s, err := take(locked, b.path)
	if err != nil {
		return err
	}
	return use(s)
}

// take reads the header pages and the witness of a file that is locked.
func take(l *locked, path string) (*snapshot, error) {
	info, err := l.file.Stat()
	if err != nil {
		return nil, at(path, err)
	}
	s := &snapshot{r: l.file, size: info.Size(), db: l.db}
	if s.pages, err = pages.Open(s.r, s.size); err != nil {
		return nil, at(path, classify(err))
	}
	return s, s.takeWitness(path)
}

func (s *snapshot) takeWitness(path string) error {
	path = WitnessPath(path)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s: the witness is no file", path)
	}
	s.witness, err = os.ReadFile(path)
	s.witnessed = err == nil
	return err
}

// A stamp tells a state of the file from others.
type stamp struct {
	transaction uint64
	size        int64
	modified    time.Time
}

// look tells the state of a file that need not be locked: of what is being
// written meanwhile it sees the old or the new. Its error says why bbolt must
// not get the file.
func look(file *os.File) (stamp, error) {
	// The headers first: the file grows before they tell of it.
	p, err := pages.Headers(file)
	info, err2 := file.Stat()
	switch {
	case err2 != nil:
		return stamp{}, err2
	case info.Size() == 0:
		return stamp{}, &Error{Class: ErrEmpty}
	case err == nil:
		err = p.CheckSize(info.Size())
	}
	if err != nil {
		return stamp{}, classify(err)
	}
	return stamp{p.Transaction, info.Size(), info.ModTime()}, nil
}

// admitAny lets in every file that can be mapped.
func admitAny(file *os.File) error {
	_, err := look(file)
	return err
}

// checkFile tells what is wrong with a path where no file is that could be a book.
func checkFile(path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) {
		e := &Error{Path: path, Class: ErrMissing}
		if _, err := os.Stat(WitnessPath(path)); err == nil {
			e.Detail = "the file is gone, but its witness is still there"
			e.Hint = "the file was renamed, moved or deleted; its witness " + WitnessPath(path) + " belongs beside it"
		}
		return e
	}
	if err == nil && !info.Mode().IsRegular() {
		return &Error{Path: path, Class: ErrForeign, Detail: "it is no file"}
	}
	return err
}

// classify turns what package pages says of a file into an Error.
func classify(err error) error {
	for of, class := range map[error]error{
		pages.ErrForeign: ErrForeign, pages.ErrShort: ErrShort, pages.ErrHeaders: ErrDamaged,
	} {
		if errors.Is(err, of) {
			e := &Error{Class: class}
			if class == ErrDamaged {
				e.Detail = err.Error()
			}
			return e
		}
	}
	return err
}

// A locked is a file that bbolt has open, and therefore locked.
type locked struct {
	db   *bbolt.DB
	file *os.File
}

// lock opens the file with bbolt, as soon as nobody else has it: shared if it is
// only to be read. It never creates or fills one, and gives bbolt only a file
// that admit lets in.
func (b *Book) lock(ctx context.Context, readOnly bool, admit func(*os.File) error) (*locked, error) {
	var end <-chan time.Time
	for pause := time.Millisecond; ; pause = min(2*pause, 20*time.Millisecond) {
		l, err := b.tryLock(readOnly, admit)
		switch {
		case err == nil:
			return l, nil
		case errors.Is(err, os.ErrNotExist):
			return nil, checkFile(b.path)
		case !errors.Is(err, berrors.ErrTimeout):
			return nil, b.fail(err)
		}
		if end == nil {
			timer := time.NewTimer(b.options.Wait)
			defer timer.Stop()
			end = timer.C
		}
		next := time.NewTimer(pause)
		select {
		case <-next.C:
		case <-end:
			next.Stop()
			return nil, &Error{Path: b.path, Class: ErrLocked}
		case <-ctx.Done():
			next.Stop()
			return nil, b.fail(ctx.Err())
		}
	}
}

func (b *Book) tryLock(readOnly bool, admit func(*os.File) error) (*locked, error) {
	l := &locked{}
	err := guarded(func() (err error) {
		l.db, err = bbolt.Open(b.path, 0, &bbolt.Options{
			Timeout:      1, // once, without waiting: we wait ourselves
			ReadOnly:     readOnly,
			MaxSize:      b.maxSize,
			NoStatistics: true,
			OpenFile: func(path string, flag int, _ os.FileMode) (*os.File, error) {
				file, err := os.OpenFile(path, flag&^os.O_CREATE, 0)
				if err != nil {
					return nil, err
				}
				if err := admit(file); err != nil {
					_ = file.Close()
					return nil, err
				}
				l.file = file
				return file, nil
			},
		})
		return err
	})
	if errors.Is(err, errPanicked) && l.file != nil {
		l.abandon()
	}
	return l, err
}

// close unlocks. What was committed is on disk already, so that an error here
// has nothing to say about it.
func (l *locked) close() {
	if l.db != nil {
		_ = l.db.Close()
	}
}

// abandon unlocks after a panic, when bbolt may still hold its own locks and
// could never close. The mapping stays until the program ends.
func (l *locked) abandon() {
	l.db = nil
	unlock(l.file)
	_ = l.file.Close()
}

// errPanicked is what guarded makes of a panic.
var errPanicked = errors.New("bbolt gave up")

// guarded runs f so that a panic, and a fault in mapped memory, becomes an error.
func guarded(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = &Error{Class: ErrDamaged, Cause: fmt.Errorf("%w: %v", errPanicked, r)}
		}
	}()
	return f()
}
