package profile_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/device"
	"paintmark/device/profile"
)

// parse makes a profile out of the two tables that matter to a test.
func parse(t interface {
	require.TestingT
	Helper()
}, framing, reading string) *profile.Profile {
	t.Helper()
	if reading == "" {
		reading = "pattern = '(?P<value>[0-9.]+)'"
	}
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[framing]\n"+framing+"\n[reading]\n"+reading+"\n"))
	require.NoError(t, err)
	return p
}

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

// A piece is the raw bytes of a frame, or of what is none.
type piece struct {
	raw  string
	none bool
}

// cut gives the frames of a stream that comes in pieces, and the rest.
func cut(p *profile.Profile, pieces ...[]byte) (frames []piece, rest string) {
	framer := p.NewFramer()
	for i, fed := range pieces {
		at := noon.Add(time.Duration(i) * time.Second)
		framer.Feed(fed, at)
		for {
			f, ok := framer.Next()
			if !ok {
				break
			}
			frames = append(frames, piece{string(f.Raw), f.Err != nil})
			if !f.Time.Equal(at) {
				frames = append(frames, piece{fmt.Sprintf("at %v, fed at %v", f.Time, at), true})
			}
		}
	}
	return frames, string(framer.Rest())
}

func TestLines(t *testing.T) {
	for _, tc := range []struct {
		framing, stream string
		frames          []string // with "!" before those that are none
		rest            string
	}{
		{`ending = "lf"`, "1\n2\n3", []string{"1\n", "2\n"}, "3"},
		{`ending = "lf"`, "1\r\n2\n", []string{"1\r\n", "2\n"}, ""},
		{`ending = "cr"`, "1\r2\n\r", []string{"1\r", "2\n\r"}, ""},
		{`ending = "crlf"`, "1\r\n2\r3\n4\r\n\r", []string{"1\r\n", "2\r3\n4\r\n"}, "\r"},
		{`ending = "either"`, "1\r2\n3\r\n4\n\r5\r", []string{"1\r", "2\n", "3\r", "4\n", "5\r"}, ""},
		{`ending = "either"`, "\r\n\r\n1\r\n\r\n", []string{"1\r"}, ""},
		{`ending = "crlf"`, "\r\n\r\n1\r\n\n\r\n", []string{"1\r\n", "\n\r\n"}, ""},
		{"ending = \"lf\"\nlongest = 3", "123\n1234\n1\n", []string{"123\n", "!1234", "1\n"}, ""},
		{"ending = \"lf\"\nlongest = 3", "12345\n1\n", []string{"!1234", "!5\n", "1\n"}, ""},
		{"ending = \"lf\"\nlongest = 3", "1234567890\n12\n", []string{"!1234", "!5678", "!90\n", "12\n"}, ""},
		{"ending = \"crlf\"\nlongest = 3", "123\r\n1\r\n", []string{"123\r\n", "1\r\n"}, ""},
		// The ending is cut in two by the longest length: the next line is sound still.
		{"ending = \"crlf\"\nlongest = 3", "1234\r\n12\r\n", []string{"!1234\r", "12\r\n"}, ""},
		{"ending = \"crlf\"\nlongest = 3", "1234567890\r\n12\r\n", []string{"!12345", "!67890", "12\r\n"}, ""},
		{"ending = \"lf\"\nlongest = 3", "1234567", []string{"!1234"}, "567"},
		{"ending = \"lf\"\nfirst = \"discard\"", "8.4\n88.4\n", []string{"!8.4\n", "88.4\n"}, ""},
		{"ending = \"either\"\nfirst = \"discard\"", "\n88.4\r\n", []string{"88.4\r"}, ""},
	} {
		name := fmt.Sprintf("%s %q", tc.framing, tc.stream)
		whole, rest := cut(parse(t, tc.framing, ""), []byte(tc.stream))
		require.Equal(t, tc.frames, marked(whole), name)
		require.Equal(t, tc.rest, rest, name)
		single, rest := cut(parse(t, tc.framing, ""), bytes.SplitAfter([]byte(tc.stream), nil)...)
		require.Equal(t, tc.frames, marked(single), name+", byte by byte")
		require.Equal(t, tc.rest, rest, name)
	}
}

