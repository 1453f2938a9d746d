package learn

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/profile"
)

// FuzzLearn: whatever bytes come and whatever was typed, learning ends, and a
// profile that it gives can be read and reads what it says it reads.
func FuzzLearn(f *testing.F) {
	f.Add([]byte("+0088.4 Nm OK\r\n|+0065.2 Nm OK\r\n|-0012.0 Nm OL\r\n"), "88.4 Nm|65.2|-12,0", uint8(1))
	f.Add([]byte("\x02 12.345 mm\x035D|\x02  0.127 mm\x0360|\x02 -3.216 mm\x0300"), "12.345 mm|0.127 mm|-3.216 mm", uint8(3))
	f.Add([]byte("\xaa\x55\x03\x74\x01|\xaa\x55\x02\x8c\x01|\xaa\x55\xff\x88\x01"), "88.4|65.2|-12.0", uint8(0))
	f.Add([]byte("ST,0012,3.39E+01*5C;\n|ST,0013,9.9E+00*0A;\n"), "33.9|9.9", uint8(7))
	f.Add([]byte("#9#9#9|#10#9"), "9|10", uint8(2))
	f.Fuzz(func(t *testing.T, sent []byte, typed string, split uint8) {
		shown := bytes.Split([]byte(typed), []byte("|"))
		var heard []Heard
		at := time.Duration(0)
		for n, part := range bytes.Split(sent, []byte("|")) {
			h := Heard{}
			if split&0x40 == 0 {
				h.Line = device.DefaultSettings()
			}
			if n < len(shown) {
				h.Shown = []string{string(shown[n])}
			}
			size := 1 + int(split&0x3F)
			for chunk := range chunked(part, size) {
				h.Chunks = append(h.Chunks, Chunk{at, chunk})
				at += time.Duration(split) * time.Millisecond
			}
			at += 2 * time.Second
			heard = append(heard, h)
		}
		r := Learn(heard, Options{Name: typed, Request: sent[:min(len(sent), 16)]})
		if r.Profile == "" {
			require.NotEmpty(t, r.Why)
			return
		}
		_, err := profile.Parse("learnt", []byte(r.Profile))
		require.NoError(t, err, r.Profile)
		require.NotEmpty(t, r.Beliefs)
		if !r.Reproduced() {
			require.NotEqual(t, Certain, r.Of(Number).Sure)
		}
		if Sensible(heard...) {
			_ = NewGuesser().Guess(heard)
		}
	})
}

func chunked(b []byte, size int) func(func([]byte) bool) {
	return func(yield func([]byte) bool) {
		for len(b) > 0 {
			n := min(size, len(b))
			if !yield(b[:n]) {
				return
			}
			b = b[n:]
		}
	}
}

// Much is heard of an instrument that streams for long: learning takes about as
// long as for a little, since so much is looked at and no more.
func BenchmarkLearnMuch(b *testing.B) {
	for _, text := range []struct{ name, frame string }{
		{"stream", "+0088.4 Nm OK\r\n"},
		{"digits", "5"},
		{"no-text", "\x01\x02\x03\xff\x80"},
	} {
		b.Run(text.name, func(b *testing.B) {
			var heard []Heard
			for n := range 5 {
				h := Heard{Line: device.DefaultSettings(), Shown: []string{[]string{"88.4", "5", "12.5", "77", "5.5"}[n]}}
				for i := range 8000 {
					h.Chunks = append(h.Chunks, Chunk{time.Duration(n*1000+i) * time.Second / 100, bytes.Repeat([]byte(text.frame), 10)})
				}
				heard = append(heard, h)
			}
			for b.Loop() {
				_ = Learn(heard, Options{})
			}
		})
	}
}
