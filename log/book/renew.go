package book

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"paintmark/calc/fact"
)

// hintRenew is the hint for a book of which the witness alone is incomplete.
const hintRenew = "the book itself is whole: bring back the witness that belongs to it, or renew the witness"

// Renew writes the witness anew, for a book that was handed over or restored
// without it. The book must be sound in itself, and what is left of the witness
// must not say otherwise. That the witness was renewed becomes an entry of the
// book, because what was lost before cannot be told any more.
func Renew(ctx context.Context, path string, o Options) (fact.Entry, error) {
	b, err := Open(path, o)
	if err != nil {
		return fact.Entry{}, err
	}
	var count int
	err = b.read(ctx, func(s *snapshot) error {
		x := examine(s, false)
		if x.report.Sound() {
			return b.fail(errors.New("the witness needs no renewing"))
		}
		if !x.report.Renewable {
			return b.fail(x.report.Err())
		}
		var text []byte
		for _, r := range x.refs() {
			text = line{r, x.entries[r].accepted.hash}.appendTo(text)
		}
		count = len(x.entries)
		return replaceWitness(WitnessPath(path), text)
	})
	if err != nil {
		return fact.Entry{}, err
	}
	added, err := b.Append(ctx, fact.Note{What: fact.WitnessRenewed, Text: fmt.Sprintf("for %d entries", count)})
	if len(added) == 0 {
		return fact.Entry{}, err
	}
	return added[0], err
}

// replaceWitness puts a whole new file in the place of the witness.
func replaceWitness(path string, text []byte) error {
	folder, name := filepath.Split(path)
	file, err := os.CreateTemp(filepath.Clean(folder), "."+name+".*.new")
	if err != nil {
		return err
	}
	draft := file.Name()
	_, err = file.Write(text)
	err = errors.Join(err, file.Chmod(filePermission), file.Sync(), file.Close())
	if err == nil {
		err = os.Rename(draft, path)
	}
	if err != nil {
		_ = os.Remove(draft)
		return err
	}
	return syncFolder(filepath.Dir(path))
}
