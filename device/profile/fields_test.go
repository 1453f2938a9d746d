package profile_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/profile"
	"paintmark/device/pull"
)

func read(t testing.TB, text string) *profile.Profile {
	t.Helper()
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n"+text))
	require.NoError(t, err, text)
	return p
}

// said is what a sample says, in one line.
func said(s device.Sample) string {
	text := s.Value.String()
	if s.Value.IsZero() {
		text = s.Value.Number()
	}
	if !s.Angle.IsZero() {
		text += " " + s.Angle.String()
	}
	if len(s.Status) > 0 {
		text += fmt.Sprintf(" %q", s.Status)
	}
	return text
}

func decode(p *profile.Profile, body string) string {
	s, err := p.Decode(profile.Frame{Raw: []byte(body), Body: []byte(body), Time: noon})
	if err != nil {
		return "none: " + err.Error()
	}
	return said(s)
}

// One number in every form, each by its own rule.
func TestFieldTypes(t *testing.T) {
	for _, tc := range []struct{ field, body, want string }{
		// IEEE 488.2 forms NR1, NR2 and NR3: figures as in reference texts of the standard.
		{`length = 6`, "-12345", "-12345"},
		{`length = 7`, "+1.2345", "1.2345"},
		{`length = 13`, "-1234.567E+10", "-12345670000000"},
		{`length = 10`, "1.2500E-02", "0.012500"},
		{`length = 7`, "  088.4", "088.4"[1:]},
		{`length = 7`, "-  88.4", "-88.4"},
		{`length = 7`, "088.40-", "-88.40"},
		{`length = 7`, "088.40+", "88.40"},
		{`length = 7`, "+88.40-", `none: "+88.40-": "+88.40-" is not a number`},
		{`length = 5`, "     ", `none: "     " has no value`},
		{`length = 5`, "12a45", `none: "12a45": "12a45" is not a number`},
		{"length = 5\ndecimals = 2", "03216", "32.16"},
		{"length = 5\ndecimals = -2", "03216", "321600"},
		{"length = 4\ndecimals = 1\nscale = \"0.25\"", "0101", "2.525"},
		{"length = 4\ntype = \"hex\"", "0F3c", "3900"},
		{"length = 4\ntype = \"hex\"", "0Fxc", `none: "0Fxc": "0Fxc" are no hexadecimal digits`},

		{"length = 2\ntype = \"unsigned\"\ndecimals = 1", "\x03\x74", "88.4"},
		{"length = 2\ntype = \"unsigned\"\norder = \"little\"", "\x74\x03", "884"},
		{"length = 3\ntype = \"signed\"", "\xFF\xFF\xFE", "-2"},
		{"length = 8\ntype = \"signed\"", "\x80\x00\x00\x00\x00\x00\x00\x00", "-9223372036854775808"},
		{"length = 8\ntype = \"unsigned\"\ndecimals = 3", "\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF", "18446744073709551.615"},
		{"length = 2\ntype = \"magnitude\"", "\x80\x05", "-5"},
		{"length = 2\ntype = \"unsigned\"\nmask = 0x0FF0", "\xA1\x2B", "18"},
		{"length = 4\ntype = \"signed\"\nwords = \"swapped\"", "\x86\xA0\x00\x01", "100000"},                     // CDAB
		{"length = 4\ntype = \"signed\"\norder = \"little\"\nwords = \"swapped\"", "\x01\x00\xA0\x86", "100000"}, // BADC

		// IEEE 754: 1.0 is 3F800000; 88.4 is 42B0CCCD; largest and smallest of 32 bits (all computed).
		{"length = 4\ntype = \"float\"", "\x3F\x80\x00\x00", "1"},
		{"length = 4\ntype = \"float\"", "\x42\xB0\xCC\xCD", "88.4"},
		{"length = 4\ntype = \"float\"\norder = \"little\"", "\xCD\xCC\xB0\xC2", "-88.4"},
		{"length = 4\ntype = \"float\"\nwords = \"swapped\"", "\xCC\xCD\x42\xB0", "88.4"},
		{"length = 4\ntype = \"float\"", "\x7F\x7F\xFF\xFF", "340282350000000000000000000000000000000"},
		{"length = 4\ntype = \"float\"", "\x80\x00\x00\x00", "0"},
		{"length = 8\ntype = \"float\"", "\x40\x56\x19\x99\x99\x99\x99\x9A", "88.4"},
		{"length = 4\ntype = \"float\"", "\x7F\xC0\x00\x00", `none: "\x7f\xc0\x00\x00": the instrument gives no number there (not a number, or infinite)`},
		{"length = 4\ntype = \"float\"", "\xFF\x80\x00\x00", `none: "\xff\x80\x00\x00": the instrument gives no number there (not a number, or infinite)`},
		{"length = 8\ntype = \"float\"", "\x7F\xEF\xFF\xFF\xFF\xFF\xFF\xFF", `none: "\x7f\xef\xff\xff\xff\xff\xff\xff": "1.7976931348623157e+308" is too large or too small a number`},

		{"length = 3\ntype = \"bcd\"\ndecimals = 2", "\x01\x23\x45", "123.45"},
		{"length = 3\ntype = \"bcd\"\norder = \"little\"", "\x45\x23\x01", "12345"},
		{"length = 2\ntype = \"bcd\"", "\x1A\x00", `none: "\x1a\x00": 1A 00 is no BCD number`},

		// IEEE 11073 SFLOAT 0xF014 is 2.0 (HL7 PHD guide); 0x07FF is no number (Bluetooth SIG, from memory).
		{"length = 2\ntype = \"decimal-float\"", "\xF0\x14", "2.0"},
		{"length = 2\ntype = \"decimal-float\"\norder = \"little\"", "\x14\xF0", "2.0"},
		{"length = 2\ntype = \"decimal-float\"", "\x07\xFF", `none: "\a\xff": the instrument gives no number there (not a number, or infinite)`},
		{"length = 2\ntype = \"decimal-float\"", "\x08\x02", `none: "\b\x02": the instrument gives no number there (not a number, or infinite)`},
		{"length = 4\ntype = \"decimal-float\"", "\xFF\x00\x01\x6C", "36.4"},
		{"length = 4\ntype = \"decimal-float\"", "\x02\xFF\xFF\xFE", "-200"},
	} {
		p := read(t, fmt.Sprintf("[reading]\nkind = \"fields\"\nlength = %d\n[field.value]\nat = 0\n%s\n", len(tc.body), tc.field))
		require.Equal(t, tc.want, decode(p, tc.body), "%s %q", tc.field, tc.body)
	}
}

