package simulated

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/shopspring/decimal"

	"paintmark/device/profile"
)

// Faults spoil the replies of an instrument that listens. Each function is asked
// with the number of the request, from 1; nil means never.
type Faults struct {
	// Lose lets a reply go missing.
	Lose func(n int) bool
	// Late is how long a reply takes.
	Late func(n int) time.Duration
	// Garble spoils one byte of a reply.
	Garble func(n int) bool
	// Echo sends back what was heard before the reply, as cables with one pair of
	// wires do.
	Echo bool
}

// listener is what instruments that listen have in common.
type listener struct {
	port   io.ReadWriter
	faults Faults
	n      int // requests

	mu sync.Mutex // of one Write, and of what the instrument knows
}

// reply says what a request is answered with, unless a fault comes between.
func (l *listener) reply(request, answer []byte) error {
	l.n++
	f := l.faults
	if f.Echo {
		if err := l.write(request); err != nil {
			return err
		}
	}
	if f.Lose != nil && f.Lose(l.n) {
		return nil
	}
	if f.Garble != nil && f.Garble(l.n) {
		answer = bytes.Clone(answer)
		answer[len(answer)/2] ^= 0xc0
	}
	if f.Late != nil {
		time.Sleep(f.Late(l.n))
	}
	return l.write(answer)
}

func (l *listener) write(b []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	_, err := l.port.Write(b)
	return err
}

// commands reads commands that end with a CR, until the port fails.
func (l *listener) commands(obey func(command string) error) error {
	var heard []byte
	buf := make([]byte, 256)
	for {
		n, err := l.port.Read(buf)
		if err != nil {
			return ended(err)
		}
		heard = append(heard, buf[:n]...)
		for {
			command, rest, whole := bytes.Cut(heard, []byte{'\r'})
			if !whole {
				break
			}
			heard = rest
			if err := obey(string(command)); err != nil {
				return ended(err)
			}
		}
	}
}

// ended is nil where the port was only unplugged.
func ended(err error) error {
	if errors.Is(err, ErrUnplugged) {
		return nil
	}
	return err
}

// An Asked is an indicator that says nothing unless it is asked, as the profile
// indicator-asked has it: to "?" and CR it replies with its value, and "Z" and CR
// set it to zero.
type Asked struct {
	listener
	value, zero decimal.Decimal
}

// NewAsked makes one that shows 0 mm.
func NewAsked(port io.ReadWriter, f Faults) *Asked {
	return &Asked{listener: listener{port: port, faults: f}}
}

// Set moves its spindle to a place in millimetres.
func (a *Asked) Set(value decimal.Decimal) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.value = value
}

// Serve listens and replies until the port is unplugged.
func (a *Asked) Serve() error {
	return a.commands(func(command string) error {
		a.mu.Lock()
		shown := a.value.Sub(a.zero)
		if command == "Z" {
			a.zero = a.value
		}
		a.mu.Unlock()
		if command != "?" {
			return nil
		}
		sign := "+"
		if shown.Sign() < 0 {
			sign = "-"
		}
		return a.reply([]byte("?\r"), fmt.Appendf(nil, "=%s%06s mm\r", sign, shown.Abs().StringFixed(3)))
	})
}

// A Begun is a torque wrench that streams from "GO" to "STOP", as the profile
// wrench-begun has it; it answers each command with OK.
type Begun struct {
	listener
	every       time.Duration
	heard       func(command string)
	value, zero decimal.Decimal
	streaming   bool
	off         bool
}

// NewBegun makes one that streams a line at each interval and shows 0 N·m. What
// it hears is told to heard, which may be nil.
func NewBegun(port io.ReadWriter, every time.Duration, heard func(command string)) *Begun {
	return &Begun{listener: listener{port: port}, every: every, heard: heard}
}

// Set puts a torque on it, in newton metres.
func (b *Begun) Set(value decimal.Decimal) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.value = value
}

