package samples

import (
	"bytes"
	"math"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/trace"
)

var channelNames = []string{"time", "torque", "angle"}

// entropyBits is the entropy of first or second differences, whichever is less,
// counted over all traces: -Σ k·log2(k/n), where k of n differences are alike.
func entropyBits(list []*trace.Trace, channel int) float64 {
	best := math.Inf(1)
	for order := 1; order <= 2; order++ {
		counts, total := map[int64]int{}, 0
		for _, t := range list {
			values := channels(t)[channel]
			for range order {
				next := make([]int64, len(values)-1)
				for i := range next {
					next[i] = values[i+1] - values[i]
				}
				values = next
			}
			for _, d := range values {
				counts[d]++
			}
			total += len(values)
		}
		sum := 0.0
		for _, k := range counts {
			sum -= float64(k) * math.Log2(float64(k)/float64(total))
		}
		best = min(best, sum)
	}
	return best
}

// sizes are the bytes of each channel, and of blocks as a whole.
func sizes(list []*trace.Trace) (channel [3]int, all int) {
	for _, t := range list {
		data, err := Encode(t)
		must(err)
		all += len(data)
		c := newCoder()
		for i, values := range channels(t) {
			channel[i] += len(c.appendChannel(nil, values))
		}
	}
	return channel, all
}

func must(err error) {
	if err != nil {
		panic(err)
	}
}

// deterministic is what a channel may cost, in bytes a pull, that has next to no
// entropy: the times of a wrench with a good clock.
const deterministic = 12

// Each channel takes little more than the entropy of its own differences.
func TestNearEntropy(t *testing.T) {
	for i, s := range streams {
		list := s.pulls(60, uint64(i))
		sum := 0
		for _, t := range list {
			sum += t.Len()
		}
		channel, all := sizes(list)
		for c := range channels(list[0]) {
			limit := entropyBits(list, c) / 8
			t.Logf("%-28s %4d a pull  %-6s %5.2f bits of %5.2f a sample, ratio %.3f, share %2.0f %%", s.name, sum/len(list), channelNames[c],
				8*float64(channel[c])/float64(sum), 8*limit/float64(sum), float64(channel[c])/limit, 100*float64(channel[c])/float64(all))
			if limit < deterministic*float64(len(list)) {
				require.LessOrEqual(t, channel[c], deterministic*len(list), s.name)
				continue
			}
			require.LessOrEqual(t, float64(channel[c]), 1.15*limit, "%s, %s", s.name, channelNames[c])
		}
	}
}

// Smaller than what general compressors make of the same samples as text: of one
// pull alone, and of all pulls of a stream together.
func TestSmallerThanCompressors(t *testing.T) {
	for _, tool := range [][]string{{"xz", "-9", "-c"}, {"zstd", "-19", "-c"}} {
		t.Run(tool[0], func(t *testing.T) {
			path := compressor(t, tool[0])
			squeezed := func(data []byte) int {
				cmd := exec.Command(path, tool[1:]...)
				cmd.Stdin = bytes.NewReader(data)
				out, err := cmd.Output()
				require.NoError(t, err)
				require.NotEmpty(t, out)
				return len(out)
			}
			for i, s := range streams {
				list := s.pulls(4, uint64(i))
				_, ours := sizes(list)
				theirs, together := 0, []byte(nil)
				for _, pull := range list {
					data := text(pull)
					theirs += squeezed(data)
					together = append(together, data...)
				}
				solid := squeezed(together)
				t.Logf("%-28s %6d bytes, %.2f of %s pull by pull, %.2f of all pulls together", s.name, ours, float64(ours)/float64(theirs), tool[0], float64(ours)/float64(solid))
				require.Less(t, ours, theirs, s.name)
				require.Less(t, ours, solid, s.name)
			}
		})
	}
}

// compressor finds a program; without it the test is skipped and says so, unless
// PAINTMARK_NO_SKIP names it (see cmd/paintmark/internal/needs, which is not ours
// to import).
func compressor(t *testing.T, name string) string {
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	list := strings.Split(os.Getenv("PAINTMARK_NO_SKIP"), ",")
	if slices.Contains(list, name) || slices.Contains(list, "all") {
		require.NoError(t, err)
	}
	t.Skipf("needs %s: %v", name, err)
	return ""
}
