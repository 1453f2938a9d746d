package device

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestAddress(t *testing.T) {
	for _, text := range []string{"serial:/dev/ttyUSB0", "serial:usb=PM-0001", "serial:COM3", "replay:C:\\pulls.rec", "typed:keyboard"} {
		a, err := ParseAddress(text)
		require.NoError(t, err)
		require.Equal(t, text, a.String())
	}
	a, err := ParseAddress("replay:C:\\pulls.rec")
	require.NoError(t, err)
	require.Equal(t, Address{"replay", "C:\\pulls.rec"}, a)
	for _, text := range []string{"", ":", "serial", "serial:", ":/dev/ttyUSB0"} {
		_, err := ParseAddress(text)
		require.ErrorContains(t, err, "transport:place", text)
	}
}

func TestErrorSaysWhereAndWhatToDo(t *testing.T) {
	err := error(&Error{Address: Address{"serial", "COM3"}, Err: fmt.Errorf("%w: unplugged", ErrLost), Hint: "plug it in"})
	require.EqualError(t, err, "serial:COM3: instrument lost: unplugged")
	require.ErrorIs(t, err, ErrLost)
	var hint interface{ HintText() string }
	require.ErrorAs(t, err, &hint)
	require.Equal(t, "plug it in", hint.HintText())

	outer := &Error{Address: Address{"serial", "COM3"}, Err: err}
	require.Equal(t, "plug it in", outer.HintText(), "the hint of the reason")
	require.Empty(t, (&Error{Err: errors.New("plain")}).HintText())
}

func TestEventKindString(t *testing.T) {
	require.Equal(t, "sampled", Sampled.String())
	require.Equal(t, "ended", Ended.String())
	require.Equal(t, "event kind 0", EventKind(0).String())
	require.Equal(t, "unfinished", Unfinished.String())
	require.Equal(t, "event kind 9", (Unfinished + 1).String())
}
