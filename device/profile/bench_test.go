package profile_test

import (
	"bufio"
	"bytes"
	"io"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkLines frames a stream of lines and decodes them, and gives the ratio
// to a bare bufio.Scanner over the same bytes in the same run.
func BenchmarkLines(b *testing.B) {
	line := []byte("+0088.4 Nm OK\r\n")
	const perPiece = 64
	piece := bytes.Repeat(line, perPiece)
	p := load(b, "wrench-line.toml")

	frames, samples := 0, 0
	run := func(decode bool) func(n int) {
		return func(n int) {
			framer := p.NewFramer()
			for range n {
				framer.Feed(piece, noon)
				for {
					f, ok := framer.Next()
					if !ok {
						break
					}
					frames++
					if decode {
						if _, err := p.Decode(f); err == nil {
							samples++
						}
					}
				}
			}
		}
	}
	scan := func(n int) {
		scanner := bufio.NewScanner(&repeated{piece: piece, left: n})
		for scanner.Scan() {
			frames++
		}
	}
	for _, bm := range []struct {
		name string
		run  func(n int)
	}{{"framing", run(false)}, {"framing+decoding", run(true)}} {
		b.Run(bm.name, func(b *testing.B) {
			var before, after runtime.MemStats
			scan(100)
			bm.run(100)
			frames, samples = 0, 0
			start := time.Now()
			scan(b.N)
			baseline := time.Since(start)
			require.Equal(b, b.N*perPiece, frames)

			frames = 0
			runtime.ReadMemStats(&before)
			b.ResetTimer()
			bm.run(b.N)
			b.StopTimer()
			runtime.ReadMemStats(&after)
			require.Equal(b, b.N*perPiece, frames)
			b.SetBytes(int64(len(piece)))
			b.ReportMetric(float64(after.Mallocs-before.Mallocs)/float64(frames), "allocs/frame")
			b.ReportMetric(float64(b.Elapsed())/float64(baseline), "x-scanner")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
		})
	}
	require.Positive(b, samples)
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
