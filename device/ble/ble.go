// Package ble is the transport of Bluetooth LE instruments: whatever
// characteristic notifies is a stream of bytes, in the order in which the
// notifications came.
//
// A place is one of
//
//	AA:BB:CC:DD:EE:FF                  the only characteristic that notifies
//	AA:BB:CC:DD:EE:FF/2a5b             the characteristic with this UUID
//	AA:BB:CC:DD:EE:FF/fff0/fff1        the same within one service
//	AA:BB:CC:DD:EE:FF/fff0/fff1+fff2   and what is sent goes to fff2
//
// What is sent goes to the characteristic that notifies, where that can be
// written. Many instruments have another one for it; then it is named behind a
// plus sign, with its service before it if need be (…/fff1+ffe0/ffe1). Without a
// service it is looked for in that of the one that notifies, then in all. It is
// written with a response where the characteristic has that, else without one, in
// parts that fit into one packet each.
//
// A UUID is written in full, or by four or eight hexadecimal digits where it
// lies in the range of the Bluetooth base UUID. When the only one is looked
// for, the battery level (2a19) and the list of services (2a05), which say
// nothing measured, do not count.
//
// It works on Linux, through BlueZ over D-Bus. Each link has a connection to
// the bus of its own, so that nothing of one outlives it. An instrument that is
// not known is scanned for. It is connected if it was not, and then
// disconnected again by Close; pairing, power and other programs' use are left
// as found.
//
// Several programs can hear one characteristic without taking anything from one
// another, unless one has acquired its notifications for itself, which is told
// as device.ErrBusy. One thing cannot be told apart: when another program reads
// the value of the characteristic, BlueZ shows it to all as if it had been
// notified.
//
// A loss is told when BlueZ tells it: disconnected, out of reach (after the
// supervision timeout, some seconds), removed, switched off, or the Bluetooth
// service itself gone. An instrument that hangs but keeps its connection is not
// told by anybody: for one that streams, set Options.Silence.
//
// Order is kept from the bus on. Against an emulated controller some bursts came
// from the bus in another order than they were sent in (a few in a thousand);
// where that happens on the way has not been found. A profile whose pattern no
// mixture of lines can match makes a rejected line of it and no false reading.
//
// Up to 256 KiB are held for a reader that is busy; beyond them nothing more is
// taken from the bus until there is room. Nothing is dropped.
//
// A characteristic that describes itself says how by its [Format].
package ble

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"paintmark/device"
)

// Name is the transport's name in an address: "ble:AA:BB:CC:DD:EE:FF".
const Name = "ble"

// What is used where Options are zero.
const (
	DefaultSearch  = 10 * time.Second
	DefaultConnect = 20 * time.Second
)

// Options are what may be set otherwise. The zero Options is for real use.
type Options struct {
	// Adapter is the Bluetooth adapter of this computer, such as "hci0"; the
	// first that is switched on if empty.
	Adapter string
	// Search is how long an instrument that is not known is scanned for;
	// DefaultSearch if zero.
	Search time.Duration
	// Connect is how long connecting may take, all in all; DefaultConnect if zero.
	Connect time.Duration
	// Silence is after how long without a notification the link counts as lost.
	// It is only for instruments that stream; never if zero.
	Silence time.Duration

	bus string // the bus's address; the system bus if empty
}

func (o Options) filled() Options {
	if o.Search == 0 {
		o.Search = DefaultSearch
	}
	if o.Connect == 0 {
		o.Connect = DefaultConnect
	}
	return o
}

// A Transport opens the instrument at one place. Its links have the
// instrument's address as their identity, and are device.Stamped and
// device.Packeted and [Describing].
type Transport struct {
	place   string
	mac     string // in capitals
	source  choice // what notifies
	sink    choice // what is written to; empty: the source
	options Options
}

// A choice is a characteristic as a place names it. What is empty may be any.
type choice struct{ service, char UUID }

var macPattern = regexp.MustCompile(`^[0-9A-F]{2}(:[0-9A-F]{2}){5}$`)

