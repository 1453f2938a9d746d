package profile_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/device/profile"
)

// sums are other implementations of the checks, bit by bit.
var sums = map[string]func(data []byte) []byte{
	"kind = \"xor\"": func(data []byte) []byte {
		v := byte(0)
		for _, b := range data {
			v ^= b
		}
		return []byte{v}
	},
	"kind = \"sum8\"": func(data []byte) []byte {
		v := 0
		for _, b := range data {
			v += int(b)
		}
		return []byte{byte(v % 256)}
	},
	"kind = \"lrc\"": func(data []byte) []byte {
		v := 0
		for _, b := range data {
			v += int(b)
		}
		return []byte{byte((256 - v%256) % 256)}
	},
	"kind = \"crc8\"\nname = \"smbus\"":                         func(data []byte) []byte { return bitwise(8, 0x07, 0, false, false, 0, data) },
	"kind = \"crc8\"\nname = \"maxim\"":                         func(data []byte) []byte { return bitwise(8, 0x31, 0, true, true, 0, data) },
	"kind = \"crc16\"\nname = \"xmodem\"":                       func(data []byte) []byte { return bitwise(16, 0x1021, 0, false, false, 0, data) },
	"kind = \"crc16\"\nname = \"modbus\"":                       func(data []byte) []byte { return bitwise(16, 0x8005, 0xFFFF, true, true, 0, data) },
	"kind = \"crc16\"\npoly = 0x1021\ninit = 1\nrefout = true":  func(data []byte) []byte { return bitwise(16, 0x1021, 1, false, true, 0, data) },
	"kind = \"crc8\"\npoly = 0x1D\nrefin = true\nxorout = 0x5A": func(data []byte) []byte { return bitwise(8, 0x1D, 0, true, false, 0x5A, data) },
}

// bitwise is a CRC as its parameters define it: a long division, a bit at a time.
func bitwise(width int, poly, v uint32, refin, refout bool, xorout uint32, data []byte) []byte {
	top := uint32(1) << (width - 1)
	for _, b := range data {
		for i := range 8 {
			bit := uint32(b>>(7-i)) & 1
			if refin {
				bit = uint32(b>>i) & 1
			}
			carry := v&top != 0
			if v = v << 1 & (top<<1 - 1); carry != (bit == 1) {
				v ^= poly
			}
		}
	}
	if refout {
		turned := uint32(0)
		for i := range width {
			turned |= v >> i & 1 << (width - 1 - i)
		}
		v = turned
	}
	if v ^= xorout; width == 8 {
		return []byte{byte(v)}
	}
	return []byte{byte(v >> 8), byte(v)}
}

// A CRC of any parameters is that of the long division.
func TestCRCIsALongDivision(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.SampledFrom([]int{8, 16}).Draw(t, "width")
		most := uint16(1<<width - 1)
		c := profile.CRC{
			Width: width, Poly: rapid.Uint16Max(most).Draw(t, "poly"), Init: rapid.Uint16Max(most).Draw(t, "init"),
			RefIn: rapid.Bool().Draw(t, "refin"), RefOut: rapid.Bool().Draw(t, "refout"), XorOut: rapid.Uint16Max(most).Draw(t, "xorout"),
		}
		data := rapid.SliceOf(rapid.Byte()).Draw(t, "data")
		want := uint16(0)
		for _, b := range bitwise(width, uint32(c.Poly), uint32(c.Init), c.RefIn, c.RefOut, uint32(c.XorOut), data) {
			want = want<<8 | uint16(b)
		}
		require.Equal(t, want, c.Sum(data))
		require.Equal(t, want, c.Summer()(data))
	})
}

// heard is all that a framer makes of pieces: each frame, and why it is none.
func heard(p *profile.Profile, pieces [][]byte) (list, raws []string, rest string) {
	framer := p.NewFramer()
	for _, fed := range pieces {
		framer.Feed(fed, noon)
		if f, ok := framer.(profile.Packeted); ok {
			f.EndPacket()
		}
		for f, ok := framer.Next(); ok; f, ok = framer.Next() {
			list = append(list, fmt.Sprintf("%q %q %v", f.Raw, f.Body, f.Err))
			raws = append(raws, string(f.Raw))
		}
	}
	return list, raws, string(framer.Rest())
}

