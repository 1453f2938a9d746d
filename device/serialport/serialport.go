// Package serialport is the transport of serial devices: RS-232 ports, USB
// adapters, instruments with USB of their own, and whatever else the operating
// system shows as one, such as a Bluetooth serial port or a pseudo-terminal.
//
// A place is one of
//
//	/dev/ttyUSB0, COM3   a path or name; a symbolic link is followed at each opening
//	usb=PM0001           the serial number of the USB device, on any socket
//	by-id=usb-…-port0    a name under /dev/serial/by-id (Linux)
//
// The last two find an instrument again that was plugged into another socket
// or came back under another name, and are to be preferred.
//
// While a port is open no other program gets it: it is opened exclusively, and
// on Linux and macOS locked as well (flock), which also stops the second of two
// of this program that run as root. On Linux a port that another program has
// open is refused, as far as that can be seen. The line's settings are left as
// they were found (Linux, macOS). What cannot be avoided: most systems raise DTR and RTS
// for some milliseconds when a port is opened, before they can be set.
//
// A port that Linux has bound to a Bluetooth instrument (/dev/rfcomm0) connects
// when it is opened. Open waits for the instrument's answer, and its Bluetooth
// address is its identity; the path stays the same when the link was lost.
//
// [List] tells which ports there are without opening any of them.
package serialport

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.bug.st/serial"

	"paintmark/device"
)

// Name is the transport's name in an address: "serial:/dev/ttyUSB0".
const Name = "serial"

// pollInterval is how often a blocked Read looks whether it is to end. The
// library's own Close would end it at once, but closes the handle under it, so
// that the Read could take the bytes of whatever is opened next under the same
// number.
const pollInterval = 50 * time.Millisecond

// answerTime is how long a Bluetooth instrument may take to answer. The kernel
// gives up calling after 5.12 s (the page timeout of the Bluetooth core
// specification, vol 4, part E, 6.6), and security and channel come after that.
const answerTime = 20 * time.Second

// A Transport opens the serial port at one place. Its links are exclusive and
// say the USB serial number or the Bluetooth address, if there is one, as their
// identity.
type Transport struct {
	place string
	mode  serial.Mode
	root  string // of the file system; another one in tests
}

var (
	parities = map[string]serial.Parity{
		"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity,
		"mark": serial.MarkParity, "space": serial.SpaceParity,
	}
	stopBits = map[string]serial.StopBits{
		"1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits,
	}
)

