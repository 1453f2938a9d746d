// Package rack is the list of a shop's own instruments: the file
// instruments.toml on the shelf, so that at the stand one short name is enough,
// and every reading carries which instrument gave it.
//
// The file is TOML, read strictly, with a table for each instrument:
//
//	[[instrument]]
//	name       = "wrench-a"            # short, as it is said at the bench; needed
//	address    = "serial:usb=BENCH-0042" # where it is attached; needed
//	profile    = "wrench-line"         # how it talks; needed, but see below
//	measures   = "torque"              # torque, angle or length; needed
//	least      = "10 lbf·ft"           # the range in which it is good
//	most       = "150 lbf·ft"
//	calibrated = 2026-03-02            # when it was last checked, as known
//	due        = 2027-03-02            # when it is to be checked again
//	note       = "long handle"
//
// A profile is the path of a file, relative to the list's own folder, or the
// name of a file in the folder profiles beside the list, without its ending. It
// may be left out where the address is one of Bluetooth LE whose characteristic
// describes itself.
// Ranges and dates are data of the instrument: the program has no figures of its
// own for them. A worked list stands in testdata/shelf.
package rack

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"paintmark/calc/document"
	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/ble"
	"paintmark/device/profile"
)

// An Instrument is one line of the list.
type Instrument struct {
	Name     string
	Address  device.Address
	Profile  string // as it is written in the list; empty where it describes itself
	Measures quantity.Dimension
	Range    quantity.Limits
	// Calibrated and Due are dates, RFC 3339 full-date; empty if unknown.
	Calibrated, Due string
	Note            string
}

// A Rack is a whole list.
type Rack struct {
	// Path is the file that the list was read from.
	Path        string
	Instruments []Instrument
}

type (
	fileForm struct {
		Instrument []instrumentForm `toml:"instrument"`
	}
	instrumentForm struct {
		Name       string            `toml:"name"`
		Address    string            `toml:"address"`
		Profile    string            `toml:"profile"`
		Measures   string            `toml:"measures"`
		Least      quantity.Quantity `toml:"least"`
		Most       quantity.Quantity `toml:"most"`
		Calibrated *toml.LocalDate   `toml:"calibrated"`
		Due        *toml.LocalDate   `toml:"due"`
		Note       string            `toml:"note"`
	}
)

var namePattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,31}$`)

// Open reads the list at path. That it is not there is os.ErrNotExist.
func Open(path string) (*Rack, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, text)
}

// Parse reads a list. The path is that of its file, for messages and for finding
// profiles. The error, of type document.Faults, tells all that is wrong with it.
func Parse(path string, text []byte) (*Rack, error) {
	var form fileForm
	file, err := document.Decode(path, text, &form)
	if err != nil {
		return nil, err
	}
	r := &Rack{Path: path}
	for i, f := range form.Instrument {
		at := fmt.Sprintf("instrument[%d]", i)
		made := Instrument{Name: f.Name, Profile: f.Profile, Range: quantity.Limits{Least: f.Least, Most: f.Most},
			Calibrated: date(f.Calibrated), Due: date(f.Due), Note: f.Note}
		if !namePattern.MatchString(f.Name) {
			file.Fault(at+".name", fmt.Sprintf("%q is no name for an instrument", f.Name), "a name is up to 32 letters, digits, dots, hyphens and underscores, as in wrench-a")
		} else if _, err := r.Find(f.Name); err == nil {
			file.Fault(at+".name", fmt.Sprintf("two instruments have the name %q", f.Name), "give each a name of its own")
		}
		if made.Address, err = device.ParseAddress(f.Address); err != nil {
			file.Fault(at+".address", err.Error(), "paintmark ports lists the addresses of what is plugged in")
		}
		if strings.TrimSpace(f.Profile) == "" && (made.Address.Transport != ble.Name || file.Has(at+".profile")) {
			file.Fault(at+".profile", "the instrument has no profile", `name the file that says how it talks, as in profile = "wrench-line"`)
		}
		if made.Measures, err = quantity.ParseDimension(f.Measures); err != nil {
			file.Fault(at+".measures", err.Error(), `write measures = "torque"`)
		}
		checkRange(file, at, made)
		if made.Calibrated != "" && made.Due != "" && made.Due < made.Calibrated {
			file.Fault(at+".due", fmt.Sprintf("due on %s, before it was calibrated on %s", made.Due, made.Calibrated), "")
		}
		r.Instruments = append(r.Instruments, made)
	}
	if err := file.Err(); err != nil {
		return nil, err
	}
	return r, nil
}

func checkRange(file *document.File, at string, i Instrument) {
	for _, end := range []struct {
		key   string
		value quantity.Quantity
	}{{"least", i.Range.Least}, {"most", i.Range.Most}} {
		if !end.value.IsZero() && end.value.Dimension() != i.Measures {
			file.Fault(at+"."+end.key, fmt.Sprintf("%s is no %s", end.value, i.Measures), "write the range in what the instrument measures")
			return
		}
	}
	if i.Range.Least.IsZero() || i.Range.Most.IsZero() {
		return
	}
	if c, err := i.Range.Least.Cmp(i.Range.Most); err == nil && c > 0 {
		file.Fault(at+".least", fmt.Sprintf("least %s is more than most %s", i.Range.Least, i.Range.Most), "")
	}
}

func date(d *toml.LocalDate) string {
	if d == nil {
		return ""
	}
	return d.String()
}

// An UnknownError is a name that is not in the list.
type UnknownError struct {
	Name, Path string
	Known      []string
}

func (e *UnknownError) Error() string {
	return fmt.Sprintf("%s has no instrument %q", e.Path, e.Name)
}

// HintText names the nearest, or all there are.
func (e *UnknownError) HintText() string {
	if near := document.Nearest(e.Name, e.Known); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	if len(e.Known) == 0 {
		return "the list is empty"
	}
	return "it has " + strings.Join(e.Known, ", ")
}

// Find finds an instrument by its name; the error is an *UnknownError.
func (r *Rack) Find(name string) (Instrument, error) {
	known := make([]string, len(r.Instruments))
	for i, in := range r.Instruments {
		if in.Name == name {
			return in, nil
		}
		known[i] = in.Name
	}
	return Instrument{}, &UnknownError{Name: name, Path: r.Path, Known: known}
}

// ProfileOf reads an instrument's profile; nil for one that describes itself.
func (r *Rack) ProfileOf(i Instrument) (*profile.Profile, error) {
	if i.Profile == "" {
		return nil, nil
	}
	path := filepath.FromSlash(i.Profile)
	if !strings.ContainsAny(i.Profile, `/\`) && filepath.Ext(i.Profile) != ".toml" {
		path = filepath.Join("profiles", i.Profile+".toml")
	}
	if !filepath.IsAbs(path) {
		path = filepath.Join(filepath.Dir(r.Path), path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the profile of %s: %w", i.Name, err)
	}
	return profile.Parse(path, text)
}

// Fact is what goes into the book with each of the instrument's readings.
func (i Instrument) Fact() fact.Instrument {
	made := fact.Instrument{Name: i.Name, Address: i.Address.String(), Profile: i.Profile, Range: i.Range, Calibrated: i.Calibrated, Due: i.Due}
	if made.Profile == "" {
		made.Profile = ble.SelfDescribed
	}
	return made
}
