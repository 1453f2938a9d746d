package profile

import (
	"bytes"
	"fmt"
	"math/bits"
)

// What bytes must be to say something of their line.
const (
	fewForParity = 8 // so many agree on a parity by chance once in 2^8
	textShare    = 4 // if more than one byte in so many is no text, all of it is none
)

// Suspect says what is likely wrong with the line where bytes made no reading:
// that they are text of another parity than the profile says, or no text at all
// where the profile reads text. It is empty where nothing stands out.
func (p *Profile) Suspect(raw []byte) string {
	if !p.reading.byPattern && !p.framing.hex || len(raw) == 0 {
		return ""
	}
	strange, stripped, even, odd, high := 0, true, true, true, 0
	for _, b := range raw {
		if !p.text(b) {
			strange++
		}
		if b&0x80 != 0 {
			high++
		}
		stripped = stripped && p.text(b&0x7f)
		parity := bits.OnesCount8(b) % 2
		even, odd = even && parity == 0, odd && parity == 1
	}
	if strange <= len(raw)/textShare {
		return ""
	}
	if stripped && p.Line.DataBits == 8 && len(raw) >= fewForParity {
		parity := ""
		switch {
		case even:
			parity = "even"
		case odd:
			parity = "odd"
		case high == len(raw):
			parity = "mark"
		}
		if parity != "" {
			return fmt.Sprintf("these bytes are text with 7 data bits and parity %q: say so in [line] of the profile", parity)
		}
	}
	return fmt.Sprintf("bytes that are no text: is the baud rate, the parity or the number of bits another than the profile says (%d baud, %d bits, parity %s)?",
		p.Line.Baud, p.Line.DataBits, p.Line.Parity)
}

// text tells whether a byte may stand in the text of this profile.
func (p *Profile) text(b byte) bool {
	return b >= ' ' && b < 0x7f || b == '\r' || b == '\n' || b == '\t' ||
		bytes.IndexByte(p.framing.first, b) >= 0 || bytes.IndexByte(p.framing.last, b) >= 0
}
