package devicetest_test

import (
	"testing"

	"paintmark/device"
	"paintmark/device/devicetest"
)

func wire(*testing.T) devicetest.Bench {
	w := devicetest.NewWire(device.Address{Transport: "wire", Place: "bench"}, "PM-1")
	return devicetest.Bench{
		Transport: w, Feed: w.Feed, Unplug: w.Unplug, Plug: w.Plug, End: w.End,
		Identity: "PM-1", Exclusive: true,
	}
}

func packets(*testing.T) devicetest.Bench {
	w := devicetest.NewWire(device.Address{Transport: "wire", Place: "bench"}, "PM-1").InPackets()
	return devicetest.Bench{
		Transport: w, Feed: w.Feed, Unplug: w.Unplug, Plug: w.Plug, End: w.End,
		Identity: "PM-1", Exclusive: true, Packets: true,
	}
}

func TestWire(t *testing.T) { devicetest.Run(t, wire) }

func TestPackets(t *testing.T) { devicetest.Run(t, packets) }

func TestFramings(t *testing.T) { devicetest.RunFramings(t, wire) }

func TestFramingsInPackets(t *testing.T) { devicetest.RunFramings(t, packets) }
