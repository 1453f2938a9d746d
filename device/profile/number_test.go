package profile_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/device/profile"
)

// numberOf decodes a body and gives its number, or false.
func numberOf(p *profile.Profile, body string) (string, bool) {
	s, err := p.Decode(profile.Frame{Raw: []byte(body), Body: []byte(body), Time: noon})
	return s.Value.Number(), err == nil
}

// checkNumber compares a number with what package quantity makes of the same
// text: one rule says what is a number, and how many digits it has.
func checkNumber(t require.TestingT, p *profile.Profile, text string) {
	if strings.TrimSpace(text) != strings.Trim(text, " \t") {
		return // blanks that are none here
	}
	want, err := quantity.ParseNumber(text)
	got, ok := numberOf(p, text)
	if err == nil {
		require.True(t, ok, "%q is a number", text)
		require.Equal(t, quantity.New(want, quantity.NoUnit).Number(), got, text)
	}
	// What is a number here alone has a blank behind its sign, or the sign behind
	// its digits.
	if own := regexp.MustCompile(`^(?:[+-]|−)[ \t]|[+-]$`); ok && err != nil {
		require.Regexp(t, own, strings.Trim(text, " \t"))
	}
}

const bare = "[reading]\npattern = '(?s)(?P<value>.*)'\n"

func TestNumbersAreThoseOfQuantity(t *testing.T) {
	p := read(t, bare)
	for _, text := range []string{"0e39", "0e40", "0.0e40", "0.0e41", "0e-39", "0e-40", "5.", ".5", ".", "5e", "5e+", "-0", "-0.00", "+.0e1",
		"1e39", "1e40", "123456789012345678", "1234567890123456789", "9223372036854775807", "9223372036854775808e2", "1e00003", "1e0000000003",
		"5e\u22123", "\u2212 5", "\u00a05", "1e-39", "1.5e-39", "999999999999999999e21", "999999999999999999e22"} {
		checkNumber(t, p, text)
	}
	form := rapid.StringMatching(`[+-]?[0-9]{0,22}(\.[0-9]{0,22})?([eE][+-]?[0-9]{0,5})?|[ 0-9eE.+-]{0,12}`)
	rapid.Check(t, func(t *rapid.T) { checkNumber(t, p, form.Draw(t, "text")) })
}

// shape is a number's field of any length and order.
type shape struct {
	kind            string
	length          int
	little, swapped bool
}

var shapes = rapid.Custom(func(t *rapid.T) shape {
	s := shape{
		kind:   rapid.SampledFrom([]string{"unsigned", "signed", "magnitude", "bcd", "float", "decimal-float"}).Draw(t, "type"),
		little: rapid.Bool().Draw(t, "little"),
	}
	switch s.kind {
	case "float":
		s.length = rapid.SampledFrom([]int{4, 8}).Draw(t, "length")
	case "decimal-float":
		s.length = rapid.SampledFrom([]int{2, 4}).Draw(t, "length")
	default:
		s.length = rapid.IntRange(1, 8).Draw(t, "length")
	}
	s.swapped = s.length%2 == 0 && rapid.Bool().Draw(t, "swapped")
	return s
})

func (s shape) profile(t require.TestingT, more string) *profile.Profile {
	text := fmt.Sprintf("name = \"p\"\n[reading]\nkind = \"fields\"\nlength = %d\n[field.value]\nat = 0\nlength = %[1]d\ntype = %q\n", s.length, s.kind)
	if s.little {
		text += "order = \"little\"\n"
	}
	if s.swapped {
		text += "words = \"swapped\"\n"
	}
	p, err := profile.Parse("p.toml", []byte(text+more))
	require.NoError(t, err)
	return p
}

// place writes a big-endian number as the instrument would send it: its words
// turned round first, and then all of it.
func (s shape) place(big []byte) string {
	out := make([]byte, len(big))
	for i, b := range big {
		word, within := i/2, i%2
		if s.swapped {
			word = len(big)/2 - 1 - word
		}
		at := 2*word + within
		if s.little {
			at = len(big) - 1 - at
		}
		out[at] = b
	}
	return string(out)
}

