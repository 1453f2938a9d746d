package plan

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/quantity"
)

func at(key string, x, y int64, u quantity.Unit) Bolt {
	return Bolt{Key: key, X: quantity.New(decimal.NewFromInt(x), u), Y: quantity.New(decimal.NewFromInt(y), u)}
}

// grid is a face of two rows, numbered 1 to n along the first and on along the
// second.
func grid(columns int, dx, dy int64) []Bolt {
	var bolts []Bolt
	for row := range 2 {
		for c := range columns {
			bolts = append(bolts, at(fmt.Sprint(len(bolts)+1), int64(c)*dx, int64(row)*dy, quantity.Millimetre))
		}
	}
	return bolts
}

func TestFromMiddle(t *testing.T) {
	for _, c := range []struct {
		name  string
		bolts []Bolt
		want  string
	}{
		{"none", nil, ""},
		{"one", []Bolt{at("a", 7, 7, quantity.Inch)}, "a"},
		{"two", []Bolt{at("a", 0, 0, quantity.Millimetre), at("b", 9, 0, quantity.Millimetre)}, "a b"},
		{"a row", []Bolt{at("1", 0, 0, quantity.Millimetre), at("2", 10, 0, quantity.Millimetre), at("3", 20, 0, quantity.Millimetre),
			at("4", 30, 0, quantity.Millimetre), at("5", 40, 0, quantity.Millimetre)}, "3 2 4 1 5"},
		{"a square, corner by corner across", grid(2, 10, 10), "1 4 2 3"},
		{"at one place all the same", []Bolt{at("a", 1, 1, quantity.Millimetre), at("b", 1, 1, quantity.Millimetre)}, "a b"},
	} {
		require.Equal(t, c.want, places(FromMiddle(c.bolts)), c.name)
	}
}

// A cylinder head with two rows of five is tightened from the middle pair to
// the ends, crosswise (common practice).
//
//	1  2  3  4  5
//	6  7  8  9 10
func TestFromMiddleOfAHead(t *testing.T) {
	for _, spacing := range [][2]int64{{90, 110}, {126, 96}, {300, 40}} {
		bolts := grid(5, spacing[0], spacing[1])
		order := strings.Fields(places(FromMiddle(bolts)))
		require.Equal(t, []string{"3", "8"}, order[:2], "the middle first")
		require.ElementsMatch(t, []string{"2", "4", "7", "9"}, order[2:6])
		require.ElementsMatch(t, []string{"1", "5", "6", "10"}, order[6:], "the ends last")
		// Crosswise: after a bolt of the middle its neighbour across the middle, and
		// from one side of the head to the other and back.
		side := func(key string) int {
			return (slices.IndexFunc(bolts, func(b Bolt) bool { return b.Key == key })%5 - 2)
		}
		for i := 2; i < 10; i += 2 {
			require.Negative(t, side(order[i])*side(order[i+1]), "%s and %s lie on two sides", order[i], order[i+1])
		}
	}
}

// genBolts are bolts on a small raster, so that many lie at the same distance.
func genBolts(t *rapid.T) []Bolt {
	places := rapid.SliceOfNDistinct(rapid.Custom(func(t *rapid.T) [2]int64 {
		return [2]int64{rapid.Int64Range(-6, 6).Draw(t, "x"), rapid.Int64Range(-3, 3).Draw(t, "y")}
	}), 1, 20, rapid.ID[[2]int64]).Draw(t, "places")
	bolts := make([]Bolt, len(places))
	for i, p := range places {
		bolts[i] = at(fmt.Sprint(i+1), p[0], p[1], quantity.Inch)
	}
	return bolts
}

func TestFromMiddleProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bolts := genBolts(t)
		before := slices.Clone(bolts)
		order := FromMiddle(bolts)
		require.Equal(t, before, bolts, "the list is not changed")
		require.ElementsMatch(t, bolts, order, "each bolt once")
		require.Equal(t, order, FromMiddle(bolts), "the same every time")

		// The distance from the middle of the rectangle around all never falls; in
		// doubled whole inches, so that it is exact.
		v := func(q quantity.Quantity) int64 { return q.Value.IntPart() }
		minX, maxX, minY, maxY := v(bolts[0].X), v(bolts[0].X), v(bolts[0].Y), v(bolts[0].Y)
		for _, b := range bolts {
			minX, maxX, minY, maxY = min(minX, v(b.X)), max(maxX, v(b.X)), min(minY, v(b.Y)), max(maxY, v(b.Y))
		}
		last := int64(-1)
		for _, b := range order {
			dx, dy := 2*v(b.X)-minX-maxX, 2*v(b.Y)-minY-maxY
			require.GreaterOrEqual(t, dx*dx+dy*dy, last, "%s after a bolt that is farther out", b.Key)
			last = dx*dx + dy*dy
		}

		// How the face is written down does not matter: in which unit, from which
		// zero, mirrored, or turned.
		want := places(order)
		written := func(name string, f func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal), u quantity.Unit) {
			other := make([]Bolt, len(bolts))
			for i, b := range bolts {
				x, y := f(b.X.Value, b.Y.Value)
				other[i] = Bolt{Key: b.Key, X: quantity.New(x, u), Y: quantity.New(y, u)}
			}
			require.Equal(t, want, places(FromMiddle(other)), name)
		}
		inch := decimal.RequireFromString("25.4")
		shift := decimal.RequireFromString("0.1")
		written("in millimetres", func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal) { return x.Mul(inch), y.Mul(inch) }, quantity.Millimetre)
		written("in thousandths", func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal) { return x.Shift(3), y.Shift(3) }, quantity.Thou)
		written("from another zero", func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal) { return x.Sub(shift), y.Add(shift) }, quantity.Inch)
		written("mirrored", func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal) { return x.Neg(), y }, quantity.Inch)
		written("upside down", func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal) { return x, y.Neg() }, quantity.Inch)
		written("turned", func(x, y decimal.Decimal) (decimal.Decimal, decimal.Decimal) { return y, x.Neg() }, quantity.Inch)
	})
}
