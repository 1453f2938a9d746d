package samples

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// small is a pull of a few samples.
func small() *trace.Trace {
	return &trace.Trace{
		Tick: time.Millisecond, Times: []int64{0, 20, 40, 61},
		Torque: trace.Series{Unit: quantity.NewtonMetre, Exponent: -1, Values: []int64{0, 125, 250, 372}},
		Angle:  trace.Series{Unit: quantity.Degree, Exponent: 0, Values: []int64{0, 0, 0, 0}},
	}
}

// requireBack makes sure that a trace comes back from its bytes exactly, and
// that what follows them is left.
func requireBack(t interface {
	Fatal(...any)
	Fatalf(string, ...any)
}, pull *trace.Trace) []byte {
	data, err := Encode(pull)
	if err != nil {
		t.Fatal(err)
	}
	got, rest, err := Decode(append(slices.Clone(data), "rest"...))
	if err != nil {
		t.Fatalf("%x: %v", data, err)
	}
	if string(rest) != "rest" {
		t.Fatalf("%q is left", rest)
	}
	if !same(pull, got) {
		t.Fatalf("%+v came back as %+v", pull, got)
	}
	return data
}

func same(a, b *trace.Trace) bool {
	return a.Tick == b.Tick && slices.Equal(a.Times, b.Times) && sameSeries(a.Torque, b.Torque) && sameSeries(a.Angle, b.Angle)
}

func sameSeries(a, b trace.Series) bool {
	return a.Unit == b.Unit && a.Exponent == b.Exponent && slices.Equal(a.Values, b.Values)
}

// The layout byte by byte: as log/FORMAT.md tells it, written down by hand.
func TestLayout(t *testing.T) {
	data := requireBack(t, small())
	require.Equal(t, "01"+ // version
		"04"+"c0843d"+ // samples; tick of 1 000 000 ns
		"01ff"+"0800"+ // N·m, exponent -1; degrees, exponent 0
		"01"+"00"+"28"+"01"+"04"+ // packed; 0, base 20, one bit each: 0 0 1
		"01"+"00"+"f401"+"02"+"0f"+ // packed; 0, base 122, two bits each: 3 3 0
		"00"+"00"+"00", // constant; 0, base 0
		hex.EncodeToString(data[:len(data)-checksumSize]))
	require.Equal(t, crc32.Checksum(data[:len(data)-checksumSize], crc32.MakeTable(crc32.Castagnoli)), binary.LittleEndian.Uint32(data[len(data)-checksumSize:]))
}

func TestWhatCannotBeStored(t *testing.T) {
	for name, change := range map[string]func(*trace.Trace){
		"no samples": func(p *trace.Trace) { p.Times, p.Torque.Values, p.Angle.Values = nil, nil, nil },
		"too many": func(p *trace.Trace) {
			p.Times = make([]int64, MaxSamples+1)
			p.Torque.Values = p.Times
			p.Angle.Values = nil
		},
		"times that fall":   func(p *trace.Trace) { p.Times[3] = 1 },
		"no tick":           func(p *trace.Trace) { p.Tick = 0 },
		"no unit":           func(p *trace.Trace) { p.Torque.Unit = quantity.NoUnit },
		"an angle of N·m":   func(p *trace.Trace) { p.Angle.Unit = quantity.NewtonMetre },
		"a huge exponent":   func(p *trace.Trace) { p.Torque.Exponent = 100 },
		"channels disagree": func(p *trace.Trace) { p.Angle.Values = p.Angle.Values[:2] },
	} {
		t.Run(name, func(t *testing.T) {
			p := small()
			change(p)
			_, err := Encode(p)
			require.ErrorIs(t, err, ErrUnfit)
		})
	}
}

// sealed gives bytes the checksum of a block.
func sealed(data []byte) []byte {
	return binary.LittleEndian.AppendUint32(data, crc32.Checksum(data, castagnoli))
}