func marked(pieces []piece) (list []string) {
	for _, p := range pieces {
		if p.none {
			p.raw = "!" + p.raw
		}
		list = append(list, p.raw)
	}
	return list
}

var endings = []string{"cr", "lf", "crlf", "either"}

// However a stream is split, its frames are the same, and every byte of it is
// in one frame or in the rest, but for endings that end nothing.
func TestFramesDoNotDependOnThePieces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		end := rapid.SampledFrom(endings).Draw(t, "ending")
		longest := rapid.IntRange(1, 8).Draw(t, "longest")
		first := rapid.SampledFrom([]string{"keep", "discard"}).Draw(t, "first")
		stream := rapid.SliceOfN(rapid.SampledFrom([]byte("12\r\n\r\n")), 0, 60).Draw(t, "stream")
		var pieces [][]byte
		for rest := stream; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "piece")
			pieces, rest = append(pieces, rest[:n]), rest[n:]
		}
		p := parse(t, fmt.Sprintf("ending = %q\nlongest = %d\nfirst = %q", end, longest, first), "")
		checkStream(t, p, stream, pieces, end)
	})
}

func checkStream(t require.TestingT, p *profile.Profile, stream []byte, pieces [][]byte, end string) {
	want, wantRest := cut(p, stream)
	got, gotRest := cut(p, pieces...)
	require.Equal(t, want, got)
	require.Equal(t, wantRest, gotRest)

	var kept strings.Builder
	for _, f := range got {
		kept.WriteString(f.raw)
	}
	kept.WriteString(gotRest)
	mark := strings.NewReplacer(map[string][]string{
		"cr": {"\r", ""}, "lf": {"\n", ""}, "crlf": {"\r", "", "\n", ""}, "either": {"\r", "", "\n", ""},
	}[end]...)
	require.Equal(t, mark.Replace(string(stream)), mark.Replace(kept.String()))
	// Nothing is made up, and all that is missing is endings.
	require.LessOrEqual(t, kept.Len(), len(stream))
}

func TestFramerAllocatesNothing(t *testing.T) {
	p := load(t, "wrench-line.toml")
	framer := p.NewFramer()
	stream := []byte(strings.Repeat("+0088.4 Nm OK\r\n", 100) + "+00")
	frames := 0
	feed := func() {
		framer.Feed(stream, noon)
		for {
			if _, ok := framer.Next(); !ok {
				return
			}
			frames++
		}
	}
	feed()
	require.Zero(t, testing.AllocsPerRun(50, feed))
	require.Equal(t, 100*52, frames)
}

