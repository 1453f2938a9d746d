package devicetest

import (
	"fmt"
	"strings"
	"time"

	"paintmark/device/profile"
)

// A framing is one way in which the suite's frames are marked: the n-th says n
// newton metres, with one decimal.
type framing struct {
	name    string
	profile *profile.Profile
	frame   func(n int) string
	// garbage is what makes no sample, and does no harm to the frame behind it.
	garbage []string
	// packets says that a frame is a packet, and silent that silence ends it.
	packets, silent bool
	// checked says that a damaged frame is known, and shared how many bytes at its
	// end mark the beginning of the next as well, so that damage there costs two.
	checked bool
	shared  int
}

// gap is the silence that ends a frame where nothing else does.
const gap = 20 * time.Millisecond

const (
	byText  = "[reading]\nunit = \"N·m\"\npattern = '(?P<value>[+-]\\d{4}\\.\\d) Nm'\n"
	byPlace = "[reading]\nunit = \"N·m\"\nkind = \"fields\"\n"
)

// tenths is n in tenths as a field of two bytes at that place.
func tenths(at int) string {
	return fmt.Sprintf("[field.value]\nat = %d\nlength = 2\ntype = \"unsigned\"\ndecimals = 1\n", at)
}

func text(n int) string { return fmt.Sprintf("+%04d.0 Nm", n) }

func two(n int) string { return string([]byte{byte(10 * n >> 8), byte(10 * n)}) }

func ended(with string) func(int) string { return func(n int) string { return text(n) + with } }

func sum(s string) (sum byte) {
	for _, b := range []byte(s) {
		sum += b
	}
	return sum
}

func crc(name, s string) uint16 {
	c, _ := profile.CRCNamed(name)
	return c.Sum([]byte(s))
}

// low is a check of two bytes with the low one first.
func low(v uint16) string { return string([]byte{byte(v), byte(v >> 8)}) }

func made(f framing, tables string) framing {
	p, err := profile.Parse("conformance.toml", []byte("name = \"conformance\"\n"+tables))
	if err != nil {
		panic(fmt.Sprintf("%s: %v", f.name, err))
	}
	f.profile = p
	return f
}

// standard is the framing in which every transport is tried.
var standard = made(framing{
	name: "lines, LF", frame: ended("\n"), shared: 1,
	garbage: []string{"\x00\xfe8.0 Nm\n", "0123456789012345678901234567890123456789\n"},
}, "[framing]\nending = \"lf\"\nlongest = 32\n"+byText)

