package profile_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/device/profile"
)

func anchored(t require.TestingT, text string) *regexp.Regexp {
	p, err := regexp.Compile(`\A(?:` + text + `)\z`)
	require.NoError(t, err)
	return p
}

// checkMatch compares the matcher with package regexp.
func checkMatch(t require.TestingT, text string, bodies ...string) {
	pattern := anchored(t, text)
	find, _ := profile.Matching(pattern)
	for _, body := range bodies {
		require.Equal(t, pattern.FindSubmatchIndex([]byte(body)), find([]byte(body)), "%q in %q", text, body)
	}
}

func TestMatcher(t *testing.T) {
	for pattern, bodies := range map[string][]string{
		`(?:(?P<value>[+-]\d{4}\.\d)|-{7}) (Nm|ftlb|inlb|kgm) ([A-Z]{2})`: {"+0088.4 Nm OK", "------- ftlb OL", "+0088.4 Nm OKX", ""},
		`(a|ab)(c|bcd)(d*)`:  {"abcd", "abcdd", "acd"}, // the first choice goes first
		`(a*)*`:              {"", "aaa", "aab"},
		`(a*)+(b?)`:          {"", "aab"},
		`(?:a|b)??(b*?)(.*)`: {"bbb", "abx"},
		`(a)|(b)`:            {"a", "b", "c"},
		`((a)|b)*`:           {"ab", "ba", "abab"},
		`.*`:                 {"\xff\xfe", "é\xe9", "\n"},
		`(?s).(.)`:           {"\xff\n", "éx", "\xe9\x80"},
		`[^a](\x{FFFD})`:     {"\xc3\xff", "b\uFFFD", "b\xff\xff"},
		`(?i)k(ſ)`:           {"ks", "\u212aS", "kſ"}, // cases that lie outside of ASCII
		`\b(\w+)\b \B(-)`:    {"ab -", "ab-", "é -"},
		`(?m)^a$\n^(b)$`:     {"a\nb", "a\n\nb"},
		`$^`:                 {"", "a"},
		`[^\x00-\x{10FFFF}]`: {"", "a"}, // matches nothing at all
		strings.Repeat("a?", 30) + strings.Repeat("a", 30): {strings.Repeat("a", 30), strings.Repeat("a", 29)},
		strings.Repeat("(a|b)?", 200):                      {"ab", ""}, // larger than the matcher takes
		`(a|b)*`:                                           {strings.Repeat("ab", 40000)},
	} {
		checkMatch(t, pattern, bodies...)
	}
	_, own := profile.Matching(anchored(t, `(\d+) (Nm)`))
	require.True(t, own)
	_, own = profile.Matching(anchored(t, strings.Repeat("(a|b)?", 200)))
	require.False(t, own)
}

// expression is any pattern over a few letters.
var expression = func() *rapid.Generator[string] {
	leaf := rapid.SampledFrom([]string{"a", "b", ".", "é", `\d`, "[ab]", "[^a]", "^", "$", `\b`, `\B`, "", `\x{FFFD}`, "(?i:A)", "(?s:.)"})
	var deep func(n int) *rapid.Generator[string]
	deep = func(n int) *rapid.Generator[string] {
		if n == 0 {
			return leaf
		}
		return rapid.Custom(func(t *rapid.T) string {
			x, y := deep(n-1).Draw(t, "x"), deep(n-1).Draw(t, "y")
			form := rapid.SampledFrom([]string{"%[1]s%[2]s", "(?:%[1]s|%[2]s)", "(%[1]s)%[2]s", "(%[1]s)*%[2]s", "(?:%[1]s)+?%[2]s", "(?:%[1]s)?(%[2]s)", "(%[1]s){0,3}%[2]s"}).Draw(t, "form")
			return fmt.Sprintf(form, x, y)
		})
	}
	return deep(4)
}()

func TestMatcherIsRegexp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := expression.Draw(t, "pattern")
		if _, err := regexp.Compile(text); err != nil {
			t.Skip("too large")
		}
		parts := rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "A", "é", "\xc3", "\xff", "\n", "1", " "}), 0, 8)
		checkMatch(t, text, rapid.Map(parts, func(p []string) string { return strings.Join(p, "") }).Draw(t, "body"), "", "ab")
	})
}

// Every pattern and every text, and a matcher that is used again.
func FuzzMatcher(f *testing.F) {
	f.Add(`(?P<value>[+-]?\d+\.\d) (Nm|ftlb)`, []byte("+88.4 Nm"))
	f.Add(`(a|ab)(c|bcd)(d*)`, []byte("abcd"))
	f.Add(`(?i)\bk.(\x{FFFD}*)$`, []byte("K\xff\xff"))
	f.Add(`(|a)*`, []byte("aa"))
	f.Fuzz(func(t *testing.T, text string, body []byte) {
		if len(text) > 200 || len(body) > 1000 {
			return
		}
		if _, err := regexp.Compile(text); err != nil {
			return
		}
		pattern, err := regexp.Compile(`\A(?:` + text + `)\z`)
		if err != nil {
			return
		}
		find, _ := profile.Matching(pattern)
		for _, b := range [][]byte{body, body[:len(body)/2], body} {
			require.Equal(t, pattern.FindSubmatchIndex(b), find(b), "%q in %q", text, b)
		}
	})
}
