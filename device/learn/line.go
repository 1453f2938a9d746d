package learn

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"paintmark/device"
)

// Rates are the usual ones, the likeliest first (common practice).
var Rates = []int{9600, 19200, 4800, 2400, 38400, 115200, 57600, 1200, 14400, 28800, 600, 300}

// Settings are the usual settings of a line, the likeliest first: each rate
// without parity, then seven bits with parity, then eight.
func Settings() (all []device.Settings) {
	for _, format := range []struct {
		bits   int
		parity string
	}{{8, "none"}, {7, "even"}, {7, "odd"}, {8, "even"}, {8, "odd"}} {
		for _, rate := range Rates {
			s := device.DefaultSettings()
			s.Baud, s.DataBits, s.Parity = rate, format.bits, format.parity
			all = append(all, s)
		}
	}
	return all
}

// Words are a setting as people write it: "9600 baud, 8 bits, no parity, 1 stop bit".
func Words(s device.Settings) string {
	return fmt.Sprintf("%d baud, %s", s.Baud, formatWords(s))
}

func formatWords(s device.Settings) string {
	parity := s.Parity + " parity"
	if s.Parity == "none" {
		parity = "no parity"
	}
	stop := s.StopBits + " stop bits"
	if s.StopBits == "1" {
		stop = "1 stop bit"
	}
	return fmt.Sprintf("%d bits, %s, %s", s.DataBits, parity, stop)
}

// clear is the share of text from which on bytes are text.
const clear = 0.9

// textual tells whether a byte is one that instruments write text with.
func textual(b byte) bool {
	return b >= ' ' && b <= '~' || b == '\r' || b == '\n' || b == '\t' || b >= 1 && b <= 4 || b == 0x17
}

// clarity is the share of a take's bytes that are text, 0 where there is no digit
// among them. The bytes that came first are left out where there are others:
// opening a port makes some.
func clarity(t *take) float64 {
	var counts [256]int
	for n, p := range t.pulls {
		data := p.bytes()
		for i := 0; n == 0 && i < 6 && len(data) > 6 && !textual(data[0]); i++ {
			data = data[1:]
		}
		for _, b := range data {
			counts[b]++
		}
	}
	total, text, digits := 0, 0, 0
	for _, n := range counts {
		total += n
	}
	if counts[0]*6 <= total && (t.heard.Parity == "none" || t.heard.Baud == 0) { // it may end lines
		total -= counts[0]
		counts[0] = 0
	}
	for b, n := range counts {
		if textual(byte(b)) {
			text += n
		}
		if b >= '0' && b <= '9' {
			digits += n
		}
	}
	if digits == 0 || digits*20 < total {
		return 0
	}
	return float64(text) / float64(total)
}

// Sensible tells whether what was heard under one setting is text with digits in
// it, as it is or with a parity bit in the eighth.
func Sensible(heard ...Heard) bool {
	return len(readable(gather(heard))) > 0
}

