package profile

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// A CRC is a cyclic redundancy check of 8 or 16 bits by the parameters under
// which catalogues list them.
type CRC struct {
	Width         int // 8 or 16
	Poly, Init    uint16
	RefIn, RefOut bool
	XorOut        uint16
}

// crcs are common ones. The check values of modbus, ibm-3740, xmodem and kermit
// were read in a public CRC catalogue; the parameters of the others are from
// memory.
var crcs = map[string]CRC{
	"arc":      {16, 0x8005, 0, true, true, 0},
	"genibus":  {16, 0x1021, 0xFFFF, false, false, 0xFFFF},
	"ibm-3740": {16, 0x1021, 0xFFFF, false, false, 0},
	"ibm-sdlc": {16, 0x1021, 0xFFFF, true, true, 0xFFFF},
	"kermit":   {16, 0x1021, 0, true, true, 0},
	"mcrf4xx":  {16, 0x1021, 0xFFFF, true, true, 0},
	"modbus":   {16, 0x8005, 0xFFFF, true, true, 0},
	"usb":      {16, 0x8005, 0xFFFF, true, true, 0xFFFF},
	"xmodem":   {16, 0x1021, 0, false, false, 0},
	"maxim":    {8, 0x31, 0, true, true, 0},
	"rohc":     {8, 0x07, 0xFF, true, true, 0},
	"smbus":    {8, 0x07, 0, false, false, 0},
}

