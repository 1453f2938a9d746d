package samples

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"sync"

	"github.com/klauspost/compress/fse"
)

// How the differences of a channel are written: the low three bits of its first
// byte say how, the fourth that they are second differences, the fifth that some
// of them are too far from the others to have a symbol.
const (
	constant = 0 // all of them are the base
	packed   = 1 // base and so many bits each
	entropy  = 2 // symbols, entropy-coded, and so many low bits each
	graded   = 3 // symbols of ever wider steps on both sides of the base, and the low bits that each leaves
	sparse   = 4 // all but a few are the base

	codings      = 0x07
	secondFlag   = 0x08
	outliersFlag = 0x10
	methodFlags  = codings | secondFlag | outliersFlag
)

// A difference has a symbol if it lies within window·2^shift of their mean.
const (
	window     = 64
	maxSymbols = 2 * window
	maxShift   = 40
	// Of few differences, tables are dear, so that more ways to write them are
	// looked at; of very few, estimates are rough too, so that so many are tried.
	fewDifferences     = 1500
	veryFewDifferences = 400
	manyTries          = 2
	// outlier is the symbol of a difference that is written in full, where there
	// are any; the others then count from 1.
	outlier = 0
)

// A coder is the space that coding needs.
type coder struct {
	fse         fse.Scratch
	differences [2][]int64
	symbols     []byte
	plans       []plan
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
	second   bool  // it is of second differences
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
	data = append(data, 0) // the method
	at := len(data) - 1
	data = binary.AppendUvarint(data, zigzag(values[0]))
	if len(first) == 0 {
		return data
	}
	c.plans = planFor(c.plans[:0], first)
	firsts := len(c.plans)
	if len(second) > 0 {
		c.plans = planFor(c.plans, second)
		for i := range c.plans[firsts:] {
			c.plans[firsts+i].second = true
			c.plans[firsts+i].cost += costOfSecond
		}
	}
	slices.SortStableFunc(c.plans, func(a, b plan) int { return cmp.Compare(a.cost, b.cost) })
	tries := 1
	if len(first) <= veryFewDifferences {
		tries = min(manyTries, len(c.plans))
	}
	start := len(data)
	for i, p := range c.plans[:tries] {
		before, method := len(data), byte(0)
		if p.second {
			method = secondFlag
			data = binary.AppendUvarint(data, zigzag(first[0]))
			data, p = c.appendDifferences(data, second, p)
		} else {
			data, p = c.appendDifferences(data, first, p)
		}
		method |= byte(p.coding)
		if p.outliers {
			method |= outliersFlag
		}
		// Each try stands behind the best so far, and takes its place if it is shorter.
		if size := len(data) - before; i == 0 || size < before-start {
			data = append(data[:start], data[before:]...)
			data[at] = method
		} else {
			data = data[:before]
		}
	}
	return data
}

// appendDifferences adds differences by a plan, and gives the one that it took: a
// stream may turn out not to be worth it.
func (c *coder) appendDifferences(data []byte, differences []int64, p plan) ([]byte, plan) {
	var stream []byte
	if p.coding == entropy || p.coding == graded {
		var err error
		if stream, err = c.entropyCode(differences, p); err != nil {
			p = packedPlan(differences) // too few of them, or too even
		}
	}
	data = binary.AppendUvarint(data, zigzag(p.base))
	switch p.coding {
	case packed:
		w := bitWriter{data: append(data, byte(p.shift))}
		for _, d := range differences {
			w.add(uint64(d-p.base), p.shift)
		}
		data = w.flush()
	case graded:
		data = binary.AppendUvarint(data, uint64(len(stream)))
		w := bitWriter{data: append(data, stream...)}
		for _, d := range differences {
			symbol, low := grade(d - p.base)
			w.add(low, lowBits(symbol))
		}
		data = w.flush()
	case sparse:
		data = binary.AppendUvarint(data, uint64(p.symbols))
		last := 0
		for i, d := range differences {
			if d != p.base {
				data = binary.AppendUvarint(data, uint64(i-last))
				data = binary.AppendUvarint(data, zigzag(d-p.base))
				last = i
			}
		}
	case entropy:
		data = append(data, byte(p.shift))
		data = binary.AppendUvarint(data, uint64(len(stream)))
		data = append(data, stream...)
		data = appendRest(data, differences, p)
	}
	return data, p
}

// grade gives the symbol of a distance from the base, and the low bits that it
// leaves. Two steps go to each doubling: 0, ±1, ±2, ±3, ±4 to 5, ±6 to 7, ±8 to 11 …
func grade(d int64) (symbol byte, low uint64) {
	if d == 0 {
		return 0, 0
	}
	m, sign := uint64(d), 0
	if d < 0 {
		m, sign = -m, 1
	}
	step, bit := 0, bits.Len64(m)-1
	if bit > 0 {
		step = 2*bit - 1 + int(m>>(bit-1)&1)
	}
	symbol = byte(1 + 2*step + sign)
	return symbol, m & (1<<lowBits(symbol) - 1)
}

