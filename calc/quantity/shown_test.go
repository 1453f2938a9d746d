package quantity

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A converted value must not look as if it lay on the other side of a limit.
func TestShown(t *testing.T) {
	limits := Limits{Least: MustParse("24 lbf·ft"), Most: MustParse("26 lbf·ft")}
	for value, want := range map[string]string{
		// 1 lbf·ft is 1.3558179483314004 N·m by the definitions of foot, pound and
		// standard gravity, so 26 lbf·ft are 35.25126665661641 N·m.
		"35.2515 N·m": "26.0002 lbf·ft",
		"35.25 N·m":   "26.00 lbf·ft",
		"30 N·m":      "22.13 lbf·ft",
	} {
		got, err := limits.Shown(MustParse(value), PoundForceFoot)
		require.NoError(t, err)
		require.Equal(t, want, got.String(), value)
	}
	_, err := limits.Shown(MustParse("1 mm"), PoundForceFoot)
	require.ErrorIs(t, err, ErrDimension)
}

func TestUnitOfLimits(t *testing.T) {
	least, most := MustParse("24 lbf·ft"), MustParse("35 N·m")
	require.Equal(t, PoundForceFoot, Limits{Least: least, Most: most}.Unit())
	require.Equal(t, PoundForceFoot, Limits{Least: least}.Unit())
	require.Equal(t, NewtonMetre, Limits{Most: most}.Unit())
	require.Equal(t, NoUnit, Limits{}.Unit())
}
