package profile_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
)

// stream is one profile of each style, a frame of it, and what that says.
type style struct{ name, profile, frame, want string }

// sealedModbus is a reply with its check.
func sealedModbus(text string) string {
	sum, _ := profile.CRCNamed("modbus")
	s := sum.Sum([]byte(text))
	return text + string([]byte{byte(s), byte(s >> 8)})
}

func styles() []style {
	return []style{
		{"pattern", "[framing]\nending = \"crlf\"\n[reading]\npattern = '(?:(?P<value>[+-]\\d{4}\\.\\d)|-{7}) (?P<unit>\\w+) (?P<status>[A-Z]{2})'\nstatus = { OK = \"\", OL = \"overload\" }\n", "+0088.4 Nm OL\r\n", `88.4 N·m ["overload"]`},
		{"pattern, two numbers", "[framing]\nending = \"lf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'\n[reading]\ndecimal = \"comma\"\nunit = \"N·m\"\npattern = '\\$(?P<sequence>\\d) (?P<value>[ -]*\\d+,\\d\\d);(?P<angle>[ -]*\\d+,\\d)\\*..'\n[field.sequence]\nmodulo = 10\n", "$7  45,20; 33,5*1A\n", "45.20 N·m 33.5°"},
		{"columns", "[framing]\nending = \"crlf\"\n[reading]\nkind = \"fields\"\nlength = 14\n[reading.status]\nR = \"\"\n[field.status]\nat = 0\nlength = 1\n[field.sign]\nat = 1\nlength = 1\n[field.value]\nat = 2\nlength = 6\n[field.unit]\nat = 9\nlength = 2\n[field.angle]\nat = -3\nlength = 3\ndecimals = 1\n", "R-  88.4 Nm335\r\n", "-88.4 N·m 33.5°"},
		{"binary", "[framing]\nkind = \"length\"\nstart = \"AA 55\"\nlength = 9\n[check]\nkind = \"crc16\"\nname = \"modbus\"\norder = \"little\"\nfrom = 0\n[reading]\nkind = \"fields\"\nlength = 9\n[field.value]\nat = 2\nlength = 2\ntype = \"signed\"\norder = \"little\"\nscale = \"0.05\"\n[field.sequence]\nat = 4\nlength = 1\ntype = \"bcd\"\n[field.unit]\nat = 5\nlength = 1\ntype = \"unsigned\"\nmeans = { 0 = \"N·m\", 1 = \"lbf·ft\" }\n[field.status]\nat = 6\nlength = 1\ntype = \"unsigned\"\nbits = { 0 = \"overload\" }\n", sealedModbus("\xAA\x55\xE8\x06\x12\x00\x01"), `88.40 N·m ["overload"]`},
		{"float", "[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nescape = \"10\"\n[reading]\nkind = \"fields\"\nlength = 4\nunit = \"N·m\"\n[field.value]\nat = 0\nlength = 4\ntype = \"float\"\n", "\x02\x42\xB0\xCC\xCD\x03", "88.4 N·m"},
		{"modbus", "[modbus]\ndevice = 1\nfirst = 107\ncount = 3\n[talk]\nevery = \"100 ms\"\n[reading]\nkind = \"fields\"\nunit = \"N·m\"\n[field.value]\nat = 0\nlength = 4\ntype = \"signed\"\nwords = \"swapped\"\ndecimals = 2\n[field.status]\nat = 5\nlength = 1\ntype = \"unsigned\"\nbits = { 0 = \"overload\" }\n", sealedModbus("\x01\x03\x06\x22\x88\x00\x00\x00\x01"), `88.40 N·m ["overload"]`},
		{"silence", "[framing]\nkind = \"silence\"\ngap = \"20 ms\"\n[reading]\npattern = '(?P<value>[+-]\\d{4}\\.\\d) (?P<unit>\\S+)'\n", "+0088.4 ft-lb", "88.4 lbf·ft"},
		{"hexadecimal", "[framing]\nkind = \"marks\"\nstart = '\":\"'\nend = \"0D 0A\"\ncoding = \"hex\"\n[check]\nkind = \"lrc\"\n[reading]\nkind = \"fields\"\nlength = 6\nunit = \"N·m\"\n[field.value]\nat = 3\nlength = 2\ntype = \"magnitude\"\ndecimals = 1\n", ":01030003748" + "5\r\n", "88.4 N·m"},
	}
}

// pass feeds one frame and takes all that comes of it; silence ends a frame
// where that is what ends it.
func pass(framer profile.Framer, frame []byte, take func(profile.Frame)) {
	framer.Feed(frame, noon)
	if p, ok := framer.(profile.Patient); ok {
		p.Elapse(noon.Add(1e9))
	}
	for {
		f, ok := framer.Next()
		if !ok {
			return
		}
		take(f)
	}
}

func TestDecodingAllocatesNothing(t *testing.T) {
	for _, s := range styles() {
		p := read(t, s.profile)
		framer, decoder := p.NewFramer(), p.NewDecoder()
		frame, frames := []byte(s.frame), 0
		take := func(f profile.Frame) {
			m, err := decoder.Decode(f)
			if err != nil {
				t.Fatal(s.name, err)
			}
			if frames++; frames == 1 {
				require.Equal(t, s.want, said(m.Sample()), s.name)
			}
		}
		pass(framer, frame, take)
		require.Zero(t, testing.AllocsPerRun(100, func() { pass(framer, frame, take) }), s.name)
		require.Equal(t, 102, frames, s.name)
	}
}
