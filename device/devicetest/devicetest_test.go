package devicetest_test

import (
	"testing"

	"paintmark/device"
	"paintmark/device/devicetest"
)

func TestWire(t *testing.T) {
	devicetest.Run(t, func(*testing.T) devicetest.Bench {
		w := devicetest.NewWire(device.Address{Transport: "wire", Place: "bench"}, "PM-1")
		return devicetest.Bench{
			Transport: w, Feed: w.Feed, Unplug: w.Unplug, Plug: w.Plug, End: w.End,
			Identity: "PM-1", Exclusive: true,
		}
	})
}
