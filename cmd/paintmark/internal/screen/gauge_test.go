package screen

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

// The bar is as long as the pull has come, in the unit of the target whatever the
// wrench shows: 65 lbf·ft ± 4 % ends at 67.6, seven eighths of the bar.
func TestGauge(t *testing.T) {
	l := newTeller(t)
	at := func(value string) *banner {
		return bannerOf(l.tell(bench.Pulling, func(e *bench.Event) {
			e.Instrument, e.Task, e.Value, e.Angle = "wrench-a", pulling("7"), quantity.MustParse(value), quantity.MustParse("33°")
		}))
	}
	bar := func(value string) string { return strings.TrimSpace(at(value).gauge.line(82)) }
	full := func(value string) int { return strings.Count(bar(value), "█") }

	require.Equal(t, 0, full("-5 lbf·ft"))
	require.Equal(t, 0, full("0 lbf·ft"))
	require.InDelta(t, 80*7./8*33.8/67.6, full("33.8 lbf·ft"), 1)
	require.InDelta(t, full("33.8 lbf·ft"), full("45.83 N·m"), 1, "the same in newton metres")
	require.Contains(t, bar("33.8 lbf·ft"), "·▏▒▒▒▒▒▕·")
	require.NotContains(t, bar("65 lbf·ft"), "·▏")
	require.InDelta(t, 78, full("200 lbf·ft"), 1, "no further than its end, but for the window's ends")

	b := at("45.83 N·m")
	require.Equal(t, []string{"33.80"}, b.words, "in the unit of the target")
	require.Contains(t, b.text, "PULLING   head/7   45.83 N·m ≈ 33.80 lbf·ft")
	require.Contains(t, b.text, "at 33°")
	require.Empty(t, b.gauge.line(8), "too narrow")

	empty := bannerOf(l.tell(bench.Pulling, func(e *bench.Event) { e.Value = quantity.MustParse("3 N·m") }))
	require.Nil(t, empty.gauge, "nothing to compare it with")
}
