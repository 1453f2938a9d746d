// Package samples turns the samples of a pull into the bytes that a book keeps,
// and back, exactly.
//
// A block holds up to [MaxSamples] of them: each channel (time, torque, angle) as
// its first or second differences, whichever take less, entropy-coded with a
// table of its own. A block says itself how long it is, in which version it was
// written, and by its checksum whether it is whole. The layout stands in
// log/FORMAT.md.
//
// The same samples can be written in more than one way, as the choices of the
// encoder are not part of the format. Blocks are therefore compared by what they
// decode to, and named by the hash of their bytes.
package samples

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"sync"
	"time"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// Version is the version of the layout that is written. It is a block's first
// byte.
const Version = 1

// MaxSamples is how many samples a block can have.
const MaxSamples = 4096

var (
	// ErrMalformed means that bytes are no block: damaged, or never one.
	ErrMalformed = errors.New("malformed samples")
	// ErrNewer means that a newer program wrote the block.
	ErrNewer = errors.New("samples written by a newer program")
	// ErrUnfit means that a trace cannot be stored as it is.
	ErrUnfit = errors.New("samples that cannot be stored")
)

const checksumSize = 4

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Encode gives the bytes of a block: those of a trace of 1 to MaxSamples samples.
// The error is ErrUnfit.
func Encode(t *trace.Trace) ([]byte, error) {
	if err := t.Check(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrUnfit, err)
	}
	if t.Len() == 0 || t.Len() > MaxSamples {
		return nil, fmt.Errorf("%w: %d samples in a block", ErrUnfit, t.Len())
	}
	c := coders.Get().(*coder)
	defer coders.Put(c)
	data := appendHead(make([]byte, 0, 64+2*t.Len()), t)
	for _, values := range channels(t) {
		data = c.appendChannel(data, values)
	}
	return binary.LittleEndian.AppendUint32(data, crc32.Checksum(data, castagnoli)), nil
}

// channels are the channels of a trace in the order in which they are stored.
func channels(t *trace.Trace) [][]int64 {
	list := [][]int64{t.Times, t.Torque.Values}
	if t.HasAngle() {
		list = append(list, t.Angle.Values)
	}
	return list
}

func appendHead(data []byte, t *trace.Trace) []byte {
	data = append(data, Version)
	data = binary.AppendUvarint(data, uint64(t.Len()))
	data = binary.AppendUvarint(data, uint64(t.Tick))
	data = append(data, byte(t.Torque.Unit), byte(int8(t.Torque.Exponent)))
	if !t.HasAngle() {
		return append(data, byte(quantity.NoUnit))
	}
	return append(data, byte(t.Angle.Unit), byte(int8(t.Angle.Exponent)))
}

// Decode reads the block that data starts with, and gives what follows it. The
// error is ErrMalformed or ErrNewer; only bytes whose hash is known to be right
// tell for sure which.
func Decode(data []byte) (t *trace.Trace, rest []byte, err error) {
	r := &reader{data: data}
	t = &trace.Trace{}
	err = r.block(t)
	if err == nil {
		sum := crc32.Checksum(data[:len(data)-len(r.data)], castagnoli)
		if stored := r.bytes(checksumSize); r.err == nil && binary.LittleEndian.Uint32(stored) != sum {
			r.err = errors.New("its checksum does not agree with it")
		}
		err = r.err
	}
	if err == nil {
		err = t.Check()
	}
	switch {
	case errors.Is(err, ErrNewer):
		return nil, nil, err
	case err != nil:
		return nil, nil, fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	return t, r.data, nil
}

// block reads all of a block but its checksum.
func (r *reader) block(t *trace.Trace) error {
	if version := r.byte(); r.err == nil && version > Version {
		return fmt.Errorf("%w: layout version %d", ErrNewer, version)
	} else if r.err == nil && version == 0 {
		return errors.New("layout version 0")
	}
	count, tick := r.uvarint(), r.uvarint()
	if r.err == nil && (count == 0 || count > MaxSamples || tick > math.MaxInt64) {
		return errors.New("count or tick out of range")
	}
	t.Tick = time.Duration(tick)
	unit, exponent := r.byte(), r.byte()
	t.Torque.Unit, t.Torque.Exponent = quantity.Unit(unit), int32(int8(exponent))
	list := []*[]int64{&t.Times, &t.Torque.Values}
	if unit = r.byte(); unit != byte(quantity.NoUnit) {
		t.Angle.Unit, t.Angle.Exponent = quantity.Unit(unit), int32(int8(r.byte()))
		list = append(list, &t.Angle.Values)
	}
	if r.err != nil {
		return r.err
	}
	for _, u := range []quantity.Unit{t.Torque.Unit, t.Angle.Unit} {
		if u != quantity.NoUnit && !u.Known() {
			return fmt.Errorf("%w: unit %d", ErrNewer, u)
		}
	}
	c := coders.Get().(*coder)
	defer coders.Put(c)
	for _, values := range list {
		*values = c.readChannel(r, int(count))
	}
	return r.err
}

// coders are kept because their tables are large.
var coders = sync.Pool{New: func() any { return newCoder() }}