func TestFields(t *testing.T) {
	const columns = `
[reading]
kind = "fields"
length = 14
decimal = "comma"
[reading.units]
N = "N·m"
F = "lbf·ft"
[reading.status]
R = ""
O = "overload"
[field.status]
at = 0
length = 1
[field.sign]
at = 1
length = 1
[field.value]
at = 2
length = 6
[field.unit]
at = 9
length = 1
[field.angle]
at = -4
length = 4
decimals = 1
`
	p := read(t, columns)
	for body, want := range map[string]string{
		"R+  88,4 N0335": "88.4 N·m 33.5°",
		"R- 088,4 F 335": "-88.4 lbf·ft 33.5°",
		"O  120,0 N    ": `120.0 N·m ["overload"]`,
		"X  120,0 N    ": `120.0 N·m ["unknown status \"X\""]`,
		"O ------ N    ": `none: "O ------ N    ": the instrument says "overload", and "------" is not a number`,
		"O        N    ": `none: "O        N    ": the instrument says "overload" and gives no value`,
		"R- -88,4 N0335": `none: "R- -88,4 N0335": a sign beside a number that has one`,
		"R*  88,4 N0335": `none: "R*  88,4 N0335": "*" is no sign`,
		"R+  88.4 N0335": `none: "R+  88.4 N0335": "88.4" has a point in it, and the decimal mark is the comma`,
		"R+  88,4 Q0335": `none: "R+  88,4 Q0335": "Q" is no known unit`,
		"R+  88,4 N033":  `none: "R+  88,4 N033" has 13 bytes, and profile p says 14`,
		"R+  88,4 N03x5": `none: "R+  88,4 N03x5": "03x5" is not a number`,
	} {
		require.Equal(t, want, decode(p, body))
	}

	// A binary frame: flags, a point by a digit, a unit by a code within a byte.
	p = read(t, `
[reading]
kind = "fields"
length = 6
[field.value]
at = 2
length = 2
type = "unsigned"
order = "little"
[field.sign]
at = 4
length = 1
type = "unsigned"
mask = 0x80
[field.point]
at = 4
length = 1
type = "unsigned"
mask = 0x07
[field.unit]
at = 4
length = 1
type = "unsigned"
mask = 0x18
[field.unit.means]
0 = "mm"
0x1 = "in"
[field.status]
at = 5
length = 1
type = "unsigned"
bits = { 0 = "overload", 1 = "low battery", 7 = "" }
[field.status2]
at = 0
length = 1
[field.status2.means]
"=" = ""
"~" = "not settled"
`)
	for body, want := range map[string]string{
		"=.\x90\x0C\x83\x00": "-3.216 mm",
		"=.\x90\x0C\x0A\x80": "32.16 in",
		"~.\x90\x0C\x00\x13": `3216 mm ["overload" "low battery" "unknown status bit 4" "not settled"]`,
		"=.\x90\x0C\x10\x00": `none: "=.\x90\f\x10\x00": 10 is no known unit`,
	} {
		require.Equal(t, want, decode(p, body))
	}

	// The same rules over a pattern's groups.
	p = read(t, `
[reading]
pattern = '(?P<sign>[PM])(?P<value>\d{5})(?P<point>\d)(?P<unit>[a-z]) (?P<status>[0-9A-F]{2})'
[field.sign]
means = { P = "+", M = "-" }
[field.point]
means = { 0 = "0", 1 = "1", 3 = "3" }
[field.unit]
means = { m = "mm" }
[field.status]
type = "hex"
bits = { 0 = "low battery" }
`)
	for body, want := range map[string]string{
		"P032163m 00": "3.216 mm",
		"M032161m 01": `-321.6 mm ["low battery"]`,
		"P032162m 00": `none: "P032162m 00": "2" is no place of the decimal point that the profile knows`,
	} {
		require.Equal(t, want, decode(p, body))
	}
}

