package serialport_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device"
	"paintmark/device/serialport"
)

func TestMain(m *testing.M) {
	if place := os.Getenv(holdVariable); place != "" {
		hold(place)
	}
	goleak.VerifyTestMain(m)
}

// holdVariable makes this program one that opens the port it names, says so,
// and reads it until it is killed.
const holdVariable = "PAINTMARK_TEST_HOLD"

func hold(place string) {
	transport, err := serialport.New(place, device.DefaultSettings())
	if err == nil {
		var link device.Link
		if link, err = transport.Open(context.Background()); err == nil {
			fmt.Println("held")
			_, err = link.Read(make([]byte, 1))
		}
	}
	fmt.Println(err)
	os.Exit(1)
}

func TestNewRefusesWhatCannotBe(t *testing.T) {
	good := device.DefaultSettings()
	with := func(change func(*device.Settings)) device.Settings {
		s := good
		change(&s)
		return s
	}
	for _, tc := range []struct {
		place    string
		settings device.Settings
		want     string
	}{
		{"", good, "serial:: no place"},
		{"usb=", good, "serial:usb=: no place"},
		{"by-id=", good, "serial:by-id=: no place"},
		{"by-id=../ttyS0", good, `serial:by-id=../ttyS0: "../ttyS0" is no name`},
		{"COM3", with(func(s *device.Settings) { s.Baud = 0 }), "serial:COM3: 0 is no baud rate"},
		{"COM3", with(func(s *device.Settings) { s.DataBits = 9 }), "serial:COM3: 9 data bits do not exist"},
		{"COM3", with(func(s *device.Settings) { s.Parity = "" }), `serial:COM3: "" is no parity`},
		{"COM3", with(func(s *device.Settings) { s.StopBits = "3" }), `serial:COM3: "3" stop bits do not exist`},
	} {
		_, err := serialport.New(tc.place, tc.settings)
		require.EqualError(t, err, tc.want)
	}
}

func TestAbsentPlaces(t *testing.T) {
	for _, place := range []string{filepath.Join(t.TempDir(), "none"), "usb=PAINTMARK-NOWHERE"} {
		transport, err := serialport.New(place, device.DefaultSettings())
		require.NoError(t, err)
		_, err = transport.Open(t.Context())
		require.ErrorIs(t, err, device.ErrAbsent, place)
		require.ErrorContains(t, err, "serial:"+place)
		var hint interface{ HintText() string }
		require.ErrorAs(t, err, &hint)
		require.Contains(t, hint.HintText(), "plug it in")
	}
}

// List answers on every system and gives each port an address that can be used.
func TestListHere(t *testing.T) {
	ports, err := serialport.List(t.Context())
	if err != nil {
		t.Skip("this machine's ports cannot be listed:", err)
	}
	for _, p := range ports {
		require.NotEmpty(t, p.Path)
		require.Equal(t, serialport.Name, p.Address.Transport)
		_, err := serialport.New(p.Address.Place, device.DefaultSettings())
		require.NoError(t, err)
	}
}
