package main

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/ble"
	"paintmark/device/profile"
)

func TestOneThatHangs(t *testing.T) {
	of := func(quiet time.Duration, request string) *profile.Profile {
		return &profile.Profile{Talk: profile.Talk{Quiet: quiet, Request: []byte(request)}}
	}
	require.Zero(t, hung(nil))
	require.Zero(t, hung(of(0, "")))
	require.Equal(t, 10*time.Second, hung(of(time.Second, "")))
	require.Equal(t, 15*time.Second, hung(of(5*time.Second, "")))
	require.Zero(t, hung(of(5*time.Second, "?")), "one that is asked is silent between")
}

func TestWhatIsNearbyInWords(t *testing.T) {
	at := func(place string) device.Address { return device.Address{Transport: ble.Name, Place: place} }
	var out bytes.Buffer
	require.NoError(t, printNearby(&out, []ble.Found{
		{Address: at("AA:BB:CC:DD:EE:01"), Name: "a\x1b[2Jb\tc\n", RSSI: -41}, // names come from the air
		{Address: at("AA:BB:CC:DD:EE:02"), Connected: true, Services: []ble.UUID{"0000180f-0000-1000-8000-00805f9b34fb", "12345678-9abc-4def-8000-00805f9b34fb"}},
	}, time.Second))
	require.Equal(t, ""+
		"ble:AA:BB:CC:DD:EE:01  a�[2Jb�c�  -41 dBm             \n"+
		"ble:AA:BB:CC:DD:EE:02                      connected  180f 12345678-9abc-4def-8000-00805f9b34fb\n", out.String())

	out.Reset()
	require.NoError(t, printNearby(&out, nil, 5*time.Second))
	require.Equal(t, "Nothing was heard in 5s.\n", out.String())

	out.Reset()
	require.NoError(t, printOffered(&out, []ble.Characteristic{
		{Address: at("AA:BB:CC:DD:EE:01/fff0/fff1"), Notifies: true, FormatErr: errors.New("the presentation format 0x19 is none that can be read")},
		{Address: at("AA:BB:CC:DD:EE:01/fff0/fff2"), Notifies: true, Writes: true, Format: ble.Format{Type: 0x14, Unit: 0x27A2}},
		{Address: at("AA:BB:CC:DD:EE:01/fff0/fff4"), Notifies: true, Format: ble.Format{Type: 0x05, Unit: 0x2741}},
		{Address: at("AA:BB:CC:DD:EE:01/fff0/fff3"), Writes: true, FormatErr: ble.ErrNoFormat},
	}))
	require.Equal(t, ""+
		"ble:AA:BB:CC:DD:EE:01/fff0/fff1  notifies                     the presentation format 0x19 is none that can be read\n"+
		"ble:AA:BB:CC:DD:EE:01/fff0/fff2  notifies, can be written to  describes itself: IEEE 754 number of 32 bits, in\n"+
		"ble:AA:BB:CC:DD:EE:01/fff0/fff4  notifies                     describes itself: unsigned integer of 12 bits, N·m; needs a profile all the same: a profile has no type for an integer of 12 bits\n"+
		"ble:AA:BB:CC:DD:EE:01/fff0/fff3  can be written to            \n", out.String())

	out.Reset()
	require.NoError(t, printOffered(&out, nil))
	require.Equal(t, "It has no characteristic that notifies or can be written to.\n", out.String())
}
