package ble_test

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/device/ble"
)

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	raw, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err)
	return raw
}

func TestFormats(t *testing.T) {
	for _, tc := range []struct {
		descriptor, value string // as they come
		want              string
		no                bool // an ErrNoValue
	}{
		// Signed 16 bits, two decimals, N·m: computed from the layout of the
		// descriptor (Core Specification, Vol 3 Part G, 3.3.3.5).
		{"0E FE 41 27 01 00 00", "88 22", "88.40 N·m", false},
		{"0E FE 41 27 01 00 00", "78 DD", "-88.40 N·m", false},
		{"0E FE 41 27 01 00 00", "00 00", "0.00 N·m", false},
		{"0E FE 41 27 01 00 00", "00 80", "-327.68 N·m", false},
		// The other units: metre, inch, degree (Assigned Numbers, 3.5).
		{"0E FB 01 27 01 00 00", "39 30", "0.12345 m", false},
		{"10 FC A2 27 01 00 00", "F4 01 00 00", "0.0500 in", false},
		{"06 FF 63 27 01 00 00", "84 03", "90.0°", false},
		// Every integer at its ends (two's complement, little endian; computed).
		{"04 00 41 27 01 00 00", "FF", "255 N·m", false},
		{"05 00 41 27 01 00 00", "FF 0F", "4095 N·m", false},
		{"05 00 41 27 01 00 00", "FF 1F", "FF 1F is no integer of 12 bits", false},
		{"07 00 41 27 01 00 00", "FF FF FF", "16777215 N·m", false},
		{"08 00 41 27 01 00 00", "FF FF FF FF", "4294967295 N·m", false},
		{"09 00 41 27 01 00 00", "FF FF FF FF FF FF", "281474976710655 N·m", false},
		{"0A 00 41 27 01 00 00", "FF FF FF FF FF FF FF FF", "18446744073709551615 N·m", false},
		{"0B 00 41 27 01 00 00", "FF FF FF FF FF FF FF FF FF FF FF FF FF FF FF FF", "340282366920938463463374607431768211455 N·m", false},
		{"0C 00 41 27 01 00 00", "80", "-128 N·m", false},
		{"0D 00 41 27 01 00 00", "00 08", "-2048 N·m", false},
		{"0D 00 41 27 01 00 00", "FF FF", "-1 N·m", false},
		{"0D 00 41 27 01 00 00", "FF 07", "2047 N·m", false},
		{"0D 00 41 27 01 00 00", "FF F7", "FF F7 is no integer of 12 bits", false},
		{"0F 00 41 27 01 00 00", "00 00 80", "-8388608 N·m", false},
		{"10 00 41 27 01 00 00", "00 00 00 80", "-2147483648 N·m", false},
		{"11 00 41 27 01 00 00", "00 00 00 00 00 80", "-140737488355328 N·m", false},
		{"12 00 41 27 01 00 00", "00 00 00 00 00 00 00 80", "-9223372036854775808 N·m", false},
		{"13 00 41 27 01 00 00", "00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 80", "-170141183460469231731687303715884105728 N·m", false},
		{"0C 02 41 27 01 00 00", "05", "500 N·m", false},
		{"0C 7F 41 27 01 00 00", "05", "too large", false},
		{"0C 7F 41 27 01 00 00", "00", "0 N·m", false},
		{"0C 80 41 27 01 00 00", "05", "too large or too small", false},
		// IEEE 754 (computed): 88.4 as float32 is 0x42B0CCCD; the exponent does not count.
		{"14 00 41 27 01 00 00", "CD CC B0 42", "88.4 N·m", false},
		{"14 FE 41 27 01 00 00", "00 00 80 3F", "1 N·m", false},
		{"15 00 41 27 01 00 00", "9A 99 99 99 99 19 56 40", "88.4 N·m", false},
		{"14 00 41 27 01 00 00", "00 00 C0 7F", "NaN", true},
		{"14 00 41 27 01 00 00", "00 00 80 7F", "+Inf", true},
		{"15 00 41 27 01 00 00", "00 00 00 00 00 00 F0 FF", "-Inf", true},
		{"14 00 41 27 01 00 00", "01 00 00 00", "too small", false},
		// SFLOAT 0xF014 is 2.0 (HL7 Personal Health Device guide); the special
		// values are those of IEEE 11073-20601 (from memory).
		{"16 00 41 27 01 00 00", "14 F0", "2.0 N·m", false},
		{"16 05 41 27 01 00 00", "14 F0", "2.0 N·m", false},
		{"16 00 41 27 01 00 00", "EC FF", "-2.0 N·m", false},
		{"16 00 41 27 01 00 00", "01 70", "10000000 N·m", false},
		{"16 00 41 27 01 00 00", "FD 07", "2045 N·m", false},
		{"16 00 41 27 01 00 00", "FF 07", "not a number", true},
		{"16 00 41 27 01 00 00", "00 08", "not at this resolution", true},
		{"16 00 41 27 01 00 00", "FE 07", "above its range", true},
		{"16 00 41 27 01 00 00", "02 08", "below its range", true},
		{"16 00 41 27 01 00 00", "01 08", "a reserved number", true},
		// FLOAT: exponent −1 and 365 is 36.5 (computed).
		{"17 00 41 27 01 00 00", "6D 01 00 FF", "36.5 N·m", false},
		{"17 00 41 27 01 00 00", "FF FF 7F 00", "not a number", true},
		{"17 00 41 27 01 00 00", "00 00 80 00", "not at this resolution", true},
		{"17 00 41 27 01 00 00", "FE FF 7F 00", "above its range", true},
		{"17 00 41 27 01 00 00", "02 00 80 00", "below its range", true},
		{"17 00 41 27 01 00 00", "01 00 80 00", "a reserved number", true},
		{"17 00 41 27 01 00 00", "01 00 00 7F", "too large", false},
		// Another length than the format's.
		{"0E FE 41 27 01 00 00", "88", "has 2 bytes, not 1", false},
		{"0E FE 41 27 01 00 00", "88 22 00", "has 2 bytes, not 3", false},
		{"0E FE 41 27 01 00 00", "", "has 2 bytes, not 0", false},
	} {
		f, err := ble.ParseFormat(unhex(t, tc.descriptor))
		require.NoError(t, err, tc.descriptor)
		require.Equal(t, unhex(t, tc.descriptor), f.Bytes())
		q, err := f.Decode(unhex(t, tc.value))
		if err != nil {
			require.ErrorContains(t, err, tc.want, "%s: %s", tc.descriptor, tc.value)
			require.Equal(t, tc.no, strings.Contains(err.Error(), ble.ErrNoValue.Error()))
			if tc.no {
				require.ErrorIs(t, err, ble.ErrNoValue)
			}
			continue
		}
		require.Equal(t, tc.want, q.String(), "%s: %s", tc.descriptor, tc.value)
		require.Empty(t, q.Text)
	}
}

