package samples

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"sync"

	"github.com/klauspost/compress/fse"
)

// How the differences of a channel are written: the low two bits of its first
// byte say how, the third that they are second differences, the fourth that some
// of them are too far from the others to have a symbol.
const (
	constant = 0 // all of them are the base
	packed   = 1 // base and so many bits each
	entropy  = 2 // symbols, entropy-coded, and so many low bits each

	codings      = 0x03
	secondFlag   = 0x04
	outliersFlag = 0x08
	methodFlags  = codings | secondFlag | outliersFlag
)

// A difference has a symbol if it lies within window·2^shift of their mean.
const (
	window     = 64
	maxSymbols = 2 * window
	maxShift   = 40
	// outlier is the symbol of a difference that is written in full, where there
	// are any; the others then count from 1.
	outlier = 0
)

// A coder is the space that coding needs.
type coder struct {
	fse         fse.Scratch
	differences [2][]int64
	symbols     []byte
}

func newCoder() *coder {
	c := &coder{symbols: make([]byte, 0, MaxSamples)}
	for i := range c.differences {
		c.differences[i] = make([]int64, 0, MaxSamples)
	}
	return c
}

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// A plan is how the differences of a channel will be written, and what that will
// cost, about, in bits.
type plan struct {
	coding   int
	base     int64 // the least difference that has a symbol
	shift    int   // low bits of each that are written beside its symbol
	symbols  int   // how many, without that of outliers
	outliers bool
	cost     float64
}

// appendChannel adds the values of a channel. Differences are taken modulo 2^64,
// so that there are no values that cannot be stored.
func (c *coder) appendChannel(data []byte, values []int64) []byte {
	first, second := c.differences[0][:len(values)-1], c.differences[1][:max(0, len(values)-2)]
	for i := range first {
		first[i] = values[i+1] - values[i]
	}
	for i := range second {
		second[i] = first[i+1] - first[i]
	}
	p, differences, method := plan{}, first, byte(0)
	if len(first) > 0 {
		p = planFor(first)
		if q := planFor(second); len(second) > 0 && q.cost+costOfSecond < p.cost {
			p, differences, method = q, second, secondFlag
		}
	}
	var stream []byte
	if p.coding == entropy {
		var err error
		if stream, err = c.entropyCode(differences, p); err != nil {
			p = packedPlan(differences) // too few of them, or too even
		}
	}
	method |= byte(p.coding)
	if p.outliers {
		method |= outliersFlag
	}
	data = append(data, method)
	data = binary.AppendUvarint(data, zigzag(values[0]))
	if method&secondFlag != 0 {
		data = binary.AppendUvarint(data, zigzag(first[0]))
	}
	if len(differences) == 0 {
		return data
	}
	data = binary.AppendUvarint(data, zigzag(p.base))
	switch p.coding {
	case packed:
		data = append(data, byte(p.shift))
		w := bitWriter{data: data}
		for _, d := range differences {
			w.add(uint64(d-p.base), p.shift)
		}
		data = w.flush()
	case entropy:
		data = append(data, byte(p.shift))
		data = binary.AppendUvarint(data, uint64(len(stream)))
		data = append(data, stream...)
		data = appendRest(data, differences, p)
	}
	return data
}

// entropyCode gives the stream of the symbols.
func (c *coder) entropyCode(differences []int64, p plan) ([]byte, error) {
	symbols := c.symbols[:len(differences)]
	first := byte(0)
	if p.outliers {
		first = outlier + 1
	}
	for i, d := range differences {
		if s := uint64(d-p.base) >> p.shift; s < uint64(p.symbols) {
			symbols[i] = first + byte(s)
		} else {
			symbols[i] = outlier
		}
	}
	return fse.Compress(symbols, &c.fse)
}

// appendRest adds what stands beside the symbols: the low bits, then the outliers.
func appendRest(data []byte, differences []int64, p plan) []byte {
	limit := uint64(p.symbols) << p.shift
	if p.shift > 0 {
		w := bitWriter{data: data}
		for _, d := range differences {
			if u := uint64(d - p.base); u < limit {
				w.add(u, p.shift)
			}
		}
		data = w.flush()
	}
	if p.outliers {
		for _, d := range differences {
			if uint64(d-p.base) >= limit {
				data = binary.AppendUvarint(data, zigzag(d))
			}
		}
	}
	return data
}

// planFor finds the cheapest way to write differences.
func planFor(differences []int64) plan {
	best := packedPlan(differences)
	if len(differences) < 8 || best.coding == constant {
		return best
	}
	n := len(differences)
	var sum int64
	for _, d := range differences {
		sum += d
	}
	mean := sum / int64(n)

	// The window is the least that leaves few of them out.
	var lengths [65]int
	for _, d := range differences {
		lengths[bits.Len64(zigzag(d-mean))]++
	}
	out, length := 0, len(lengths)-1
	for ; length > 0 && out+lengths[length] <= n/64; length-- {
		out += lengths[length]
	}
	shift := max(0, length-bits.Len(maxSymbols-1))
	if shift > maxShift {
		return best
	}
	var count [maxSymbols]int
	base, inside := mean-window<<shift, 0
	for _, d := range differences {
		if s := uint64(d-base) >> shift; s < maxSymbols {
			count[s]++
			inside++
		}
	}
	for symbols := maxSymbols; symbols > 1 && shift <= maxShift; symbols, shift = symbols/2, shift+1 {
		p := entropyPlan(count[:symbols], n, inside)
		p.base += base
		if p.shift = shift; p.shift > 0 {
			p.base = base + (p.base-base)<<shift
		}
		p.cost += float64(inside * shift)
		if p.cost < best.cost {
			best = p
		}
		for i := range symbols / 2 {
			count[i] = count[2*i] + count[2*i+1]
		}
	}
	return best
}

