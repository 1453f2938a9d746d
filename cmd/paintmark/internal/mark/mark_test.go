package mark

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"paintmark/calc/judge"
)

var allVerdicts = []judge.Verdict{judge.Within, judge.Low, judge.High, judge.Held, judge.Relaxed, judge.Moved, judge.Doubtful, judge.Unjudged,
	judge.LowTorque, judge.HighTorque}

var allStatuses = []judge.Status{judge.Open, judge.ForReview, judge.Accepted, judge.Settled}

func all() []Mark {
	marks := []Mark{Attested, TakenBack, Skipped, Missed, Pending, Confirmed, Early}
	for _, v := range allVerdicts {
		marks = append(marks, Verdict(v))
	}
	for _, s := range allStatuses {
		marks = append(marks, Status(s))
	}
	return marks
}

func TestEveryMarkIsToldFromTheOthersWithoutItsColour(t *testing.T) {
	words, letters := map[string]bool{}, map[string]bool{}
	for _, m := range all() {
		require.Equal(t, 1, utf8.RuneCountInString(m.Symbol), "symbol of %q", m.Word)
		require.Equal(t, 1, utf8.RuneCountInString(m.Letter), "letter of %q", m.Word)
		require.NotEmpty(t, strings.TrimSpace(m.Word))
		require.False(t, words[m.Word], "word %q stands for two marks", m.Word)
		require.False(t, letters[m.Letter], "letter %q stands for two marks", m.Letter)
		words[m.Word], letters[m.Letter] = true, true
	}
	require.Equal(t, "▼ low", Verdict(judge.Low).String())
}

func TestGoodAndBadHaveDifferentSymbols(t *testing.T) {
	for _, v := range allVerdicts {
		require.Equal(t, v.Good(), Verdict(v).Symbol == "✓", "verdict %q", v)
	}
	for _, s := range allStatuses {
		require.Equal(t, s == judge.Settled, Status(s).Symbol == "✓", "status %q", s)
	}
}

func TestAWordThatIsNotKnownKeepsItsName(t *testing.T) {
	require.Equal(t, "stretched", Verdict("stretched").Word)
	require.Equal(t, Verdict(judge.Unjudged).Symbol, Verdict("stretched").Symbol)
	require.Equal(t, "waived", Status("waived").Word)
	require.Equal(t, Status(judge.Open).Symbol, Status("waived").Symbol)
}

// The colours as Okabe and Ito give them, from memory and the same in every
// table of their palette.
func TestPalette(t *testing.T) {
	var got []string
	for _, c := range Palette() {
		got = append(got, c.Hex())
	}
	require.Equal(t, []string{"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}, got)
}

func TestContrast(t *testing.T) {
	// W3C, WCAG 2.2: the ratio goes from 1 to 21.
	require.InDelta(t, 21, Contrast(Black, White), 1e-9)
	require.InDelta(t, 1, Contrast(Green, Green), 1e-9)
	// #767676 is commonly given as the lightest grey that may be written with
	// on white (4.54), and #777777 as the first that may not (4.48).
	require.InDelta(t, 4.54, Contrast(Colour{R: 0x76, G: 0x76, B: 0x76}, White), 0.005)
	require.InDelta(t, 4.48, Contrast(Colour{R: 0x77, G: 0x77, B: 0x77}, White), 0.005)
	require.InDelta(t, Contrast(Blue, White), Contrast(White, Blue), 1e-12)
}

// W3C, WCAG 2.2, success criterion 1.4.3: 4.5 for text.
func TestInkCanBeReadOnEveryColour(t *testing.T) {
	for _, c := range append(Palette(), White) {
		require.GreaterOrEqual(t, Contrast(c, c.Ink()), 4.5, c.Name)
	}
}

// The cube of a terminal of 256 colours: 16 + 36·r + 6·g + b, each of 0 to 5 with
// the levels below (common practice of terminals since xterm).
func TestIndexIsTheNearestOfTheCube(t *testing.T) {
	levels := []int{0, 95, 135, 175, 215, 255}
	for _, c := range append(Palette(), White) {
		square := func(index int) int {
			n := index - 16
			dr, dg, db := levels[n/36]-int(c.R), levels[n/6%6]-int(c.G), levels[n%6]-int(c.B)
			return dr*dr + dg*dg + db*db
		}
		var distances []int
		for index := 16; index < 232; index++ {
			distances = append(distances, square(index))
		}
		require.GreaterOrEqual(t, c.Index, uint8(16), c.Name)
		require.Less(t, c.Index, uint8(232), c.Name)
		require.Equal(t, slices.Min(distances), square(int(c.Index)), "%s: %d is nearer", c.Name, 16+slices.Index(distances, slices.Min(distances)))
	}
}
