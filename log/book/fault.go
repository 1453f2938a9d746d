package book

import (
	"fmt"

	"paintmark/calc/fact"
	"paintmark/log/pages"
)

// A Kind is what sort of thing is wrong.
type Kind string

// The kinds of fault.
const (
	Missing    Kind = "missing"      // an entry is not in the book
	Altered    Kind = "altered"      // an entry's bytes are not those that were recorded
	OutOfChain Kind = "out of chain" // an entry does not follow on the one before
	WrongKey   Kind = "wrong key"    // an entry does not stand where it belongs
	Newer      Kind = "newer"        // an entry that only a newer program can read
	Chain      Kind = "chain"        // the book's own list of entries disagrees with them
	Witness    Kind = "witness"      // the witness disagrees with the book
	Trace      Kind = "trace"        // the samples of a pull are not those that were recorded
	Label      Kind = "label"        // what the book says about itself disagrees with its opening
	Page       Kind = "page"         // a page of the file
	Header     Kind = "header"       // one of the two header pages
)

// A Fault is one thing wrong with a book.
type Fault struct {
	// Ref is the entry concerned; zero if none in particular.
	Ref   fact.Ref
	Point fact.Point // of that entry, where it is known
	Kind  Kind
	Text  string
}

// String is "bench-1#17 (head/7): altered: …".
func (f Fault) String() string {
	switch {
	case f.Ref.IsZero():
		return fmt.Sprintf("%s: %s", f.Kind, f.Text)
	case f.Point == "":
		return fmt.Sprintf("%s: %s: %s", f.Ref, f.Kind, f.Text)
	default:
		return fmt.Sprintf("%s (%s): %s: %s", f.Ref, f.Point, f.Kind, f.Text)
	}
}

// pageFaults are the faults of pages as those of a book.
func pageFaults(list []*pages.Fault) []Fault {
	faults := make([]Fault, len(list))
	for i, f := range list {
		faults[i] = Fault{Kind: Page, Text: f.Error()}
	}
	return faults
}
