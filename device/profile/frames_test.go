package profile_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/device/profile"
)

const (
	marks   = "[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nlongest = 6"
	summed  = marks + "\ntail = 1\n[check]\nkind = \"xor\""
	escaped = marks + "\nescape = \"10\"\nescape_xor = \"20\""
	fixed   = "[framing]\nkind = \"length\"\nstart = \"AA 55\"\nlength = 5\n[check]\nkind = \"sum8\""
	special = "[framing]\nending = '\"END\" 0A'\nlongest = 5"
	silence = "[framing]\nkind = \"silence\"\ngap = \"20 ms\"\nlongest = 4"
)

func TestFramings(t *testing.T) {
	for _, tc := range []struct {
		tables, stream string
		frames         []string // with "!" before those that are none
		rest           string
	}{
		{marks, "\x021\x03\x0222\x03\x02", []string{"\x021\x03", "\x0222\x03"}, "\x02"},
		{marks, "ab\x021\x03\r\n\x022\x03", []string{"!ab", "\x021\x03", "!\r\n", "\x022\x03"}, ""},
		{marks, "\x021\x022\x03", []string{"!\x021", "\x022\x03"}, ""}, // lost its end
		{marks, "\x021234567\x022\x03", []string{"!\x021234567", "\x022\x03"}, ""},
		{marks, "\x02123456\x03\x022\x03", []string{"\x02123456\x03", "\x022\x03"}, ""},
		{marks, "abcdefgh\x022\x03", []string{"!abcdef", "!gh", "\x022\x03"}, ""},
		{summed, "\x021\x032\x021\x032", []string{"\x021\x032", "\x021\x032"}, ""},
		// A bad one that swallowed the beginning of a good one.
		{summed, "\x02x\x021\x032", []string{"!\x02x", "\x021\x032"}, ""},
		{summed, "\x021\x03\x021\x032", []string{"!\x021\x03", "\x021\x032"}, ""}, // its check was lost
		{escaped, "\x02\x10\x22\x10\x23\x10\x30\x03", []string{"\x02\x10\x22\x10\x23\x10\x30\x03"}, ""},
		{fixed, "\xAA\x55\x01\x02\x02\xAA\x55\x01\x02\x02", []string{"\xAA\x55\x01\x02\x02", "\xAA\x55\x01\x02\x02"}, ""},
		{fixed, "\x55\xAA\xAA\x55\x01\x02\x02", []string{"!\x55\xAA", "\xAA\x55\x01\x02\x02"}, ""},
		{fixed, "\xAA\x55\xAA\x55\x01\x02\x02", []string{"!\xAA\x55", "\xAA\x55\x01\x02\x02"}, ""},
		{fixed, "\xAA\x55\x01\x02\xAA\x55\x01\x02\x02", []string{"!\xAA\x55\x01\x02", "\xAA\x55\x01\x02\x02"}, ""},
		{special, "1END\n22END\nE", []string{"1END\n", "22END\n"}, "E"},
		{special, "END\nEN2END\n", []string{"EN2END\n"}, ""},
		// The ending is cut in two by the longest length: the next line is sound still.
		{special, "1234567END\n22END\n", []string{"!1234567", "22END\n"}, ""},
		{special, "1234567890END\n22END\n", []string{"!123456789", "!0END\n", "22END\n"}, ""},
	} {
		p := whole(t, tc.tables)
		name := fmt.Sprintf("%s %q", tc.tables, tc.stream)
		got, rest := cut(p, []byte(tc.stream))
		require.Equal(t, tc.frames, marked(got), name)
		require.Equal(t, tc.rest, rest, name)
		single, rest := cut(p, bytes.SplitAfter([]byte(tc.stream), nil)...)
		require.Equal(t, tc.frames, marked(single), name+", byte by byte")
		require.Equal(t, tc.rest, rest, name)
	}
}

func TestEscapesAreTakenOut(t *testing.T) {
	framer := whole(t, escaped).NewFramer()
	framer.Feed([]byte("\x02\x10\x221\x10\x30\x03"), noon)
	f, ok := framer.Next()
	require.True(t, ok)
	require.NoError(t, f.Err)
	require.Equal(t, "\x021\x10", string(f.Body))
}

func TestSilence(t *testing.T) {
	framer := whole(t, silence).NewFramer().(profile.Patient)
	at := noon
	step := func(wait time.Duration, text string) (got []string) {
		at = at.Add(wait)
		if text == "" {
			framer.Elapse(at)
		} else {
			framer.Feed([]byte(text), at)
		}
		for {
			f, ok := framer.Next()
			if !ok {
				return got
			}
			got = append(got, marked([]piece{{string(f.Raw), f.Err != nil}})...)
		}
	}
	const ms = time.Millisecond
	_, ok := framer.Deadline()
	require.False(t, ok)
	require.Empty(t, step(0, "1"))
	require.Empty(t, step(19*ms, "2"))
	due, ok := framer.Deadline()
	require.True(t, ok)
	require.Equal(t, at.Add(20*ms), due)
	require.Empty(t, step(19*ms, ""))
	require.Equal(t, []string{"12"}, step(1*ms, ""))
	require.Empty(t, step(5*ms, "3"))
	require.Equal(t, []string{"3"}, step(20*ms, "4"), "a gap that nobody waited for")
	require.Equal(t, "4", string(framer.Rest()))
	// Too long: pieces up to the gap; the next frame is sound.
	require.Equal(t, []string{"!4567"}, step(1*ms, "5678"))
	require.Equal(t, []string{"!8"}, step(20*ms, "9"))
	framer.End()
	_, ok = framer.Next()
	require.False(t, ok, "nothing says that it is whole")
	require.Equal(t, "9", string(framer.Rest()))
}