func TestStrictness(t *testing.T) {
	whole := requireBack(t, small())
	body := hex.EncodeToString(whole[:len(whole)-checksumSize])
	for name, c := range map[string]struct {
		old, new string
		is       error
	}{
		"nothing":            {body, "", ErrMalformed},
		"version 0":          {"0104c0", "0004c0", ErrMalformed},
		"a newer version":    {"0104c0", "0204c0", ErrNewer},
		"no samples":         {"0104c0", "0100c0", ErrMalformed},
		"a million samples":  {"0104c0", "01c0843dc0", ErrMalformed},
		"another count":      {"0104c0", "0140c0", ErrMalformed},
		"no tick":            {"c0843d", "00", ErrMalformed},
		"a negative tick":    {"c0843d", "80808080808080808001", ErrMalformed},
		"an unknown unit":    {"01ff0800", "63ff0800", ErrNewer},
		"another dimension":  {"01ff0800", "0aff0800", ErrMalformed},
		"an exponent":        {"01ff0800", "01800800", ErrMalformed},
		"another method":     {"0100280104", "2100280104", ErrMalformed},
		"an unknown coding":  {"0100280104", "0500280104", ErrMalformed},
		"outliers of none":   {"0100280104", "1100280104", ErrMalformed},
		"no bits":            {"0100280104", "0100280004", ErrMalformed},
		"65 bits":            {"0100280104", "0100284104", ErrMalformed},
		"times that fall":    {"0100280104", "0100270104", ErrMalformed},
		"a negative time":    {"0100280104", "0101280104", ErrMalformed},
		"an endless stream":  {"0100280104", "02002800ffffffffffffffffff01", ErrMalformed},
		"an empty stream":    {"0100280104", "0200280000", ErrMalformed},
		"many low bits":      {"0100280104", "02002829", ErrMalformed},
		"an endless number":  {"0100280104", "01ffffffffffffffffffff01", ErrMalformed},
		"one behind the end": {"0100280104", "040028010302", ErrMalformed},
		"a far one":          {"0100280104", "04002801ffffffffffffffffff0102", ErrMalformed},
		"an empty graded":    {"0100280104", "03002800", ErrMalformed},
		"second of one":      {body, "01010101ff0008000000", ErrMalformed},
		"packed, but of one": {body, "01010101ff0001000000", ErrMalformed},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, body, c.old)
			data, err := hex.DecodeString(string(bytes.Replace([]byte(body), []byte(c.old), []byte(c.new), 1)))
			require.NoError(t, err)
			_, _, err = Decode(sealed(data))
			require.ErrorIs(t, err, c.is)
		})
	}
	// Whatever is cut off or changed, the block is not taken for whole.
	for i := range whole {
		_, _, err := Decode(whole[:i])
		require.Error(t, err)
		for bit := range 8 {
			changed := slices.Clone(whole)
			changed[i] ^= 1 << bit
			_, _, err := Decode(changed)
			require.Error(t, err, "byte %d, bit %d", i, bit)
		}
	}
}

// Any samples come back, however strange: of every width, with outliers, with
// values at the ends of what 64 bits hold.
func TestAnyTrace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.OneOf(rapid.IntRange(1, 12), rapid.IntRange(1, MaxSamples)).Draw(t, "samples")
		p := &trace.Trace{Tick: time.Duration(rapid.Int64Range(1, math.MaxInt64).Draw(t, "tick")), Times: make([]int64, n)}
		p.Torque = trace.Series{Unit: quantity.PoundForceInch, Exponent: rapid.Int32Range(-18, 18).Draw(t, "exponent"), Values: anyValues(t, n)}
		if rapid.Bool().Draw(t, "angle") {
			p.Angle = trace.Series{Unit: quantity.Turn, Exponent: rapid.Int32Range(-18, 18).Draw(t, "exponent"), Values: anyValues(t, n)}
		}
		step := rapid.Uint64Range(1, uint64(math.MaxInt64)/uint64(n)).Draw(t, "step")
		random := anySeed(t)
		for i := 1; i < n; i++ {
			p.Times[i] = p.Times[i-1] + int64(random()%step)
		}
		requireBack(t, p)
	})
}

// anySeed gives a source of numbers: drawing each of them by itself would take
// rapid too long.
func anySeed(t *rapid.T) func() uint64 {
	state := rapid.Uint64().Draw(t, "seed")
	return func() uint64 { // splitmix64
		state += 0x9e3779b97f4a7c15
		z := state
		z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		return z ^ z>>31
	}
}

func anyValues(t *rapid.T, n int) []int64 {
	random := anySeed(t)
	width := rapid.IntRange(0, 64).Draw(t, "width")
	wild := rapid.Uint64Range(1, 200).Draw(t, "one in") // differences that are of any size
	slope := rapid.Int64().Draw(t, "slope") >> rapid.IntRange(0, 63).Draw(t, "by")
	values := make([]int64, n)
	var at int64
	for i := range values {
		d := int64(random()&(1<<width-1)) + int64(random()&(1<<width-1))
		if random()%wild == 0 {
			d = int64(random())
		}
		at += slope + d
		values[i] = at
	}
	return values
}

// Every pull of every stream, whole and as far as it had come when it was saved
// in between.
func TestStreams(t *testing.T) {
	for i, s := range streams {
		for _, p := range s.pulls(3, uint64(i)) {
			for n := p.Len(); n > 0; n /= 3 {
				part := &trace.Trace{Tick: p.Tick, Times: p.Times[:n], Torque: p.Torque, Angle: p.Angle}
				part.Torque.Values = p.Torque.Values[:n]
				if p.HasAngle() {
					part.Angle.Values = p.Angle.Values[:n]
				}
				requireBack(t, part)
			}
		}
	}
}

// Whatever bytes are given, decoding neither panics nor takes much, and what it
// gives is a trace. The checksum is set right, or nothing would get past it.
func FuzzDecode(f *testing.F) {
	seed := func(p *trace.Trace) {
		data, err := Encode(p)
		require.NoError(f, err)
		f.Add(data[:len(data)-checksumSize])
	}
	seed(small())
	for i, s := range streams {
		p := s.pulls(1, uint64(i))[0]
		p.Times, p.Torque.Values = p.Times[:200], p.Torque.Values[:200]
		if p.HasAngle() {
			p.Angle.Values = p.Angle.Values[:200]
		}
		seed(p)
		p.Torque.Values[100] += 1 << 40
		seed(p)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, rest, err := Decode(sealed(data))
		if err != nil {
			require.Nil(t, p)
			return
		}
		require.Empty(t, rest)
		require.NoError(t, p.Check())
		require.LessOrEqual(t, p.Len(), MaxSamples)
		requireBack(t, p)
	})
}