func TestFieldFaults(t *testing.T) {
	const fields = "[reading]\nkind = \"fields\"\nlength = 4\n[field.value]\nat = 0\nlength = 2\n"
	for _, tc := range []struct{ text, want, hint string }{
		{"[reading]\nkind = \"fields\"\n[field.value]\nat = 0\nlength = 2\n", `p.toml:2:2: a frame of 0 bytes cannot be`, "length = 12"},
		{"[reading]\nkind = \"fields\"\nlength = 4\n", `p.toml:2:2: no field is the value`, "[field.value]"},
		{"[reading]\nkind = \"fields\"\nlength = 4\npattern = 'x'\n[field.value]\nat = 0\nlength = 2\n", `"pattern" means nothing where the reading is by fields`, `kind = "pattern"`},
		{"[reading]\npattern = '(?P<value>.*)'\nlength = 3\n", `p.toml:4:10: "length" means nothing where the reading is by pattern`, "fields"},
		{"[reading]\npattern = '(?P<value>.*)'\n[field.value]\nat = 3\n", `p.toml:5:6: "at" means nothing here: the pattern says where`, "fields"},
		{"[reading]\npattern = '(?P<value>.*)'\n[field.value]\ntype = \"bcd\"\n", `p.toml:5:8: a pattern finds no "bcd"`, "text"},
		{"[reading]\npattern = '(?P<value>.*)'\n[field.sign]\nmeans = { P = \"+\" }\n", `p.toml:4:2: the pattern has no group named "sign"`, "(?P<sign>"},
		{fields + "type = \"word\"\n", `p.toml:8:8: "word" is not known here`, "text, hex"},
		{fields + "type = \"float\"\n", `p.toml:7:10: a field of 2 bytes of type "float" cannot be`, "4 or 8"},
		{fields + "mask = 3\n", `p.toml:8:8: a mask means nothing for the type "text"`, "unsigned"},
		{fields + "type = \"unsigned\"\nmask = 0x10000\n", `p.toml:9:8: the mask has bits beyond the 16 of the field`, ""},
		{fields + "type = \"unsigned\"\nmask = 0\n", `p.toml:9:8: no bit is left by the mask`, "0x80"},
		{fields + "[field.angle]\nat = 9223372036854775807\nlength = 2\n", `2 bytes from 9223372036854775807 do not lie in a frame of 4`, "-1"},
		{fields + "[field.angle]\nat = -9223372036854775808\nlength = 2\n", `do not lie in a frame of 4`, "-1"},
		{fields + "type = \"hex\"\nmask = 0x100\n", `p.toml:9:8: the mask has bits beyond the 8 of the field`, ""},
		{fields + "type = \"unsigned\"\nmask = -1\n", `p.toml:9:8: -1 is no mask`, "0x80"},
		{"[reading]\npattern = '(?P<value>.*)'\n[field.value]\ntype = \"hex\"\norder = \"little\"\n", `p.toml:6:9: "order" means nothing for the type "hex"`, "order in which they are read"},
		{fields + "[field.unit]\nat = 3\nlength = 1\ntype = \"unsigned\"\n", `p.toml:8:2: nothing says which number is which unit`, "[field.unit.means]"},
		{fields + "[field.unit]\nat = 3\nlength = 1\nmeans = { \"N\" = \"N·m\", \" N\" = \"lbf·ft\" }\n", `"N" is said twice`, "blanks"},
		{fields + "[field.unit]\nat = 3\nlength = 1\ntype = \"unsigned\"\nmeans = { 10 = \"mm\", 010 = \"in\" }\n", `10 is said twice`, ""},
		{fields + "[field.status]\nat = 3\nlength = 1\ntype = \"unsigned\"\nbits = { 1 = \"x\", 01 = \"y\" }\n", `bit 1 is said twice`, ""},
		{fields + "[field.status]\nat = 3\nlength = 1\ntype = \"unsigned\"\nbits = { 8 = \"x\" }\n", `"8" is no bit of it`, "lowest is 0"},
		{"[talk]\nunits = { mm = '01', MM = '02' }\n" + fields, `mm is said twice`, "drop one"},
		{"[talk]\nbegin = '\"" + strings.Repeat("x", 257) + "\"'\n" + fields, `257 bytes, and there must be 1 to 256`, ""},
		{"[modbus]\ndevice = 1\ncount = 2\n[talk]\nevery = \"1 s\"\n[reading]\nkind = \"pattern\"\npattern = '(?P<value>.)'\n", `registers are read by fields`, "fields"},
		{fields + "order = \"little\"\n", `p.toml:8:9: "order" means nothing for the type "text"`, ""},
		{fields + "decimals = 13\n", `p.toml:8:12: 13 decimals cannot be`, "12"},
		{fields + "scale = \"0\"\n", `p.toml:8:9: "0" is no scale`, "0.25"},
		{fields + "bits = { 0 = \"x\" }\n", `p.toml:8:8: "bits" means nothing for the value`, "status"},
		{fields + "[field.angle]\nat = 3\nlength = 2\n", `p.toml:9:6: 2 bytes from 3 do not lie in a frame of 4`, "-1"},
		{fields + "[field.angle]\nlength = 2\n", `p.toml:8:2: where does it stand?`, "at = 0"},
		{fields + "[field.status]\nat = 3\nlength = 1\n", `p.toml:8:2: nothing says what the status means`, "[reading.status]"},
		{fields + "[field.status]\nat = 3\nlength = 1\ntype = \"unsigned\"\nbits = { 64 = \"x\" }\n", `p.toml:12:`, "lowest is 0"},
		{fields + "[field.unit]\nat = 3\nlength = 1\ntype = \"unsigned\"\nmeans = { a = \"mm\" }\n", `"a" is no number, and the field is one`, "0x0A"},
		{fields + "[field.unit]\nat = 3\nlength = 1\ntype = \"unsigned\"\nmeans = { 1 = \"mm\", 0x1 = \"in\" }\n", `1 is said twice`, ""},
		{fields + "[field.unit]\nat = 3\nlength = 1\ntype = \"signed\"\n", `p.toml:11:8: "signed" is no type for a code`, "unsigned"},
		{fields + "[field.channel]\nat = 3\nlength = 1\n", `nothing says which channel is which`, "[field.channel.means]"},
		{fields + "[field.channel]\nat = 3\nlength = 1\nmeans = { T = \"torque\" }\n", `"torque" is not known here`, "value, angle"},
		{fields + "[field.sequence]\nat = 3\nlength = 1\nmodulo = 1\n", `p.toml:11:10: a counter that begins again at 1 cannot be`, "256"},
		{"[reading]\npair_within = \"3 s\"\npattern = '(?P<value>.*)'\n", `p.toml:3:15: "pair_within" means nothing without a channel`, "channel"},
		{"[reading]\npattern = '(?P<value>.)(?P<channel>.)'\n[field.channel]\nmeans = { T = \"value\" }\n", `"" is no time to wait`, `pair_within = "100 ms"`},
		{"[talk]\nevery = \"1 s\"\n" + fields, `p.toml:3:9: "every" means nothing without a request`, "request"},
		{"[talk]\nrequest = '\"?\"'\n" + fields, `p.toml:2:2: how often is it asked?`, "every"},
		{"[talk]\nrequest = '?'\nevery = \"1 s\"\n" + fields, `p.toml:3:11: "?" are no hexadecimal digits`, "0D 0A"},
		{"[pull]\nbegin = 1.5\n" + fields, `p.toml:3:9: 1.5 is no share`, "0.05"},
		{"[pull]\nlet_go = 0.0\n" + fields, `p.toml:3:10: 0 is no share`, "between"},
		{"[pull]\nleast = \"3 mm\"\n" + fields, `p.toml:3:9: 3 mm is no torque`, "N·m"},
		{"[pull]\npause = \"1 h\"\n" + fields, `p.toml:3:9: "1 h" is no pause between two strokes`, "1.5 s"},
		{"[talk]\nsettle = \"1 h\"\n" + fields, `p.toml:3:10: "1 h" is no time to settle`, "300 ms"},
		{"[talk]\nunits = { furlong = '01' }\n" + fields, `unknown unit "furlong"`, "mm"},
		{"[modbus]\ndevice = 0\ncount = 1\n[talk]\nevery = \"1 s\"\n[reading]\nkind = \"fields\"\n[field.value]\nat = 0\nlength = 2\n", `p.toml:3:10: 0 cannot be`, "247"},
		{"[modbus]\ndevice = 1\ncount = 126\n[talk]\nevery = \"1 s\"\n[reading]\nkind = \"fields\"\n[field.value]\nat = 0\nlength = 2\n", `p.toml:4:9: 126 cannot be`, "125"},
		{"[modbus]\ndevice = 1\nfirst = 65535\ncount = 2\n[talk]\nevery = \"1 s\"\n[reading]\nkind = \"fields\"\n[field.value]\nat = 0\nlength = 2\n", `go beyond the last`, ""},
		{"[modbus]\ndevice = 1\ncount = 2\n[framing]\nkind = \"lines\"\n[talk]\nevery = \"1 s\"\n[reading]\nkind = \"fields\"\n[field.value]\nat = 0\nlength = 2\n", `[framing] follows from [modbus]`, "drop it"},
		{"[modbus]\ndevice = 1\ncount = 2\n[talk]\nevery = \"1 s\"\nrequest = '00'\n[reading]\nkind = \"fields\"\n[field.value]\nat = 0\nlength = 2\n", `the request follows from [modbus]`, "drop it"},
		{"[modbus]\ndevice = 1\ncount = 2\n[talk]\nevery = \"1 s\"\n[reading]\npattern = '(?P<value>.)'\n", `registers are read by fields`, "fields"},
		{"[modbus]\ndevice = 1\ncount = 2\n[talk]\nevery = \"1 s\"\n[reading]\nkind = \"fields\"\nlength = 3\n[field.value]\nat = 0\nlength = 2\n", `2 registers are 4 bytes`, "left out"},
	} {
		_, err := profile.Parse("p.toml", []byte("name = \"p\"\n"+tc.text))
		require.ErrorContains(t, err, tc.want, "%s", tc.text)
		var faults document.Faults
		require.ErrorAs(t, err, &faults)
		require.True(t, slices.ContainsFunc(faults, func(f *document.Fault) bool {
			return strings.Contains(f.Error(), tc.want) && strings.Contains(f.Hint, tc.hint)
		}), "hint %q missing among %+v", tc.hint, faults)
	}
}