// framings are all the others.
var framings = []framing{
	made(framing{
		name: "lines, CR", frame: ended("\r"), shared: 1,
		garbage: []string{"\n8.0 Nm\r", strings.Repeat("x", 70) + "\r"},
	}, "[framing]\nending = \"cr\"\nlongest = 32\n"+byText),
	made(framing{
		name: "lines, CR LF", frame: ended("\r\n"), shared: 2,
		garbage: []string{"8.0\rNm\n\r\n", strings.Repeat("x", 70) + "\r\n"},
	}, "[framing]\nending = \"crlf\"\nlongest = 32\n"+byText),
	made(framing{
		name: "lines, CR or LF", shared: 1,
		frame:   func(n int) string { return text(n) + string("\r\n"[n%2]) },
		garbage: []string{"8.0 Nm\r", "\x80\n", strings.Repeat("x", 70) + "\n"},
	}, "[framing]\nending = \"either\"\nlongest = 32\n"+byText),
	made(framing{
		name: "lines, bytes of its own", frame: ended("E\x03"), shared: 2,
		garbage: []string{"8.0 NmE\x03", "E\r\n\x03E\x03", strings.Repeat("x", 70) + "E\x03"},
	}, "[framing]\nending = '\"E\" 03'\nlongest = 32\n"+byText),
	made(framing{
		name: "marks", frame: func(n int) string { return "\x02" + text(n) + "\x03" },
		garbage: []string{"8.0 Nm\x03", "\x02", "\x02+0008", "\x02x\x03\r\n", "\x02" + strings.Repeat("x", 70) + "\x03"},
	}, "[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nlongest = 32\n"+byText),
	made(framing{
		name: "marks and a check behind them", checked: true,
		// A CRC: in a mere XOR or sum, an end that lost the bit by which it differs from
		// a start is made up for by the start of the next frame.
		frame:   func(n int) string { return "\x02" + text(n) + "\x03" + low(crc("xmodem", text(n)+"\x03")) },
		garbage: []string{"8.0 Nm\x03\x7f", "\x02", "\x02+0008", "\x02" + text(8) + "\x03\x7f\x7f", "\x02" + strings.Repeat("x", 70) + "\x03xx"},
	}, "[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 2\nlongest = 32\n[check]\nkind = \"crc16\"\nname = \"xmodem\"\norder = \"little\"\n"+byText),
	made(framing{
		name: "marks and escapes", checked: true,
		frame: func(n int) string {
			body := two(n) + string([]byte{byte(crc("smbus", "\x02"+two(n)))})
			return "\x02" + strings.NewReplacer("\x02", "\x10\x22", "\x03", "\x10\x23", "\x10", "\x10\x30").Replace(body) + "\x03"
		},
		garbage: []string{"\x10\x03", "\x02", "\x02\x10\x22\x10", "\x02\x00\x50\x00\x03", "\x02" + strings.Repeat("\x10\x22", 70) + "\x03"},
	}, "[framing]\nkind = \"marks\"\nstart = \"02\"\nend = \"03\"\nescape = \"10\"\nescape_xor = \"20\"\nlongest = 32\n"+
		"[check]\nkind = \"crc8\"\nname = \"smbus\"\nfrom = 0\n"+byPlace+"length = 3\n"+tenths(0)),
	made(framing{
		name: "a start and a length", checked: true,
		frame:   func(n int) string { return "\xaa\x55" + two(n) + low(crc("kermit", two(n))) },
		garbage: []string{"\x55\xaa", "\xaa\x55\x00", "\xaa\x55\x00\x50\x00\x00", "\xaa\xaa\x55\xaa\x55", strings.Repeat("x", 70)},
	}, "[framing]\nkind = \"length\"\nstart = \"AA 55\"\nlength = 6\nlongest = 32\n"+
		"[check]\nkind = \"crc16\"\nname = \"kermit\"\norder = \"little\"\nfrom = 2\n"+byPlace+"length = 6\n"+tenths(2)),
	made(framing{
		name: "silence", checked: true, silent: true,
		frame:   func(n int) string { return two(n) + string([]byte{sum(two(n))}) },
		garbage: []string{"\x00", "\x00\x50\x51", strings.Repeat("x", 70)},
	}, "[framing]\nkind = \"silence\"\ngap = \""+gap.String()+"\"\nlongest = 8\n[check]\nkind = \"sum8\"\n"+byPlace+"length = 3\n"+tenths(0)),
	made(framing{
		name: "packets", packets: true,
		// IEEE 11073: the exponent -1 above the mantissa.
		frame:   func(n int) string { return "\xff\x00" + two(n) + "Nm" },
		garbage: []string{"PM-1", "\xff\x00\x00\x50N", "\x00\x7f\xff\xffNm", strings.Repeat("x", 70)},
	}, "[framing]\nkind = \"packet\"\nlongest = 32\n"+byPlace+"length = 6\n[field.value]\nat = 0\nlength = 4\ntype = \"decimal-float\"\n"),
	made(framing{
		name: "Modbus", checked: true,
		frame: func(n int) string { return "\x11\x03\x02" + two(n) + low(crc("modbus", "\x11\x03\x02"+two(n))) },
		garbage: []string{
			"\x02\x00\x50", "\x11", "\x11\x03\x02\x00\x50\x00\x00", "\x12\x03\x02\x00\x50\x00\x00",
			"\x11\x83\x02" + low(crc("modbus", "\x11\x83\x02")), strings.Repeat("x", 300),
		},
	}, "[modbus]\ndevice = 17\ncount = 1\n[talk]\nevery = \"1 h\"\n"+byPlace+tenths(0)),
	made(framing{
		name: "hexadecimal lines", checked: true, shared: 2,
		frame:   func(n int) string { return fmt.Sprintf("%X%02x\r\n", two(n), -sum(two(n))) },
		garbage: []string{"00\r\n", "0050B\r\n", "0050b1\r\n", "00x0b0\r\n", strings.Repeat("0", 70) + "\r\n"},
	}, "[framing]\nending = \"crlf\"\ncoding = \"hex\"\nlongest = 32\n[check]\nkind = \"lrc\"\n"+byPlace+"length = 3\n"+tenths(0)),
	made(framing{
		name: "hexadecimal between marks", checked: true,
		frame:   func(n int) string { return fmt.Sprintf(":%X%02X\r\n", two(n), -sum(two(n))) },
		garbage: []string{"0050B0\r\n", ":", ":0050", ":0050B1\r\n", ":00x0B0\r\n", ":" + strings.Repeat("0", 70) + "\r\n"},
	}, "[framing]\nkind = \"marks\"\nstart = '\":\"'\nend = \"0D 0A\"\ncoding = \"hex\"\nlongest = 32\n[check]\nkind = \"lrc\"\n"+byPlace+"length = 3\n"+tenths(0)),
}
