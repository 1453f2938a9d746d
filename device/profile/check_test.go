package profile_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
)

// Check values over "123456789": those of modbus, ibm-3740, xmodem and kermit
// were read in a public CRC catalogue; the others are from memory.
func TestCRC(t *testing.T) {
	for name, want := range map[string]uint16{
		"modbus": 0x4B37, "ibm-3740": 0x29B1, "xmodem": 0x31C3, "kermit": 0x2189,
		"arc": 0xBB3D, "genibus": 0xD64E, "ibm-sdlc": 0x906E, "mcrf4xx": 0x6F91, "usb": 0xB4C8,
		"maxim": 0xA1, "rohc": 0xD0, "smbus": 0xF4,
	} {
		c, ok := profile.CRCNamed(name)
		require.True(t, ok, name)
		require.Equal(t, fmt.Sprintf("%X", want), fmt.Sprintf("%X", c.Sum([]byte("123456789"))), name)
	}
	require.Len(t, profile.CRCNames(16), 9)
	require.Len(t, profile.CRCNames(8), 3)
}

func whole(t testing.TB, tables string) *profile.Profile {
	t.Helper()
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n"+tables+"\n[reading]\npattern = '(?s)(?P<value>.*)'\n"))
	require.NoError(t, err)
	return p
}

func TestChecks(t *testing.T) {
	for _, tc := range []struct{ tables, frame, want string }{
		// The CRC of a Modbus request, low byte first: 74 17 (read in the protocol's worked example).
		{"[framing]\nkind = \"length\"\nstart = \"01 03\"\nlength = 8\n[check]\nkind = \"crc16\"\nname = \"modbus\"\norder = \"little\"", "\x01\x03\x00\x6B\x00\x03\x74\x17", ""},
		{"[framing]\nkind = \"length\"\nstart = \"01 03\"\nlength = 8\n[check]\nkind = \"crc16\"\nname = \"modbus\"\norder = \"little\"", "\x01\x03\x00\x6B\x00\x03\x75\x17", "check: want 1774 got 1775"},
		{"[framing]\nkind = \"length\"\nstart = \"01 03\"\nlength = 8\n[check]\nkind = \"crc16\"\npoly = 0x8005\ninit = 0xFFFF\nrefin = true\nrefout = true", "\x01\x03\x00\x6B\x00\x03\x17\x74", ""},
		// The LRC of 01 03 00 00 00 01 is FB (read).
		{"[framing]\nkind = \"marks\"\nstart = '\":\"'\nend = \"0D 0A\"\ncoding = \"hex\"\n[check]\nkind = \"lrc\"", ":010300000001FB\r\n", ""},
		{"[framing]\nkind = \"marks\"\nstart = '\":\"'\nend = \"0D 0A\"\ncoding = \"hex\"\n[check]\nkind = \"lrc\"", ":010300000001fb\r\n", ""},
		{"[framing]\nkind = \"marks\"\nstart = '\":\"'\nend = \"0D 0A\"\ncoding = \"hex\"\n[check]\nkind = \"lrc\"", ":010300000001FC\r\n", "check: want FB got FC"},
		{"[framing]\nkind = \"marks\"\nstart = '\":\"'\nend = \"0D 0A\"\ncoding = \"hex\"\n[check]\nkind = \"lrc\"", ":01030000000\r\n", "odd number"},
		// NMEA 0183: XOR between $ and *. The sentence's check is computed: 31^32^33 = 30.
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'", "$123*30\r\n", ""},
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'", "$123*31\r\n", "check: want 30 got 31"},
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'", "$123*3g\r\n", `check: want 30 got "3g"`},
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'", "$123*\r\n", `has no "*" with a check behind it`},
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'", "$123*3\r\n", `has no "*" with a check behind it`},
		// The check itself is the byte before which it stands: 31^1B = 2A, an asterisk.
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nafter = '\"$\"'\nbefore = '\"*\"'", "$1\x1B**\r\n", ""},
		{"[framing]\nkind = \"marks\"\nstart = '\"$\"'\nend = '\"*\"'\ntail = 2\n[check]\nkind = \"xor\"\nas = \"hex\"\nbefore = '\"*\"'", "$123*30", ""},
		{"[framing]\nending = \"crlf\"\n[check]\nkind = \"xor\"\nas = \"hex\"\nafter = '\"$\"'\nbefore = '\"*\"'", "123*30\r\n", "has no"},
		// Between start and end, with the end: 31^32^33^03 = 33.
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 1\n[check]\nkind = \"xor\"", "\x02123\x033", ""},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 1\n[check]\nkind = \"sum8\"\nto = -2", "\x02123\x03\x96", ""},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 2\n[check]\nkind = \"sum8\"\nas = \"hex\"\nfrom = 0\nto = -2", "\x02123\x039b", ""},
		{"[framing]\nending = \"lf\"\n[check]\nkind = \"crc16\"\nname = \"kermit\"\nas = \"hex\"", "1234567892189\n", ""},
		{"[framing]\nending = \"lf\"\n[check]\nkind = \"crc16\"\nname = \"kermit\"\nas = \"hex\"\norder = \"little\"", "1234567898921\n", ""},
		{"[framing]\nending = \"lf\"\n[check]\nkind = \"crc16\"\nname = \"kermit\"", "1\n", "too short"},
	} {
		framer := whole(t, tc.tables).NewFramer()
		framer.Feed([]byte(tc.frame), noon)
		f, ok := framer.Next()
		require.True(t, ok, tc.frame)
		if tc.want == "" {
			require.NoError(t, f.Err, "%q", tc.frame)
			require.Equal(t, tc.frame, string(f.Raw))
			continue
		}
		require.ErrorContains(t, f.Err, tc.want, "%q", tc.frame)
		_, err := whole(t, tc.tables).Decode(f)
		require.Equal(t, f.Err, err, "a frame that fails its check never becomes a reading")
	}
}