// outcomes reads a stream and gives what came of it, a line each.
func outcomes(r *profile.Reader) (lines []string) {
	for {
		o, ok := r.Next()
		switch {
		case !ok:
			return lines
		case o.Err != nil:
			lines = append(lines, fmt.Sprintf("none %q: %v", o.Raw, o.Err))
		default:
			lines = append(lines, said(o.Sample))
		}
	}
}

func TestPairs(t *testing.T) {
	const pattern = "[framing]\nending = \"lf\"\n[reading]\nunit = \"N·m\"\npattern = '(?P<channel>[TA])(?P<value>\\d+)'\npair_within = \"100 ms\"\n[field.channel.means]\nT = \"value\"\nA = \"angle\"\n"
	at := func(ms int) time.Time { return noon.Add(time.Duration(ms) * time.Millisecond) }
	r := read(t, pattern).NewReader()
	require.True(t, r.Patient())

	r.Feed([]byte("T40\nA33\n"), at(0))
	require.Equal(t, []string{"40 N·m 33°"}, outcomes(r))
	_, waiting := r.Deadline()
	require.False(t, waiting)

	r.Feed([]byte("T41\nx\n"), at(10))
	require.Equal(t, []string{`none "x\n": "x" does not match the pattern of profile p`}, outcomes(r))
	r.Feed([]byte("A34\n"), at(109))
	require.Equal(t, []string{"41 N·m 34°"}, outcomes(r))

	// An angle that is lost costs no torque, and joins no other.
	r.Feed([]byte("T42\nT43\nA35\nA36\n"), at(120))
	require.Equal(t, []string{"42 N·m", "43 N·m 35°", `none "A36\n": an angle of 36° without its value`}, outcomes(r))

	// Silence ends the wait, and so does a time that has passed.
	r.Feed([]byte("T44\n"), at(200))
	require.Empty(t, outcomes(r))
	due, waiting := r.Deadline()
	require.True(t, waiting)
	require.Equal(t, at(300), due)
	r.Elapse(at(299))
	require.Empty(t, outcomes(r))
	r.Elapse(at(300))
	require.Equal(t, []string{"44 N·m"}, outcomes(r))
	r.Feed([]byte("T45\n"), at(400))
	require.Empty(t, outcomes(r))
	r.Feed([]byte("A37\n"), at(500))
	require.Equal(t, []string{"45 N·m", `none "A37\n": an angle of 37° without its value`}, outcomes(r))
	r.Feed([]byte("T46\nA"), at(600))
	require.Empty(t, outcomes(r))
	r.End()
	require.Equal(t, []string{"46 N·m"}, outcomes(r))
	require.Equal(t, "A", string(r.Rest()))

	r = read(t, "[framing]\nending = \"lf\"\n[reading]\nunit = \"N·m\"\npattern = '(?:T(?P<value>\\d+)|(?P<channel>A)(?P<angle>\\d+))'\npair_within = \"100 ms\"\npair_first = \"angle\"\nangle_unit = \"turn\"\n[field.channel.means]\n\"\" = \"value\"\nA = \"angle\"\n[field.angle]\ndecimals = 2\n").NewReader()
	r.Feed([]byte("T40\nA33\nT41\nA34\nA35\nT42\n"), at(0))
	require.Equal(t, []string{"40 N·m", "41 N·m 0.33 turn", `none "A34\n": an angle of 0.34 turn without its value`, "42 N·m 0.35 turn"}, outcomes(r))
}

