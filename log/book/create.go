package book

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

const (
	filePermission = 0o644
	// pageSize is that of every book, whichever machine makes it.
	pageSize = 4096
)

// Create makes the book of a new build, with its opening for first entry. The
// file appears under its name only when it is whole and on disk; one that is
// there already is ErrExists and is left alone, and so is a witness without its
// book.
func Create(path string, o Options, opening fact.Opening) (*Book, fact.Entry, error) {
	b, err := newBook(path, o)
	if err != nil {
		return nil, fact.Entry{}, err
	}
	if o.Station == "" {
		return nil, fact.Entry{}, b.fail(errors.New("a station's name is needed to open a build"))
	}
	for _, file := range []string{path, WitnessPath(path)} {
		if _, err := os.Lstat(file); err == nil {
			e := &Error{Path: path, Class: ErrExists}
			if file != path {
				e.Detail = "its witness is there, though the book itself is gone"
				e.Hint = "restore the book, or move " + file + " away if it is not needed any more"
			}
			return nil, fact.Entry{}, e
		} else if !errors.Is(err, os.ErrNotExist) {
			return nil, fact.Entry{}, err
		}
	}
	b.since = max(0, b.options.Now().Sub(b.options.Start))
	first := fact.Entry{
		Ref:  fact.Ref{Station: o.Station, Number: 1},
		Time: b.options.at(b.since), Since: b.since, Session: o.Session, Body: opening,
	}
	data, err := entry.Encode(first, entry.Hash{})
	if err != nil {
		return nil, fact.Entry{}, b.fail(err)
	}
	first.Hash = sha256.Sum256(data)
	b.build, b.created = opening.Build, first.Time

	folder, name := filepath.Split(path)
	draft := filepath.Join(folder, "."+name+"."+rand.Text()+".new")
	if err := makeFile(draft, first, data, opening.Build); err != nil {
		_ = os.Remove(draft)
		return nil, fact.Entry{}, b.fail(err)
	}
	err = publish(draft, path)
	_ = os.Remove(draft) // after a link, the other name of the same file
	if err != nil {
		return nil, fact.Entry{}, b.fail(err)
	}
	if err := syncFolder(filepath.Dir(path)); err != nil {
		return nil, fact.Entry{}, b.fail(err)
	}
	// What a crash here would leave is a book without a witness, and mended in
	// the same way.
	if _, err := b.Append(context.Background()); err != nil {
		return nil, fact.Entry{}, err
	}
	return b, first, nil
}

// makeFile writes a book with one entry to a file that is not there yet.
func makeFile(path string, first fact.Entry, data []byte, build string) error {
	db, err := bbolt.Open(path, filePermission, &bbolt.Options{
		Timeout:      1,
		PageSize:     pageSize,
		NoStatistics: true,
		OpenFile: func(path string, flag int, mode os.FileMode) (*os.File, error) {
			return os.OpenFile(path, flag|os.O_EXCL, mode)
		},
	})
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		hash := chainRecord{first.Hash, first.Body.About()}
		for _, put := range []struct{ bucket, key, value []byte }{
			{bucketAbout, keyFormat, fmt.Append(nil, formatPrefix, formatVersion)},
			{bucketAbout, keyBuild, []byte(build)},
			{bucketAbout, keyCreated, first.Time.AppendFormat(nil, time.RFC3339Nano)},
			{bucketEntries, entryKey(first.Body.About(), first.Ref), data},
			{bucketChain, chainKey(first.Ref), hash.bytes()},
		} {
			bucket, err := tx.CreateBucketIfNotExists(put.bucket)
			if err != nil {
				return err
			}
			if err := bucket.Put(put.key, put.value); err != nil {
				return err
			}
		}
		return nil
	})
	return errors.Join(err, db.Close())
}

// publish gives the file draft the name path, unless there is such a file. Where
// the file system has no links, the check and the renaming are two steps.
func publish(draft, path string) error {
	err := os.Link(draft, path)
	if err == nil {
		return nil
	}
	if _, there := os.Lstat(path); there == nil {
		return &Error{Class: ErrExists}
	} else if !errors.Is(there, os.ErrNotExist) {
		return there
	}
	return os.Rename(draft, path)
}
