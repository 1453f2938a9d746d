package learn

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"strings"

	"paintmark/device/profile"
)

// A sum is a check that frames keep.
type sum struct {
	kind, name string
	of         func([]byte) uint16
	width      int // in bytes: 1 or 2
	hex        bool
	little     bool
	inBody     bool // at the body's end; else after the end mark
	back       int  // where it stands, from the frame's end
	from       int  // first byte that is summed, of the frame
	to         int  // first that is not, from the frame's end, negative
	standard   bool // its range is what a profile takes where it says none
	bits       float64
	rivals     int
	upper      bool // hexadecimal digits are large letters
}

func (s *sum) size() int {
	if s.hex {
		return 2 * s.width
	}
	return s.width
}

func (s *sum) words() string {
	name := s.kind
	if s.name != "" {
		name += " " + s.name
	}
	if s.hex {
		name += ", in hexadecimal digits"
	}
	if s.little {
		name += ", low byte first"
	}
	return name
}

// table is the check as the table [check].
func (s *sum) table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "kind = %q\n", s.kind)
	if s.name != "" {
		fmt.Fprintf(&b, "name = %q\n", s.name)
	}
	if s.hex {
		b.WriteString("as = \"hex\"\n")
	}
	if s.little {
		b.WriteString("order = \"little\"\n")
	}
	if !s.standard {
		fmt.Fprintf(&b, "from = %d\nto = %d\n", s.from, s.to)
	}
	return b.String()
}

type summing struct {
	kind, name string
	width      int
	of         func([]byte) uint16
}

func summings() []summing {
	list := []summing{
		{"xor", "", 1, func(data []byte) (v uint16) {
			for _, b := range data {
				v ^= uint16(b)
			}
			return v
		}},
		{"sum8", "", 1, func(data []byte) (v uint16) {
			for _, b := range data {
				v += uint16(b)
			}
			return v & 0xFF
		}},
		{"lrc", "", 1, func(data []byte) (v uint16) {
			for _, b := range data {
				v -= uint16(b)
			}
			return v & 0xFF
		}},
	}
	for _, width := range []int{16, 8} {
		for _, name := range profile.CRCNames(width) {
			c, _ := profile.CRCNamed(name)
			list = append(list, summing{fmt.Sprintf("crc%d", width), name, width / 8, c.Summer()})
		}
	}
	return list
}

// known tells what stands where the check would, false where it can be none.
func (s *sum) known(raw []byte, at int) (uint16, bool) {
	if at < 0 || at+s.size() > len(raw) {
		return 0, false
	}
	text := raw[at : at+s.size()]
	var room [2]byte
	got := room[:s.width]
	if !s.hex {
		copy(got, text)
	} else if _, err := hex.Decode(got, text); err != nil {
		return 0, false
	}
	if s.width == 1 {
		return uint16(got[0]), true
	}
	if s.little {
		got[0], got[1] = got[1], got[0]
	}
	return uint16(got[0])<<8 | uint16(got[1]), true
}

// keeps tells whether a frame keeps the check.
func (s *sum) keeps(raw []byte) bool {
	got, ok := s.known(raw, len(raw)-s.back)
	lo, hi := s.from, len(raw)+s.to
	return ok && lo < hi && s.of(raw[lo:hi]) == got
}

// certainBits is how much evidence makes a thing certain: chance would have to
// be one in a million.
const certainBits = 20

// findCheck looks for a check that the frames of a cut keep; nil where none does
// beyond chance. Some frames may be damaged.
func findCheck(frames []*frame, c *cut) *sum {
	var some [][]byte
	seen := map[string]bool{}
	step := max(1, len(frames)/48)
	for i := 0; i < len(frames) && len(some) < 48; i += step {
		if raw := frames[i].raw; !seen[string(raw)] && len(raw) >= 4 {
			seen[string(raw)] = true
			some = append(some, raw)
		}
	}
	if len(some) < 3 {
		return nil
	}
	type place struct {
		tail   int // from the frame's end to the check
		inBody bool
		to     []int
	}
	var best *sum
	tried, rivals := 0, 0
	for _, one := range summings() {
		for _, asHex := range []bool{true, false} {
			s := sum{kind: one.kind, name: one.name, of: one.of, width: one.width, hex: asHex}
			ending := len(c.end)
			var places []place
			if c.kind == "marks" && c.tail >= s.size() {
				at := c.tail
				places = append(places, place{at, false, []int{-at, -at - ending}})
			}
			if c.kind != "marks" {
				ending *= boolInt(c.kind == "lines")
			}
			if at := ending + c.tail + s.size(); asHex || c.kind != "lines" {
				places = append(places, place{at, true, []int{-at, -at - 1, -at - 2}})
			}
			for _, p := range places {
				for _, little := range []bool{false, true}[:1+boolInt(s.width == 2)] {
					for n, to := range p.to {
						for from := range 4 {
							s.little, s.inBody, s.back, s.from, s.to = little, p.inBody, p.tail, from, to
							s.standard = n == 0 && from == bodyStart(c)
							tried++
							good, kept := 0, map[string]bool{}
							for i, raw := range some {
								if s.keeps(raw) {
									good++
									kept[string(raw[len(raw)-p.tail:][:s.size()])] = true
								}
								if i-good > len(some)/5 {
									break
								}
							}
							if good < 3 || len(some)-good > len(some)/5 {
								continue
							}
							// Frames whose sums are equal tell as much as one.
							s.bits = float64(8*s.width) * (float64(len(kept)-1) + float64(good-len(kept))/2)
							if len(kept) == 1 {
								continue
							}
							s.bits -= math.Log2(float64(len(some))) * float64(len(some)-good)
							switch {
							case best == nil || s.bits > best.bits || s.bits == best.bits && s.wider(best):
								if best != nil && best.bits == s.bits {
									rivals++
								} else {
									rivals = 0
								}
								found := s
								best = &found
							case s.bits == best.bits:
								rivals++
							}
						}
					}
				}
			}
		}
	}
	if best == nil {
		return nil
	}
	best.rivals = rivals
	if best.bits -= math.Log2(float64(tried)); best.bits < 10 {
		return nil
	}
	best.upper = true
	for _, raw := range some {
		if n := len(raw) - best.back; n >= 0 {
			best.upper = best.upper && !bytes.ContainsAny(raw[n:n+best.size()], "abcdef")
		}
	}
	return best
}

// wider tells whether the range of s is the more usual one: what a profile takes
// by itself, then the longer one.
func (s *sum) wider(o *sum) bool {
	if s.standard != o.standard {
		return s.standard
	}
	return s.to-s.from > o.to-o.from
}

func bodyStart(c *cut) int {
	if c.kind == "marks" {
		return len(c.start)
	}
	return 0
}
