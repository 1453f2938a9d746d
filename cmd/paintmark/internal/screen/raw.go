package screen

import (
	"os"

	"golang.org/x/term"
)

// IsTerminal tells whether a person sits at this file.
func IsTerminal(f *os.File) bool { return f != nil && term.IsTerminal(int(f.Fd())) }

// Raw lets single keys of in through and makes out understand the sequences
// that Terminal writes. It gives a function that puts both back.
func Raw(in, out *os.File) (restore func(), err error) {
	colours, err := sequences(out)
	if err != nil {
		return nil, err
	}
	state, err := term.MakeRaw(int(in.Fd()))
	if err != nil {
		colours()
		return nil, err
	}
	return func() {
		_ = term.Restore(int(in.Fd()), state)
		colours()
	}, nil
}

// Size gives the size of a terminal, that of old where it cannot be told.
func Size(out *os.File) func() (columns, rows int) {
	return func() (int, int) {
		if columns, rows, err := term.GetSize(int(out.Fd())); err == nil && columns > 0 && rows > 0 {
			return columns, rows
		}
		return 80, 24
	}
}