// encode gives a number in the shape's form, highest byte first, and its digits.
func (s shape) encode(t *rapid.T) (body []byte, want string) {
	bits := 8 * s.length
	raw := rapid.Uint64Range(0, uint64(math.MaxUint64)>>(64-bits)).Draw(t, "bits")
	body = binary.BigEndian.AppendUint64(nil, raw)[8-s.length:]
	value := new(big.Int).SetUint64(raw)
	top := new(big.Int).Lsh(big.NewInt(1), uint(bits-1))
	switch s.kind {
	case "signed":
		if value.Cmp(top) >= 0 {
			value.Sub(value, new(big.Int).Lsh(top, 1))
		}
	case "magnitude":
		if value.Cmp(top) >= 0 {
			value.Sub(top, value)
		}
	case "bcd":
		digits := rapid.StringMatching(fmt.Sprintf("[0-9]{%d}", 2*s.length)).Draw(t, "digits")
		n, err := strconv.ParseUint(digits, 16, 64)
		require.NoError(t, err)
		body = binary.BigEndian.AppendUint64(nil, n)[8-s.length:]
		want = decimal.RequireFromString(digits).String()
	case "float":
		v, size := math.Float64frombits(raw), 64
		if s.length == 4 {
			v, size = float64(math.Float32frombits(uint32(raw))), 32
		}
		want = strconv.FormatFloat(v, 'e', -1, size)
	case "decimal-float":
		mantissa, exponent := int64(int32(raw<<8)>>8), int32(int8(raw>>24))
		most := int64(1<<23 - 3)
		if s.length == 2 {
			mantissa, exponent, most = int64(int16(raw<<4)>>4), int32(int8(raw>>8))>>4, 1<<11-3
		}
		if want = "NaN"; mantissa <= most && mantissa >= -most {
			want = fmt.Sprintf("%de%d", mantissa, exponent)
		}
	}
	if want == "" {
		want = value.String()
	}
	return body, want
}

// What is written in any form, order of bytes and order of words is read as it
// was, times its scale and with its decimals; what no quantity holds is none.
func TestNumbersAreReadAsTheyWereWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := shapes.Draw(t, "shape")
		decimals := rapid.IntRange(-12, 12).Draw(t, "decimals")
		scale := rapid.SampledFrom([]string{"1", "0.25", "-1e3", "123456789012345678901"}).Draw(t, "scale")
		body, text := s.encode(t)
		got, ok := numberOf(s.profile(t, fmt.Sprintf("decimals = %d\nscale = %q\n", decimals, scale)), s.place(body))
		plain, err := quantity.ParseNumber(text)
		if err != nil {
			require.False(t, ok, "%s of % X", got, body)
			return
		}
		factor, err := quantity.ParseNumber(scale)
		require.NoError(t, err)
		want := plain.Mul(factor).Shift(int32(-decimals))
		if !ok {
			_, err := quantity.ParseNumber(want.StringFixed(max(0, -want.Exponent())))
			require.Error(t, err, "% X: %s", body, want)
			return
		}
		require.Equal(t, want.StringFixed(max(0, -want.Exponent())), got)
	})
}

// A mask leaves the bits it has, moved down.
func TestMasks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := shapes.Filter(func(s shape) bool { return s.kind == "unsigned" }).Draw(t, "shape")
		mask := rapid.Uint64Range(1, min(math.MaxInt64, uint64(math.MaxUint64)>>(64-8*s.length))).Draw(t, "mask")
		raw := rapid.Uint64Range(0, uint64(math.MaxUint64)>>(64-8*s.length)).Draw(t, "bits")
		want := new(big.Int)
		lowest := -1
		for bit := range 64 {
			if mask>>bit&1 == 1 && lowest < 0 {
				lowest = bit
			}
			if lowest >= 0 && mask>>bit&1 == 1 {
				want.SetBit(want, bit-lowest, uint(raw>>bit&1))
			}
		}
		got, ok := numberOf(s.profile(t, fmt.Sprintf("mask = %d\n", mask)), s.place(binary.BigEndian.AppendUint64(nil, raw)[8-s.length:]))
		require.True(t, ok)
		require.Equal(t, want.String(), got)
	})
}

// Every text, against package quantity.
func FuzzNumber(f *testing.F) {
	for _, text := range []string{"-1234.567E+10", " + 0088.40 ", "088.40-", "0e40", "5e\u22123", "99999999999999999999", "1e-39", "\u00a05"} {
		f.Add(text)
	}
	p := read(f, bare)
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) <= 60 && !strings.ContainsAny(text, ",") {
			checkNumber(t, p, text)
		}
	})
}
