package profile_test

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/device/profile"
)

// anyFraming are framings of every kind, with and without what belongs to them.
func anyFraming(t *rapid.T) (text string, modbus bool) {
	kind := rapid.IntRange(0, 6).Draw(t, "framing")
	longest := rapid.IntRange(1, 40).Draw(t, "longest")
	tail := rapid.IntRange(0, 3).Draw(t, "tail")
	coding := rapid.SampledFrom([]string{"plain", "hex"}).Draw(t, "coding")
	first := rapid.SampledFrom([]string{"keep", "discard"}).Draw(t, "first")
	switch kind {
	case 0:
		text = fmt.Sprintf("[framing]\nending = %q\nlongest = %d\ncoding = %q\nfirst = %q\n", rapid.SampledFrom([]string{"cr", "lf", "crlf", "either", "03"}).Draw(t, "ending"), longest, coding, first)
	case 1:
		text = fmt.Sprintf("[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = %d\nlongest = %d\ncoding = %q\n", tail, longest, coding)
	case 2:
		text = fmt.Sprintf("[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"0D 0A\"\ntail = %d\nlongest = %d\nescape = \"10\"\nescape_xor = \"20\"\n", tail, longest)
	case 3:
		text = fmt.Sprintf("[framing]\nkind = \"length\"\nstart = \"AA\"\nlength = %d\n", longest+1)
	case 4:
		text = fmt.Sprintf("[framing]\nkind = \"silence\"\ngap = \"5 ms\"\nlongest = %d\ncoding = %q\nfirst = %q\n", longest, coding, first)
	case 5:
		text = fmt.Sprintf("[framing]\nkind = \"packet\"\nlongest = %d\ncoding = %q\n", longest, coding)
	case 6:
		return fmt.Sprintf("[modbus]\ndevice = %d\nregisters = %q\nfirst = %d\ncount = 10\n[talk]\nevery = \"10 ms\"\n",
			rapid.IntRange(1, 247).Draw(t, "device"), rapid.SampledFrom([]string{"holding", "input"}).Draw(t, "registers"), rapid.IntRange(0, 65526).Draw(t, "register")), true
	}
	if rapid.Bool().Draw(t, "checked") {
		text += "[check]\n" + rapid.SampledFrom([]string{"kind = \"xor\"", "kind = \"sum8\"", "kind = \"lrc\"", "kind = \"crc8\"\nname = \"rohc\"", "kind = \"crc8\"\npoly = 7\nrefin = true"}).Draw(t, "check")
		text += rapid.SampledFrom([]string{"", "\nfrom = 0", "\nafter = \"31\"", "\nto = -2", "\nbefore = '\"*\"'", "\nat = -1", "\nat = 0", "\nfrom = -3\nat = 1", "\norder = \"little\""}).Draw(t, "range") + "\n"
	}
	if rapid.Bool().Draw(t, "talks") {
		text += "[talk]\nsettle = \"1 ms\"\nbegin = '\"B\"'\nrequest = \"3F\"\nevery = \"1 s\"\nzero = \"00\"\nunits = { mm = '01' }\n"
	}
	return text, false
}

// A place is a field of a frame of 20 bytes, and what it is read as by plainly.
type place struct {
	at, length int
	kind       string
	little     bool
	swapped    bool
}

func anyPlace(t *rapid.T, name string, kinds ...string) (p place, text string) {
	p.kind = rapid.SampledFrom(kinds).Draw(t, name)
	p.length = rapid.IntRange(1, 4).Draw(t, name+" length")
	if p.kind == "float" {
		p.length = 4
	}
	p.at = rapid.IntRange(0, 20-p.length).Draw(t, name+" at")
	at := p.at
	if rapid.Bool().Draw(t, name+" from the end") {
		at -= 20
	}
	text = fmt.Sprintf("[field.%s]\nat = %d\nlength = %d\ntype = %q\n", name, at, p.length, p.kind)
	if p.kind != "text" && p.kind != "hex" {
		if p.little = rapid.Bool().Draw(t, name+" little"); p.little {
			text += "order = \"little\"\n"
		}
		if p.swapped = p.length%2 == 0 && rapid.Bool().Draw(t, name+" swapped"); p.swapped {
			text += "words = \"swapped\"\n"
		}
	}
	return p, text
}

// text is a field of letters and digits without the blanks around it.
func (p place) text(body string) string { return strings.Trim(body[p.at:p.at+p.length], " \t") }

