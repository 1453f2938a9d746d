package learn

import (
	"encoding/binary"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/profile"
)

// binaryStyles write a value in hundredths as bytes.
var binaryStyles = map[string]func(v int64) []byte{
	"16 bits, high byte first": func(v int64) []byte { return binary.BigEndian.AppendUint16(nil, uint16(v)) },
	"16 bits, low byte first":  func(v int64) []byte { return binary.LittleEndian.AppendUint16(nil, uint16(v)) },
	"32 bits, low byte first":  func(v int64) []byte { return binary.LittleEndian.AppendUint32(nil, uint32(v)) },
	"32 bits, words swapped": func(v int64) []byte {
		b := binary.BigEndian.AppendUint32(nil, uint32(v))
		return []byte{b[2], b[3], b[0], b[1]}
	},
	"float": func(v int64) []byte {
		return binary.LittleEndian.AppendUint32(nil, math.Float32bits(float32(float64(v)/100)))
	},
	"sign and magnitude": func(v int64) []byte {
		u := uint16(v)
		if v < 0 {
			u = 0x8000 | uint16(-v)
		}
		return binary.BigEndian.AppendUint16(nil, u)
	},
}

// Binary frames are learnt from five pulls of which some are negative: what is
// read of fresh frames is right, or is not read as ordinary, and nothing is
// called certain.
func TestLearnsBinaryFrames(t *testing.T) {
	const each = 30
	for _, name := range slices.Sorted(maps.Keys(binaryStyles)) {
		right, write := 0, binaryStyles[name]
		for n := range uint64(each) {
			r := rand.New(rand.NewPCG(7, n))
			start, checked, stream := []byte{0xAA, 0x55}[:1+r.IntN(2)], r.IntN(2) == 0, r.IntN(2) == 0
			frame := func(v int64) []byte {
				b := append([]byte{}, start...)
				b = append(append(append(b, 0x01), write(v)...), 0x00)
				if checked {
					b = binary.LittleEndian.AppendUint16(b, profileCRC(b))
				}
				return b
			}
			var heard []Heard
			at := time.Duration(0)
			for k := range 5 {
				v := int64(500 + r.IntN(30000))
				if k%2 == 1 {
					v = -v
				}
				h := Heard{Line: device.DefaultSettings(), Shown: []string{quantity.New(decimal.New(v, -2), quantity.NewtonMetre).String()}}
				for j := range 1 + 9*boolInt(stream) {
					h.Chunks = append(h.Chunks, Chunk{at, frame(v * int64(j+1) / int64(1+9*boolInt(stream)))})
					at += 100 * time.Millisecond
				}
				at += 5 * time.Second
				heard = append(heard, h)
			}
			result := Learn(heard, Options{})
			require.NotEqual(t, Certain, result.Of(Number).Sure, name)
			if !result.Reproduced() {
				continue
			}
			p, err := profile.Parse("learnt", []byte(result.Profile))
			require.NoError(t, err)
			reader := p.NewReader()
			good, asked := 0, 0
			for _, v := range []int64{1, -1, 30, -30, 2500, -2500, 31000, -31000} {
				at += 5 * time.Second
				asked++
				reader.Feed(frame(v), moment(at))
				reader.Elapse(moment(at + 4*time.Second))
				for o, ok := reader.Next(); ok; o, ok = reader.Next() {
					good += boolInt(o.Err == nil && len(o.Sample.Status) == 0 && o.Sample.Value.Value.Equal(decimal.New(v, -2)) && o.Sample.Value.Unit == quantity.NewtonMetre)
				}
			}
			right += boolInt(good == asked)
		}
		t.Logf("%-26s wholly right: %d of %d", name, right, each)
		require.GreaterOrEqual(t, right, each*8/10, name)
	}
}

// profileCRC is the sum of Modbus RTU.
func profileCRC(data []byte) uint16 {
	c, _ := profile.CRCNamed("modbus")
	return c.Sum(data)
}
