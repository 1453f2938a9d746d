package samples

import (
	"slices"
	"testing"
	"time"
)

// Encoding and decoding on one core, against copying the same values, turn by
// turn. A value is one number of one channel.
func BenchmarkBlock(b *testing.B) {
	for i, s := range streams {
		b.Run(s.name, func(b *testing.B) {
			pulls := s.pulls(20, uint64(i))
			values := 0
			blocks := make([][]byte, len(pulls))
			for _, p := range pulls {
				values += p.Len() * len(channels(p))
			}
			copied := make([]int64, MaxSamples)
			var encoding, decoding, copying []time.Duration
			for b.Loop() {
				start := time.Now()
				for i, p := range pulls {
					data, err := Encode(p)
					must(err)
					blocks[i] = data
				}
				encoded := time.Now()
				for _, data := range blocks {
					_, _, err := Decode(data)
					must(err)
				}
				decoded := time.Now()
				for _, p := range pulls {
					for _, list := range channels(p) {
						copy(copied, list)
					}
				}
				copying = append(copying, time.Since(decoded))
				encoding, decoding = append(encoding, encoded.Sub(start)), append(decoding, decoded.Sub(encoded))
			}
			median := func(list []time.Duration) float64 {
				slices.Sort(list)
				return list[len(list)/2].Seconds()
			}
			b.ReportMetric(float64(values)/median(encoding)/1e6, "Mvalues/s-in")
			b.ReportMetric(float64(values)/median(decoding)/1e6, "Mvalues/s-out")
			b.ReportMetric(median(encoding)/median(copying), "times-copy-in")
			b.ReportMetric(median(decoding)/median(copying), "times-copy-out")
			b.ReportMetric(0, "ns/op")
		})
	}
}