func TestSequence(t *testing.T) {
	r := read(t, "[framing]\nending = \"lf\"\n[reading]\nunit = \"N·m\"\npattern = '(?P<sequence>\\d\\d) (?P<value>\\d+)'\n").NewReader()
	r.Feed([]byte("97 40\n98 41\n98 41\n00 42\n01 x\n01 42\n"), noon)
	require.Equal(t, []string{
		"40 N·m", "41 N·m",
		`none "98 41\n": the frame with count 98 was sent again`,
		`none "00 42\n": frames are missing: the count went from 98 to 0`, "42 N·m",
		`none "01 x\n": "01 x" does not match the pattern of profile p`,
		"42 N·m",
	}, outcomes(r))
	r.Feed([]byte("01 43\n"), noon)
	require.Equal(t, []string{`none "01 43\n": the count stays at 1 while the frames change`, "43 N·m"}, outcomes(r))

	r = read(t, "[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = 3\n[reading]\nkind = \"fields\"\nlength = 3\nunit = \"N·m\"\n[field.sequence]\nat = 1\nlength = 1\ntype = \"unsigned\"\n[field.value]\nat = 2\nlength = 1\ntype = \"unsigned\"\n").NewReader()
	r.Feed([]byte("\xAA\xFE\x01\xAA\xFF\x02\xAA\x00\x03\xAA\x02\x04"), noon)
	require.Equal(t, []string{"1 N·m", "2 N·m", "3 N·m", `none "\xaa\x02\x04": frames are missing: the count went from 0 to 2`, "4 N·m"}, outcomes(r))
}