func TestDecode(t *testing.T) {
	type want struct {
		value, text, angle string
		status             []string
		err                string
	}
	for _, tc := range []struct {
		profile, line string
		want          want
	}{
		{"wrench-line.toml", "+0088.4 Nm OK\r\n", want{value: "88.4 N·m", text: "+0088.4 Nm"}},
		{"wrench-line.toml", "-0088.0 Nm OK\r\n", want{value: "-88.0 N·m", text: "-0088.0 Nm"}},
		{"wrench-line.toml", "+0000.0 Nm OK\r\n", want{value: "0.0 N·m", text: "+0000.0 Nm"}},
		{"wrench-line.toml", "+0065.0 ftlb LB\r\n", want{value: "65.0 lbf·ft", text: "+0065.0 ftlb", status: []string{"low battery"}}},
		{"wrench-line.toml", "+0120.0 inlb OL\r\n", want{value: "120.0 lbf·in", text: "+0120.0 inlb", status: []string{"overload"}}},
		{"wrench-line.toml", "+0009.0 kgm XY\r\n", want{value: "9.0 kgf·m", text: "+0009.0 kgm", status: []string{`unknown status "XY"`}}},
		{"wrench-line.toml", "------- Nm OL\r\n", want{err: `"------- Nm OL": the instrument says "overload" and gives no value`}},
		{"wrench-line.toml", "------- Nm OK\r\n", want{err: `"------- Nm OK" has no value`}},
		{"wrench-line.toml", "READY 1.2\r\n", want{err: profile.ErrIgnored.Error()}},
		{"wrench-line.toml", "8.4 Nm OK\r\n", want{err: `"8.4 Nm OK" does not match the pattern of profile wrench-line`}},
		{"wrench-line.toml", "088.4 Nm OK\r\n", want{err: "does not match"}},
		{"wrench-line.toml", "+0088.4 Nm OK \r\n", want{err: "does not match"}},
		{"wrench-line.toml", "+0088.4 Nm O\x00\r\n", want{err: "does not match"}},
		{"wrench-line.toml", strings.Repeat("+0088.4 Nm OK", 9) + "\r\n", want{err: "a line of more than 64 bytes"}},
		{"indicator-line.toml", "  +9.982 mm\r", want{value: "9.982 mm", text: "+9.982 mm"}},
		{"indicator-line.toml", "  -  0.015 in\r", want{value: "-0.015 in", text: "-  0.015 in"}},
		{"indicator-line.toml", "  9.982 mm\n", want{err: "does not match"}},
		{"angle-line.toml", "\nT= 45,20;A= 33,5;0\n", want{value: "45.20 N·m", text: "45,20", angle: "33.5°"}},
		{"angle-line.toml", "\nT=- 2,50;A=-  3,5;1\n", want{value: "-2.50 N·m", text: "- 2,50", angle: "-3.5°", status: []string{"overload"}}},
		{"angle-line.toml", "5,20;A= 33,5;0\n", want{err: "the first line after opening, which may lack its beginning"}},
	} {
		p := load(t, tc.profile)
		framer := p.NewFramer()
		framer.Feed([]byte(tc.line), noon)
		frame, ok := framer.Next()
		require.True(t, ok, tc.line)
		s, err := p.Decode(frame)
		if tc.want.err != "" {
			require.ErrorContains(t, err, tc.want.err, tc.line)
			require.Equal(t, device.Sample{}, s)
			continue
		}
		require.NoError(t, err, tc.line)
		require.Equal(t, tc.want, want{value: s.Value.String(), text: s.Value.Text, angle: s.Angle.String(), status: s.Status}, tc.line)
		require.Equal(t, noon, s.Time)
		require.Equal(t, strings.TrimLeft(tc.line, "\r\n"), string(s.Raw))
	}
}

// The numeric forms of IEEE 488.2: NR1 -12345, NR2 +1.2345, NR3 with an
// exponent (the forms read in the standard's text; the exponent here is a
// smaller one than its example's +90, which no quantity has).
func TestNumberForms(t *testing.T) {
	p := parse(t, "", "pattern = '(?P<value>.*)'\nunit = \"N·m\"")
	comma := parse(t, "", "pattern = '(?P<value>.*)'\nunit = \"N·m\"\ndecimal = \"comma\"")
	for _, tc := range []struct {
		p          *profile.Profile
		text, want string
	}{
		{p, "-12345", "-12345 N·m"},
		{p, "+1.2345", "1.2345 N·m"},
		{p, "-1234.567E+3", "-1234567 N·m"},
		{p, "1.5e-3", "0.0015 N·m"},
		{p, " + 0088.40 ", "88.40 N·m"},
		{p, "-\t9.982", "-9.982 N·m"},
		{p, "\u2212 9.982", "-9.982 N·m"},
		{p, ".5", "0.5 N·m"},
		{p, "007", "7 N·m"},
		{comma, "88,4", "88.4 N·m"},
		{comma, "- 0088,40", "-88.40 N·m"},
		{p, "88,4", "! has a comma in it"},
		{comma, "88.4", "! has a point in it"},
		{comma, "1.088,4", "! has a point in it"},
		{p, "+-5", "! is not a number"},
		{p, "- -5", "! is not a number"},
		{p, "1 2", "! is not a number"},
		{p, "", "! has no value"},
		{p, "+", "! is not a number"},
		{p, "0x10", "! is not a number"},
		{p, "NaN", "! is not a number"},
		{p, strings.Repeat("9", 41), "! more than 40 digits"},
		{p, strings.Repeat("0", 65), "! a number of 65 characters"},
		{p, "1e90", "! too large or too small"},
		{p, "1e999999999", "! too large or too small"},
	} {
		s, err := tc.p.Decode(profile.Frame{Raw: []byte(tc.text), Body: []byte(tc.text)})
		if why, bad := strings.CutPrefix(tc.want, "! "); bad {
			require.ErrorContains(t, err, why, tc.text)
			continue
		}
		require.NoError(t, err, tc.text)
		require.Equal(t, tc.want, s.Value.String(), tc.text)
	}
}

