package samples

import (
	"encoding/binary"
	"errors"
)

var errCut = errors.New("it is cut off")

// A reader takes a block apart. After an error it gives zeros.
type reader struct {
	data []byte
	err  error
}

func (r *reader) fail(err error) {
	if r.err == nil {
		r.err = err
	}
	r.data = nil
}

func (r *reader) bytes(n int) []byte {
	if r.err == nil && n > len(r.data) {
		r.fail(errCut)
	}
	if r.err != nil {
		return nil
	}
	part := r.data[:n]
	r.data = r.data[n:]
	return part
}

func (r *reader) byte() byte {
	if part := r.bytes(1); r.err == nil {
		return part[0]
	}
	return 0
}

func (r *reader) uvarint() uint64 {
	if r.err != nil {
		return 0
	}
	v, n := binary.Uvarint(r.data)
	if n <= 0 {
		r.fail(errCut)
		return 0
	}
	r.data = r.data[n:]
	return v
}

// A bitWriter adds numbers of a few bits each, low bits first.
type bitWriter struct {
	data  []byte
	word  uint64
	count int // bits in word; less than 64
}

// add adds the low n bits of v, of at most 64.
func (w *bitWriter) add(v uint64, n int) {
	v &= 1<<n - 1
	w.word |= v << w.count
	if w.count += n; w.count >= 64 {
		w.data = binary.LittleEndian.AppendUint64(w.data, w.word)
		w.count -= 64
		w.word = v >> (n - w.count)
	}
}

// flush gives all bytes, the last filled up with zeros.
func (w *bitWriter) flush() []byte {
	for ; w.count > 0; w.count -= 8 {
		w.data = append(w.data, byte(w.word))
		w.word >>= 8
	}
	return w.data
}

// A bitReader takes what a bitWriter wrote. Behind its end it gives zeros.
type bitReader struct {
	data  []byte
	word  uint64
	count int // bits in word
}

// take gives the next n bits, of at most 64.
func (r *bitReader) take(n int) uint64 {
	if n <= r.count {
		v := r.word & (1<<n - 1)
		r.word >>= n
		r.count -= n
		return v
	}
	v, have := r.word, r.count
	r.fill()
	v |= r.word << have
	n2 := n - have
	if n2 == 64 {
		r.word = 0
	} else {
		r.word >>= n2
	}
	r.count -= n2
	return v & (1<<n - 1)
}

// fill takes the next word.
func (r *bitReader) fill() {
	if len(r.data) >= 8 {
		r.word, r.count, r.data = binary.LittleEndian.Uint64(r.data), 64, r.data[8:]
		return
	}
	var last [8]byte
	copy(last[:], r.data)
	r.word, r.count, r.data = binary.LittleEndian.Uint64(last[:]), 64, nil
}
