package profile_test

import (
	"math/bits"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
)

// withParity is a text as it is read with 8 bits and no parity where it was sent
// with 7 bits and a parity bit, which is the highest then.
func withParity(text string, odd int) []byte {
	raw := []byte(text)
	for i, b := range raw {
		if bits.OnesCount8(b)%2 != odd {
			raw[i] |= 0x80
		}
	}
	return raw
}

func TestSuspect(t *testing.T) {
	parse := func(text string) *profile.Profile {
		p, err := profile.Parse("p.toml", []byte("name = \"p\"\n"+text))
		require.NoError(t, err)
		return p
	}
	lines := parse("[reading]\npattern = '(?P<value>\\d+)'")
	marked := parse("[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\n[reading]\npattern = '(?P<value>\\d+)'")
	seven := parse("[line]\nbaud = 4800\ndata_bits = 7\nparity = \"even\"\n[reading]\npattern = '(?P<value>\\d+)'")
	binary := parse("[framing]\nkind = \"packet\"\n[reading]\nkind = \"fields\"\nlength = 2\n[field.value]\nat = 0\nlength = 2\ntype = \"signed\"")
	high := []byte("+0088.4 Nm\r\n")
	for i := range high {
		high[i] |= 0x80
	}
	const noText = "bytes that are no text: is the baud rate, the parity or the number of bits another than the profile says (9600 baud, 8 bits, parity none)?"
	for _, tc := range []struct {
		name string
		p    *profile.Profile
		raw  []byte
		want string
	}{
		{"text", lines, []byte("+0088.4 Nm OK\r\n"), ""},
		{"nothing", lines, nil, ""},
		{"one strange byte", lines, []byte("+00\x80 8.4 Nm"), ""},
		{"even", lines, withParity("+0088.4 Nm\r\n", 0), `these bytes are text with 7 data bits and parity "even": say so in [line] of the profile`},
		{"odd", lines, withParity("+0088.4 Nm\r\n", 1), `these bytes are text with 7 data bits and parity "odd": say so in [line] of the profile`},
		{"mark", lines, high, `these bytes are text with 7 data bits and parity "mark": say so in [line] of the profile`},
		{"too few to tell a parity", lines, withParity("1\r\n2", 0), noText},
		{"a wrong rate", lines, []byte{0x80, 0x00, 0xf8, 0x80, 0x78, 0x00, 0xfe}, noText},
		{"the marks are no text", lines, []byte("\x028\x03\x02"), noText},
		{"but may be", marked, []byte("\x028\x03\x02"), ""},
		{"where parity is set", seven, []byte{0x00, 0x01, 0x7f, 0x00, 0x01, 0x7f, 0x00, 0x02},
			"bytes that are no text: is the baud rate, the parity or the number of bits another than the profile says (4800 baud, 7 bits, parity even)?"},
		{"binary", binary, []byte{0x80, 0x00, 0xf8}, ""},
	} {
		require.Equal(t, tc.want, tc.p.Suspect(tc.raw), tc.name)
	}
}
