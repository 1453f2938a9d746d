package profile_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
)

// A number that says the same thing in two ways, and not the same, is none.
func TestContradictions(t *testing.T) {
	signed := read(t, "[reading]\npattern = '(?P<sign>.)(?P<value>.*)'\n")
	for body, want := range map[string]string{
		"-5": "-5", "+5": "5", " 5": "5",
		"--5": `none: "--5": a sign beside a number that has one`,
		"+-5": `none: "+-5": a sign beside a number that has one`,
		"-+5": `none: "-+5": a sign beside a number that has one`,
		"-5-": `none: "-5-": a sign beside a number that has one`,
		"+-0": `none: "+-0": a sign beside a number that has one`,
	} {
		require.Equal(t, want, decode(signed, body), body)
	}
	beside := read(t, "[reading]\nkind = \"fields\"\nlength = 2\n[field.sign]\nat = 0\nlength = 1\n[field.value]\nat = 1\nlength = 1\ntype = \"signed\"\n")
	require.Equal(t, "-5", decode(beside, "-\x05"))
	require.Equal(t, `none: "+\xfb": a sign beside a number that has one`, decode(beside, "+\xFB"))

	implied := read(t, "[reading]\ndecimal = \"comma\"\npattern = '(?P<value>[^;]*);?(?P<point>.)'\n")
	require.Equal(t, "8.84", decode(implied, "884;2"))
	require.Equal(t, "8.8", decode(implied, "8,8;0"))
	require.Equal(t, `none: "8,8;1": "8,8" has a decimal mark, and the profile implies another place of it`, decode(implied, "8,8;1"))
}

// Blanks around what a table's keys say count as little as those in the frame.
func TestBlankCodes(t *testing.T) {
	p := read(t, "[reading]\npattern = '(?P<sign>.)(?P<value>\\d+)(?P<unit>..)(?P<status>[0-9A-F]{2})?'\n[field.sign.means]\n\" \" = \"+\"\nM = \"-\"\n[reading.units]\n\"L \" = \"lbf·ft\"\n[field.status]\ntype = \"hex\"\nbits = { 0 = \"overload\" }\n")
	require.Equal(t, "5 lbf·ft", decode(p, " 5L "))
	require.Equal(t, `-5 lbf·ft ["overload"]`, decode(p, "M5 L01"))
}

// Codes are decimal however many zeros they begin with, or hexadecimal.
func TestCodes(t *testing.T) {
	p := read(t, "[reading]\nkind = \"fields\"\nlength = 2\n[field.value]\nat = 0\nlength = 1\n[field.unit]\nat = 1\nlength = 1\ntype = \"unsigned\"\nmeans = { 010 = \"mm\", 08 = \"in\", 0X1f = \"deg\" }\n")
	require.Equal(t, "5 mm", decode(p, "5\x0A"))
	require.Equal(t, "5 in", decode(p, "5\x08"))
	require.Equal(t, "5°", decode(p, "5\x1F"))
}

// Words against the order of their bytes, in the three lengths that have several.
func TestSwappedWords(t *testing.T) {
	for length, bodies := range map[int][2]string{
		4: {"\x00\x03\x00\x01", "\x03\x00\x01\x00"},
		6: {"\x00\x03\x00\x02\x00\x01", "\x03\x00\x02\x00\x01\x00"},
		8: {"\x00\x03\x00\x00\x00\x02\x00\x01", "\x03\x00\x00\x00\x02\x00\x01\x00"},
	} {
		want := map[int]string{4: "65539", 6: "4295098371", 8: "281483566645251"}[length] // 1·2^16+3; 1·2^32+2·2^16+3; 1·2^48+2·2^32+0·2^16+3
		for i, order := range []string{"little", "big"} {
			// Little bytes in swapped words are big words first, each low byte first.
			body := bodies[1-i]
			if order == "little" {
				words := []byte(bodies[1])
				for a, b := 0, len(words)-2; a < b; a, b = a+2, b-2 {
					words[a], words[a+1], words[b], words[b+1] = words[b], words[b+1], words[a], words[a+1]
				}
				body = string(words)
			}
			p := read(t, fmt.Sprintf("[reading]\nkind = \"fields\"\nlength = %d\n[field.value]\nat = 0\nlength = %d\ntype = \"unsigned\"\norder = %q\nwords = \"swapped\"\n", length, length, order))
			require.Equal(t, want, decode(p, body), "%d %s", length, order)
		}
	}
}