// digits is the number in the field, written in digits; false if there is none.
func (p place) digits(body string) (string, bool) {
	raw := []byte(body[p.at : p.at+p.length])
	if p.little {
		slices.Reverse(raw)
	}
	if p.swapped {
		raw = []byte((shape{swapped: true}).place(raw))
	}
	v := new(big.Int).SetBytes(raw)
	top := new(big.Int).Lsh(big.NewInt(1), uint(8*len(raw)-1))
	switch p.kind {
	case "signed":
		if v.Cmp(top) >= 0 {
			v.Sub(v, new(big.Int).Lsh(top, 1))
		}
	case "magnitude":
		if v.Cmp(top) >= 0 {
			v.Sub(top, v)
		}
	case "bcd":
		return fmt.Sprintf("%x", raw), !strings.ContainsAny(fmt.Sprintf("%x", raw), "abcdef")
	case "hex":
		text := p.text(body)
		if len(text)%2 == 1 {
			text = "0" + text
		}
		b, err := hex.DecodeString(text)
		return new(big.Int).SetBytes(b).String(), err == nil && text != ""
	case "text":
		text := p.text(body)
		return text, text != "" && !strings.ContainsAny(text, ",\r\n")
	}
	return v.String(), true
}

// Profiles of every kind, built as one writes them, are sound; whatever comes,
// they make of it samples that a plain reading of the same rules allows, and
// they account for everything else.
func anyProfile(t *rapid.T) {
	text, modbus := anyFraming(t)
	byPattern := !modbus && rapid.Bool().Draw(t, "by pattern")
	number, unit, point, status, sign := place{}, place{}, place{}, place{}, place{}
	var more string
	if byPattern {
		text += "[reading]\nunit = \"mm\"\n" + rapid.SampledFrom([]string{
			"pattern = '(?s)(?P<value>.*)'\n",
			"pattern = '(?P<sign>.)(?P<value>[^;]*);?(?P<unit>.*)'\nignore = 'x.*'\n",
			"pattern = '(?P<channel>[TA])(?P<value>.*)'\npair_within = \"10 ms\"\n[field.channel.means]\nT = \"value\"\nA = \"angle\"\n",
			"pattern = '(?P<sequence>\\d*)(?:a(?P<angle>.*))?b(?P<value>.*)'\ndecimal = \"comma\"\n",
			"pattern = '(?P<value>\\w*?)(?P<point>\\d)(?P<status>..)'\n[field.value]\ntype = \"hex\"\nscale = \"-0.5\"\n[field.status]\ntype = \"hex\"\nbits = { 0 = \"overload\", 3 = \"\" }\n",
		}).Draw(t, "reading")
	} else {
		text += "[reading]\nkind = \"fields\"\nlength = 20\nunit = \"mm\"\n"
		number, more = anyPlace(t, "value", "text", "hex", "unsigned", "signed", "magnitude", "bcd")
		text += more
		if rapid.Bool().Draw(t, "has unit") {
			unit, more = anyPlace(t, "unit", "unsigned", "text")
			text += more + "means = { 1 = \"N·m\", 2 = \"lbf·ft\" }\n"
		}
		if rapid.Bool().Draw(t, "has point") {
			point, more = anyPlace(t, "point", "unsigned", "bcd", "hex")
			text += more
		}
		if rapid.Bool().Draw(t, "has status") {
			status, more = anyPlace(t, "status", "unsigned")
			text += more + "bits = { 0 = \"overload\", 1 = \"\" }\n"
		}
		if rapid.Bool().Draw(t, "has sign") {
			sign, more = anyPlace(t, "sign", "unsigned")
			text += more + "means = { 0 = \"+\", 1 = \"-\", 2 = \"+\" }\n"
		}
	}
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n"+text))
	require.NoError(t, err, text)

	// A stream in pieces, with silence here and there.
	letters := rapid.SampledFrom([]byte("\x02\x03\x10\r\n\xAA*010011  TAab,.-+;\xFF\x01\x00"))
	r := p.NewReader()
	at := noon
	for _, fed := range rapid.SliceOfN(rapid.SliceOfN(letters, 1, 50), 0, 4).Draw(t, "stream") {
		r.Feed(fed, at)
		if rapid.Bool().Draw(t, "packet") {
			r.EndPacket()
		}
		checkOutcomes(t, r)
		at = at.Add(time.Duration(rapid.IntRange(0, 20).Draw(t, "ms")) * time.Millisecond)
		r.Elapse(at)
		checkOutcomes(t, r)
	}
	r.End()
	checkOutcomes(t, r)

	// Where neither silence nor packets end a frame, pieces mean nothing.
	if r := p.NewReader(); !p.NeedsPackets() && !strings.Contains(text, "silence") {
		stream := rapid.SliceOfN(letters, 0, 120).Draw(t, "whole stream")
		r.Feed(stream, noon)
		want := outcomes(r)
		r.End()
		want = append(want, outcomes(r)...)
		size, single := rapid.IntRange(1, 9).Draw(t, "size"), p.NewReader()
		var got []string
		for _, fed := range inPieces(stream, size) {
			single.Feed(fed, noon)
			got = append(got, outcomes(single)...)
		}
		single.End()
		require.Equal(t, want, append(got, outcomes(single)...), text)
		require.Equal(t, string(r.Rest()), string(single.Rest()), text)
	}

	// A body as it is.
	body := string(rapid.SliceOfN(letters, 20, 20).Draw(t, "body"))
	if rapid.IntRange(0, 9).Draw(t, "short") == 0 {
		body = body[1:]
	}
	s, err := p.Decode(profile.Frame{Raw: []byte(body), Body: []byte(body), Time: noon})
	checkDecodeError(t, err)
	if byPattern {
		return
	}
	want, wantUnit, ok := plainly(body, number, unit, point, sign)
	require.Equal(t, ok, err == nil, "%q: %v\n%s", body, err, text)
	if !ok {
		return
	}
	require.Equal(t, want, s.Value.Number(), "%q\n%s", body, text)
	require.Equal(t, wantUnit, s.Value.Unit)
	if status.length > 0 {
		v, _ := status.digits(body)
		flags, _ := new(big.Int).SetString(v, 10)
		n := 0
		for bit := range flags.BitLen() {
			n += int(flags.Bit(bit))
		}
		require.Len(t, s.Status, n-int(flags.Bit(1)))
		require.Equal(t, flags.Bit(0) == 1, slices.Contains(s.Status, "overload"))
	}
}