// readable are the takes that are text, the clearest first; also as what they
// are when the eighth bit was a parity bit.
func readable(takes []*take) (list []*take) {
	for _, t := range takes {
		if clarity(t) >= clear {
			list = append(list, opened(t, t))
		} else if mended := sevenBits(t); mended != nil && clarity(mended) >= clear {
			list = append(list, opened(mended, t))
		}
	}
	slices.SortStableFunc(list, func(a, b *take) int {
		return int(math.Copysign(1, clarity(b)-clarity(a))) * boolInt(clarity(a) != clarity(b))
	})
	return list
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// opened is a take of text without what opening the port made: bytes at the very
// beginning that are no text, and a few before a silence with such among them.
// heard is the take as it came.
func opened(t, heard *take) *take {
	chunks, raw := slices.Clone(t.pulls[0].chunks), heard.pulls[0].chunks
	for n, i := 0, 0; i < len(raw) && n <= 8; i++ {
		n += len(raw[i].Bytes)
		if i+1 < len(raw) && raw[i+1].At-raw[i].At >= 100*time.Millisecond {
			odd := false
			for _, c := range raw[:i+1] {
				odd = odd || slices.ContainsFunc(c.Bytes, func(b byte) bool { return !textual(b) })
			}
			if n <= 8 && odd {
				chunks = chunks[i+1:]
			}
			break
		}
	}
	for n := 0; n < 8 && len(chunks) > 0; n++ {
		b := chunks[0].Bytes
		if textual(b[0]) {
			break
		}
		if chunks[0].Bytes = b[1:]; len(b) == 1 {
			chunks = chunks[1:]
		}
	}
	if len(chunks) == 0 {
		return t
	}
	out := &take{line: t.line, heard: t.heard, pulls: slices.Clone(t.pulls)}
	out.pulls[0] = &pull{chunks: chunks, shown: t.pulls[0].shown}
	return out
}

// sevenBits takes the eighth bit for a parity bit, where it follows a rule over
// at least so many different characters that chance could not.
func sevenBits(t *take) *take {
	if t.heard.DataBits != 8 && t.heard.Baud != 0 || t.heard.Parity != "none" && t.heard.Baud != 0 {
		return nil
	}
	var counts [256]int
	for _, p := range t.pulls {
		for _, b := range p.bytes() {
			counts[b]++
		}
	}
	total := 0
	fits := map[string]int{}
	kinds := map[string]int{}
	for b, n := range counts {
		total += n
		odd, high := bits.OnesCount8(byte(b)&0x7F)%2 == 1, b >= 0x80
		for parity, want := range map[string]bool{"even": odd, "odd": !odd, "mark": true} {
			if high == want {
				fits[parity] += n
				kinds[parity] += boolInt(n > 0)
			}
		}
	}
	parity := ""
	for _, p := range []string{"even", "odd", "mark"} {
		if float64(fits[p]) >= 0.95*float64(total) && kinds[p] >= 6 {
			parity = p
			break
		}
	}
	if parity == "" {
		return nil
	}
	mended := &take{line: t.line, heard: t.heard}
	mended.line.DataBits, mended.line.Parity = 7, parity
	if parity == "mark" { // as two stop bits: the first is taken for it
		mended.line.Parity, mended.line.StopBits = "none", "2"
	}
	for _, p := range t.pulls {
		q := &pull{shown: p.shown}
		for _, c := range p.chunks {
			b := slices.Clone(c.Bytes)
			for i := range b {
				b[i] &= 0x7F
			}
			q.chunks = append(q.chunks, Chunk{c.At, b})
		}
		mended.pulls = append(mended.pulls, q)
	}
	return mended
}

// sayings are texts as instruments send them, invented, by which garbling is
// known.
const sayings = "+0088.4 Nm OK\r\n-0012.50 Nm\r\n  65.2 ft-lb\r\n+1.234 mm\r\n0.0345,IN\r\n" +
	"T=102,75;A= 90,0;1\r\n\x02 37.60 N\x03\r\nST,GS,+00719.8 Nm\r\n4096 0003.15 MM\r\n-3.216\r7.80\r149\r"

// A Guesser guesses how a line is set. It remembers what it worked out about the
// usual settings. It is for one goroutine.
type Guesser struct{ spectra map[hearing]*spectrum }

// NewGuesser makes a guesser.
func NewGuesser() *Guesser { return &Guesser{map[hearing]*spectrum{}} }

// Guess orders settings that were not tried by how well they explain what was
// heard under others, the best first. It compares which bytes came with which
// would have come of text, sent in one setting and heard in the other. A setting
// under which nothing came was tried as well.
func (g *Guesser) Guess(heard []Heard) []device.Settings {
	takes := gather(heard)
	type scored struct {
		device.Settings
		score float64
	}
	var list []scored
	for rank, s := range Settings() {
		if slices.ContainsFunc(heard, func(h Heard) bool { return h.Line == s }) {
			continue
		}
		score := -0.004 * float64(rank) // the usual ones first
		for _, t := range takes {
			if t.line.Baud > 0 {
				score += g.fits(t, s)
			}
		}
		list = append(list, scored{s, score})
	}
	slices.SortStableFunc(list, func(a, b scored) int {
		switch {
		case a.score > b.score:
			return -1
		case a.score < b.score:
			return 1
		}
		return 0
	})
	out := make([]device.Settings, len(list))
	for i, s := range list {
		out[i] = s.Settings
	}
	return out
}

// leastSent is how many bytes a frame has at least.
const leastSent = 8

type hearing struct{ sent, heard device.Settings }

// A spectrum is the logarithm of how often each byte is heard, and how many are
// heard for each that is sent.
type spectrum struct {
	of    [256]float64
	share float64
}

func spectrumOf(h hearing) *spectrum {
	var counts [256]float64
	total, length := 0.0, 0.0
	for n, rest := range []float64{0, 0.3, 1.7} {
		w := &wire{}
		sent := h.sent
		// Clocks differ by a per cent or so.
		sent.Baud = int(float64(sent.Baud) * []float64{1, 1.006, 0.994}[n])
		for line := range strings.SplitAfterSeq(sayings, "\r") {
			length += float64(len(line))
			w.send(sent, []byte(line), func() float64 { return rest })
			w.end += 0.1
		}
		for _, b := range w.receive(h.heard) {
			counts[b]++
			total++
		}
	}
	s := &spectrum{share: (total + 1) / (length + 1)}
	for b, n := range counts {
		s.of[b] = math.Log((n + 0.05) / (total + 0.05*256))
	}
	return s
}

// fits is how well a take is explained by text that was sent in another setting:
// the mean logarithm of its bytes' likelihood.
func (g *Guesser) fits(t *take, sent device.Settings) float64 {
	h := hearing{sent, t.heard}
	s := g.spectra[h]
	if s == nil {
		s = spectrumOf(h)
		g.spectra[h] = s
	}
	sum, n := 0.0, 0
	for _, p := range t.pulls {
		for _, b := range p.bytes() {
			sum += s.of[b]
			n++
		}
	}
	score := sum / float64(max(1, n)) * math.Min(1, float64(n)/10)
	if short := math.Log2(leastSent * s.share / float64(max(1, n))); short > 0 {
		score -= short // so little cannot be a frame
	}
	return score
}
