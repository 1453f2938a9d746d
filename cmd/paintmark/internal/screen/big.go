package screen

import (
	"image"
	"strings"

	"golang.org/x/image/font"
	"golang.org/x/image/font/inconsolata"
	"golang.org/x/image/math/fixed"
)

// big draws a text in letters several lines high, made of half blocks, so that
// it can be read from where the wrench is. Characters that the font lacks are
// left out. The lines are all of the same width in columns.
func big(text string) []string {
	face := inconsolata.Bold8x16
	var shown []rune
	for _, r := range text {
		if _, ok := face.GlyphAdvance(r); ok && r < 0x100 {
			shown = append(shown, r)
		}
	}
	if len(shown) == 0 {
		return nil
	}
	width := font.MeasureString(face, string(shown)).Ceil()
	ink := image.NewAlpha(image.Rect(0, 0, width, face.Height+1))
	drawer := font.Drawer{Dst: ink, Src: image.Opaque, Face: face, Dot: fixed.P(0, face.Ascent)}
	drawer.DrawString(string(shown))
	set := func(x, y int) bool { return ink.AlphaAt(x, y).A >= 0x80 }

	// The rows of capitals and digits, so that every text has the same height;
	// two to a line of the screen.
	const top, bottom = 4, 14
	var lines []string
	for y := top; y < bottom; y += 2 {
		var line strings.Builder
		for x := range width {
			switch {
			case set(x, y) && set(x, y+1):
				line.WriteRune('█')
			case set(x, y):
				line.WriteRune('▀')
			case set(x, y+1):
				line.WriteRune('▄')
			default:
				line.WriteByte(' ')
			}
		}
		lines = append(lines, line.String())
	}
	return lines
}
