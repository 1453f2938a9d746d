// Package replay keeps the bytes that came from an instrument, with their
// times, and plays them back through the same way that the instrument's own
// bytes take.
//
// A [Recorder] writes what any link reads into a recording, a text file that
// FORMAT.md describes. A [Transport] plays one: with its timing, or as fast as
// it goes; the times of the samples are in both cases those of the recording,
// counted from when it was opened.
package replay

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"paintmark/calc/document"
)

// Header is the first line of a recording.
const Header = "recording 1"

const (
	maxLine    = 1 << 20
	maxSeconds = 1_000_000_000
)

// A Chunk is bytes that came at once.
type Chunk struct {
	At    time.Duration // since the recording began
	Bytes []byte
}

// A Reader reads a recording chunk by chunk.
type Reader struct {
	name string
	in   *bufio.Reader
	line int
	head bool
	last time.Duration
}

// NewReader reads a recording from r. The name is for messages only.
func NewReader(name string, r io.Reader) *Reader {
	return &Reader{name: name, in: bufio.NewReader(r)}
}

// Next gives the next chunk, or io.EOF after the last. What is wrong with the
// recording is a *document.Fault, with line and column; an error of the
// underlying reader is given as it is.
func (r *Reader) Next() (Chunk, error) {
	for {
		text, err := r.readLine()
		if err != nil {
			return Chunk{}, err
		}
		p := parser{text: text}
		p.blanks()
		if p.done() {
			continue
		}
		if !r.head {
			if strings.TrimSpace(string(text)) != Header {
				return Chunk{}, r.fault(nil, "not a recording that this program reads", fmt.Sprintf("its first line must be %q", Header))
			}
			r.head = true
			continue
		}
		chunk, problem := p.chunk()
		if problem == "" && chunk.At < r.last {
			p.at, problem = 0, fmt.Sprintf("%s lies before the line above", seconds(chunk.At))
		}
		if problem != "" {
			return Chunk{}, r.fault(text[:p.at], problem, `a line is written like 3.25 "+0088.4 Nm\r\n" or 3.25 2B303038`)
		}
		r.last = chunk.At
		return chunk, nil
	}
}

func (r *Reader) fault(before []byte, problem, hint string) error {
	return &document.Fault{File: r.name, Line: r.line, Column: utf8.RuneCount(before) + 1, Problem: problem, Hint: hint}
}

func (r *Reader) readLine() ([]byte, error) {
	r.line++
	var line []byte
	for {
		part, err := r.in.ReadSlice('\n')
		line = append(line, part...)
		if len(line) > maxLine {
			return nil, r.fault(nil, fmt.Sprintf("a line of more than %d bytes", maxLine), "")
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
		case err == io.EOF && len(line) > 0:
			return trimEnding(line), nil
		case err == io.EOF && !r.head:
			return nil, &document.Fault{File: r.name, Problem: "an empty file is no recording", Hint: fmt.Sprintf("its first line must be %q", Header)}
		case err != nil:
			return nil, err
		default:
			return trimEnding(line), nil
		}
	}
}

func trimEnding(line []byte) []byte {
	return bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r"))
}

// parser reads one line. Its methods give what is wrong at p.at.
type parser struct {
	text []byte
	at   int
}

func (p *parser) blanks() {
	for p.at < len(p.text) && (p.text[p.at] == ' ' || p.text[p.at] == '\t') {
		p.at++
	}
}

// done tells that nothing but a comment is left.
func (p *parser) done() bool { return p.at == len(p.text) || p.text[p.at] == '#' }

func (p *parser) word() string {
	end := p.at
	for end < len(p.text) && !strings.ContainsRune(" \t#\"", rune(p.text[end])) {
		end++
	}
	return string(p.text[p.at:end])
}

