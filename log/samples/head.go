package samples

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"paintmark/calc/fact"
)

// A Head is what is known of a pull when it begins.
type Head struct {
	Station    string // who records it
	Number     uint64 // among that station's pulls, from 1
	Began      time.Time
	Session    string
	Point      fact.Point // empty if not known yet
	Pass       fact.Pass
	Instrument string // its short name
}

// maxText bounds the bytes of a text in a head.
const maxText = 4096

// EncodeHead gives the bytes of a head. The error is ErrUnfit.
func EncodeHead(h Head) ([]byte, error) {
	nanos := h.Began.UnixNano()
	if h.Number == 0 || !time.Unix(0, nanos).Equal(h.Began) {
		return nil, fmt.Errorf("%w: a pull with number %d of %v", ErrUnfit, h.Number, h.Began)
	}
	data := binary.AppendUvarint([]byte{Version}, h.Number)
	data = binary.AppendUvarint(data, zigzag(nanos))
	for _, text := range []string{h.Station, h.Session, string(h.Point), string(h.Pass), h.Instrument} {
		if len(text) > maxText {
			return nil, fmt.Errorf("%w: a text of %d bytes", ErrUnfit, len(text))
		}
		data = append(binary.AppendUvarint(data, uint64(len(text))), text...)
	}
	return binary.LittleEndian.AppendUint32(data, crc32.Checksum(data, castagnoli)), nil
}

// DecodeHead reads what EncodeHead gives. The error is ErrMalformed or ErrNewer.
func DecodeHead(data []byte) (h Head, err error) {
	malformed := func(err error) (Head, error) { return Head{}, fmt.Errorf("%w: head: %w", ErrMalformed, err) }
	if len(data) < 1+checksumSize {
		return malformed(errCut)
	}
	end := len(data) - checksumSize
	if binary.LittleEndian.Uint32(data[end:]) != crc32.Checksum(data[:end], castagnoli) {
		return malformed(errors.New("its checksum does not agree with it"))
	}
	r := &reader{data: data[:end]}
	if version := r.byte(); version > Version {
		return Head{}, fmt.Errorf("%w: head of version %d", ErrNewer, version)
	} else if version == 0 {
		return malformed(errors.New("version 0"))
	}
	h.Number = r.uvarint()
	h.Began = time.Unix(0, unzigzag(r.uvarint())).UTC()
	var texts [5]string
	for i := range texts {
		texts[i] = string(r.bytes(int(min(r.uvarint(), math.MaxInt32))))
	}
	h.Station, h.Session, h.Point, h.Pass, h.Instrument = texts[0], texts[1], fact.Point(texts[2]), fact.Pass(texts[3]), texts[4]
	switch {
	case r.err != nil:
		return malformed(r.err)
	case h.Number == 0 || len(r.data) > 0:
		return malformed(errors.New("a number of 0, or more than a head"))
	}
	return h, nil
}
