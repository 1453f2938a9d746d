package trace

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestQn(t *testing.T) {
	// Its mean over normal samples is the standard deviation, for few values too.
	random := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{2, 3, 4, 5, 6, 7, 8, 9, 10, 13, 20} {
		const times = 20000
		sum := 0.0
		values := make([]float64, n)
		for range times {
			for i := range values {
				values[i] = 5 + 3*random.NormFloat64()
			}
			sum += qn(values)
		}
		require.InDelta(t, 3, sum/times, 0.06, "n = %d", n)
	}
	// Twenty preloads at one torque (Shigley, 9th ed., Table 8-13): mean 34.3, s 4.91.
	preloads := []float64{23.6, 27.6, 28.0, 29.4, 30.3, 30.7, 32.9, 33.8, 33.8, 33.8, 34.7, 35.6, 35.6, 37.4, 37.8, 37.8, 39.2, 40.0, 40.5, 42.7}
	require.InDelta(t, 4.91, qn(preloads), 0.75)
	require.InDelta(t, 34.25, median(preloads), 1e-9)
	// A few wild ones move it little: of twenty, eight.
	wild := append([]float64(nil), preloads...)
	for i := range 8 {
		wild[i] = 1e6 * float64(i+1)
	}
	require.Less(t, qn(wild), 25.0)
	require.Zero(t, qn(nil))
	require.Zero(t, qn([]float64{1}))
}

func TestLine(t *testing.T) {
	var scratch []float64
	x, y := make([]float64, 40), make([]float64, 40)
	for i := range x {
		x[i], y[i] = float64(i), 3+0.5*float64(i)
	}
	l, ok := fitLine(x, y, 0, &scratch)
	require.True(t, ok)
	require.InDelta(t, 0.5, l.slope, 1e-12)
	require.InDelta(t, 3, l.at(0), 1e-10)
	// One in five wild does not bend it.
	random := rand.New(rand.NewPCG(3, 4))
	for i := range y {
		y[i] += 0.01 * random.NormFloat64()
		if i%5 == 0 {
			y[i] += 30
		}
	}
	l, ok = fitLine(x, y, 0, &scratch)
	require.True(t, ok)
	require.InDelta(t, 0.5, l.slope, 4*l.slopeError)
	require.Less(t, l.slopeError, 0.0005)
	// Its standard uncertainty is that of many fits.
	var sum, squares, stated float64
	const times = 4000
	for range times {
		for i := range y {
			y[i] = 0.5*x[i] + random.NormFloat64()
		}
		l, _ = fitLine(x, y, 0, &scratch)
		sum, squares, stated = sum+l.slope, squares+l.slope*l.slope, stated+l.slopeError
	}
	spread := math.Sqrt(squares/times - sum*sum/times/times)
	require.InEpsilon(t, spread, stated/times, 0.12)
	require.InDelta(t, 0.5, sum/times, 4*spread/math.Sqrt(times))
	for _, c := range [][2][]float64{{{1, 2, 3}, {1, 2, 3}}, {{1, 1, 1, 1}, {1, 2, 3, 4}}} {
		_, ok := fitLine(c[0], c[1], 0, &scratch)
		require.False(t, ok)
	}
}