func (p *parser) chunk() (c Chunk, problem string) {
	word := p.word()
	at, ok := parseSeconds(word)
	if !ok {
		return c, fmt.Sprintf("%s are no seconds since the beginning", clip(word))
	}
	c.At = at
	p.at += len(word)
	p.blanks()
	if p.done() {
		return c, "no bytes"
	}
	for !p.done() {
		if p.text[p.at] == '"' {
			if c.Bytes, problem = p.quoted(c.Bytes); problem != "" {
				return c, problem
			}
		} else {
			word := p.word()
			b, err := hex.DecodeString(word)
			if err != nil {
				return c, fmt.Sprintf("%s are no hexadecimal digits, two for each byte", clip(word))
			}
			c.Bytes = append(c.Bytes, b...)
			p.at += len(word)
		}
		if start := p.at; !p.done() {
			if p.blanks(); p.at == start {
				return c, "no blank between two items"
			}
		}
	}
	if len(c.Bytes) == 0 {
		return c, "no bytes"
	}
	return c, ""
}

var escapes = map[byte]byte{'r': '\r', 'n': '\n', 't': '\t', '\\': '\\', '"': '"'}

func (p *parser) quoted(to []byte) ([]byte, string) {
	start := p.at
	for p.at++; p.at < len(p.text); p.at++ {
		switch c := p.text[p.at]; {
		case c == '"':
			p.at++
			return to, ""
		case c < ' ' || c == 0x7f:
			return to, fmt.Sprintf(`a control character; write it as \x%02x`, c)
		case c != '\\':
			to = append(to, c)
		case p.at+1 == len(p.text):
			return to, "nothing after the backslash"
		case p.text[p.at+1] == 'x':
			var b [1]byte
			if p.at+4 > len(p.text) {
				return to, `\x needs two hexadecimal digits`
			}
			if _, err := hex.Decode(b[:], p.text[p.at+2:p.at+4]); err != nil {
				return to, `\x needs two hexadecimal digits`
			}
			to = append(to, b[0])
			p.at += 3
		default:
			c, ok := escapes[p.text[p.at+1]]
			if !ok {
				return to, `after a backslash comes one of r n t \ " x`
			}
			to = append(to, c)
			p.at++
		}
	}
	p.at = start
	return to, "the quotes are not closed"
}

// parseSeconds reads seconds exactly.
func parseSeconds(text string) (time.Duration, bool) {
	whole, decimals, point := strings.Cut(text, ".")
	if !digits(whole) || point && !digits(decimals) || len(decimals) > 9 || len(whole) > 10 {
		return 0, false
	}
	s, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || s >= maxSeconds {
		return 0, false
	}
	var ns int64
	if decimals != "" {
		if ns, err = strconv.ParseInt((decimals + "00000000")[:9], 10, 64); err != nil {
			return 0, false
		}
	}
	return time.Duration(s*int64(time.Second) + ns), true
}

func digits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }

// seconds writes a time with six decimals, cut and not rounded, so that times
// that do not fall are written so that they do not fall.
func seconds(d time.Duration) string {
	return fmt.Sprintf("%d.%06d", d/time.Second, d%time.Second/time.Microsecond)
}

// AppendChunk appends a chunk as a line of a recording. A time before the
// beginning is written as the beginning.
func AppendChunk(line []byte, c Chunk) []byte {
	line = append(line, seconds(max(0, c.At))...)
	line = append(line, ' ', '"')
	for _, b := range c.Bytes {
		switch {
		case b == '\r':
			line = append(line, `\r`...)
		case b == '\n':
			line = append(line, `\n`...)
		case b == '"' || b == '\\':
			line = append(line, '\\', b)
		case b < ' ' || b > '~':
			line = fmt.Appendf(line, `\x%02x`, b)
		default:
			line = append(line, b)
		}
	}
	return append(line, '"', '\n')
}

// clip keeps a message to one short line.
func clip(word string) string {
	if len(word) > 40 {
		word = word[:40] + "…"
	}
	if !utf8.ValidString(word) {
		word = strings.ToValidUTF8(word, "\uFFFD")
	}
	return strconv.Quote(word)
}
