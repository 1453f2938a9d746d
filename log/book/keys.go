package book

import (
	"bytes"
	"encoding/binary"
	"errors"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

// The buckets of a book. A book without a pull that was recorded sample by sample
// has no traces.
var (
	bucketAbout   = []byte("about")
	bucketEntries = []byte("entries")
	bucketChain   = []byte("chain")
	bucketTraces  = []byte("traces")
)

// The keys of the bucket about, and what format says.
var (
	keyFormat  = []byte("format")
	keyBuild   = []byte("build")
	keyCreated = []byte("created")
)

const (
	formatPrefix = "paintmark-book "
	// formatVersion is the format of a new book, tracesVersion that of one with
	// traces, which a program that knows none could not check.
	formatVersion = 1
	tracesVersion = 2
)

var errKey = errors.New("no such key is ever written")

// pointPrefix is what the keys of a point's entries start with.
func pointPrefix(p fact.Point) []byte { return append([]byte(p), 0) }

// entryKey is where an entry stands: by its point, then as in the chain.
func entryKey(p fact.Point, r fact.Ref) []byte {
	return append(pointPrefix(p), chainKey(r)...)
}

func parseEntryKey(key []byte) (fact.Point, fact.Ref, error) {
	point, rest, ok := bytes.Cut(key, []byte{0})
	if !ok {
		return "", fact.Ref{}, errKey
	}
	r, err := parseChainKey(rest)
	return fact.Point(point), r, err
}

// chainKey sorts entries by station and number.
func chainKey(r fact.Ref) []byte {
	key := append([]byte(r.Station), 0)
	return binary.BigEndian.AppendUint64(key, r.Number)
}

func parseChainKey(key []byte) (fact.Ref, error) {
	station, number, ok := bytes.Cut(key, []byte{0})
	if !ok || len(number) != 8 {
		return fact.Ref{}, errKey
	}
	r := fact.Ref{Station: string(station), Number: binary.BigEndian.Uint64(number)}
	if r.Number == 0 || entry.CheckStation(r.Station) != nil {
		return fact.Ref{}, errKey
	}
	return r, nil
}

// traceKey is where a part of a trace stands: its head as part 0, then its blocks.
func traceKey(station string, number uint64, part uint32) []byte {
	return binary.BigEndian.AppendUint32(tracePrefix(station, number), part)
}

// tracePrefix is what the keys of a trace's parts start with.
func tracePrefix(station string, number uint64) []byte {
	return chainKey(fact.Ref{Station: station, Number: number})
}

func parseTraceKey(key []byte) (r fact.Ref, part uint32, err error) {
	if len(key) < 4 {
		return fact.Ref{}, 0, errKey
	}
	r, err = parseChainKey(key[:len(key)-4])
	return r, binary.BigEndian.Uint32(key[len(key)-4:]), err
}

// A chainRecord is what the chain says of an entry.
type chainRecord struct {
	hash  entry.Hash
	point fact.Point
}

func (c chainRecord) bytes() []byte { return append(c.hash[:], c.point...) }

func parseChainRecord(value []byte) (chainRecord, error) {
	if len(value) < len(entry.Hash{}) {
		return chainRecord{}, errKey
	}
	c := chainRecord{point: fact.Point(value[len(entry.Hash{}):])}
	copy(c.hash[:], value)
	return c, entry.CheckPoint(c.point)
}