func TestUnits(t *testing.T) {
	const pattern = "pattern = '(?P<value>\\d+) ?(?P<unit>.*)'\n"
	for _, tc := range []struct{ reading, line, want string }{
		{pattern + `unit = "mm"`, "5", "5 mm"},
		{pattern + `unit = "mm"`, "5 in", "5 in"},
		{pattern, "5 ft-lb", "5 lbf·ft"},
		{pattern, "5", ""}, // a bare number keeps no unit
		{pattern + "[reading.units]\n0 = \"N·m\"\n", "5 0", "5 N·m"},
		{pattern + "[reading.units]\nmm = \"in\"\n", "5 mm", "5 in"}, // the profile's word goes first
	} {
		s, err := parse(t, "", tc.reading).Decode(profile.Frame{Body: []byte(tc.line)})
		require.NoError(t, err)
		require.Equal(t, tc.want, s.Value.String())
		require.Equal(t, "5", s.Value.Number())
	}
	_, err := parse(t, "", pattern).Decode(profile.Frame{Body: []byte("5 furlong")})
	require.EqualError(t, err, `"5 furlong": "furlong" is no known unit`)
	require.Contains(t, err.(*profile.Rejection).HintText(), "[reading.units]")
}

func TestHintsForAWrongLine(t *testing.T) {
	p := load(t, "wrench-line.toml")
	for body, hint := range map[string]string{
		"\xfe\x80\x1f":        "baud rate",
		"+0088.4 Nm O\x00":    "parity",
		"+0088.4 Nm OK\r":     "ending",
		"plain text, no more": "",
		"":                    "",
	} {
		_, err := p.Decode(profile.Frame{Body: []byte(body)})
		var r *profile.Rejection
		require.ErrorAs(t, err, &r)
		if hint == "" {
			require.Empty(t, r.Hint, body)
		} else {
			require.Contains(t, r.Hint, hint, body)
		}
	}
	long := strings.Repeat("x", 500)
	_, err := p.Decode(profile.Frame{Body: []byte(long)})
	require.Less(t, len(err.Error()), 150, "one short line, whatever came")
}

// An ignore pattern that matches everything must not swallow readings.
func TestReadingGoesBeforeIgnore(t *testing.T) {
	p := parse(t, "", "pattern = '(?P<value>\\d+)'\nignore = '.*'\nunit = \"mm\"")
	s, err := p.Decode(profile.Frame{Body: []byte("5")})
	require.NoError(t, err)
	require.Equal(t, "5 mm", s.Value.String())
	_, err = p.Decode(profile.Frame{Body: []byte("x")})
	require.ErrorIs(t, err, profile.ErrIgnored)
}

func TestSampleSharesNoMemory(t *testing.T) {
	p := load(t, "wrench-line.toml")
	framer := p.NewFramer()
	framer.Feed([]byte("+0088.4 Nm XX\r\n"), noon)
	frame, _ := framer.Next()
	s, err := p.Decode(frame)
	require.NoError(t, err)
	framer.Feed([]byte("-1111.1 in YY\r\n"), noon)
	require.Equal(t, "+0088.4 Nm XX\r\n", string(s.Raw))
	require.Equal(t, "+0088.4 Nm", s.Value.Text)
	require.Equal(t, []string{`unknown status "XX"`}, s.Status)
}