// Where a counter begins again, by what it is made of.
func TestCountersBeginAgain(t *testing.T) {
	const lines = "[framing]\nending = \"lf\"\n[reading]\nunit = \"mm\"\n"
	missing := func(raw string, from, to int) string {
		return fmt.Sprintf("none %q: frames are missing: the count went from %d to %d", raw, from, to)
	}
	for _, tc := range []struct {
		profile, stream string
		want            []string
	}{
		// The lower half of a byte; the upper one is something else.
		{"[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = 3\n[reading]\nkind = \"fields\"\nlength = 3\nunit = \"mm\"\n[field.sequence]\nat = 1\nlength = 1\ntype = \"unsigned\"\nmask = 0x0F\n[field.value]\nat = 2\nlength = 1\n",
			"\xAA\x1E1\xAA\x2F2\xAA\x303\xAA\x424", []string{"1 mm", "2 mm", "3 mm", missing("\xAA\x424", 0, 2), "4 mm"}},
		{"[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = 10\n[reading]\nkind = \"fields\"\nlength = 10\nunit = \"mm\"\n[field.sequence]\nat = 1\nlength = 8\ntype = \"unsigned\"\n[field.value]\nat = -1\nlength = 1\n",
			"\xAA\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF1\xAA\x00\x00\x00\x00\x00\x00\x00\x002", []string{"1 mm", "2 mm"}},
		{"[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = 3\n[reading]\nkind = \"fields\"\nlength = 3\nunit = \"mm\"\n[field.sequence]\nat = 1\nlength = 1\ntype = \"bcd\"\n[field.value]\nat = 2\nlength = 1\n",
			"\xAA\x981\xAA\x992\xAA\x003", []string{"1 mm", "2 mm", "3 mm"}},
		// Of varying length it begins again after its last number of a length.
		{lines + "pattern = '(?P<sequence>\\d+) (?P<value>\\d+)'\n", "8 1\n9 2\n10 3\n99 4\n0 5\n109 6\n0 7\n",
			[]string{"1 mm", "2 mm", "3 mm", missing("99 4\n", 10, 99), "4 mm", "5 mm", missing("109 6\n", 0, 109), "6 mm", missing("0 7\n", 109, 0), "7 mm"}},
		{lines + "pattern = '(?P<sequence>\\d+) (?P<value>\\d+)'\n[field.sequence]\nmodulo = 110\n", "109 6\n0 7\n", []string{"6 mm", "7 mm"}},
		{lines + "pattern = '(?P<sequence>[0-9A-F]+) (?P<value>\\d+)'\n[field.sequence]\ntype = \"hex\"\n", "F 1\n10 2\nFE 3\nFF 4\n00 5\n", []string{"1 mm", "2 mm", missing("FE 3\n", 16, 254), "3 mm", "4 mm", "5 mm"}},
		// A counter of very many digits is one still; a line without one is not counted.
		{lines + "pattern = '(?:(?P<sequence>\\d{20}) )?(?P<value>\\d+)'\n", "00000000000000000001 1\n2\n00000000000000000002 3\n", []string{"1 mm", "2 mm", "3 mm"}},
		// One counter for both halves of a pair, or a count for each.
		{lines + "pattern = '(?P<channel>[TA])(?P<sequence>\\d)(?P<value>\\d)'\npair_within = \"1 s\"\n[field.channel.means]\nT = \"value\"\nA = \"angle\"\n",
			"T51\nA51\nT51\nA51\nT62\nA62\nT73\nA84\n", []string{"1 mm 1°", `none "T51\n": the frame with count 5 was sent again`, `none "A51\n": the frame with count 5 was sent again`, "2 mm 2°", "3 mm 4°"}},
		// The same count with an angle and without is no pair.
		{lines + "pattern = '(?P<sequence>\\d) (?P<value>\\d)(?:a(?P<angle>\\d))?'\n", "5 1\n5 1a2\n", []string{"1 mm", "none \"5 1a2\\n\": the count stays at 5 while the frames change", "1 mm 2°"}},
	} {
		r := read(t, tc.profile).NewReader()
		r.Feed([]byte(tc.stream), noon)
		require.Equal(t, tc.want, outcomes(r), tc.profile)
	}
}