// What its check says is whole is a frame though no silence came after it.
func TestSilenceAtTheEnd(t *testing.T) {
	p := whole(t, silence+"\n[check]\nkind = \"xor\"")
	for stream, want := range map[string]bool{"1204": false, "12\x03": true} {
		framer := p.NewFramer().(profile.Patient)
		framer.Feed([]byte(stream), noon)
		framer.End()
		f, ok := framer.Next()
		require.Equal(t, want, ok)
		if ok {
			require.Equal(t, stream, string(f.Raw))
			require.Empty(t, framer.Rest())
		}
	}
}

func TestPackets(t *testing.T) {
	framer := whole(t, "[framing]\nkind = \"packet\"\nlongest = 3").NewFramer().(profile.Packeted)
	for _, tc := range []struct {
		pieces []string
		none   bool
	}{{[]string{"12"}, false}, {[]string{"1", "2"}, false}, {[]string{"123", "4"}, true}, {[]string{"5"}, false}} {
		for _, p := range tc.pieces {
			_, ok := framer.Next()
			require.False(t, ok)
			framer.Feed([]byte(p), noon)
		}
		framer.EndPacket()
		f, ok := framer.Next()
		require.True(t, ok)
		require.Equal(t, strings.Join(tc.pieces, ""), string(f.Raw))
		require.Equal(t, tc.none, f.Err != nil)
		require.Empty(t, framer.Rest())
	}
}

// However a stream is split, its frames are the same and every byte is in one
// of them or in the rest; and a good frame at its end is found whatever was
// before it, where the garbage cannot be the beginning of one that goes on.
func checkScan(t require.TestingT, p *profile.Profile, stream []byte, pieces [][]byte) {
	want, wantRest := cut(p, stream)
	got, gotRest := cut(p, pieces...)
	require.Equal(t, want, got)
	require.Equal(t, wantRest, gotRest)
	var kept strings.Builder
	for _, f := range got {
		kept.WriteString(f.raw)
	}
	require.Equal(t, string(stream), kept.String()+gotRest)
}

func TestScansDoNotDependOnThePieces(t *testing.T) {
	profiles := []*profile.Profile{whole(t, marks), whole(t, summed), whole(t, escaped), whole(t, fixed)}
	rapid.Check(t, func(t *rapid.T) {
		stream := rapid.SliceOfN(rapid.SampledFrom([]byte("\x02\x03\x10\xAA\x55\x011")), 0, 60).Draw(t, "stream")
		var pieces [][]byte
		for rest := stream; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "piece")
			pieces, rest = append(pieces, rest[:n]), rest[n:]
		}
		for _, p := range profiles {
			checkScan(t, p, stream, pieces)
		}
	})
}

// Garbage costs no good frame behind it. With a fixed length or a check after
// the end, garbage that begins like a frame is settled by the bytes of the good
// one.
func FuzzResynchronise(f *testing.F) {
	good := map[string]string{marks: "\x0212\x03", summed: "\x021\x032", escaped: "\x02\x10\x22\x03", fixed: "\xAA\x55\x01\x02\x02"}
	profiles := map[string]*profile.Profile{}
	for tables := range good {
		profiles[tables] = whole(f, tables)
	}
	f.Add([]byte("\x02ab\x02\x03"), uint8(1))
	f.Add([]byte("\xAA\x55\xAA\xAA"), uint8(3))
	f.Add([]byte("\x02\x10"), uint8(2))
	f.Fuzz(func(t *testing.T, garbage []byte, size uint8) {
		for tables, frame := range good {
			if tables == escaped && bytes.HasSuffix(garbage, []byte{0x10}) {
				continue // the start itself is escaped
			}
			stream := append(bytes.Clone(garbage), frame...)
			var pieces [][]byte
			for rest := stream; len(rest) > 0; {
				n := min(int(size)+1, len(rest))
				pieces, rest = append(pieces, rest[:n]), rest[n:]
			}
			checkScan(t, profiles[tables], stream, pieces)
			frames, rest := cut(profiles[tables], append(stream, frame...))
			if n := len(frames); n > 0 && frames[n-1] == (piece{frame, false}) && rest == "" {
				continue
			}
			// A check that fits by chance may take bytes of a good frame for its own.
			require.Contains(t, []string{summed, fixed}, tables, "%q: %q, %q", garbage, frames, rest)
			require.Contains(t, fmt.Sprint(frames), "false", "only a frame that kept its check may hide another")
		}
	})
}