func inPieces(stream []byte, size int) (pieces [][]byte) {
	for rest := stream; len(rest) > 0; {
		n := min(size, len(rest))
		pieces, rest = append(pieces, rest[:n]), rest[n:]
	}
	return pieces
}

// Frames of every kind with every check: in whatever pieces they come, they are
// the same ones, every byte is in one of them or in the rest, and none is taken
// for whole whose check another implementation denies.
func FuzzFrames(f *testing.F) {
	framings := map[string]int{ // and where the body lies from the end of the frame
		"kind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = WIDTH\nlongest = 12": 0,
		"kind = \"length\"\nstart = \"02\"\nlength = 6":                              0,
		"kind = \"length\"\nstart = \"02 02\"\nlength = 5":                           0,
		"ending = '0D'\nlongest = 9":                                                 1,
		"kind = \"packet\"\nlongest = 8":                                             0,
		"kind = \"silence\"\ngap = \"5 ms\"\nlongest = 8":                            0,
	}
	type kind struct {
		p    *profile.Profile
		sum  func([]byte) []byte
		mark int
		cut  string
	}
	var kinds []kind
	for framing, mark := range framings {
		for check, sum := range sums {
			framing := strings.ReplaceAll(framing, "WIDTH", fmt.Sprint(len(sum(nil))))
			kinds = append(kinds, kind{whole(f, "[framing]\n"+framing+"\n[check]\n"+check+"\nfrom = 0\n"), sum, mark, framing})
		}
	}
	f.Add([]byte("\x02123\x03\x00"), uint8(1))
	f.Add([]byte("\x02\x021\x31\x02\x021\x31\r"), uint8(3))
	f.Add([]byte("123\x30\r\n45"), uint8(2))
	f.Fuzz(func(t *testing.T, stream []byte, size uint8) {
		if len(stream) > 300 {
			return
		}
		for _, k := range kinds {
			pieces := inPieces(stream, int(size)+1)
			if strings.Contains(k.cut, "packet") { // each piece is a frame
				_, raws, rest := heard(k.p, pieces)
				require.Equal(t, string(stream), strings.Join(raws, "")+rest, k.cut)
			} else {
				want, _, wantRest := heard(k.p, [][]byte{stream})
				got, raws, rest := heard(k.p, pieces)
				require.Equal(t, want, got, k.cut)
				require.Equal(t, wantRest, rest)
				if all := strings.Join(raws, "") + rest; k.mark == 0 {
					require.Equal(t, string(stream), all, k.cut)
				} else { // lines without text are nothing
					require.Equal(t, strings.ReplaceAll(string(stream), "\r", ""), strings.ReplaceAll(all, "\r", ""))
				}
			}
			framer := k.p.NewFramer()
			framer.Feed(stream, noon)
			if p, ok := framer.(profile.Patient); ok {
				p.Elapse(noon.Add(time.Hour))
			}
			if p, ok := framer.(profile.Packeted); ok {
				p.EndPacket()
			}
			for frame, ok := framer.Next(); ok; frame, ok = framer.Next() {
				if frame.Err != nil {
					require.Error(t, frame.Err)
					continue
				}
				summed := frame.Raw[:len(frame.Raw)-k.mark]
				n := len(k.sum(nil))
				require.GreaterOrEqual(t, len(summed), n, "%s %q", k.cut, frame.Raw)
				require.Equal(t, k.sum(summed[:len(summed)-n]), summed[len(summed)-n:], "%s %q", k.cut, frame.Raw)
			}
		}
	})
}

