package ble_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/ble"
	"paintmark/device/profile"
)

// types are the formats of the assigned numbers that Decode reads, with their
// sizes in bytes.
var types = map[byte]int{
	0x04: 1, 0x05: 2, 0x06: 2, 0x07: 3, 0x08: 4, 0x09: 6, 0x0A: 8, 0x0B: 16,
	0x0C: 1, 0x0D: 2, 0x0E: 2, 0x0F: 3, 0x10: 4, 0x11: 6, 0x12: 8, 0x13: 16,
	0x14: 4, 0x15: 8, 0x16: 2, 0x17: 4,
}

// read reads one packet through a profile.
func read(p *profile.Profile, raw []byte) (quantity.Quantity, error) {
	r := p.NewReader()
	r.Feed(raw, time.Unix(0, 0))
	r.EndPacket()
	o, ok := r.Next()
	if !ok {
		return quantity.Quantity{}, fmt.Errorf("nothing came of % X", raw)
	}
	return o.Sample.Value, o.Err
}

// alike wants the profile to read what the format does: the same digits and unit,
// or nothing.
func alike(t require.TestingT, f ble.Format, p *profile.Profile, raw []byte) {
	want, wrong := f.Decode(raw)
	got, err := read(p, raw)
	if wrong != nil {
		require.Error(t, err, "%s: % X is none by the format: %v", f, raw, wrong)
		return
	}
	require.NoError(t, err, "%s: % X", f, raw)
	require.Equal(t, want.Unit, got.Unit, "%s: % X", f, raw)
	require.Equal(t, want.Number(), got.Number(), "%s: % X", f, raw)
}

func TestEveryFormatAsAProfile(t *testing.T) {
	none := map[byte]bool{0x05: true, 0x0D: true, 0x0B: true, 0x13: true} // 12 and 128 bits
	for typ, size := range types {
		for _, exponent := range []int8{-13, -12, -7, -2, -1, 0, 1, 3, 12, 13} {
			for _, unit := range []uint16{0x2700, 0x2701, 0x2741, 0x2763, 0x27A2} {
				f := ble.Format{Type: typ, Exponent: exponent, Unit: unit}
				text, err := f.Profile("made")
				if none[typ] {
					require.ErrorContains(t, err, "a profile has no type for an integer of ")
					continue
				}
				if typ < 0x14 && (exponent < -12 || exponent > 12) {
					require.EqualError(t, err, fmt.Sprintf("a profile has no place for the exponent %d", exponent))
					continue
				}
				require.NoError(t, err, "%s", f)
				p, err := profile.Parse("made.toml", []byte(text))
				require.NoError(t, err, "%s", text)
				require.Equal(t, "made", p.Name)
				require.True(t, p.NeedsPackets())
				for _, raw := range corners(size) {
					alike(t, f, p, raw)
				}
			}
		}
	}
	_, err := ble.Format{Type: 0x19, Unit: 0x2741}.Profile("made")
	require.ErrorContains(t, err, "0x19")
	_, err = ble.Format{Type: 0x04, Unit: 1}.Profile("made")
	require.ErrorContains(t, err, "0x0001")
}

// corners are values of so many bytes, and of one more and one less.
func corners(size int) [][]byte {
	var list [][]byte
	for _, fill := range []byte{0x00, 0x01, 0x7F, 0x80, 0xFF, 0x5A} {
		raw := make([]byte, size)
		for i := range raw {
			raw[i] = fill
		}
		list = append(list, raw)
		for _, top := range []byte{0x00, 0x7F, 0x80, 0x40, 0xF0} {
			other := append([]byte(nil), raw...)
			other[size-1] = top
			list = append(list, other)
		}
		list = append(list, append(raw[:size:size], fill))
		if size > 1 {
			list = append(list, raw[1:])
		}
	}
	return list
}