// Switch switches it on or off. Off, it hears nothing; and switched on it does
// not stream until it is told to.
func (b *Begun) Switch(on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.off, b.streaming = !on, false
}

// Serve listens and streams until the port is unplugged.
func (b *Begun) Serve() error {
	over, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		b.stream(over)
	}()
	err := b.commands(b.obey)
	close(over)
	<-stopped
	return err
}

func (b *Begun) obey(command string) error {
	b.mu.Lock()
	off := b.off
	switch {
	case off:
	case command == "GO":
		b.streaming = true
	case command == "STOP":
		b.streaming = false
	case command == "ZERO":
		b.zero = b.value
	}
	b.mu.Unlock()
	if off {
		return nil
	}
	if b.heard != nil {
		b.heard(command)
	}
	return b.write([]byte("OK\r\n"))
}

func (b *Begun) stream(over <-chan struct{}) {
	ticks := time.NewTicker(b.every)
	defer ticks.Stop()
	for {
		select {
		case <-over:
			return
		case <-ticks.C:
		}
		b.mu.Lock()
		shown, streaming := b.value.Sub(b.zero), b.streaming
		if streaming {
			sign := " "
			if shown.Sign() < 0 {
				sign = "-"
			}
			_, _ = fmt.Fprintf(b.port, "%s%7s\r\n", sign, shown.Abs().StringFixed(2)) // an unplugged port ends Serve too
		}
		b.mu.Unlock()
	}
}

// Registers are a device that speaks Modbus RTU: it gives its registers by the
// functions 3 and 4, and refuses what it cannot do with an exception (Modbus
// application protocol, V1.1b3, 6.3, 6.4, 7; from memory).
type Registers struct {
	listener
	device byte
	values []uint16
}

// NewRegisters makes a device with an address and so many registers.
func NewRegisters(port io.ReadWriter, device byte, registers int, f Faults) *Registers {
	return &Registers{listener: listener{port: port, faults: f}, device: device, values: make([]uint16, registers)}
}

// Set sets registers from one on.
func (r *Registers) Set(from int, values ...uint16) {
	r.mu.Lock()
	defer r.mu.Unlock()
	copy(r.values[from:], values)
}

const (
	requestSize                            = 8
	readHolding, readInput                 = 3, 4
	badFunction, badAddress, badValue byte = 1, 2, 3
	mostRegisters                          = 125
)

// Serve listens and replies until the port is unplugged. What fails its check, or
// is for another device, has no reply.
func (r *Registers) Serve() error {
	crc, _ := profile.CRCNamed("modbus")
	var heard []byte
	buf := make([]byte, 256)
	for {
		n, err := r.port.Read(buf)
		if err != nil {
			return ended(err)
		}
		heard = append(heard, buf[:n]...)
		for len(heard) >= requestSize {
			request := heard[:requestSize]
			if crc.Sum(request[:6]) != binary.LittleEndian.Uint16(request[6:]) {
				heard = heard[1:]
				continue
			}
			heard = heard[requestSize:]
			if request[0] != r.device {
				continue
			}
			answer := r.answer(request)
			answer = binary.LittleEndian.AppendUint16(answer, crc.Sum(answer))
			if err := r.reply(request, answer); err != nil {
				return ended(err)
			}
		}
	}
}

// answer is the answer to a request, without its check.
func (r *Registers) answer(request []byte) []byte {
	function := request[1]
	from, count := int(binary.BigEndian.Uint16(request[2:])), int(binary.BigEndian.Uint16(request[4:]))
	refuse := func(code byte) []byte { return []byte{r.device, function | 0x80, code} }
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case function != readHolding && function != readInput:
		return refuse(badFunction)
	case count == 0 || count > mostRegisters:
		return refuse(badValue)
	case from+count > len(r.values):
		return refuse(badAddress)
	}
	answer := []byte{r.device, function, byte(2 * count)}
	for _, v := range r.values[from : from+count] {
		answer = binary.BigEndian.AppendUint16(answer, v)
	}
	return answer
}
