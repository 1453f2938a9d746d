package samples

import (
	"errors"
	"math"
	"math/bits"
	"testing"

	"github.com/klauspost/compress/fse"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A decoder of the streams in channels, written from the text of RFC 8878 and not
// from the library, so that a book does not depend on the library to be read.

// forwards reads bits from the low end of the first byte on.
type forwards struct {
	data []byte
	at   int
}

func (r *forwards) peek(n int) (v int) {
	for i := range n {
		if at := r.at + i; at < 8*len(r.data) {
			v |= int(r.data[at/8]>>(at%8)&1) << i
		}
	}
	return v
}

func (r *forwards) take(n int) int {
	v := r.peek(n)
	r.at += n
	return v
}

// probabilities reads the table description of section 4.1.1: -1 is "less than 1".
func probabilities(r *forwards) (accuracy int, list []int) {
	accuracy = 5 + r.take(4)
	for left := 1 << accuracy; left > 0; {
		// A value of 0 to left+1, in one bit less where that is enough to tell.
		width := bits.Len(uint(left + 1))
		short := 1<<width - 1 - (left + 1)
		value := r.peek(width - 1)
		if value < short {
			r.at += width - 1
		} else {
			if value = r.take(width); value >= 1<<(width-1) {
				value -= short
			}
		}
		p := value - 1
		list = append(list, p)
		left -= max(p, -p)
		for again := p == 0; again; {
			zeros := r.take(2)
			list = append(list, make([]int, zeros)...)
			again = zeros == 3
		}
	}
	return accuracy, list
}

// A cell is one state of the decoding table.
type cell struct{ symbol, width, baseline int }

func decodingTable(accuracy int, list []int) []cell {
	size := 1 << accuracy
	table, next := make([]cell, size), make([]int, len(list))
	high := size - 1
	for symbol, p := range list {
		next[symbol] = p
		if p == -1 {
			table[high].symbol, next[symbol] = symbol, 1
			high--
		}
	}
	position := 0
	for symbol, p := range list {
		for range max(0, p) {
			table[position].symbol = symbol
			for {
				position = (position + size>>1 + size>>3 + 3) & (size - 1)
				if position <= high {
					break
				}
			}
		}
	}
	for i := range table {
		c := &table[i]
		state := next[c.symbol]
		next[c.symbol]++
		c.width = accuracy - (bits.Len(uint(state)) - 1)
		c.baseline = state<<c.width - size
	}
	return table
}

// byRFC8878 gives the symbols of a stream: two states that take turns, on bits
// read from the end, until there are none left (section 4.2.1.2).
func byRFC8878(stream []byte) ([]byte, error) {
	r := &forwards{data: stream}
	accuracy, list := probabilities(r)
	table := decodingTable(accuracy, list)
	stream = stream[(r.at+7)/8:]
	if len(stream) == 0 || stream[len(stream)-1] == 0 {
		return nil, errors.New("no end mark")
	}
	left := 8*(len(stream)-1) + bits.Len8(stream[len(stream)-1]) - 1
	take := func(n int) (v int) {
		for range n {
			v <<= 1
			if left--; left >= 0 {
				v |= int(stream[left/8] >> (left % 8) & 1)
			}
		}
		return v
	}
	states := [2]int{take(accuracy), take(accuracy)}
	var symbols []byte
	for turn := 0; ; turn = 1 - turn {
		c := table[states[turn]]
		symbols = append(symbols, byte(c.symbol))
		states[turn] = c.baseline + take(c.width)
		if left < 0 {
			return append(symbols, byte(table[states[1-turn]].symbol)), nil
		}
	}
}

func TestStreamsAreThoseOfTheRFC(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		random := anySeed(t)
		symbols := make([]byte, rapid.IntRange(8, MaxSamples).Draw(t, "symbols"))
		kinds, skew := rapid.Uint64Range(2, 129).Draw(t, "kinds"), rapid.IntRange(0, 6).Draw(t, "skew")
		for i := range symbols {
			symbols[i] = byte(random() % kinds)
			for range skew {
				symbols[i] = min(symbols[i], byte(random()%kinds))
			}
		}
		var s fse.Scratch
		stream, err := fse.Compress(symbols, &s)
		if err != nil {
			t.Skip(err) // not worth coding
		}
		got, err := byRFC8878(stream)
		if err != nil || string(got) != string(symbols) {
			t.Fatalf("%x came back as %x (%v)", symbols, got, err)
		}
	})
}

// The coded channels of real blocks, taken apart by the text of log/FORMAT.md.
func TestBlockByFormat(t *testing.T) {
	coded := 0
	for i, s := range streams {
		pull := s.pulls(1, uint64(i))[0]
		for _, values := range channels(pull) {
			r := &reader{data: newCoder().appendChannel(nil, values)}
			method := r.byte()
			coding, second := method&codings, method&secondFlag != 0
			if coding != entropy && coding != graded {
				continue
			}
			r.uvarint()
			if second {
				r.uvarint()
			}
			r.uvarint()
			if coding == entropy {
				r.byte()
			}
			symbols, err := byRFC8878(r.bytes(int(r.uvarint())))
			require.NoError(t, err)
			want := len(values) - 1
			if second {
				want--
			}
			require.Len(t, symbols, want)
			coded++
		}
	}
	require.Greater(t, coded, 10)
}

// The steps of graded symbols as log/FORMAT.md lists them.
func TestGrades(t *testing.T) {
	for _, c := range []struct {
		distance int64
		symbol   byte
		low      uint64
		bits     int
	}{
		{0, 0, 0, 0}, {1, 1, 0, 0}, {-1, 2, 0, 0}, {2, 3, 0, 0}, {-2, 4, 0, 0}, {3, 5, 0, 0}, {-3, 6, 0, 0},
		{4, 7, 0, 1}, {5, 7, 1, 1}, {-5, 8, 1, 1}, {6, 9, 0, 1}, {-7, 10, 1, 1}, {8, 11, 0, 2}, {11, 11, 3, 2}, {12, 13, 0, 2}, {-15, 14, 3, 2},
		{1000, 37, 1000 - 768, 8}, {math.MaxInt64, 249, 1<<61 - 1, 61}, {math.MinInt64, 252, 0, 62},
	} {
		symbol, low := grade(c.distance)
		require.Equal(t, []any{c.symbol, c.low, c.bits}, []any{symbol, low, lowBits(symbol)}, "%d", c.distance)
		require.Equal(t, c.distance, ungrade(symbol, low))
	}
}