// The request is that of a worked example: registers 107 to 109 of device 1,
// 01 03 00 6B 00 03 with the check 74 17 (Modbus over serial line).
func TestModbus(t *testing.T) {
	p := read(t, "[modbus]\ndevice = 1\nfirst = 107\ncount = 3\n[talk]\nevery = \"100 ms\"\n[reading]\nkind = \"fields\"\nunit = \"N·m\"\n[field.value]\nat = 0\nlength = 4\ntype = \"signed\"\nwords = \"swapped\"\ndecimals = 2\n[field.status]\nat = 5\nlength = 1\ntype = \"unsigned\"\nbits = { 0 = \"overload\" }\n")
	require.Equal(t, "\x01\x03\x00\x6B\x00\x03\x74\x17", string(p.Talk.Request))
	require.Equal(t, 100*time.Millisecond, p.Talk.Every)
	require.Equal(t, time.Second, p.Talk.Within)
	sum, ok := profile.CRCNamed("modbus")
	require.True(t, ok)
	sealed := func(text string) string {
		s := sum.Sum([]byte(text))
		return text + string([]byte{byte(s), byte(s >> 8)})
	}
	good := sealed("\x01\x03\x06\x22\x88\x00\x00\x00\x01") // 8840, and bit 0
	bad := sealed("\x01\x03\x06\x22\x89\x00\x00\x00\x00")
	bad = bad[:4] + "\xFF" + bad[5:]
	stream := string(p.Talk.Request) + good + "\xFF" + bad + good + sealed("\x01\x83\x02") + good[:5] + good
	want := []string{
		`88.40 N·m ["overload"]`,
		`none "\xff": bytes before the start of a frame`,
		fmt.Sprintf("none %q: check: want 0CDF got E5FF", bad),
		`88.40 N·m ["overload"]`,
		`none "\x01\x83\x02\xc0\xf1": the instrument refuses to be read, code 2: it has no such register`,
		`none "\x01\x03\x06\"\x88": check: want`,
		`88.40 N·m ["overload"]`,
	}
	for _, size := range []int{1, 2, 3, 7, len(stream)} {
		r := p.NewReader()
		var got []string
		for rest := stream; rest != ""; {
			n := min(size, len(rest))
			r.Feed([]byte(rest[:n]), noon)
			rest = rest[n:]
			got = append(got, outcomes(r)...)
		}
		require.Len(t, got, len(want), "%q", got)
		for i := range want {
			if i != 2 {
				require.Contains(t, got[i], want[i])
			} else {
				require.Contains(t, got[i], fmt.Sprintf("none %q: check: want ", bad))
			}
		}
		require.Empty(t, r.Rest())
	}
}