// packedPlan writes each difference with as many bits as the widest needs.
func packedPlan(differences []int64) plan {
	if len(differences) == 0 {
		return plan{cost: math.Inf(1)}
	}
	least, most := differences[0], differences[0]
	for _, d := range differences {
		least, most = min(least, d), max(most, d)
	}
	p := plan{coding: packed, base: least, shift: bits.Len64(uint64(most - least))}
	if p.shift == 0 {
		p.coding = constant
	}
	p.cost = float64(p.shift * len(differences))
	return p
}

// What a stream costs beside its symbols, about, in bits: for each symbol of its
// table that is there, for each that is not, and in all.
const (
	costOfSymbol  = 4.5
	costOfGap     = 0.8
	costOfStream  = 28
	costOfOutlier = 16
	costOfSecond  = 8 // the first difference, where second ones are written
)

// entropyPlan estimates the entropy-coded size of n differences, of which these
// counts are inside. Its base is the number of the first that is not 0.
func entropyPlan(count []int, n, inside int) plan {
	first, last := 0, len(count)-1
	for first < last && count[first] == 0 {
		first++
	}
	for last > first && count[last] == 0 {
		last--
	}
	table := timesLog2()
	out := n - inside
	used, sum := 0, table[out]
	for _, k := range count[first : last+1] {
		if k > 0 {
			used++
			sum += table[k]
		}
	}
	p := plan{coding: entropy, base: int64(first), symbols: last - first + 1, outliers: out > 0}
	p.cost = table[n] - sum + costOfStream + float64(used)*costOfSymbol +
		float64(p.symbols-used)*costOfGap + float64(out)*costOfOutlier
	return p
}

// timesLog2 is a table of k·log2(k).
var timesLog2 = sync.OnceValue(func() *[MaxSamples + 1]float64 {
	var table [MaxSamples + 1]float64
	for k := 2; k < len(table); k++ {
		table[k] = float64(k) * math.Log2(float64(k))
	}
	return &table
})

// readChannel reads so many values of a channel. An error is left in r.
func (c *coder) readChannel(r *reader, count int) []int64 {
	method := r.byte()
	coding, second := int(method&codings), method&secondFlag != 0
	differences := count - 1
	if second {
		differences--
	}
	if method&^methodFlags != 0 || coding > entropy || differences < 0 || coding != entropy && method&outliersFlag != 0 ||
		coding != constant && differences == 0 {
		r.fail(fmt.Errorf("a channel of method %#x", method))
	}
	head := [2]int64{0: unzigzag(r.uvarint())}
	if second {
		head[1] = unzigzag(r.uvarint())
	}
	if r.err != nil {
		return nil
	}
	values := make([]int64, count)
	list := values[count-differences:]
	if differences > 0 {
		c.readDifferences(r, list, coding, method&outliersFlag != 0)
	}
	if r.err != nil {
		return nil
	}
	values[0] = head[0]
	v := head[0]
	if second {
		slope := head[1]
		v += slope
		values[1] = v
		for i, d := range list {
			slope += d
			v += slope
			list[i] = v
		}
		return values
	}
	for i, d := range list {
		v += d
		list[i] = v
	}
	return values
}

func (c *coder) readDifferences(r *reader, list []int64, coding int, outliers bool) {
	base := unzigzag(r.uvarint())
	if coding == constant {
		for i := range list {
			list[i] = base
		}
		return
	}
	shift := int(r.byte())
	if coding == packed {
		if shift == 0 || shift > 64 {
			r.fail(fmt.Errorf("%d bits a difference", shift))
			return
		}
		b := bitReader{data: r.bytes((shift*len(list) + 7) / 8)}
		if r.err != nil {
			return
		}
		for i := range list {
			list[i] = base + int64(b.take(shift))
		}
		return
	}
	if shift > maxShift {
		r.fail(fmt.Errorf("%d low bits a difference", shift))
		return
	}
	length := r.uvarint()
	if length > uint64(len(r.data)) {
		r.fail(errCut)
	}
	stream := r.bytes(int(length))
	if r.err != nil {
		return
	}
	c.fse.DecompressLimit = len(list) + 1
	symbols, err := fse.Decompress(stream, &c.fse)
	if err != nil || len(symbols) != len(list) {
		r.fail(errors.New("a stream that does not have the symbols of a channel"))
		return
	}
	first, inside := byte(0), len(symbols)
	if outliers {
		first = outlier + 1
		for _, s := range symbols {
			if s == outlier {
				inside--
			}
		}
	}
	b := bitReader{data: r.bytes((shift*inside + 7) / 8)}
	if r.err != nil {
		return
	}
	for i, s := range symbols {
		switch {
		case s < first:
			list[i] = unzigzag(r.uvarint())
		case shift == 0:
			list[i] = base + int64(s-first)
		default:
			list[i] = base + int64(uint64(s-first)<<shift|b.take(shift))
		}
	}
}