// New makes a transport for a place, which is only looked for when it is
// opened. It fails for a place or settings that cannot be.
func New(place string, s device.Settings) (*Transport, error) {
	t := &Transport{place: place, root: "/"}
	kind, name := splitPlace(place)
	if name == "" {
		return nil, t.fail(errors.New("no place"), `write a path, or usb= and a USB serial number, as in serial:usb=PM0001`)
	}
	if kind == byID && strings.ContainsAny(name, `/\`) {
		return nil, t.fail(fmt.Errorf("%q is no name", name), "after by-id= stands a name without folders")
	}
	parity, parityKnown := parities[s.Parity]
	stop, stopKnown := stopBits[s.StopBits]
	switch {
	case s.Baud <= 0:
		return nil, t.fail(fmt.Errorf("%d is no baud rate", s.Baud), "")
	case s.DataBits < 5 || s.DataBits > 8:
		return nil, t.fail(fmt.Errorf("%d data bits do not exist", s.DataBits), "")
	case !parityKnown:
		return nil, t.fail(fmt.Errorf("%q is no parity", s.Parity), "")
	case !stopKnown:
		return nil, t.fail(fmt.Errorf("%q stop bits do not exist", s.StopBits), "")
	}
	t.mode = serial.Mode{
		BaudRate: s.Baud, DataBits: s.DataBits, Parity: parity, StopBits: stop,
		InitialStatusBits: &serial.ModemOutputBits{DTR: s.DTR, RTS: s.RTS},
	}
	return t, nil
}

const (
	byPath = ""
	byUSB  = "usb="
	byID   = "by-id="
)

func splitPlace(place string) (kind, name string) {
	for _, kind := range []string{byUSB, byID} {
		if name, ok := strings.CutPrefix(place, kind); ok {
			return kind, name
		}
	}
	return byPath, place
}

// Address implements device.Transport.
func (t *Transport) Address() device.Address { return device.Address{Transport: Name, Place: t.place} }

func (t *Transport) fail(err error, hint string) error {
	return &device.Error{Address: t.Address(), Err: err, Hint: hint}
}

// Hints that more than one failure shares.
const (
	hintAbsent    = "plug it in or switch it on; the list of ports shows what is there"
	hintDuplicate = "name the one that is meant by its by-id name or its path"
)

// Open implements device.Transport.
func (t *Transport) Open(ctx context.Context) (device.Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, t.fail(err, "")
	}
	path, identity, err := t.find()
	if err != nil {
		return nil, err
	}
	h, err := take(path)
	if err != nil {
		return nil, t.explain(err, path)
	}
	// A program that has the port without keeping others out would be given a
	// share of its bytes.
	if !h.pseudo() && elsewhere(t.root, path) != "" {
		h.release()
		return nil, t.explain(device.ErrBusy, path)
	}
	if err := answered(ctx, t.root, path, h.gone); err != nil {
		h.release()
		return nil, t.explain(err, path)
	}
	mode := t.mode
	if !h.hasModemLines() { // setting them would fail, as on a pseudo-terminal
		mode.InitialStatusBits = nil
	}
	port, err := serial.Open(path, &mode)
	if err == nil {
		if err = port.SetReadTimeout(pollInterval); err != nil {
			err = errors.Join(err, port.Close())
		}
	}
	if err != nil {
		if h.gone() {
			err = device.ErrAbsent
		}
		h.release()
		return nil, t.explain(err, path)
	}
	h.opened()
	return &link{transport: t, identity: identity, port: port, hold: h}, nil
}

// find gives the path to open now and the identity of what is there.
func (t *Transport) find() (path, identity string, err error) {
	switch kind, name := splitPlace(t.place); kind {
	case byUSB:
		return t.findUSB(name)
	case byID:
		path, err = followByID(t.root, name)
	default:
		path, err = follow(name)
	}
	if err != nil {
		return "", "", t.explain(err, path)
	}
	return path, identityOf(t.root, path), nil
}

func (t *Transport) findUSB(number string) (path, identity string, err error) {
	ports, err := withSerial(t.root, number)
	switch {
	case err != nil:
		return "", "", t.explain(err, "")
	case len(ports) == 0:
		return "", "", t.fail(fmt.Errorf("%w: no port has the USB serial number %q", device.ErrAbsent, number), hintAbsent)
	case len(ports) > 1:
		return "", "", t.fail(fmt.Errorf("%d ports have the USB serial number %q: %s", len(ports), number, strings.Join(ports, ", ")), hintDuplicate)
	}
	return ports[0], number, nil
}

// Failures of the parts that depend on the system, beside those of package device.
var (
	errNoSerial    = errors.New("not a serial port")
	errUnsupported = errors.New("this system has no names by id")
	errNoAdapter   = errors.New("no Bluetooth adapter is switched on")
	errNoAnswer    = errors.New("the Bluetooth instrument does not answer")
)

// explain turns what opening failed with into an error of package device, with
// the place and what to do.
func (t *Transport) explain(err error, path string) error {
	var known *serial.PortError
	if errors.As(err, &known) {
		switch known.Code() {
		case serial.PortBusy:
			err = device.ErrBusy
		case serial.PortNotFound:
			err = device.ErrAbsent
		case serial.PermissionDenied:
			err = device.ErrDenied
		default:
			return t.fail(fmt.Errorf("the port cannot be set up: %w", known), "does the port support the rate and the parity of the profile?")
		}
	}
	where := ""
	if path != "" && path != t.place {
		where = ": " + path
	}
	switch {
	case errors.Is(err, errNoAnswer):
		return t.fail(fmt.Errorf("%w: %w%s", device.ErrAbsent, errNoAnswer, where), "switch it on and bring it near; nothing else may be connected to it")
	case errors.Is(err, errNoAdapter):
		return t.fail(fmt.Errorf("%w: %w", device.ErrAbsent, errNoAdapter), "switch on the Bluetooth of this computer")
	case errors.Is(err, device.ErrBusy):
		hint := "close the other program that has the port open"
		if who := holder(t.root, path); who != "" {
			hint = fmt.Sprintf("%s has it open: close that first", who)
		}
		return t.fail(fmt.Errorf("%w%s", device.ErrBusy, where), hint)
	case errors.Is(err, device.ErrDenied), errors.Is(err, fs.ErrPermission):
		return t.fail(fmt.Errorf("%w%s", device.ErrDenied, where), hintDenied(path))
	case errors.Is(err, device.ErrAbsent), errors.Is(err, fs.ErrNotExist), goneError(err):
		return t.fail(fmt.Errorf("%w%s", device.ErrAbsent, where), hintAbsent)
	case errors.Is(err, errNoSerial):
		return t.fail(fmt.Errorf("%w%s", errNoSerial, where), "the list of ports shows what is one")
	case errors.Is(err, errUnsupported):
		return t.fail(err, "name the port by usb= and its USB serial number, or by its path")
	}
	return t.fail(err, "")
}

// A link is one open port.
type link struct {
	transport *Transport
	identity  string
	port      serial.Port
	hold      *hold

	closing atomic.Bool
	use     sync.RWMutex // held by Read and Write, so that Close closes the handle under neither
	once    sync.Once
	err     error // of Close
}

func (l *link) Identity() string { return l.identity }

func (l *link) Read(p []byte) (int, error) {
	if len(p) == 0 { // the library would take the 0 bytes for an unplugged port
		return 0, nil
	}
	l.use.RLock()
	defer l.use.RUnlock()
	for {
		if l.closing.Load() {
			return 0, l.transport.fail(device.ErrClosed, "")
		}
		n, err := l.port.Read(p)
		if n > 0 {
			return n, nil // an error with it comes again with the next Read
		}
		if err != nil {
			return 0, l.ended(err)
		}
		// Neither bytes nor an error: the timeout.
	}
}

// ended tells an unplugged port from our own Close, which the library does not.
func (l *link) ended(err error) error {
	if l.closing.Load() {
		return l.transport.fail(device.ErrClosed, "")
	}
	var known *serial.PortError
	if errors.As(err, &known) && known.Code() == serial.PortClosed {
		err = errors.New("unplugged or switched off")
	}
	return l.transport.fail(fmt.Errorf("%w: %w", device.ErrLost, err), hintAbsent)
}

func (l *link) Write(p []byte) (int, error) {
	l.use.RLock()
	defer l.use.RUnlock()
	written := 0
	for {
		if l.closing.Load() {
			return written, l.transport.fail(device.ErrClosed, "")
		}
		n, err := l.hold.write(l.port, p[written:])
		written += n
		if err != nil {
			return written, l.ended(err)
		}
		if written >= len(p) {
			return written, nil
		}
	}
}

func (l *link) Close() error {
	l.once.Do(func() {
		l.closing.Store(true)
		l.use.Lock()
		defer l.use.Unlock()
		if err := l.port.Close(); err != nil {
			l.err = l.transport.fail(fmt.Errorf("closing: %w", err), "")
		}
		l.hold.release()
	})
	return l.err
}

// A Port is a serial port of this computer as List found it. What is not known
// is empty.
type Port struct {
	// Path is the path or name it is opened by.
	Path string
	// Address is the best address for it: by its USB serial number where that
	// names one port alone, by its by-id name, or by its path.
	Address device.Address
	// ByID is its name under /dev/serial/by-id.
	ByID string
	// VendorID and ProductID are those of its USB device, four hexadecimal
	// digits each.
	VendorID, ProductID string
	// Serial and Product are the texts that its USB device gives of itself. The
	// product of a Bluetooth port is "Bluetooth" and the instrument's address.
	Serial, Product string
	// HeldBy is the program that has it open, as far as that can be told
	// without opening it: only on Linux, and of other users only for root.
	HeldBy string
}

// List tells which serial ports there are, in the order of their names. It
// opens none of them and disturbs nothing; it may be called while ports are
// recorded from. Ports that exist by name only, without hardware, are left out.
func List(ctx context.Context) ([]Port, error) {
	ports, err := list(ctx, "/")
	if err != nil {
		return nil, err
	}
	return addressed(ports), nil
}

// addressed orders ports and gives each its best address.
func addressed(ports []Port) []Port {
	serials := map[string]int{}
	for _, p := range ports {
		serials[p.Serial]++
	}
	for i := range ports {
		p := &ports[i]
		place := p.Path
		switch {
		case p.Serial != "" && serials[p.Serial] == 1:
			place = byUSB + p.Serial
		case p.ByID != "":
			place = byID + p.ByID
		}
		p.Address = device.Address{Transport: Name, Place: place}
	}
	slices.SortFunc(ports, func(a, b Port) int { return compareNames(a.Path, b.Path) })
	return ports
}

// compareNames orders names by what stands before their last number, and then
// by that: ttyUSB2 before ttyUSB10.
func compareNames(a, b string) int {
	const digits = "0123456789"
	stemA, stemB := strings.TrimRight(a, digits), strings.TrimRight(b, digits)
	if stemA != stemB {
		return strings.Compare(stemA, stemB)
	}
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	return strings.Compare(a, b)
}