// CRCNames are the names by which a profile may call a CRC of a width.
func CRCNames(width int) (names []string) {
	for name, c := range crcs {
		if c.Width == width {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// CRCNamed is the CRC of that name.
func CRCNamed(name string) (CRC, bool) {
	c, ok := crcs[name]
	return c, ok
}

// crcTable holds what each byte does to the register, which is kept at the top
// of 16 bits, or reflected at their bottom.
type crcTable struct {
	CRC
	of [256]uint16
}

func newCRCTable(c CRC) *crcTable {
	t := &crcTable{CRC: c}
	poly := c.Poly << (16 - c.Width)
	for i := range t.of {
		v := uint16(i) << 8
		if c.RefIn {
			v = uint16(bits.Reverse8(uint8(i))) << 8
		}
		for range 8 {
			carry := v&0x8000 != 0
			if v <<= 1; carry {
				v ^= poly
			}
		}
		if c.RefIn {
			v = bits.Reverse16(v)
		}
		t.of[i] = v
	}
	return t
}

func (t *crcTable) sum(data []byte) uint16 {
	v := t.Init << (16 - t.Width)
	if t.RefIn {
		v = bits.Reverse16(v)
		for _, b := range data {
			v = v>>8 ^ t.of[byte(v)^b]
		}
		v = bits.Reverse16(v)
	} else {
		for _, b := range data {
			v = v<<8 ^ t.of[byte(v>>8)^b]
		}
	}
	if t.RefOut {
		v = bits.Reverse16(v)
		if t.Width == 8 {
			v &= 0xFF
		}
	} else {
		v >>= 16 - t.Width
	}
	return v ^ t.XorOut
}

// Sum is the CRC of data.
func (c CRC) Sum(data []byte) uint16 { return newCRCTable(c).sum(data) }

// Summer is Sum for many uses: its table is made once.
func (c CRC) Summer() func(data []byte) uint16 { return newCRCTable(c).sum }

type check struct {
	sum           func(data []byte) uint16
	width         int // in bytes: 1 or 2
	hex, little   bool
	from, to, at  *int // nil where the file says nothing
	after, before []byte
}

func sumXor(data []byte) (v uint16) {
	for _, b := range data {
		v ^= uint16(b)
	}
	return v
}

func sum8(data []byte) (v uint16) {
	for _, b := range data {
		v += uint16(b)
	}
	return v & 0xFF
}

// sumLRC is the two's complement of the sum of the bytes.
func sumLRC(data []byte) uint16 { return -sum8(data) & 0xFF }

// A layout is a frame with its parts: what comes before the body, and after the
// end mark.
type layout struct {
	whole    []byte // marks included, without escapes
	from, to int    // of the body
	tail     int    // bytes after the end mark
}

// size is how many bytes of the frame the check takes.
func (c *check) size() int {
	if c.hex {
		return 2 * c.width
	}
	return c.width
}

// verify fails with a *Rejection where the frame does not keep its check.
func (c *check) verify(l layout) error {
	if c == nil {
		return nil
	}
	lo, at, hi := l.from, l.to-c.size(), -1
	if l.tail > 0 {
		at = len(l.whole) - l.tail
	}
	if c.before != nil {
		// Behind it the check must find room: it may hold the same bytes.
		end := l.to
		if l.tail > 0 {
			end = len(l.whole)
		}
		i := bytes.LastIndex(l.whole[:max(0, end-c.size())], c.before)
		if i < 0 {
			return &Rejection{Reason: fmt.Sprintf("check: %s has no %s with a check behind it", quote(l.whole), quote(c.before))}
		}
		hi, at = i, i+len(c.before)
	}
	if c.at != nil {
		at = place(*c.at, len(l.whole))
	}
	if c.after != nil {
		i := bytes.Index(l.whole, c.after)
		if i < 0 {
			return &Rejection{Reason: fmt.Sprintf("check: %s has no %s", quote(l.whole), quote(c.after))}
		}
		lo = i + len(c.after)
	}
	if c.from != nil {
		lo = place(*c.from, len(l.whole))
	}
	if hi < 0 {
		hi = at
	}
	if c.to != nil {
		hi = place(*c.to, len(l.whole))
	}
	if lo < 0 || at < 0 || lo > hi || hi > len(l.whole) || at+c.size() > len(l.whole) {
		return &Rejection{Reason: "check: " + quote(l.whole) + " is too short to have one"}
	}
	want := c.sum(l.whole[lo:hi])
	text := l.whole[at : at+c.size()]
	var room [2]byte
	got := room[:c.width]
	if !c.hex {
		copy(got, text)
	} else if _, err := hex.Decode(got, text); err != nil {
		return c.differs(want, quote(text))
	}
	if c.little {
		slices.Reverse(got)
	}
	value := uint16(0)
	for _, b := range got {
		value = value<<8 | uint16(b)
	}
	if value != want {
		return c.differs(want, fmt.Sprintf("%0*X", 2*c.width, value))
	}
	return nil
}

func (c *check) differs(want uint16, got string) error {
	return &Rejection{
		Reason: fmt.Sprintf("check: want %0*X got %s", 2*c.width, want, got),
		Hint:   "noise on the line, or another check, range or byte order than the profile says",
	}
}

// place is an offset counted from the end where it is negative.
func place(offset, length int) int {
	if offset < 0 {
		return length + offset
	}
	return offset
}

type checkForm struct {
	Kind   string `toml:"kind"`
	Name   string `toml:"name"`
	Poly   int64  `toml:"poly"`
	Init   int64  `toml:"init"`
	RefIn  bool   `toml:"refin"`
	RefOut bool   `toml:"refout"`
	XorOut int64  `toml:"xorout"`
	As     string `toml:"as"`
	Order  string `toml:"order"`
	From   int    `toml:"from"`
	To     int    `toml:"to"`
	After  string `toml:"after"`
	Before string `toml:"before"`
	At     int    `toml:"at"`
}

func (r reader) check(form checkForm) *check {
	kind := r.word("check.kind", form.Kind, "none", "xor", "sum8", "lrc", "crc8", "crc16")
	c := &check{
		width:  1,
		hex:    r.word("check.as", form.As, "bytes", "hex") == "hex",
		little: r.word("check.order", form.Order, "big", "little") == "little",
		from:   r.offset("check.from", form.From),
		to:     r.offset("check.to", form.To),
		at:     r.offset("check.at", form.At),
		after:  r.bytes("check.after", form.After, mostMark),
		before: r.bytes("check.before", form.Before, mostMark),
	}
	parameters := []string{"name", "poly", "init", "refin", "refout", "xorout"}
	switch kind {
	case "crc8", "crc16":
		crc := CRC{Width: 8, RefIn: form.RefIn, RefOut: form.RefOut}
		if kind == "crc16" {
			crc.Width, c.width = 16, 2
		}
		crc = r.crc(crc, form)
		c.sum = newCRCTable(crc).sum
		parameters = nil
	case "xor":
		c.sum = sumXor
	case "sum8":
		c.sum = sum8
	case "lrc":
		c.sum = sumLRC
	default:
		parameters = append(parameters, "as", "order", "from", "to", "at", "after", "before")
		c = nil
	}
	for _, key := range parameters {
		if path := "check." + key; r.file.Has(path) {
			r.file.Fault(path, fmt.Sprintf("%q means nothing for this kind of check", key), `say kind = "crc16", "crc8", "xor", "sum8" or "lrc" in [check]`)
		}
	}
	if r.file.Has("check.from") && r.file.Has("check.after") {
		r.file.Fault("check.from", `"from" and "after" say the same thing twice`, "keep one of them")
	}
	if r.file.Has("check.to") && r.file.Has("check.before") {
		r.file.Fault("check.to", `"to" and "before" say the same thing twice`, "keep one of them")
	}
	return c
}

func (r reader) crc(c CRC, form checkForm) CRC {
	if r.file.Has("check.name") {
		named, ok := CRCNamed(strings.ToLower(form.Name))
		if !ok || named.Width != c.Width {
			r.file.Fault("check.name", fmt.Sprintf("%q is no %d-bit CRC that is known here", form.Name, c.Width),
				"the names are "+strings.Join(CRCNames(c.Width), ", ")+"; any other is said by poly, init, refin, refout and xorout")
		}
		for _, key := range []string{"poly", "init", "refin", "refout", "xorout"} {
			if r.file.Has("check." + key) {
				r.file.Fault("check."+key, "the name says all parameters of the CRC", "drop either the name or the parameters")
			}
		}
		return named
	}
	if !r.file.Has("check.poly") {
		r.file.Fault("check.kind", "which CRC?", "add a name, one of "+strings.Join(CRCNames(c.Width), ", ")+", or poly, init, refin, refout and xorout")
	}
	for _, p := range []struct {
		key  string
		from int64
		to   *uint16
	}{{"poly", form.Poly, &c.Poly}, {"init", form.Init, &c.Init}, {"xorout", form.XorOut, &c.XorOut}} {
		if p.from < 0 || p.from >= 1<<c.Width {
			r.file.Fault("check."+p.key, fmt.Sprintf("%d does not fit %d bits", p.from, c.Width), "write it as in 0x1021, without the highest term")
			continue
		}
		*p.to = uint16(p.from)
	}
	return c
}

func (r reader) offset(path string, n int) *int {
	if !r.file.Has(path) {
		return nil
	}
	if n < -MaxFrame || n > MaxFrame {
		r.file.Fault(path, fmt.Sprintf("%d lies in no frame", n), fmt.Sprintf("frames have up to %d bytes", MaxFrame))
	}
	return &n
}

// bytes reads bytes as a recording writes them: hexadecimal digits, two for each
// byte, and text in double quotes.
func (r reader) bytes(path, text string, most int) []byte {
	if !r.file.Has(path) {
		return nil
	}
	b, err := parseBytes(text, most)
	if err != nil {
		r.file.Fault(path, err.Error(), `bytes are written as in "02", "0D 0A" or '"$" 0D'`)
		return []byte{0}
	}
	return b
}

// Bounds of what is written as bytes.
const (
	mostMark    = 16
	mostCommand = 256
)

func parseBytes(text string, most int) ([]byte, error) {
	var out []byte
	for rest := strings.TrimSpace(text); rest != ""; rest = strings.TrimSpace(rest) {
		if rest[0] == '"' {
			quoted, after, ok := strings.Cut(rest[1:], `"`)
			if !ok {
				return nil, fmt.Errorf("%s: the quotes are not closed", quote([]byte(text)))
			}
			out, rest = append(out, quoted...), after
			continue
		}
		end := strings.IndexAny(rest, " \t\"")
		if end < 0 {
			end = len(rest)
		}
		b, err := hex.DecodeString(rest[:end])
		if err != nil {
			return nil, fmt.Errorf("%s are no hexadecimal digits, two for each byte", quote([]byte(rest[:end])))
		}
		out, rest = append(out, b...), rest[end:]
	}
	if len(out) == 0 || len(out) > most {
		return nil, fmt.Errorf("%d bytes, and there must be 1 to %d", len(out), most)
	}
	return out, nil
}
