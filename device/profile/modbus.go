package profile

import (
	"bytes"
	"fmt"
	"time"
)

type modbusForm struct {
	Device    int    `toml:"device"`
	Registers string `toml:"registers"`
	First     int    `toml:"first"`
	Count     int    `toml:"count"`
}

// Function codes of the Modbus application protocol, V1.1b3, 6.3 and 6.4 (from memory).
const (
	readHolding = 3
	readInput   = 4
	exception   = 0x80
)

// modbus takes the framing of the replies to one request for registers.
func (r reader) modbus(form modbusForm) framing {
	for _, table := range []string{"framing", "check"} {
		if r.file.Has(table) {
			r.file.Fault(table, fmt.Sprintf("[%s] follows from [modbus]", table), "drop it")
		}
	}
	code := map[string]byte{"holding": readHolding, "input": readInput}[r.word("modbus.registers", form.Registers, "holding", "input")]
	for _, bound := range []struct {
		key         string
		value       *int
		least, most int
	}{
		{"device", &form.Device, 1, 247},
		{"first", &form.First, 0, 65535},
		{"count", &form.Count, 1, 125},
	} {
		if *bound.value < bound.least || *bound.value > bound.most {
			r.file.Fault("modbus."+bound.key, fmt.Sprintf("%d cannot be", *bound.value), fmt.Sprintf("%s lies between %d and %d", bound.key, bound.least, bound.most))
			*bound.value = bound.least
		}
	}
	if form.First+form.Count > 65536 {
		r.file.Fault("modbus.count", fmt.Sprintf("%d registers from %d go beyond the last, which is 65535", form.Count, form.First), "")
	}
	device := byte(form.Device)
	f := framing{kind: "modbus", longest: DefaultFrame, registers: form.Count}
	f.first = []byte{device, code, byte(2 * form.Count)}
	f.refusal = []byte{device, code | exception}
	f.request = sealed([]byte{device, code, byte(form.First >> 8), byte(form.First), byte(form.Count >> 8), byte(form.Count)})
	return f
}

var modbusSum = crcs["modbus"].Summer()

// sealed is a message with its check behind it, low byte first (Modbus over
// serial line, V1.02, 2.5.1.2; from memory).
func sealed(message []byte) []byte {
	sum := modbusSum(message)
	return append(message, byte(sum), byte(sum>>8))
}

// replies frames the replies to one request for registers. What comes back of
// the request itself, as over cables that echo, is dropped.
type replies struct {
	framing
	buf   []byte
	start int // of what is not given yet
	at    time.Time
}

// Feed implements Framer.
func (m *replies) Feed(p []byte, at time.Time) {
	if m.start > 0 {
		m.buf = m.buf[:copy(m.buf, m.buf[m.start:])]
		m.start = 0
	}
	m.buf = append(m.buf, p...)
	m.at = at
}

// Next implements Framer.
func (m *replies) Next() (Frame, bool) {
	for {
		data := m.buf[m.start:]
		skip := m.seek(data, 0)
		switch {
		case skip >= m.longest:
			return m.reject(m.longest, errBetween), true
		case !m.starts(data[skip:]):
			return Frame{}, false
		case skip > 0:
			return m.reject(skip, errBetween), true
		}
		n := m.extent(data)
		if len(data) < n {
			return Frame{}, false
		}
		if bytes.HasPrefix(data, m.request) {
			m.take(n)
			continue
		}
		want, got := modbusSum(data[:n-2]), uint16(data[n-1])<<8|uint16(data[n-2])
		switch {
		case got != want:
			return m.reject(m.seek(data[:n], 1), &Rejection{
				Reason: fmt.Sprintf("check: want %04X got %04X", want, got),
				Hint:   "noise on the line, or the baud rate or the parity is another than the profile says",
			}), true
		case data[1] == m.refusal[1]:
			return m.reject(n, refused(data[2])), true
		}
		raw := m.take(n)
		return Frame{Raw: raw, Body: raw[3 : n-2], Time: m.at}, true
	}
}

// extent is how long what begins here is: the request, while it may be that, or
// a reply, or a refusal.
func (m *replies) extent(data []byte) int {
	switch {
	case begins(data, m.request):
		return len(m.request)
	case bytes.HasPrefix(data, m.first):
		return len(m.first) + 2*m.registers + 2
	}
	return len(m.refusal) + 3
}

// starts tells that a reply begins here, and not merely what may be one once
// more has come.
func (m *replies) starts(data []byte) bool {
	return bytes.HasPrefix(data, m.first) || bytes.HasPrefix(data, m.refusal) || bytes.HasPrefix(data, m.request)
}

// seek is where the next reply, or the beginning of one, lies at or behind from.
func (m *replies) seek(data []byte, from int) int {
	for i := from; i < len(data); i++ {
		j := bytes.IndexByte(data[i:], m.first[0])
		if j < 0 {
			break
		}
		i += j
		if d := data[i:]; begins(d, m.first) || begins(d, m.refusal) || begins(d, m.request) {
			return i
		}
	}
	return len(data)
}

func (m *replies) reject(n int, err error) Frame { return Frame{Raw: m.take(n), Time: m.at, Err: err} }

func (m *replies) take(n int) []byte {
	raw := m.buf[m.start : m.start+n : m.start+n]
	m.start += n
	return raw
}

// Rest implements Framer.
func (m *replies) Rest() []byte { return m.buf[m.start:] }

// refused is what the exception codes say (Modbus application protocol, V1.1b3,
// 7; from memory).
func refused(code byte) error {
	words := map[byte]string{
		1: "it does not know the function", 2: "it has no such register", 3: "it does not take the number of registers",
		4: "it has failed", 5: "it needs longer", 6: "it is busy",
	}
	word, known := words[code]
	if !known {
		word = "for a reason of its own"
	}
	r := &Rejection{Reason: fmt.Sprintf("the instrument refuses to be read, code %d: %s", code, word)}
	if code <= 3 {
		r.Hint = "are registers, first and count in [modbus] as its manual says? Manuals often count registers from 1, and the protocol from 0"
	}
	return r
}
