package book

import (
	"errors"
	"fmt"
)

// What can be wrong with a book. Every error about a book that this package
// gives is an [*Error] that wraps one of these, or an error of the system.
var (
	ErrMissing = errors.New("there is no such book")
	ErrExists  = errors.New("there is such a book already")
	ErrLocked  = errors.New("the book is in use by another program")
	ErrNewer   = errors.New("the book was written by a newer program")

	ErrEmpty   = errors.New("the file is empty")
	ErrForeign = errors.New("the file is not a book")
	ErrShort   = errors.New("the book ends too early")
	ErrDamaged = errors.New("the book is damaged or was changed")
	// ErrUnsound is every one of ErrEmpty, ErrForeign, ErrShort and ErrDamaged.
	ErrUnsound = errors.New("the book is not sound")

	// ErrUnwitnessed means that entries are in the book, but their lines could
	// not be written to the witness. They must not be appended again; the next
	// Append writes the lines.
	ErrUnwitnessed = errors.New("recorded, but the witness could not be written")
)

var hints = map[error]string{
	ErrMissing:     "check the name, or open a new build",
	ErrExists:      "choose another name, or go on with that build",
	ErrLocked:      "wait until the other program is done, or close it",
	ErrNewer:       "use the newest version of paintmark that wrote to it",
	ErrEmpty:       "restore the book and its witness from a backup; an empty file is never taken for a new book",
	ErrForeign:     "check the name; books end in " + Extension,
	ErrShort:       "it was probably copied while being written, or the disk was full; restore it from a backup, or verify it to see what can be had",
	ErrDamaged:     "verify the book to see every fault; restore it and its witness from a backup",
	ErrUnwitnessed: "make room on the disk and check that the witness can be written; the reading itself is safe",
}

// An Error is what went wrong with one book.
type Error struct {
	Path   string
	Class  error   // one of the Err values above
	Detail string  // more than the class tells; may be empty
	Hint   string  // what to do, where it is not what the class suggests
	Faults []Fault // what was found, if it was looked at so closely
	Cause  error   // what the system or bbolt said; may be nil
}

// Error is "path: class: detail".
func (e *Error) Error() string {
	s := e.Path + ": " + e.Class.Error()
	if e.Detail != "" {
		s += ": " + e.Detail
	} else if len(e.Faults) > 0 {
		s += ": " + e.Faults[0].String()
		if more := len(e.Faults) - 1; more > 0 {
			s += fmt.Sprintf(" (and %d more)", more)
		}
	}
	if e.Cause != nil {
		s += ": " + e.Cause.Error()
	}
	return s
}

// HintText is what to do about it.
func (e *Error) HintText() string {
	if e.Hint != "" {
		return e.Hint
	}
	return hints[e.Class]
}

// Unwrap gives the class and the cause.
func (e *Error) Unwrap() []error {
	if e.Cause == nil {
		return []error{e.Class}
	}
	return []error{e.Class, e.Cause}
}

// Is makes the classes of an unsound book be ErrUnsound as well.
func (e *Error) Is(target error) bool {
	return target == ErrUnsound &&
		(e.Class == ErrEmpty || e.Class == ErrForeign || e.Class == ErrShort || e.Class == ErrDamaged)
}