// checkModbus checks that a stream gives the same in any pieces, and that every
// byte of it is told but for echoes of the request.
func checkModbus(t require.TestingT, p *profile.Profile, stream []byte, sizes ...int) {
	want, raws, wantRest := heard(p, [][]byte{stream})
	for _, size := range sizes {
		got, _, rest := heard(p, inPieces(stream, size))
		require.Equal(t, want, got)
		require.Equal(t, wantRest, rest)
	}
	left := string(stream)
	for _, raw := range append(raws, wantRest) {
		for strings.HasPrefix(left, string(p.Talk.Request)) {
			left = left[len(p.Talk.Request):]
		}
		require.True(t, strings.HasPrefix(left, raw), "%q is told before %q", raw, left)
		left = left[len(raw):]
	}
	require.Empty(t, left)
}

func modbusProfile(t testing.TB, first, count int) *profile.Profile {
	return read(t, fmt.Sprintf("[modbus]\ndevice = 1\nfirst = %d\ncount = %d\n[talk]\nevery = \"100 ms\"\n[reading]\nkind = \"fields\"\nunit = \"N·m\"\n[field.value]\nat = 0\nlength = 2\ntype = \"signed\"\n", first, count))
}

// Register 1536 with three of them makes the request begin as the reply does.
var modbusKinds = [][2]int{{107, 3}, {1536, 3}, {512, 1}, {0, 125}}

func TestModbusInAnyPieces(t *testing.T) {
	var profiles []*profile.Profile
	for _, k := range modbusKinds {
		profiles = append(profiles, modbusProfile(t, k[0], k[1]))
	}
	rapid.Check(t, func(t *rapid.T) {
		i := rapid.IntRange(0, len(profiles)-1).Draw(t, "kind")
		p, count := profiles[i], modbusKinds[i][1]
		good := sealedModbus(string([]byte{1, 3, byte(2 * count)}) + strings.Repeat("\x01\x03", count))
		parts := rapid.SliceOfN(rapid.SampledFrom([]string{
			good, good[:len(good)-1], good[1:], good[:4], string(p.Talk.Request), string(p.Talk.Request[:5]), sealedModbus("\x01\x83\x02"), "\x01\x83",
			"\x01", "\x01\x03", "\xFF", strings.Repeat("\x00", 300), strings.Repeat("\x01", 255), sealedModbus("\x02\x03\x02\x00\x01"),
		}), 0, 8).Draw(t, "parts")
		stream := strings.Join(parts, "")
		checkModbus(t, p, []byte(stream), 1, rapid.IntRange(2, 20).Draw(t, "size"), 255)
		// Whatever came, the reply after the next silence of noise is found.
		list, _, _ := heard(p, [][]byte{[]byte(stream + strings.Repeat("\xFF", 300) + good)})
		require.NotEmpty(t, list)
		require.Equal(t, fmt.Sprintf("%q %q <nil>", good, good[3:len(good)-2]), list[len(list)-1])
	})
}

// A good reply is what another implementation of the check takes for one, and
// in any pieces the same.
func FuzzModbus(f *testing.F) {
	var profiles []*profile.Profile
	for _, k := range modbusKinds {
		profiles = append(profiles, modbusProfile(f, k[0], k[1]))
	}
	sum := sums["kind = \"crc16\"\nname = \"modbus\""]
	f.Add([]byte(sealedModbus("\x01\x03\x06\x22\x88\x00\x00\x00\x01")), uint8(1))
	f.Add([]byte("\xFF"+sealedModbus("\x01\x83\x02")+string(profiles[1].Talk.Request)), uint8(3))
	f.Add([]byte("x\x01y\x01\x03\x01\x03\x02\x00\x01"), uint8(2))
	f.Fuzz(func(t *testing.T, stream []byte, size uint8) {
		for i, p := range profiles {
			checkModbus(t, p, stream, 1, int(size)+1)
			framer := p.NewFramer()
			framer.Feed(stream, noon)
			for frame, ok := framer.Next(); ok; frame, ok = framer.Next() {
				if frame.Err != nil {
					continue
				}
				n := len(frame.Raw) - 2
				require.Equal(t, 3+2*modbusKinds[i][1], n)
				check := sum(frame.Raw[:n])
				slices.Reverse(check)
				require.Equal(t, check, frame.Raw[n:])
				require.True(t, bytes.Equal(frame.Raw[3:n], frame.Body))
			}
		}
	})
}
