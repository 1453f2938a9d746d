// Package shelf is the folder in which a shop keeps the books of its builds, and
// the list of its instruments.
//
// A build's name is its book's file name without the extension, so that finding
// one build never looks at the others.
package shelf

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"paintmark/log/book"
)

// MaxName is the greatest length of a build's name.
const MaxName = 80

// InstrumentsName is the name of the list of instruments.
const InstrumentsName = "instruments.toml"

// A Shelf is a folder. It need not exist until something is put there.
type Shelf struct{ dir string }

// Open names a folder as a shelf. It fails where there is something else of
// that name.
func Open(dir string) (*Shelf, error) {
	if dir == "" {
		return nil, errors.New("a shelf needs a folder")
	}
	info, err := os.Stat(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	if err == nil && !info.IsDir() {
		return nil, fmt.Errorf("%s is no folder, so it cannot be a shelf", dir)
	}
	return &Shelf{dir}, nil
}

// Dir is the folder.
func (s *Shelf) Dir() string { return s.dir }

// Instruments is the file of the shop's instruments.
func (s *Shelf) Instruments() string { return filepath.Join(s.dir, InstrumentsName) }

// Book is the file of the build called name, whether it is there or not. It
// fails for a name that no build can have.
func (s *Shelf) Book(name string) (string, error) {
	if err := CheckName(name); err != nil {
		return "", err
	}
	return filepath.Join(s.dir, name+book.Extension), nil
}

// Builds are the names of all builds on the shelf, sorted. A folder that is not
// there has none.
func (s *Shelf) Builds() ([]string, error) {
	files, err := os.ReadDir(s.dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var names []string
	for _, f := range files {
		name, ok := strings.CutSuffix(f.Name(), book.Extension)
		if ok && !f.IsDir() && CheckName(name) == nil { // a book in the making starts with a dot
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names, nil
}

// A NameError says why a build cannot have a name.
type NameError struct{ Name, Problem string }

func (e *NameError) Error() string { return fmt.Sprintf("%q: a build's name %s", e.Name, e.Problem) }

// HintText is what to do about it.
func (e *NameError) HintText() string {
	return "use letters, digits, hyphens, underscores and dots, as in 2117 or smith-302.2"
}

// CheckName tells whether a build can have this name on every system: 1 to
// MaxName ASCII letters, digits, hyphens, underscores and dots, no dot or hyphen
// first, no dot last, and none of the names that Windows keeps for itself.
func CheckName(name string) error {
	bad := func(problem string) error { return &NameError{name, problem} }
	switch {
	case name == "":
		return bad("cannot be empty")
	case len(name) > MaxName:
		return &NameError{name[:MaxName] + "…", fmt.Sprintf("has at most %d characters", MaxName)}
	case name[0] == '.' || name[len(name)-1] == '.':
		return bad("neither starts nor ends with a dot")
	case name[0] == '-':
		return bad("does not start with a hyphen, which is how flags start")
	}
	for _, r := range name {
		if !('a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || '0' <= r && r <= '9' || strings.ContainsRune("-_.", r)) {
			return bad(fmt.Sprintf("cannot contain %q", r))
		}
	}
	device, _, _ := strings.Cut(strings.ToUpper(name), ".")
	if slices.Contains([]string{"CON", "PRN", "AUX", "NUL"}, device) ||
		len(device) == 4 && (device[:3] == "COM" || device[:3] == "LPT") && '0' <= device[3] && device[3] <= '9' {
		return bad("cannot be one that Windows keeps for a device")
	}
	return nil
}