// New makes a transport for a place, which is only looked for when it is
// opened. It fails for a place that cannot be.
func New(place string, o Options) (*Transport, error) {
	t := &Transport{place: place, options: o.filled()}
	const hint = "write the address, and the characteristic where there are several, as in ble:AA:BB:CC:DD:EE:FF/2a5b"
	source, sink, both := strings.Cut(place, "+")
	mac, source, named := strings.Cut(source, "/")
	t.mac = strings.ToUpper(mac)
	if !macPattern.MatchString(t.mac) {
		return nil, t.fail(fmt.Errorf("%q is no Bluetooth address", mac), hint)
	}
	for _, part := range []struct {
		text string
		is   bool
		to   *choice
	}{{source, named, &t.source}, {sink, both, &t.sink}} {
		if !part.is {
			continue
		}
		words := strings.Split(part.text, "/")
		if len(words) > 2 {
			return nil, t.fail(errors.New("more than a service and a characteristic"), hint)
		}
		for i, word := range words {
			u, err := ParseUUID(word)
			if err != nil {
				return nil, t.fail(err, "a UUID is written in full or by its four hexadecimal digits, as in 2a5b")
			}
			if i == len(words)-1 {
				part.to.char = u
			} else {
				part.to.service = u
			}
		}
	}
	return t, nil
}

// Address implements device.Transport.
func (t *Transport) Address() device.Address { return device.Address{Transport: Name, Place: t.place} }

func (t *Transport) fail(err error, hint string) error {
	return &device.Error{Address: t.Address(), Err: err, Hint: hint}
}

// Open implements device.Transport. Where nothing is said otherwise in ctx it
// takes at most Options.Search and Options.Connect.
func (t *Transport) Open(ctx context.Context) (device.Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, t.fail(err, "")
	}
	return t.open(ctx)
}

// Describing is what a link has whose characteristic may say how its values are
// to be read.
type Describing interface {
	// Format is what the characteristic's presentation format descriptor says.
	// It fails with ErrNoFormat where there is none.
	Format() (Format, error)
}

// ErrNoFormat means that a characteristic does not describe itself.
var ErrNoFormat = errors.New("the characteristic has no presentation format descriptor")

// A Characteristic is what Inspect tells of one.
type Characteristic struct {
	// Address is what opens it, where it notifies.
	Address       device.Address
	Service, UUID UUID
	Notifies      bool // by notifications or indications
	Writes        bool // it can be written to
	// Format is what its presentation format descriptor says; FormatErr, such as
	// ErrNoFormat, why there is none.
	Format    Format
	FormatErr error
}

// Inspect connects the instrument, tells which of its characteristics notify or
// can be written to, in the order of their handles, and leaves the connection as
// it was. Which one the place names does not matter. It takes as long as Open.
func (t *Transport) Inspect(ctx context.Context) ([]Characteristic, error) {
	if err := ctx.Err(); err != nil {
		return nil, t.fail(err, "")
	}
	return t.inspect(ctx)
}

// A Found is an instrument, or whatever else, that a scan heard.
type Found struct {
	// Address is what opens it; it may need a characteristic as well.
	Address device.Address
	// Name is what it calls itself; empty where it does not say.
	Name string
	// RSSI is the strength of its signal in dBm; 0 where that is not known.
	RSSI int
	// Services are those it tells of, in the order of their UUIDs.
	Services []UUID
	// Connected tells that it is connected to this computer.
	Connected bool
}

// Scan listens until ctx is done and tells what it heard or is connected,
// strongest first. That its time is over is no error.
func Scan(ctx context.Context, o Options) ([]Found, error) { return scan(ctx, o.filled()) }

// baseUUID is what the short forms are completed with (Bluetooth Core
// Specification, Vol 3 Part B, 2.5.1; from memory).
const baseUUID = "-0000-1000-8000-00805f9b34fb"

// A UUID names a service, a characteristic or a descriptor. It is in full and in
// small letters; the empty UUID is none.
type UUID string

var uuidPattern = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

// ParseUUID reads a UUID in full, or by four or eight hexadecimal digits.
func ParseUUID(text string) (UUID, error) {
	full := strings.ToLower(text)
	switch len(full) {
	case 4:
		full = "0000" + full + baseUUID
	case 8:
		full += baseUUID
	}
	if !uuidPattern.MatchString(full) {
		return "", fmt.Errorf("%.40q is no UUID", text)
	}
	return UUID(full), nil
}

// String is the UUID by four digits where that can be, else in full.
func (u UUID) String() string {
	if rest, ok := strings.CutPrefix(string(u), "0000"); ok && strings.HasSuffix(rest, baseUUID) {
		return strings.TrimSuffix(rest, baseUUID)
	}
	return string(u)
}