func TestFramingAndCheckFaults(t *testing.T) {
	for _, tc := range []struct{ tables, want string }{
		{"[framing]\nkind = \"marks\"", `p.toml:2:2: where does a frame start?`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"", `p.toml:2:2: where does a frame end?`},
		{"[framing]\nkind = \"marks\"\nstart = \"7E\"\nend = \"7E\"", `p.toml:5:7: start and end are the same`},
		{"[framing]\nkind = \"marks\"\nstart = \"2\"\nend = \"7E\"", `p.toml:4:9: "2" are no hexadecimal digits`},
		{"[framing]\nkind = \"marks\"\nstart = '\"a'\nend = \"7E\"", `the quotes are not closed`},
		{"[framing]\nkind = \"marks\"\nstart = \"\"\nend = \"7E\"", `0 bytes, and there must be 1 to 16`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 9", `9 bytes after the end cannot be`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 1\n[check]\nkind=\"crc16\"\nname=\"arc\"", `a check of 2 bytes does not fit in 1`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nescape = \"10 10\"", `2 bytes, and there must be one`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nescape = \"02\"", `the escape stands in the start`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nescape_xor = \"20\"", `there is no escape`},
		{"[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nescape = \"10\"\ncoding = \"hex\"", `need no escape`},
		{"[framing]\nkind = \"length\"\nlength = 4", `how is the start of a frame known?`},
		{"[framing]\nkind = \"length\"\nstart = \"AA\"", `frames of 0 bytes cannot be`},
		{"[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = 1", `frames of 1 bytes cannot be`},
		{"[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = 4\ncoding = \"hex\"", `frames of fixed length are "plain"`},
		{"[framing]\nkind = \"silence\"", `"" is no gap of silence`},
		{"[framing]\nkind = \"silence\"\ngap = \"1 us\"", `"1 us" is no gap of silence`},
		{"[framing]\nkind = \"packet\"\ngap = \"5 ms\"", `"gap" means nothing where the framing is "packet"`},
		{"[framing]\ngap = \"5 ms\"", `"gap" means nothing where the framing is "lines"`},
		{"[framing]\nlongest = 70000", `a longest line of 70000 bytes cannot be`},
		{"[check]\nkind = \"crc32\"", `"crc32" is not known here`},
		{"[check]\nkind = \"crc16\"", `p.toml:3:8: which CRC?`},
		{"[check]\nkind = \"crc16\"\nname = \"smbus\"", `"smbus" is no 16-bit CRC`},
		{"[check]\nkind = \"crc16\"\nname = \"arc\"\npoly = 1", `the name says all parameters`},
		{"[check]\nkind = \"crc8\"\npoly = 256", `256 does not fit 8 bits`},
		{"[check]\nkind = \"xor\"\npoly = 1", `"poly" means nothing for this kind of check`},
		{"[check]\nfrom = 1", `"from" means nothing for this kind of check`},
		{"[check]\nkind = \"xor\"\nfrom = 1\nafter = \"02\"", `"from" and "after" say the same thing twice`},
		{"[check]\nkind = \"xor\"\nto = 1\nbefore = \"02\"", `"to" and "before" say the same thing twice`},
		{"[check]\nkind = \"xor\"\nat = 100000", `100000 lies in no frame`},
	} {
		_, err := profile.Parse("p.toml", []byte("name = \"p\"\n"+tc.tables+"\n[reading]\npattern = '(?P<value>.*)'\n"))
		require.ErrorContains(t, err, tc.want, tc.tables)
	}
}
