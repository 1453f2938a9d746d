// Package entry turns recorded facts into the bytes that a book keeps, and
// back.
//
// An entry's bytes are one CBOR item in the core deterministic encoding of RFC
// 8949, section 4.2.1, so that one fact has exactly one form, and its SHA-256
// names it. The bytes contain the hash of the same station's entry before, which
// makes a chain of them. The layout stands in log/FORMAT.md.
//
// [Decode] is strict: bytes that [Encode] would not have written are an error,
// so that an entry that decodes encodes to the same bytes again.
package entry

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"

	"paintmark/calc/fact"
)

// Version is the version of the layout that is written. It is an entry's second
// byte, after that of the array's head.
const Version = 1

// Bounds of what is stored. No shop comes near them; they keep a damaged or
// hostile file from filling the memory.
const (
	MaxSize    = 8 << 20 // bytes of an entry; the largest part is a plan's text
	MaxStation = 64      // bytes of a station's name
	MaxPoint   = 512     // bytes of a point's key
)

var (
	// ErrMalformed means that bytes are no entry: damaged, or never one.
	ErrMalformed = errors.New("malformed entry")
	// ErrNewer means that an entry is of a kind or has a part that this program
	// does not know: a newer one wrote it.
	ErrNewer = errors.New("written by a newer program")
	// ErrUnfit means that a fact cannot be stored as it is.
	ErrUnfit = errors.New("cannot be stored")
)

// A Hash is the SHA-256 of an entry's bytes. The zero Hash stands before a
// station's first entry.
type Hash = [sha256.Size]byte

// Sum is the hash of an entry's bytes.
func Sum(data []byte) Hash { return sha256.Sum256(data) }

// CheckStation tells whether name can be a station's: 1 to MaxStation ASCII
// letters, digits, hyphens, underscores and dots.
func CheckStation(name string) error {
	if name == "" {
		return errors.New("a station needs a name")
	}
	if len(name) > MaxStation {
		return fmt.Errorf("the station's name is longer than %d characters", MaxStation)
	}
	for _, r := range name {
		if !('a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || '0' <= r && r <= '9' || strings.ContainsRune("-_.", r)) {
			return fmt.Errorf("station %q: a station's name has letters, digits, hyphens, underscores and dots only", name)
		}
	}
	return nil
}

// CheckPoint tells whether a point's key can be stored: at most MaxPoint bytes,
// none of them 0, which ends a point's part of a book's key.
func CheckPoint(p fact.Point) error {
	if len(p) > MaxPoint {
		return fmt.Errorf("a point's key has %d bytes, at most %d are stored", len(p), MaxPoint)
	}
	if strings.IndexByte(string(p), 0) >= 0 {
		return errors.New("a point's key contains a zero byte")
	}
	return nil
}

// head is an entry's bytes as an array.
type head struct {
	_       struct{} `cbor:",toarray"`
	Version uint64
	Station string
	Number  uint64
	Prev    []byte
	Time    int64  // nanoseconds since 1970-01-01T00:00:00Z
	Since   uint64 // nanoseconds
	Session text
	Kind    uint64
	Body    cbor.RawMessage
}

// Encode gives the bytes of e, whose station's entry before has the hash prev.
// It leaves e.Hash aside. The error is ErrUnfit.
func Encode(e fact.Entry, prev Hash) ([]byte, error) {
	unfit := func(err error) error { return fmt.Errorf("%w: %w", ErrUnfit, err) }
	if err := check(e, prev); err != nil {
		return nil, unfit(err)
	}
	nanos := e.Time.UnixNano()
	if !time.Unix(0, nanos).Equal(e.Time) {
		return nil, unfit(fmt.Errorf("time %s is outside the years 1678 to 2261", e.Time))
	}
	kind, body, err := encodeBody(e.Body)
	if err != nil {
		return nil, unfit(err)
	}
	data, err := encoding.Marshal(head{
		Version: Version, Station: e.Station, Number: e.Number, Prev: prev[:],
		Time: nanos, Since: uint64(e.Since), Session: text(e.Session), Kind: kind, Body: body,
	})
	if err != nil {
		return nil, unfit(err)
	}
	if len(data) > MaxSize {
		return nil, unfit(fmt.Errorf("it has %d bytes, at most %d are stored", len(data), MaxSize))
	}
	return data, nil
}

// check is what holds for every entry, whichever way it goes.
func check(e fact.Entry, prev Hash) error {
	if err := CheckStation(e.Station); err != nil {
		return err
	}
	if e.Number == 0 || (e.Number == 1) != (prev == Hash{}) {
		return fmt.Errorf("number %d does not go with the hash before", e.Number)
	}
	if e.Since < 0 {
		return errors.New("a negative time since the session began")
	}
	if e.Body == nil {
		return errors.New("it says nothing")
	}
	return CheckPoint(e.Body.About())
}

// Decode reads what Encode gives: the entry, with its hash, and the hash of the
// one before. The error is ErrMalformed or ErrNewer; only bytes whose hash is
// known to be right tell for sure which.
func Decode(data []byte) (e fact.Entry, prev Hash, err error) {
	malformed := func(format string, args ...any) (fact.Entry, Hash, error) {
		return fact.Entry{}, Hash{}, fmt.Errorf("%w: %w", ErrMalformed, fmt.Errorf(format, args...))
	}
	if len(data) > MaxSize {
		return malformed("%d bytes are more than the %d of the largest entry", len(data), MaxSize)
	}
	if len(data) < 2 || data[0]>>5 != 4 {
		return malformed("no array")
	}
	if v := data[1]; v > Version && v < 0x18 {
		return fact.Entry{}, Hash{}, fmt.Errorf("%w: layout version %d", ErrNewer, v)
	}
	var h head
	if err := decoding.Unmarshal(data, &h); err != nil {
		return malformed("%w", err)
	}
	if h.Version != Version || len(h.Prev) != len(prev) || h.Since > math.MaxInt64 {
		return malformed("version, hash or time out of range")
	}
	body, err := decodeBody(h.Kind, h.Body)
	if errors.Is(err, ErrNewer) {
		return fact.Entry{}, Hash{}, err
	}
	if err != nil {
		return malformed("%w", err)
	}
	prev = Hash(h.Prev)
	e = fact.Entry{
		Ref:     fact.Ref{Station: h.Station, Number: h.Number},
		Time:    time.Unix(0, h.Time).UTC(),
		Since:   time.Duration(h.Since),
		Session: string(h.Session),
		Body:    body,
	}
	again, err := Encode(e, prev)
	if err != nil {
		return malformed("%w", err)
	}
	if string(again) != string(data) {
		return malformed("not the one form of its content")
	}
	e.Hash = Sum(data)
	return e, prev, nil
}
