package screen

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// clean makes of a text one line that stays within its line: what comes from
// files and instruments cannot bring characters along that move the cursor,
// break the line or turn the direction of writing.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) || unicode.Is(unicode.Zs, r) {
			return r
		}
		return utf8.RuneError
	}, s)
}

// wide are the characters that take two columns: the ranges that Unicode's
// EastAsianWidth calls wide or full width, without the symbols scattered among
// narrow ones. A terminal may see single ones differently, so the panel does
// not rely on it; see Terminal.draw.
var wide = &unicode.RangeTable{
	R16: []unicode.Range16{
		{Lo: 0x1100, Hi: 0x115f, Stride: 1},
		{Lo: 0x2e80, Hi: 0x303e, Stride: 1},
		{Lo: 0x3041, Hi: 0x4dbf, Stride: 1},
		{Lo: 0x4e00, Hi: 0xa4cf, Stride: 1},
		{Lo: 0xa960, Hi: 0xa97c, Stride: 1},
		{Lo: 0xac00, Hi: 0xd7a3, Stride: 1},
		{Lo: 0xf900, Hi: 0xfaff, Stride: 1},
		{Lo: 0xfe30, Hi: 0xfe6f, Stride: 1},
		{Lo: 0xff01, Hi: 0xff60, Stride: 1},
		{Lo: 0xffe0, Hi: 0xffe6, Stride: 1},
	},
	R32: []unicode.Range32{
		{Lo: 0x1f300, Hi: 0x1f64f, Stride: 1},
		{Lo: 0x1f680, Hi: 0x1f6ff, Stride: 1},
		{Lo: 0x1f900, Hi: 0x1f9ff, Stride: 1},
		{Lo: 0x1fa70, Hi: 0x1faff, Stride: 1},
		{Lo: 0x20000, Hi: 0x3fffd, Stride: 1},
	},
}

// cells is how many columns a character takes.
func cells(r rune) int {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me):
		return 0
	case unicode.Is(wide, r):
		return 2
	default:
		return 1
	}
}

// width is how many columns a text takes.
func width(s string) int {
	n := 0
	for _, r := range s {
		n += cells(r)
	}
	return n
}

// fit makes a text exactly so many columns wide.
func fit(text string, columns int) string {
	text = clipTo(text, columns)
	return text + strings.Repeat(" ", max(0, columns-width(text)))
}

// clipTo cuts a text to so many columns.
func clipTo(text string, columns int) string {
	if width(text) <= columns {
		return text
	}
	n := 0
	for i, r := range text {
		if n += cells(r); n > columns-1 {
			return text[:i] + "…"
		}
	}
	return text
}

// wrap breaks a line of the record into lines of so many columns, at spaces
// where there are any, with what follows the first drawn in.
func wrap(text string, columns int) []string {
	indent := strings.Repeat(" ", min(len(indentation), columns/4))
	var lines []string
	for width(text) > columns {
		end, n, space := len(text), 0, 0
		for i, r := range text {
			if n += cells(r); n > columns {
				end = i
				break
			}
			if r == ' ' && strings.TrimSpace(text[:i]) != "" {
				space = i
			}
		}
		if text[end] != ' ' && space > 0 {
			end = space
		}
		if end == 0 { // not even one character has room
			break
		}
		lines = append(lines, strings.TrimRight(text[:end], " "))
		text = indent + strings.TrimLeft(text[end:], " ")
	}
	return append(lines, text)
}

// lastColumns leaves of a text what ends it, so that what is typed stays in view.
func lastColumns(text string, columns int) string {
	runes := []rune(text)
	n, from := 0, len(runes)
	for from > 0 {
		if n += cells(runes[from-1]); n > columns {
			break
		}
		from--
	}
	return string(runes[from:])
}