func TestTalk(t *testing.T) {
	p := read(t, "[talk]\nsettle = \"250 ms\"\nbegin = '\"GO\" 0D'\nend = '\"NO\" 0D'\nrequest = '\"?\" 0D'\nevery = \"50 ms\"\nwithin = \"40 ms\"\nzero = '\"Z\"'\nquiet = \"2 s\"\nunits = { mm = '\"M\"', in = '\"I\"' }\n[reading]\npattern = '(?P<value>.*)'\n")
	require.True(t, p.Talk.Asks())
	require.Equal(t, "GO\r", string(p.Talk.Begin))
	require.Equal(t, "NO\r", string(p.Talk.End))
	require.Equal(t, "Z", string(p.Talk.Zero))
	require.Len(t, p.Talk.Units, 2)
	require.Equal(t, []time.Duration{250 * time.Millisecond, 50 * time.Millisecond, 40 * time.Millisecond, 2 * time.Second},
		[]time.Duration{p.Talk.Settle, p.Talk.Every, p.Talk.Within, p.Talk.Quiet})
	require.Equal(t, profile.Talk{}, read(t, "[reading]\npattern = '(?P<value>.*)'\n").Talk, "nothing is sent where nothing is said")
}

func TestPull(t *testing.T) {
	require.Nil(t, read(t, "[reading]\npattern = '(?P<value>.*)'\n").Pull)
	require.Equal(t, &pull.Settings{}, read(t, "[pull]\n[reading]\npattern = '(?P<value>.*)'\n").Pull)
	p := read(t, "[pull]\nbegin = 0.1\nleast = \"3 N·m\"\nlet_go = 0.3\nhold = \"80 ms\"\npause = \"2 s\"\nbump = \"200 ms\"\n[reading]\npattern = '(?P<value>.*)'\n").Pull
	require.Equal(t, &pull.Settings{
		Begin: 0.1, Least: quantity.MustParse("3 N·m"), Let: 0.3,
		Hold: 80 * time.Millisecond, Pause: 2 * time.Second, Bump: 200 * time.Millisecond,
	}, p)
}
