package profile_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/device"
	"paintmark/device/profile"
)

const folder = "../../testdata/profiles"

func load(t testing.TB, name string) *profile.Profile {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(folder, name))
	require.NoError(t, err)
	p, err := profile.Parse(name, text)
	require.NoError(t, err)
	return p
}

func TestShippedProfiles(t *testing.T) {
	files, err := filepath.Glob(folder + "/*.toml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 3)
	for _, file := range files {
		name := filepath.Base(file)
		p := load(t, name)
		require.Equal(t, strings.TrimSuffix(name, ".toml"), p.Name)
		require.Contains(t, p.Note, "Invented")
	}
	require.Equal(t, device.Settings{Baud: 9600, DataBits: 8, Parity: "none", StopBits: "1", DTR: true, RTS: true}, load(t, "wrench-line.toml").Line)
	require.Equal(t, device.Settings{Baud: 4800, DataBits: 7, Parity: "even", StopBits: "2", DTR: true, RTS: true}, load(t, "indicator-line.toml").Line)
}

func TestSettingsDefault(t *testing.T) {
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[reading]\npattern = '(?P<value>.*)'\n[line]\ndtr = false\nstop_bits = 1.5\n"))
	require.NoError(t, err)
	require.Equal(t, device.Settings{Baud: 9600, DataBits: 8, Parity: "none", StopBits: "1.5", DTR: false, RTS: true}, p.Line)
}

func TestFaults(t *testing.T) {
	const good = "name = \"p\"\n[reading]\npattern = '(?P<value>.*)'\n"
	for _, tc := range []struct{ text, want, hint string }{
		{"", `p.toml:1:1: "name" is missing or empty`, `add name = "…"`},
		{"name = \"p\"\n", `p.toml:1:1: "pattern" is missing or empty`, `add pattern`},
		{"nmae = \"p\"\n", `p.toml:1:1: unknown key "nmae"`, `did you mean "name"?`},
		{good + "[line]\nbaud = 0\n", `p.toml:5:8: 0 is no baud rate`, "9600"},
		{good + "[line]\nbaud = \"fast\"\n", `p.toml:5:8: "line.baud" has a value of the wrong kind`, ""},
		{good + "[line]\ndata_bits = 9\n", `p.toml:5:13: 9 data bits do not exist`, "7 or 8"},
		{good + "[line]\nparity = \"both\"\n", `p.toml:5:10: "both" is not known here`, "it is one of none, odd, even, mark, space"},
		{good + "[line]\nstop_bits = 3\n", `p.toml:5:13: 3 stop bits do not exist`, "1, 1.5 or 2"},
		{good + "[framing]\nkind = \"packets\"\n", `p.toml:5:8: "packets" is not known here`, "lines"},
		{good + "[framing]\nending = \"nl\"\n", `p.toml:5:10: "nl" is not known here`, "either, crlf, cr, lf"},
		{good + "[framing]\nlongest = 0\n", `p.toml:5:11: a longest line of 0 bytes cannot be`, "65536"},
		{good + "[framing]\nfirst = \"maybe\"\n", `p.toml:5:9: "maybe" is not known here`, "keep, discard"},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>'\n", `p.toml:3:11: no regular expression: missing closing )`, "RE2"},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>a)|b)(c'\n", `p.toml:3:11: no regular expression`, "RE2"},
		{"name = \"p\"\n[reading]\npattern = '\\d+'\n", `p.toml:3:11: the pattern has no group for the value`, "(?P<value>"},
		{"name = \"p\"\n[reading]\npattern = '(?P<vlaue>\\d+)'\n", `p.toml:3:11: a group is named "vlaue"`, `did you mean "value"?`},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>\\d)(?P<x>\\d)'\n", `p.toml:3:11: a group is named "x"`, `the groups are value, unit, status, angle`},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>\\d+)(?P<status>..)'\n", `p.toml:3:11: the pattern has a group for the status, and nothing says what its texts mean`, "[reading.status]"},
		{good + "[reading.status]\nOL = \"overload\"\n", `p.toml:4:2: the pattern has no group for the status`, "(?P<status>"},
		{good + "[reading.units]\nN = \"N·m\"\n", `p.toml:4:2: the pattern has no group for the unit`, "(?P<unit>"},
		{good + "angle_unit = \"deg\"\n", `p.toml:4:14: the pattern has no group for the angle`, "(?P<angle>"},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>\\d)(?P<angle>\\d)'\nangle_unit = \"mm\"\n", `p.toml:4:14: "mm" is no unit of angle`, "deg"},
		{good + "unit = \"furlong\"\n", `p.toml:4:8: unknown unit "furlong"`, "N·m"},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>\\d)(?P<unit>.)'\n[reading.units]\nN = \"newton\"\n", `p.toml:5:5: unknown unit "newton"`, "N·m"},
		{good + "decimal = \",\"\n", `p.toml:4:11: "," is not known here`, "point, comma"},
		{good + "ignore = '['\n", `p.toml:4:10: no regular expression`, "RE2"},
		{"name = \"p\"\n[reading]\npattern = '(?P<value>" + strings.Repeat("a", profile.MaxPattern) + ")'\n", `p.toml:3:11: a pattern of 2011 bytes is more than`, ""},
	} {
		_, err := profile.Parse("p.toml", []byte(tc.text))
		var faults document.Faults
		require.ErrorAs(t, err, &faults, "%s", tc.text)
		require.Contains(t, err.Error(), tc.want)
		require.Condition(t, func() bool {
			for _, f := range faults {
				if strings.Contains(f.Error(), tc.want) && strings.Contains(f.Hint, tc.hint) {
					return true
				}
			}
			return false
		}, "hint %q missing among %+v", tc.hint, faults)
	}
}

func TestAllFaultsAtOnce(t *testing.T) {
	_, err := profile.Parse("p.toml", []byte("[line]\nbaud = 1\nparity = \"x\"\n[reading]\npattern = '('\n"))
	var faults document.Faults
	require.ErrorAs(t, err, &faults)
	require.Len(t, faults, 4, "%v", err)
}