// Values that are known beforehand (computed, as in TestFormats) come out of the
// profile as well.
func TestFormatsByTheirProfiles(t *testing.T) {
	for _, tc := range []struct{ descriptor, value, want string }{
		{"0E FE 41 27 01 00 00", "88 22", "88.40 N·m"},
		{"0E FE 41 27 01 00 00", "78 DD", "-88.40 N·m"},
		{"06 FF 63 27 01 00 00", "84 03", "90.0°"},
		{"10 FC A2 27 01 00 00", "F4 01 00 00", "0.0500 in"},
		{"0A 00 41 27 01 00 00", "FF FF FF FF FF FF FF FF", "18446744073709551615 N·m"},
		{"12 00 41 27 01 00 00", "00 00 00 00 00 00 00 80", "-9223372036854775808 N·m"},
		{"0C 02 41 27 01 00 00", "05", "500 N·m"},
		{"14 FE 41 27 01 00 00", "CD CC B0 42", "88.4 N·m"},
		{"15 00 41 27 01 00 00", "9A 99 99 99 99 19 56 40", "88.4 N·m"},
		{"16 00 41 27 01 00 00", "14 F0", "2.0 N·m"},
		{"17 00 41 27 01 00 00", "6D 01 00 FF", "36.5 N·m"},
	} {
		f, err := ble.ParseFormat(unhex(t, tc.descriptor))
		require.NoError(t, err)
		text, err := f.Profile("made")
		require.NoError(t, err)
		p, err := profile.Parse("made.toml", []byte(text))
		require.NoError(t, err)
		q, err := read(p, unhex(t, tc.value))
		require.NoError(t, err, tc.descriptor)
		require.Equal(t, tc.want, q.String())
	}
}

// Whatever bytes come, the profile reads what the format does.
func TestFormatsAndTheirProfilesAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := ble.Format{
			Type:     rapid.SampledFrom([]byte{0x04, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0C, 0x0E, 0x0F, 0x10, 0x11, 0x12, 0x14, 0x15, 0x16, 0x17}).Draw(t, "type"),
			Exponent: rapid.Int8Range(-12, 12).Draw(t, "exponent"),
			Unit:     0x2741,
		}
		text, err := f.Profile("made")
		require.NoError(t, err)
		p, err := profile.Parse("made.toml", []byte(text))
		require.NoError(t, err)
		size := types[f.Type]
		raw := rapid.SliceOfN(rapid.Byte(), size, size).Draw(t, "raw")
		if f.Type == 0x15 && rapid.Bool().Draw(t, "ordinary") { // most floats at random are too large
			bits := math.Float64bits(rapid.Float64Range(-1e6, 1e6).Draw(t, "float"))
			for i := range raw {
				raw[i] = byte(bits >> (8 * i))
			}
		}
		alike(t, f, p, raw)
	})
}

func TestLinksThatDescribeNothing(t *testing.T) {
	_, err := ble.Describe(wrapped{plain{}})
	require.EqualError(t, err, "only a characteristic of Bluetooth LE describes itself")
	_, err = ble.Describe(wrapped{telling{err: ble.ErrNoFormat}})
	require.EqualError(t, err, "it does not describe itself: the characteristic has no presentation format descriptor")
	var hint interface{ HintText() string }
	require.ErrorAs(t, err, &hint)
	require.Equal(t, "name a profile that says how it talks", hint.HintText())
	_, err = ble.Describe(telling{format: ble.Format{Type: 0x05, Unit: 0x2741}})
	require.EqualError(t, err, "what it says of itself cannot be used: a profile has no type for an integer of 12 bits")
	p, err := ble.Describe(wrapped{telling{format: ble.Format{Type: 0x0E, Exponent: -1, Unit: 0x2763}}})
	require.NoError(t, err)
	require.Equal(t, ble.SelfDescribed, p.Name)
	require.Equal(t, "As the instrument says: signed integer of 16 bits, 1 decimal, °.", p.Note)
}

type plain struct{ device.Link }

type wrapped struct{ device.Link }

func (w wrapped) Unwrap() device.Link { return w.Link }

type telling struct {
	device.Link
	format ble.Format
	err    error
}

func (l telling) Format() (ble.Format, error) { return l.format, l.err }
