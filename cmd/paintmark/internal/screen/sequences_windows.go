package screen

import (
	"os"

	"golang.org/x/sys/windows"
)

// sequences makes a console understand them; consoles do not by default.
func sequences(out *os.File) (restore func(), err error) {
	console := windows.Handle(out.Fd())
	var mode uint32
	if err := windows.GetConsoleMode(console, &mode); err != nil {
		return nil, err
	}
	if err := windows.SetConsoleMode(console, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING); err != nil {
		return nil, err
	}
	return func() { _ = windows.SetConsoleMode(console, mode) }, nil
}
