package samples

import (
	"encoding/hex"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
)

var head = Head{
	Station: "bench-1", Number: 12, Began: time.Unix(1, 5).UTC(), Session: "s", Point: "head/7", Pass: "stage-1", Instrument: "wrench-2",
}

func TestHead(t *testing.T) {
	data, err := EncodeHead(head)
	require.NoError(t, err)
	require.Equal(t, "010c"+"8aa8d6b907"+"0762656e63682d31"+"0173"+"06686561642f37"+"0773746167652d31"+"087772656e63682d32",
		hex.EncodeToString(data[:len(data)-checksumSize]))
	got, err := DecodeHead(data)
	require.NoError(t, err)
	require.Equal(t, head, got)
	for i := range data {
		_, err := DecodeHead(data[:i])
		require.ErrorIs(t, err, ErrMalformed)
		changed := slices.Clone(data)
		changed[i] ^= 0x10
		_, err = DecodeHead(changed)
		require.ErrorIs(t, err, ErrMalformed)
	}
	for name, c := range map[string]struct {
		data []byte
		is   error
	}{
		"a newer version": {append([]byte{2}, data[1:len(data)-checksumSize]...), ErrNewer},
		"version 0":       {append([]byte{0}, data[1:len(data)-checksumSize]...), ErrMalformed},
		"number 0":        {append([]byte{1, 0}, data[2:len(data)-checksumSize]...), ErrMalformed},
		"more":            {append(slices.Clone(data[:len(data)-checksumSize]), 0), ErrMalformed},
		"cut":             {data[:8], ErrMalformed},
		"an endless text": {[]byte{1, 1, 0, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1}, ErrMalformed},
	} {
		_, err := DecodeHead(sealed(c.data))
		require.ErrorIs(t, err, c.is, name)
	}
	for _, h := range []Head{{Began: time.Unix(0, 0)}, {Number: 1}, {Number: 1, Began: time.Unix(0, 0), Session: strings.Repeat("x", maxText+1)}} {
		_, err := EncodeHead(h)
		require.ErrorIs(t, err, ErrUnfit)
	}
}

func TestAnyHead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := func(what string) string { return rapid.String().Draw(t, what) }
		h := Head{
			Station: text("station"), Number: rapid.Uint64Min(1).Draw(t, "number"), Began: time.Unix(0, rapid.Int64().Draw(t, "began")).UTC(),
			Session: text("session"), Point: fact.Point(text("point")), Pass: fact.Pass(text("pass")), Instrument: text("instrument"),
		}
		data, err := EncodeHead(h)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := DecodeHead(data); err != nil || got != h {
			t.Fatalf("%+v came back as %+v (%v)", h, got, err)
		}
	})
}