// Whether two halves belong together is told by their own times, not by when
// somebody looked: a recording that is played at once gives what the line gave.
func TestPairsBySilence(t *testing.T) {
	const tables = "[framing]\nkind = \"silence\"\ngap = \"20 ms\"\n[reading]\nunit = \"N·m\"\npattern = '(?P<channel>[TA])(?P<value>\\d+)'\npair_within = \"100 ms\"\n[field.channel.means]\nT = \"value\"\nA = \"angle\"\n"
	at := func(ms int) time.Time { return noon.Add(time.Duration(ms) * time.Millisecond) }
	for _, live := range []bool{true, false} {
		r := read(t, tables).NewReader()
		var got []string
		for _, fed := range []struct {
			ms   int
			text string
		}{{0, "T40"}, {95, "A33"}, {1000, "T41"}, {1100, "A34"}, {2000, "T42"}, {3000, "T43"}} {
			for live { // as one who waits does
				due, waiting := r.Deadline()
				if !waiting || !due.Before(at(fed.ms)) {
					break
				}
				r.Elapse(due)
				got = append(got, outcomes(r)...)
			}
			r.Feed([]byte(fed.text), at(fed.ms))
			got = append(got, outcomes(r)...)
		}
		r.Elapse(at(5000))
		got = append(got, outcomes(r)...)
		require.Equal(t, []string{"40 N·m 33°", "41 N·m", `none "A34": an angle of 34° without its value`, "42 N·m", "43 N·m"}, got, "live %v", live)
	}
}

// What both halves of a pair say is said once.
func TestPairSaysAStatusOnce(t *testing.T) {
	r := read(t, "[framing]\nending = \"lf\"\n[reading]\nunit = \"N·m\"\npattern = '(?P<channel>[TA])(?P<value>\\d+)(?P<status>.)'\npair_within = \"1 s\"\nstatus = { L = \"low battery\", O = \"overload\", \".\" = \"\" }\n[field.channel.means]\nT = \"value\"\nA = \"angle\"\n").NewReader()
	r.Feed([]byte("T1L\nA2L\nT3L\nA4O\n"), noon)
	require.Equal(t, []string{`1 N·m 2° ["low battery"]`, `3 N·m 4° ["low battery" "overload"]`}, outcomes(r))
}

// What a counted frame without a reading says of the count is not lost.
func TestARejectedFrameCounts(t *testing.T) {
	r := read(t, "[framing]\nending = \"lf\"\n[reading]\nunit = \"mm\"\npattern = '(?P<sequence>\\d) (?P<value>.*)'\n").NewReader()
	r.Feed([]byte("1 5\n2 x\n3 6\n"), noon)
	require.Equal(t, []string{"5 mm", `none "2 x\n": "2 x": "x" is not a number`, "6 mm"}, outcomes(r))
}

func TestHowManyAreMissing(t *testing.T) {
	for _, tc := range []struct {
		pattern, stream string
		want            []uint64
	}{
		{`(?P<sequence>\d+) (?P<value>\d)`, "9 1\n12 1\n500 1\n0 1\n", []uint64{2, 487, 499}},
		{`(?P<sequence>\d{2}) (?P<value>\d)`, "97 1\n01 1\n01 2\n00 1\n99 1\n02 1\n", []uint64{3, 0, 98, 98, 2}},
		{`(?P<sequence>\d{19}) (?P<value>\d)`, "9999999999999999998 1\n0000000000000000001 1\n", []uint64{2}},
		{`(?P<sequence>\d{20}) (?P<value>\d)`, "18446744073709551615 1\n00000000000000000003 1\n00000000000000000002 1\n", []uint64{3, 0}},
	} {
		r := read(t, "[framing]\nending = \"lf\"\n[reading]\nunit = \"mm\"\npattern = '"+tc.pattern+"'\n").NewReader()
		r.Feed([]byte(tc.stream), noon)
		var got []uint64
		for o, ok := r.Next(); ok; o, ok = r.Next() {
			if told, ok := o.Err.(*profile.Rejection); ok {
				got = append(got, told.Missing)
			}
		}
		require.Equal(t, tc.want, got, tc.pattern)
	}
}
