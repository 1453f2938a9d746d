package ble_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device/ble"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestPlaces(t *testing.T) {
	for _, tc := range []struct{ place, want string }{
		{"AA:BB:CC:DD:EE:FF", ""},
		{"aa:bb:cc:dd:ee:ff/2A5B", ""},
		{"AA:BB:CC:DD:EE:FF/fff0/0000fff1-0000-1000-8000-00805F9B34FB", ""},
		{"AA:BB:CC:DD:EE:FF/12345678", ""},
		{"AA:BB:CC:DD:EE:FF/fff0/fff1+fff2", ""},
		{"AA:BB:CC:DD:EE:FF/fff1+ffe0/ffe1", ""},
		{"AA:BB:CC:DD:EE:FF+fff2", ""},
		{"", `ble:: "" is no Bluetooth address`},
		{"AA:BB:CC:DD:EE", `ble:AA:BB:CC:DD:EE: "AA:BB:CC:DD:EE" is no Bluetooth address`},
		{"AA:BB:CC:DD:EE:FG", `ble:AA:BB:CC:DD:EE:FG: "AA:BB:CC:DD:EE:FG" is no Bluetooth address`},
		{"AA:BB:CC:DD:EE:FF/", `ble:AA:BB:CC:DD:EE:FF/: "" is no UUID`},
		{"AA:BB:CC:DD:EE:FF/2a5", `ble:AA:BB:CC:DD:EE:FF/2a5: "2a5" is no UUID`},
		{"AA:BB:CC:DD:EE:FF/1/2/3", `ble:AA:BB:CC:DD:EE:FF/1/2/3: more than a service and a characteristic`},
		{"AA:BB:CC:DD:EE:FF+", `ble:AA:BB:CC:DD:EE:FF+: "" is no UUID`},
		{"AA:BB:CC:DD:EE:FF/fff1+fff2+fff3", `ble:AA:BB:CC:DD:EE:FF/fff1+fff2+fff3: "fff2+fff3" is no UUID`},
		{"AA:BB:CC:DD:EE:FF/+fff2", `ble:AA:BB:CC:DD:EE:FF/+fff2: "" is no UUID`},
		{"AA:BB:CC:DD:EE:FF+1/2/3", `ble:AA:BB:CC:DD:EE:FF+1/2/3: more than a service and a characteristic`},
	} {
		transport, err := ble.New(tc.place, ble.Options{})
		if tc.want != "" {
			require.EqualError(t, err, tc.want)
			continue
		}
		require.NoError(t, err)
		require.Equal(t, "ble:"+tc.place, transport.Address().String())
	}
}

func FuzzPlaces(f *testing.F) {
	for _, seed := range []string{"AA:BB:CC:DD:EE:FF", "aa:bb:cc:dd:ee:ff/2a5b", "AA:BB:CC:DD:EE:FF/fff0/fff1+ffe0/ffe1", "AA:BB:CC:DD:EE:FF+", "/+//"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, place string) {
		transport, err := ble.New(place, ble.Options{})
		if err != nil {
			require.Contains(t, err.Error(), "ble:"+place+": ")
			return
		}
		require.Equal(t, place, transport.Address().Place)
		require.Regexp(t, `^[0-9A-Fa-f:]{17}(/[0-9a-fA-F/-]+)?(\+[0-9a-fA-F/-]+)?$`, place)
	})
}

func TestUUIDs(t *testing.T) {
	for _, tc := range []struct{ text, full, short string }{
		{"2A5B", "00002a5b-0000-1000-8000-00805f9b34fb", "2a5b"},
		{"00002a5b-0000-1000-8000-00805f9b34fb", "00002a5b-0000-1000-8000-00805f9b34fb", "2a5b"},
		{"12345678", "12345678-0000-1000-8000-00805f9b34fb", "12345678-0000-1000-8000-00805f9b34fb"},
	} {
		u, err := ble.ParseUUID(tc.text)
		require.NoError(t, err)
		require.Equal(t, ble.UUID(tc.full), u)
		require.Equal(t, tc.short, u.String())
	}
}
