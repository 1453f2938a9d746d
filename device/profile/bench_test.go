package profile_test

import (
	"bufio"
	"bytes"
	"fmt"
	"hash/adler32"
	"hash/crc32"
	"hash/crc64"
	"io"
	"regexp"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
)

// perPiece is how many frames come in one piece, as they do when much has piled
// up; frames that silence ends come alone.
const perPiece = 64

// BenchmarkStyles frames and decodes a stream of each style. x-scanner is the
// time against a bare bufio.Scanner over the same number of frames and bytes in
// lines, in the same run.
func BenchmarkStyles(b *testing.B) {
	for _, s := range styles() {
		p := read(b, s.profile)
		count := perPiece
		if s.name == "silence" {
			count = 1
		}
		piece := bytes.Repeat([]byte(s.frame), count)
		line := bytes.Repeat([]byte{'0'}, len(s.frame))
		line[len(line)-1] = '\n'
		lines := bytes.Repeat(line, count)
		for _, decoding := range []bool{false, true} {
			name := s.name + "/framing"
			if decoding {
				name += "+decoding"
			}
			b.Run(name, func(b *testing.B) {
				framer, decoder, frames := p.NewFramer(), p.NewDecoder(), 0
				take := func(f profile.Frame) {
					frames++
					if decoding {
						if _, err := decoder.Decode(f); err != nil {
							b.Fatal(err)
						}
					}
				}
				run := func(n int) {
					for range n {
						pass(framer, piece, take)
					}
				}
				baseline := timed(func() {
					scanner := bufio.NewScanner(&repeated{piece: lines, left: b.N})
					for scanner.Scan() {
						frames++
					}
				})
				require.Equal(b, b.N*count, frames)
				run(1)
				frames = 0
				var before, after runtime.MemStats
				runtime.ReadMemStats(&before)
				b.ResetTimer()
				run(b.N)
				b.StopTimer()
				runtime.ReadMemStats(&after)
				require.Equal(b, b.N*count, frames)
				b.SetBytes(int64(len(piece)))
				b.ReportMetric(float64(after.Mallocs-before.Mallocs)/float64(frames), "allocs/frame")
				b.ReportMetric(float64(b.Elapsed())/float64(baseline), "x-scanner")
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
			})
		}
	}
}

// BenchmarkDecode decodes lines by patterns. x-regexp is the time against package
// regexp alone, which finds the groups of the same pattern in the same lines.
func BenchmarkDecode(b *testing.B) {
	for _, s := range []struct{ pattern, line string }{
		{`(?:(?P<value>[+-]\d{4}\.\d)|-{7}) (?P<unit>Nm|ftlb|inlb|kgm)`, "+0088.4 Nm"},
		{` *(?P<value>[+-] *\d+\.\d+) (?P<unit>mm|in)`, "  +9.982 mm"},
		{`T=(?P<value>[ -]*\d+\.\d\d);A=(?P<angle>[ -]*\d+\.\d)`, "T= 45.20;A= 33.5"},
	} {
		b.Run(s.line, func(b *testing.B) {
			bare := regexp.MustCompile(`\A(?:` + s.pattern + `)\z`)
			decoder := read(b, "[reading]\npattern = '"+s.pattern+"'\n").NewDecoder()
			f := profile.Frame{Raw: []byte(s.line), Body: []byte(s.line), Time: noon}
			baseline := timed(func() {
				for range b.N {
					if bare.FindSubmatchIndex(f.Body) == nil {
						b.Fatal("no match")
					}
				}
			})
			b.ReportAllocs()
			b.SetBytes(int64(len(s.line)))
			b.ResetTimer()
			for range b.N {
				if _, err := decoder.Decode(f); err != nil {
					b.Fatal(err)
				}
			}
			b.StopTimer()
			b.ReportMetric(float64(b.Elapsed())/float64(baseline), "x-regexp")
		})
	}
}

// BenchmarkCRC sums frames. The others are what the standard library has: sums
// of other widths, which take many bytes at a time on large pieces and have
// instructions of the processor for some.
func BenchmarkCRC(b *testing.B) {
	c, ok := profile.CRCNamed("modbus")
	require.True(b, ok)
	sum, ecma := c.Summer(), crc64.MakeTable(crc64.ECMA)
	for _, size := range []int{8, 64, 1024} {
		data := bytes.Repeat([]byte{0x5A}, size)
		b.Run(fmt.Sprintf("%d bytes", size), func(b *testing.B) {
			kept := uint64(0)
			measure := func(of func() uint64) time.Duration {
				return timed(func() {
					for range b.N {
						kept += of()
					}
				})
			}
			crc64Time := measure(func() uint64 { return crc64.Checksum(data, ecma) })
			crc32Time := measure(func() uint64 { return uint64(crc32.ChecksumIEEE(data)) })
			adlerTime := measure(func() uint64 { return uint64(adler32.Checksum(data)) })
			b.SetBytes(int64(size))
			b.ResetTimer()
			for range b.N {
				kept += uint64(sum(data))
			}
			b.StopTimer()
			runtime.KeepAlive(kept)
			b.ReportMetric(float64(b.Elapsed())/float64(crc64Time), "x-crc64")
			b.ReportMetric(float64(b.Elapsed())/float64(crc32Time), "x-crc32")
			b.ReportMetric(float64(b.Elapsed())/float64(adlerTime), "x-adler32")
		})
	}
}

func timed(run func()) time.Duration {
	start := time.Now()
	run()
	return time.Since(start)
}

// repeated is a reader of one piece, left times.
type repeated struct {
	piece []byte
	left  int
	at    int
}

func (r *repeated) Read(p []byte) (int, error) {
	if r.left == 0 {
		return 0, io.EOF
	}
	n := copy(p, r.piece[r.at:])
	if r.at += n; r.at == len(r.piece) {
		r.at, r.left = 0, r.left-1
	}
	return n, nil
}
