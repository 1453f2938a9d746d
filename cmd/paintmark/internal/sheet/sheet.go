// Package sheet writes the build sheet: everything that one engine's book says,
// held against its plan, as one HTML file for paper and screen.
//
// The file needs nothing else: no network, no script, no font of its own. It is
// written as well-formed XML too, so that it can be checked and taken apart by
// any parser. All text that comes from a plan or a book is somebody else's: it
// is escaped by html/template, kept from reaching into the text around it, and
// what no XML may hold is replaced by U+FFFD.
//
// The sheet shows and does not judge. It takes a [judge.State] and puts every
// cell, reading and finding of it on the page, those taken back included. Marks
// are those of package mark: a symbol and a word, and a colour that may be lost.
package sheet

import (
	"bufio"
	"bytes"
	_ "embed" // the page and its style
	"errors"
	"html/template"
	"io"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/mark"
)

// An Input is what a sheet is written from.
type Input struct {
	State *judge.State
	// Build is the name under which the shelf has the book; empty for the name
	// it was opened with.
	Build string
	// Heads are the last entries of the book, one for each station.
	Heads []Head
	// Verified tells that the book was read through and found sound before the
	// sheet was printed. Summary says what was found, also where it was not
	// sound; it is empty if nobody looked.
	Verified bool
	Summary  string
	// Printed is when, and Version which program does it.
	Printed time.Time
	Version string
	// TimeZone is where the times are shown; nil for UTC.
	TimeZone *time.Location
}

// A Head is the last entry that a station wrote into the book.
type Head struct {
	Station string
	Number  uint64
	Hash    [32]byte
}

var (
	//go:embed page.html
	pageText string
	//go:embed page.css
	styleText string
)

// page is parsed when the first sheet is written, so that a program that writes
// none starts no later.
var page = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Funcs(template.FuncMap{
		"attested": func() stamp { return stampOf(mark.Attested) },
	}).Parse(pageText))
})

// Write writes the sheet.
func Write(w io.Writer, in Input) error {
	if in.State == nil || in.State.Plan == nil {
		return errors.New("no sheet without a plan and what was recorded")
	}
	var b bytes.Buffer
	if err := page().Execute(&b, newView(in)); err != nil {
		return err
	}
	return writeClean(w, b.Bytes())
}

// writeClean writes what XML 1.0 allows (section 2.2, Char) and replaces the
// rest by U+FFFD, and with it the controls that turn the direction of the text
// after them (Unicode Standard Annex 9, section 2): they could make one figure
// look like another.
func writeClean(w io.Writer, text []byte) error {
	out := bufio.NewWriter(w)
	start := 0
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		if (r == utf8.RuneError && n == 1) || !allowed(r) {
			if _, err := out.Write(text[start:i]); err != nil {
				return err
			}
			if _, err := out.WriteRune(utf8.RuneError); err != nil {
				return err
			}
			start = i + n
		}
		i += n
	}
	if _, err := out.Write(text[start:]); err != nil {
		return err
	}
	return out.Flush()
}

func allowed(r rune) bool {
	switch {
	case r < 0x20:
		return r == '\t' || r == '\n' || r == '\r'
	case r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069:
		return false
	default:
		return r != 0xFFFE && r != 0xFFFF
	}
}

// style is the style sheet with a class for each colour of the palette.
func style() template.CSS {
	var b strings.Builder
	b.WriteString(styleText)
	for _, c := range append(mark.Palette(), mark.White) {
		ink := c.Ink().Hex()
		b.WriteString("." + class(c) + "{background:" + c.Hex() + ";color:" + ink + "}\n")
		b.WriteString("svg ." + class(c) + "{fill:" + c.Hex() + "}\n")
		b.WriteString("svg .on-" + class(c) + "{fill:" + ink + "}\n")
	}
	return template.CSS(b.String()) // of constants only
}

// class is the colour's name as a class: "bluish-green".
func class(c mark.Colour) string { return strings.ReplaceAll(c.Name, " ", "-") }
