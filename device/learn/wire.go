package learn

import (
	"math/bits"

	"paintmark/device"
)

// What a receiver makes of a line whose setting is not its own. It is needed
// to tell from garbled bytes how the line is set: the garbling has a pattern.
//
// A character is a start bit (low), the data bits from the lowest up, a parity
// bit if there is one, and at least one stop bit (high); between characters the
// line is high (the asynchronous format of EIA-232 practice).

// A wire is the level of a line over time: edges at which it changes, from high
// at the beginning, in seconds.
type wire struct {
	edges []float64
	end   float64
}

// level is what the line is at t.
func (w *wire) level(t float64, from int) (high bool, at int) {
	for from < len(w.edges) && w.edges[from] <= t {
		from++
	}
	return from%2 == 0, from
}

func (w *wire) set(high bool, t float64) {
	if now := len(w.edges)%2 == 0; now != high {
		w.edges = append(w.edges, t)
	}
}

func parityBit(parity string, data byte) (bit, has bool) {
	odd := bits.OnesCount8(data)%2 == 1
	switch parity {
	case "even":
		return odd, true
	case "odd":
		return !odd, true
	case "mark":
		return true, true
	case "space":
		return false, true
	}
	return false, false
}

// send puts bytes on the wire. idle is the time the line rests after each, in
// bits, beside its stop bits.
func (w *wire) send(line device.Settings, data []byte, idle func() float64) {
	bit := 1 / float64(line.Baud)
	t := w.end
	for _, c := range data {
		w.set(false, t)
		t += bit
		for i := range line.DataBits {
			w.set(c>>i&1 == 1, t)
			t += bit
		}
		c &= 1<<line.DataBits - 1
		if p, has := parityBit(line.Parity, c); has {
			w.set(p, t)
			t += bit
		}
		w.set(true, t)
		t += bit
		if line.StopBits == "2" {
			t += bit
		}
		t += bit * idle()
	}
	w.end = t
}

// receive is what a receiver that is set to line makes of the wire. As the
// systems do it, a character with a wrong parity is given as a zero, one
// without its stop bit is given as it is where no parity is looked at, and
// after it the line must be high before the next may start.
func (w *wire) receive(line device.Settings) (heard []byte) {
	bit := 1 / float64(line.Baud)
	at := 0
	for at < len(w.edges) {
		if at%2 == 1 { // low, and it is no start
			at++
			continue
		}
		start := w.edges[at]
		high, i := w.level(start+bit/2, at)
		if high { // too short for a start
			at = i
			continue
		}
		var c byte
		for n := range line.DataBits {
			if high, i = w.level(start+bit*(1.5+float64(n)), i); high {
				c |= 1 << n
			}
		}
		t := start + bit*(1.5+float64(line.DataBits))
		good := true
		if want, has := parityBit(line.Parity, c); has {
			high, i = w.level(t, i)
			good = high == want
			t += bit
		}
		stop, i := w.level(t, i)
		if line.Parity != "none" && (!good || !stop) {
			c = 0
		}
		heard = append(heard, c)
		at = i
	}
	return heard
}