func TestBareNumber(t *testing.T) {
	f, err := ble.ParseFormat(unhex(t, "0E FF 00 27 01 00 00"))
	require.NoError(t, err)
	q, err := f.Decode([]byte{123, 0})
	require.NoError(t, err)
	require.Equal(t, quantity.NoUnit, q.Unit)
	require.Equal(t, "12.3", q.Value.String())
}

func TestFormatsInWords(t *testing.T) {
	for _, tc := range []struct{ descriptor, want string }{
		{"0E FE 41 27 01 00 00", "signed integer of 16 bits, 2 decimals, N·m"},
		{"06 FF 63 27 01 00 00", "unsigned integer of 16 bits, 1 decimal, °"},
		{"0C 02 A2 27 01 00 00", "signed integer of 8 bits, times 10^2, in"},
		{"04 00 00 27 01 00 00", "unsigned integer of 8 bits, no unit"},
		{"14 FE 01 27 01 00 00", "IEEE 754 number of 32 bits, m"},
		{"16 00 41 27 01 00 00", "IEEE 11073 number of 16 bits, N·m"},
	} {
		f, err := ble.ParseFormat(unhex(t, tc.descriptor))
		require.NoError(t, err)
		require.Equal(t, tc.want, f.String())
	}
	require.Equal(t, "format 0x19", ble.Format{Type: 0x19}.String())
	require.Equal(t, "unsigned integer of 8 bits, 128 decimals, unit 0x0001", ble.Format{Type: 4, Exponent: -128, Unit: 1}.String())
}

func TestFormatsThatAreRefused(t *testing.T) {
	for _, tc := range []struct{ descriptor, want string }{
		{"", "has 7 bytes, not 0"},
		{"0E FE 41 27 01 00", "has 7 bytes, not 6"},
		{"0E FE 41 27 01 00 00 00", "has 7 bytes, not 8"},
		{"01 00 41 27 01 00 00", "format 0x01 is none that can be read"}, // boolean
		{"19 00 41 27 01 00 00", "format 0x19 is none that can be read"}, // UTF-8
		{"0E FE 2F 27 01 00 00", "unit 0x272F is none"},                  // degree Celsius
	} {
		_, err := ble.ParseFormat(unhex(t, tc.descriptor))
		require.ErrorContains(t, err, tc.want)
	}
	_, err := ble.Format{}.Decode(nil)
	require.Error(t, err)
	_, err = ble.Format{Type: 4}.Decode([]byte{1})
	require.Error(t, err)
}

// Whatever an integer is, it is read back from its bytes.
func TestIntegersAreReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int32().Draw(t, "n")
		exponent := rapid.Int8Range(-20, 20).Draw(t, "exponent")
		f := ble.Format{Type: 0x10, Exponent: exponent, Unit: 0x2741}
		q, err := f.Decode([]byte{byte(n), byte(n >> 8), byte(n >> 16), byte(n >> 24)})
		require.NoError(t, err)
		require.Equal(t, int64(n), q.Value.Shift(-int32(exponent)).IntPart())
		require.True(t, q.Value.Shift(-int32(exponent)).IsInteger())
	})
}

func FuzzFormat(f *testing.F) {
	for _, seed := range []string{"0E FE 41 27 01 00 00 88 22", "16 00 41 27 01 00 00 14 F0", "14 00 41 27 01 00 00 CD CC B0 42", "0D 00 41 27 01 00 00 FF F7", "0C 80 41 27 01 00 00 05"} {
		f.Add(unhex(f, seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		format, err := ble.ParseFormat(raw[:min(7, len(raw))])
		if err != nil {
			return
		}
		require.Equal(t, raw[:7], format.Bytes())
		q, err := format.Decode(raw[7:])
		if err != nil {
			require.Less(t, len(err.Error()), 200)
			return
		}
		_, err = quantity.ParseNumber(q.Number())
		require.NoError(t, err, "what was read can be written and read again")
	})
}
