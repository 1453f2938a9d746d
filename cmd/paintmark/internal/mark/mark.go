// Package mark is how a verdict, the state of a bolt and the status of a finding
// look: a symbol, a word, a letter and a colour, the same on the screen and on
// paper.
//
// Nothing is said by colour alone: every mark differs from the others by its
// word and its letter as well. The colours are of the palette that Okabe and
// Ito made for people who see colours differently (Color Universal Design,
// 2008). Most of them are too light to write with on white, so they are used as
// grounds, and [Colour.Ink] is what to write on them with.
package mark

import (
	"fmt"
	"math"

	"paintmark/calc/judge"
)

// A Colour is one of the palette.
type Colour struct {
	Name    string
	R, G, B uint8
	// Index is the nearest of the 216 colours of the cube in a terminal of 256
	// colours.
	Index uint8
}

// The palette, and white.
var (
	Black     = Colour{"black", 0, 0, 0, 16}
	Orange    = Colour{"orange", 230, 159, 0, 178}
	SkyBlue   = Colour{"sky blue", 86, 180, 233, 74}
	Green     = Colour{"bluish green", 0, 158, 115, 36}
	Yellow    = Colour{"yellow", 240, 228, 66, 221}
	Blue      = Colour{"blue", 0, 114, 178, 25}
	Vermilion = Colour{"vermilion", 213, 94, 0, 166}
	Purple    = Colour{"reddish purple", 204, 121, 167, 175}
	White     = Colour{"white", 255, 255, 255, 231}
)

// Palette is the eight colours of Okabe and Ito.
func Palette() []Colour {
	return []Colour{Black, Orange, SkyBlue, Green, Yellow, Blue, Vermilion, Purple}
}

// Hex is the colour as "#009E73".
func (c Colour) Hex() string { return fmt.Sprintf("#%02X%02X%02X", c.R, c.G, c.B) }

// Ink is black or white, whichever is easier to read on the colour.
func (c Colour) Ink() Colour {
	if Contrast(c, Black) >= Contrast(c, White) {
		return Black
	}
	return White
}

// Contrast is the contrast ratio of two colours, from 1 to 21:
//
//	(L1 + 0.05) / (L2 + 0.05), L1 the greater luminance
//	L = 0.2126·R + 0.7152·G + 0.0722·B, each of the three v made linear by
//	v/12.92 if v ≤ 0.04045, else ((v + 0.055)/1.055)^2.4
//
// Source: W3C, Web Content Accessibility Guidelines 2.2, "contrast ratio" and
// "relative luminance". Text needs 4.5, large text and symbols 3 (level AA).
func Contrast(a, b Colour) float64 {
	l, m := luminance(a), luminance(b)
	return (max(l, m) + 0.05) / (min(l, m) + 0.05)
}

func luminance(c Colour) float64 {
	linear := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
}

// A Mark is how one thing looks.
type Mark struct {
	// Symbol is one character. Symbols are shared where the words go together,
	// as in "within" and "held".
	Symbol string
	// Word says it in full.
	Word string
	// Letter is for where there is no room for the word.
	Letter string
	Colour Colour
}

// String is "▼ low".
func (m Mark) String() string { return m.Symbol + " " + m.Word }

var verdicts = map[judge.Verdict]Mark{
	judge.Within:   {"✓", string(judge.Within), "W", Green},
	judge.Low:      {"▼", string(judge.Low), "L", Orange},
	judge.High:     {"▲", string(judge.High), "H", Vermilion},
	judge.Held:     {"✓", string(judge.Held), "E", Green},
	judge.Relaxed:  {"◄", string(judge.Relaxed), "R", Orange},
	judge.Moved:    {"►", string(judge.Moved), "M", Vermilion},
	judge.Doubtful: {"?", string(judge.Doubtful), "D", Purple},
	judge.Unjudged: {"≠", string(judge.Unjudged), "U", Purple},

	judge.LowTorque:  {"▽", string(judge.LowTorque), "l", Orange},
	judge.HighTorque: {"△", string(judge.HighTorque), "h", Vermilion},
}

// Verdict is the mark of a reading's verdict. One that is not known looks
// unjudged, under its own name.
func Verdict(v judge.Verdict) Mark {
	if m, ok := verdicts[v]; ok {
		return m
	}
	m := verdicts[judge.Unjudged]
	m.Word = string(v)
	return m
}

// What a bolt or a step can be besides the verdict of its reading.
var (
	// Attested goes beside the mark of a verdict: the value was stated by hand.
	Attested = Mark{"◊", "attested", "A", Yellow}
	// TakenBack is a reading that was taken back.
	TakenBack = Mark{"×", "taken back", "X", White}
	// Skipped is a bolt left out on purpose.
	Skipped = Mark{"»", "skipped", "S", SkyBlue}
	// Missed is a bolt that a pass went on without.
	Missed = Mark{"□", "missed", "N", Vermilion}
	// Pending is what is still to be done, in its turn.
	Pending = Mark{"○", "not done yet", "P", White}
	// Confirmed is a step that someone said was done.
	Confirmed = Mark{"✓", "confirmed", "C", Green}
	// Early is a check made before its wait was over.
	Early = Mark{"■", "too early", "Y", Purple}
)

var statuses = map[judge.Status]Mark{
	judge.Open:      {"●", string(judge.Open), "O", Vermilion},
	judge.ForReview: {"■", string(judge.ForReview), "J", Purple},
	judge.Settled:   {"✓", string(judge.Settled), "T", Green},
	judge.Accepted:  {"◆", string(judge.Accepted), "G", SkyBlue},
}

// Status is the mark of a finding's status. One that is not known looks open,
// under its own name.
func Status(s judge.Status) Mark {
	if m, ok := statuses[s]; ok {
		return m
	}
	m := statuses[judge.Open]
	m.Word = string(s)
	return m
}
