//go:build linux || darwin

package devicetest_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/devicetest"
	"paintmark/device/serialport"
	"paintmark/device/simulated"
)

// Every framing over a real terminal, which splits and joins as it likes.
func TestFramingsOnATerminal(t *testing.T) {
	devicetest.RunFramings(t, func(t *testing.T) devicetest.Bench {
		p, err := simulated.NewPort(filepath.Join(t.TempDir(), "port"))
		if err != nil {
			t.Skip("no pseudo-terminals here:", err)
		}
		transport, err := serialport.New(p.Path(), device.DefaultSettings())
		require.NoError(t, err)
		return devicetest.Bench{
			Transport: transport,
			Feed:      func(b []byte) error { _, err := p.Write(b); return err },
			Unplug:    p.Unplug,
			Plug:      p.Plug,
			Close:     p.Close,
			Exclusive: true,
			Costly:    true,
			Silence:   time.Millisecond, // Run tries longer ones
		}
	})
}