// lowBits is how many bits a symbol of grade leaves.
func lowBits(symbol byte) int { return max(0, (int(symbol)-3)/4) }

// ungrade undoes grade.
func ungrade(symbol byte, low uint64) int64 {
	if symbol == 0 {
		return 0
	}
	step := int(symbol-1) / 2
	m := uint64(1)
	if step > 0 {
		bit := (step + 1) / 2
		m = 1<<bit | uint64((step+1)&1)<<(bit-1)
	}
	m |= low
	if (symbol-1)&1 == 1 {
		m = -m
	}
	return int64(m)
}

// entropyCode gives the stream of the symbols.
func (c *coder) entropyCode(differences []int64, p plan) ([]byte, error) {
	symbols := c.symbols[:len(differences)]
	if p.coding == graded {
		for i, d := range differences {
			symbols[i], _ = grade(d - p.base)
		}
		return fse.Compress(symbols, &c.fse)
	}
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

// planFor adds ways to write differences: the cheapest, or for few of them,
// several.
func planFor(plans []plan, differences []int64) []plan {
	best := packedPlan(differences)
	n := len(differences)
	if n < 8 || best.coding == constant {
		return append(plans, best)
	}
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
		return append(plans, best)
	}
	var count [maxSymbols]int
	base, inside := mean-window<<shift, 0
	for _, d := range differences {
		if s := uint64(d-base) >> shift; s < maxSymbols {
			count[s]++
			inside++
		}
	}
	few := n <= fewDifferences
	if few {
		peak := 0
		for i, k := range count {
			if k > count[peak] {
				peak = i
			}
		}
		middle := base + int64(peak)<<shift + (1<<shift)/2
		plans = append(plans, best, gradedPlan(differences, middle), sparsePlan(differences, middle))
	}
	for symbols := maxSymbols; symbols > 1 && shift <= maxShift; symbols, shift = symbols/2, shift+1 {
		p := entropyPlan(count[:symbols], n, inside)
		p.shift, p.base = shift, base+p.base<<shift
		p.cost += float64(inside * shift)
		if few {
			plans = append(plans, p)
		} else if p.cost < best.cost {
			best = p
		}
		for i := range symbols / 2 {
			count[i] = count[2*i] + count[2*i+1]
		}
	}
	if !few {
		plans = append(plans, best)
	}
	return plans
}

// packedPlan writes each difference with as many bits as the widest needs.
func packedPlan(differences []int64) plan {
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

// gradedPlan estimates what differences cost in ever wider steps. It makes up for a
// coarser picture of them by a shorter table, where they are few.
func gradedPlan(differences []int64, base int64) plan {
	var count [256]int
	low := 0
	for _, d := range differences {
		symbol, _ := grade(d - base)
		count[symbol]++
		low += lowBits(symbol)
	}
	p := entropyPlan(count[:], len(differences), len(differences))
	p.coding, p.base = graded, base
	p.cost += float64(low)
	return p
}

// sparsePlan counts what the differences cost that are not the base.
func sparsePlan(differences []int64, base int64) plan {
	p := plan{coding: sparse, base: base, cost: 8}
	for _, d := range differences {
		if d != base {
			p.symbols++
			p.cost += 8 + float64((bits.Len64(zigzag(d-base))+6)/7*8)
		}
	}
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
	if method&^methodFlags != 0 || coding > sparse || differences < 0 || coding != entropy && method&outliersFlag != 0 ||
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
	switch coding {
	case sparse:
		for i := range list {
			list[i] = base
		}
		at := uint64(0)
		for range min(r.uvarint(), uint64(len(list))) {
			at += min(r.uvarint(), uint64(len(list)))
			if at >= uint64(len(list)) {
				r.fail(errors.New("a difference behind the last"))
				return
			}
			list[at] = base + unzigzag(r.uvarint())
		}
		return
	case graded:
		symbols := c.readStream(r, len(list))
		size := 0
		for _, s := range symbols {
			size += lowBits(s)
		}
		b := bitReader{data: r.bytes((size + 7) / 8)}
		if r.err != nil {
			return
		}
		for i, s := range symbols {
			list[i] = base + ungrade(s, b.take(lowBits(s)))
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
	symbols := c.readStream(r, len(list))
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

// readStream gives the symbols of a stream, as many as it must have. They stand
// only until the next stream is read.
func (c *coder) readStream(r *reader, count int) []byte {
	length := r.uvarint()
	if length > uint64(len(r.data)) {
		r.fail(errCut)
	}
	stream := r.bytes(int(length))
	if r.err != nil {
		return nil
	}
	c.fse.DecompressLimit = count + 1
	symbols, err := fse.Decompress(stream, &c.fse)
	if err != nil || len(symbols) != count {
		r.fail(errors.New("a stream that does not have the symbols of a channel"))
		return nil
	}
	return symbols
}