// plainly reads the number and the unit of a body by the rules of FORMAT.md, in
// the most plain way.
func plainly(body string, number, unit, point, sign place) (digits string, u quantity.Unit, ok bool) {
	if len(body) != 20 {
		return "", 0, false
	}
	digits, ok = number.digits(body)
	if !ok {
		return "", 0, false
	}
	text := number.kind == "text"
	if text { // a blank may follow the sign, and the sign may stand behind
		if last := digits[len(digits)-1]; len(digits) > 1 && (last == '-' || last == '+') && digits[0] != '-' && digits[0] != '+' {
			digits = string(last) + strings.Trim(digits[:len(digits)-1], " ")
		}
		if digits[0] == '-' || digits[0] == '+' {
			digits = digits[:1] + strings.Trim(digits[1:], " ")
		}
	}
	v, err := quantity.ParseNumber(digits)
	if err != nil {
		return "", 0, false
	}
	if sign.length > 0 {
		minus, _ := sign.digits(body)
		if digits[0] == '-' || digits[0] == '+' || minus != "0" && minus != "1" && minus != "2" {
			return "", 0, false
		}
		if minus == "1" {
			v = v.Neg()
		}
	}
	if point.length > 0 {
		places, ok := point.digits(body)
		n, _ := new(big.Int).SetString(places, 10)
		if !ok || n.Cmp(big.NewInt(12)) > 0 || n.Sign() > 0 && text && strings.Contains(digits, ".") {
			return "", 0, false
		}
		v = v.Shift(int32(-n.Int64()))
	}
	if v, err = quantity.ParseNumber(v.StringFixed(max(0, -v.Exponent()))); err != nil {
		return "", 0, false
	}
	u = quantity.Millimetre
	if unit.length > 0 {
		code, _ := unit.digits(body)
		if unit.kind == "text" {
			code = unit.text(body)
		}
		switch code {
		case "1":
			u = quantity.NewtonMetre
		case "2":
			u = quantity.PoundForceFoot
		case "":
		default:
			if u, err = quantity.ParseUnit(code); err != nil {
				return "", 0, false
			}
		}
	}
	return quantity.New(v, u).Number(), u, true
}

func checkOutcomes(t require.TestingT, r *profile.Reader) {
	for o, ok := r.Next(); ok; o, ok = r.Next() {
		require.NotEmpty(t, o.Raw)
		require.False(t, o.Time.IsZero())
		if o.Err == nil {
			require.Equal(t, o.Raw, o.Sample.Raw)
			continue
		}
		require.NotErrorIs(t, o.Err, profile.ErrIgnored)
		checkDecodeError(t, o.Err)
	}
}

func checkDecodeError(t require.TestingT, err error) {
	var r *profile.Rejection
	if err == nil || errors.Is(err, profile.ErrIgnored) {
		return
	}
	require.ErrorAs(t, err, &r)
	require.NotEmpty(t, r.Reason)
	require.Less(t, len(r.Reason), 1000)
	require.NotContains(t, r.Reason, "\n")
}

func TestAnyProfile(t *testing.T) { rapid.Check(t, anyProfile) }

func FuzzDecode(f *testing.F) { f.Fuzz(rapid.MakeFuzz(anyProfile)) }
