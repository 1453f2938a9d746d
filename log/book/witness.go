package book

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

	"paintmark/calc/fact"
	"paintmark/log/entry"
)

// WitnessPath is where the witness of the book at path lies: beside it, with
// the extension .witness in place of .book.
func WitnessPath(path string) string { return strings.TrimSuffix(path, Extension) + ".witness" }

// A line of the witness names an entry and its hash.
type line struct {
	ref  fact.Ref
	hash entry.Hash
}

// appendTo adds the line's text: "bench-1 17 5f1d…\n".
func (l line) appendTo(text []byte) []byte {
	text = append(append(text, l.ref.Station...), ' ')
	text = append(strconv.AppendUint(text, l.ref.Number, 10), ' ')
	return append(hex.AppendEncode(text, l.hash[:]), '\n')
}

const hashDigits = 2 * len(entry.Hash{})

// longestLine bounds the bytes of a line.
const longestLine = entry.MaxStation + 1 + 20 + 1 + hashDigits + 1

var errLine = errors.New("no line of a witness")

// parseLine reads a line without its end.
func parseLine(text []byte) (line, error) {
	station, rest, ok := bytes.Cut(text, []byte{' '})
	number, digits, ok2 := bytes.Cut(rest, []byte{' '})
	if !ok || !ok2 || len(digits) != hashDigits || entry.CheckStation(string(station)) != nil {
		return line{}, errLine
	}
	n, err := strconv.ParseUint(string(number), 10, 64)
	if err != nil || n == 0 {
		return line{}, errLine
	}
	l := line{ref: fact.Ref{Station: string(station), Number: n}}
	if _, err := hex.Decode(l.hash[:], digits); err != nil {
		return line{}, errLine
	}
	var buffer [longestLine]byte
	if !bytes.Equal(l.appendTo(buffer[:0]), append(text[:len(text):len(text)], '\n')) {
		return line{}, errLine // another way of writing it: a leading zero, a capital
	}
	return l, nil
}

// A witness is what a witness file says.
type witness struct {
	lines []line
	whole int      // bytes of the whole lines
	torn  []byte   // what stands after the last whole line
	bad   []string // lines that are none, as texts for people
}

// parseWitness reads a whole witness file. Zero bytes at its end are those that
// some file systems leave of a line after a power cut.
func parseWitness(data []byte) witness {
	data = bytes.TrimRight(data, "\x00")
	w := witness{whole: bytes.LastIndexByte(data, '\n') + 1}
	w.torn = data[w.whole:]
	number := 0
	for text := range bytes.Lines(data[:w.whole]) {
		number++
		l, err := parseLine(text[:len(text)-1])
		if err != nil {
			w.bad = append(w.bad, fmt.Sprintf("line %d of the witness is garbled", number))
			continue
		}
		w.lines = append(w.lines, l)
	}
	return w
}

// witnessSize is the size of a whole witness of a book in which each of these
// entries is the last of its station.
func witnessSize(last []line) int64 {
	var size int64
	for _, l := range last {
		fixed := int64(len(l.ref.Station) + 3 + hashDigits)
		for low, digits := uint64(1), int64(1); low <= l.ref.Number; low, digits = low*10, digits+1 {
			high := l.ref.Number
			if digits < 20 {
				high = min(high, low*10-1)
			}
			size += int64(high-low+1) * (fixed + digits)
			if digits == 20 {
				break
			}
		}
	}
	return size
}

// agrees tells, without reading more than its end, that the witness is whole and
// ends with the last entry of one station.
func agrees(file *os.File, last []line) (bool, error) {
	info, err := file.Stat()
	if err != nil || info.Size() != witnessSize(last) {
		return false, err
	}
	text := make([]byte, min(info.Size(), int64(longestLine)))
	if _, err := file.ReadAt(text, info.Size()-int64(len(text))); err != nil {
		return false, err
	}
	text, ended := bytes.CutSuffix(text, []byte{'\n'})
	if !ended {
		return false, nil
	}
	end, err := parseLine(text[bytes.LastIndexByte(text, '\n')+1:])
	if err != nil {
		return false, nil
	}
	for _, l := range last {
		if l == end {
			return true, nil
		}
	}
	return false, nil
}

// addLines writes lines to the end of the witness and syncs it.
func addLines(file *os.File, lines []line) error {
	var text []byte
	for _, l := range lines {
		text = l.appendTo(text)
	}
	if _, err := file.Write(text); err != nil {
		return err
	}
	return file.Sync()
}
