package rack

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/calc/quantity"
)

var worked = filepath.Join("..", "..", "testdata", "shelf", "instruments.toml")

func TestWorkedList(t *testing.T) {
	r, err := Open(worked)
	require.NoError(t, err)
	require.Len(t, r.Instruments, 3)
	for _, i := range r.Instruments {
		_, err := r.ProfileOf(i)
		require.NoError(t, err, i.Name)
	}
	a, err := r.Find("wrench-a")
	require.NoError(t, err)
	require.Equal(t, quantity.Torque, a.Measures)
	f := a.Fact()
	require.Equal(t, "serial:usb=INVENTED1", f.Address)
	require.Equal(t, "2026-03-02", f.Calibrated)
	require.Equal(t, "2027-03-02", f.Due)
	require.Equal(t, "10–150 lbf·ft", f.Range.String())

	_, err = r.Find("wrench-b")
	unknown, ok := errors.AsType[*UnknownError](err)
	require.True(t, ok)
	require.Equal(t, `did you mean "wrench-a"?`, unknown.HintText())
}

func TestAProfileIsFoundByNameBesideTheList(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "profiles"), 0o755))
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "profiles", "wrench-line.toml"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "profiles", "mine.toml"), text, 0o644))
	r, err := Parse(filepath.Join(dir, "instruments.toml"), []byte(`
[[instrument]]
name = "a"
address = "serial:COM3"
profile = "mine"
measures = "torque"
[[instrument]]
name = "b"
address = "serial:COM4"
profile = "theirs"
measures = "torque"
`))
	require.NoError(t, err)
	p, err := r.ProfileOf(r.Instruments[0])
	require.NoError(t, err)
	require.Equal(t, "wrench-line", p.Name)
	_, err = r.ProfileOf(r.Instruments[1])
	require.ErrorIs(t, err, os.ErrNotExist)
	require.ErrorContains(t, err, "the profile of b")
}

// Only an instrument over Bluetooth LE may say itself how it talks.
func TestAnInstrumentThatDescribesItself(t *testing.T) {
	r, err := Parse("x.toml", []byte(`
[[instrument]]
name = "a"
address = "ble:AA:BB:CC:DD:EE:FF/fff0/fff1"
measures = "torque"
`))
	require.NoError(t, err)
	p, err := r.ProfileOf(r.Instruments[0])
	require.NoError(t, err)
	require.Nil(t, p)
	require.Equal(t, "self-described", r.Instruments[0].Fact().Profile)
}

func TestFaults(t *testing.T) {
	const good = "[[instrument]]\nname = \"a\"\naddress = \"serial:COM3\"\nprofile = \"p\"\nmeasures = \"torque\"\n"
	for name, c := range map[string]struct{ text, fault string }{
		"unknown key":       {good + "colour = \"red\"\n", `x.toml:6:1: unknown key "instrument.colour"`},
		"no name":           {"[[instrument]]\naddress = \"serial:COM3\"\nprofile = \"p\"\nmeasures = \"torque\"\n", `x.toml:1:3: "" is no name for an instrument`},
		"name with a space": {"[[instrument]]\nname = \"a b\"\naddress = \"serial:COM3\"\nprofile = \"p\"\nmeasures = \"torque\"\n", `x.toml:2:8: "a b" is no name for an instrument`},
		"twice":             {good + good, `x.toml:7:8: two instruments have the name "a"`},
		"address":           {"[[instrument]]\nname = \"a\"\naddress = \"COM3\"\nprofile = \"p\"\nmeasures = \"torque\"\n", `x.toml:3:11: "COM3" is no address`},
		"profile":           {"[[instrument]]\nname = \"a\"\naddress = \"serial:COM3\"\nmeasures = \"torque\"\n", `x.toml:1:3: the instrument has no profile`},
		"empty profile":     {"[[instrument]]\nname = \"a\"\naddress = \"ble:AA:BB:CC:DD:EE:FF\"\nprofile = \"\"\nmeasures = \"torque\"\n", `x.toml:4:11: the instrument has no profile`},
		"measures":          {"[[instrument]]\nname = \"a\"\naddress = \"serial:COM3\"\nprofile = \"p\"\nmeasures = \"force\"\n", `x.toml:5:12: unknown dimension "force"`},
		"range":             {good + "least = \"5 mm\"\n", `x.toml:6:9: 5 mm is no torque`},
		"range upside down": {good + "least = \"50 N·m\"\nmost = \"10 N·m\"\n", `x.toml:6:9: least 50 N·m is more than most 10 N·m`},
		"due":               {good + "calibrated = 2026-03-02\ndue = 2026-03-01\n", `x.toml:7:7: due on 2026-03-01, before it was calibrated on 2026-03-02`},
		"no date":           {good + "calibrated = \"March\"\n", `x.toml:6:14`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse("x.toml", []byte(c.text))
			faults, ok := errors.AsType[document.Faults](err)
			require.True(t, ok, "%v", err)
			require.Contains(t, faults[0].Error(), c.fault)
		})
	}
}

func FuzzRack(f *testing.F) {
	text, err := os.ReadFile(worked)
	require.NoError(f, err)
	f.Add(text)
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := Parse("x.toml", text)
		if err != nil {
			_, ok := errors.AsType[document.Faults](err)
			require.True(t, ok)
			return
		}
		for _, i := range r.Instruments {
			found, err := r.Find(i.Name)
			require.NoError(t, err)
			require.Equal(t, i, found)
			require.NotEqual(t, quantity.None, i.Measures)
		}
	})
}
