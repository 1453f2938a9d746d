package ble

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/godbus/dbus/v5"

	"paintmark/device"
)

const (
	// waiting is how many bytes are held for a reader that is busy.
	waiting = 1 << 18
	// leaving is how long Close waits for BlueZ.
	leaving = 5 * time.Second
	// writing is how long one packet may take to be written.
	writing = 5 * time.Second
	// again is how long it takes until a failed connection is tried again.
	again = 200 * time.Millisecond
	// smallestPacket is what every link carries: the smallest ATT_MTU, 23,
	// without the three bytes of its header.
	smallestPacket = 20
)

const hintAbsent = "switch it on and bring it near; one that is connected to another computer or telephone cannot be found"

func (t *Transport) open(ctx context.Context) (device.Link, error) {
	c, err := dial(ctx, t.options.bus)
	if err != nil {
		return nil, t.explain(ctx, err)
	}
	l := &link{transport: t, client: c}
	l.life, l.end = context.WithCancel(context.Background())
	if err := l.start(ctx); err != nil {
		if l.quiet != nil {
			l.quiet.Stop()
		}
		l.leave(ctx)
		l.end()
		c.close()
		return nil, t.explain(ctx, err)
	}
	return l, nil
}

// leave takes back what a failed Open did, which also ends an attempt to connect.
// It waits for that, so that the next Open finds it done, unless ctx is.
func (l *link) leave(ctx context.Context) {
	switch {
	case !l.ours:
	case ctx.Err() != nil:
		l.client.send(l.device, deviceIface+".Disconnect")
	default:
		limited, cancel := context.WithTimeout(ctx, leaving)
		defer cancel()
		_ = l.client.call(limited, l.device, deviceIface+".Disconnect").Err // it is that already
	}
}

// explain says what went wrong, with the place. What ended because ctx did is
// ctx's error.
func (t *Transport) explain(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return t.fail(ctx.Err(), "")
	}
	h := explained(err)
	return t.fail(h.error, h.hint)
}

// absent is an error about an instrument that is not there.
func absent(format string, args ...any) error {
	return &hinted{fmt.Errorf("%w: "+format, append([]any{device.ErrAbsent}, args...)...), hintAbsent}
}

// A packet is what one notification had.
type packet struct {
	at    time.Time
	bytes []byte
}

// A link is one characteristic that notifies us.
type link struct {
	transport *Transport
	client    *client
	device    dbus.ObjectPath
	char      dbus.ObjectPath
	ours      bool // we connected it
	format    Format
	formatErr error

	life context.Context // done when it is closed
	end  context.CancelFunc

	quiet *time.Timer // nil where silence is no loss

	// With client.mu.
	packets []packet
	held    int // bytes in packets
	lost    error
	closing bool
	stamp   time.Time
	ended   bool // the last Read gave the end of a packet

	once sync.Once
}

func (l *link) Identity() string { return l.transport.mac }

// start finds, connects and subscribes.
func (l *link) start(ctx context.Context) error {
	c, o := l.client, l.transport.options
	connecting, cancel := context.WithTimeout(ctx, o.Connect)
	defer cancel()
	late := func(err error) error {
		if errors.Is(err, context.DeadlineExceeded) {
			return absent("the Bluetooth service does not answer")
		}
		return err
	}
	if err := c.list(connecting); err != nil {
		return late(err)
	}
	adapter, err := c.adapter(o.Adapter)
	if err != nil {
		return err
	}
	l.device = dbus.ObjectPath(string(adapter) + "/dev_" + strings.ReplaceAll(l.transport.mac, ":", "_"))
	if err := l.find(ctx, adapter); err != nil {
		return err
	}
	connecting, cancel = context.WithTimeout(ctx, o.Connect) // anew after a search
	defer cancel()
	drops := look(c, func() int { return c.drops[l.device] })
	if err := l.connect(connecting); err != nil {
		return err
	}
	// That it is connected may be told later than the call is answered.
	if err := c.wait(connecting, func() bool {
		return l.known("Connected") && l.known("ServicesResolved") || c.drops[l.device] > drops || !l.there()
	}); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			return absent("it did not tell its services within %v", o.Connect)
		}
		return err
	}
	// Services may be announced later than that they are resolved.
	if err := c.refresh(connecting); err != nil {
		return late(err)
	}
	if l.char, err = l.choose(); err != nil {
		return err
	}
	l.format, l.formatErr = l.describe(connecting)
	if err := c.subscribe(connecting, changesOf(charIface, dbus.WithMatchObjectPath(l.char))); err != nil {
		return late(err)
	}
	if o.Silence > 0 {
		l.quiet = time.AfterFunc(o.Silence, func() { l.lose(fmt.Errorf("nothing came for %v", o.Silence)) })
	}
	c.mu.Lock()
	c.char, c.value, c.watch = l.char, l.take, func() { _ = l.loss() }
	c.mu.Unlock()
	if err := c.call(connecting, l.char, charIface+".StartNotify").Err; err != nil {
		return l.refused(late(err))
	}
	return nil
}

// known is a property of the device; with mu locked.
func (l *link) known(name string) bool {
	return get[bool](l.client.objects[l.device][deviceIface], name)
}

func (l *link) there() bool { return l.client.objects[l.device][deviceIface] != nil }

// find scans for a device that BlueZ does not know.
func (l *link) find(ctx context.Context, adapter dbus.ObjectPath) error {
	c := l.client
	if look(c, l.there) {
		return nil
	}
	search := l.transport.options.Search
	limited, cancel := context.WithTimeout(ctx, search+l.transport.options.Connect)
	defer cancel()
	err := c.discover(limited, adapter, search, l.there)
	switch {
	case errors.Is(err, errTime):
		return absent("not heard for %v", search)
	case errors.Is(err, context.DeadlineExceeded):
		return absent("the Bluetooth service does not answer")
	}
	return err
}

// connect connects the device if it is not. An attempt that fails is repeated
// until ctx is done, because the first one often does.
func (l *link) connect(ctx context.Context) error {
	c := l.client
	if look(c, func() bool { return l.known("Connected") }) {
		return nil
	}
	var last error
	for {
		l.ours = true
		err := c.call(ctx, l.device, deviceIface+".Connect").Err
		var refused dbus.Error
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			if last != nil {
				return absent("it could not be connected: %w", last)
			}
			return absent("it could not be connected within %v", l.transport.options.Connect)
		case !errors.As(err, &refused):
			return err
		}
		switch refused.Name {
		case "org.bluez.Error.AlreadyConnected":
			l.ours = false
			return nil
		case "org.bluez.Error.InProgress", "org.bluez.Error.Failed":
			last = err
		case "org.freedesktop.DBus.Error.UnknownObject", "org.bluez.Error.DoesNotExist":
			return absent("it is not known any more")
		default:
			return err
		}
		pause := time.NewTimer(again)
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
		}
	}
}

// aside are characteristics that are not meant when none is named.
var aside = []UUID{"00002a05" + baseUUID, "00002a19" + baseUUID}

// choose gives the characteristic that is meant.
func (l *link) choose() (dbus.ObjectPath, error) {
	t, c := l.transport, l.client
	c.mu.Lock()
	defer c.mu.Unlock()
	if !l.known("Connected") {
		return "", absent("the connection broke off")
	}
	var all, fit []dbus.ObjectPath
	for _, path := range c.under(l.device, charIface) {
		p := c.objects[path][charIface]
		if !notifies(p) {
			continue
		}
		all = append(all, path)
		service := c.objects[get[dbus.ObjectPath](p, "Service")][serviceIface]
		switch {
		case t.service != "" && get[string](service, "UUID") != string(t.service):
		case t.char != "" && get[string](p, "UUID") != string(t.char):
		case t.char == "" && slices.Contains(aside, UUID(get[string](p, "UUID"))):
		default:
			fit = append(fit, path)
		}
	}
	if len(fit) == 1 {
		return fit[0], nil
	}
	named := all
	if len(fit) > 1 {
		named = fit
	}
	names := make([]string, 0, len(named))
	for _, path := range named {
		p := c.objects[path][charIface]
		service := c.objects[get[dbus.ObjectPath](p, "Service")][serviceIface]
		names = append(names, UUID(get[string](service, "UUID")).String()+"/"+UUID(get[string](p, "UUID")).String())
	}
	switch {
	case len(all) == 0:
		return "", errors.New("it has no characteristic that notifies")
	case t.char != "" && len(fit) == 0:
		return "", &hinted{fmt.Errorf("no characteristic %s that notifies", t.char), "those that notify are " + strings.Join(names, ", ")}
	case len(fit) == 0:
		return "", &hinted{errors.New("no characteristic of its own notifies"), "those that notify are " + strings.Join(names, ", ")}
	}
	return "", &hinted{fmt.Errorf("%d characteristics notify", len(fit)), "write the one that is meant after the address: " + strings.Join(names, ", ")}
}

func notifies(p properties) bool {
	flags := get[[]string](p, "Flags")
	return slices.Contains(flags, "notify") || slices.Contains(flags, "indicate")
}

// describe reads the presentation format descriptor, if there is one.
func (l *link) describe(ctx context.Context) (Format, error) {
	c := l.client
	path := look(c, func() dbus.ObjectPath {
		for _, path := range c.under(l.char, descIface) {
			if get[string](c.objects[path][descIface], "UUID") == "00002904"+baseUUID {
				return path
			}
		}
		return ""
	})
	if path == "" {
		return Format{}, ErrNoFormat
	}
	var raw []byte
	if err := c.call(ctx, path, descIface+".ReadValue", map[string]dbus.Variant{}).Store(&raw); err != nil {
		return Format{}, fmt.Errorf("the presentation format cannot be read: %w", err)
	}
	return ParseFormat(raw)
}

// Format implements Describing.
func (l *link) Format() (Format, error) { return l.format, l.formatErr }

// refused says why notifications could not be started.
func (l *link) refused(err error) error {
	var refused dbus.Error
	if !errors.As(err, &refused) {
		return err
	}
	acquired := look(l.client, func() bool {
		return get[bool](l.client.objects[l.char][charIface], "NotifyAcquired")
	})
	const pair = "the instrument may want to be paired first: bluetoothctl pair and its address"
	switch {
	case acquired, refused.Name == "org.bluez.Error.NotPermitted", refused.Name == "org.bluez.Error.InProgress":
		return &hinted{device.ErrBusy, "another program has its notifications for itself: close that first"}
	case refused.Name == "org.bluez.Error.NotAuthorized", refused.Name == "org.bluez.Error.NotPaired":
		return &hinted{fmt.Errorf("%w: %w", device.ErrDenied, err), pair}
	case refused.Name == "org.bluez.Error.NotConnected":
		return absent("the connection broke off")
	case refused.Name == "org.bluez.Error.Failed":
		return &hinted{fmt.Errorf("it does not let its notifications be started: %w", err), pair}
	}
	return err
}

// take holds a value for Read. It waits while too much is held.
func (l *link) take(value []byte) {
	if len(value) == 0 {
		return
	}
	p := packet{time.Now(), value}
	if l.quiet != nil {
		l.quiet.Reset(l.transport.options.Silence)
	}
	c := l.client
	c.mu.Lock()
	defer c.mu.Unlock()
	for l.held >= waiting && !l.closing && c.gone == nil {
		changed := c.changed
		c.mu.Unlock()
		<-changed
		c.mu.Lock()
	}
	l.packets = append(l.packets, p)
	l.held += len(value)
	c.tell()
}

func (l *link) lose(err error) {
	l.client.mu.Lock()
	defer l.client.mu.Unlock()
	if l.lost == nil {
		l.lost = err
	}
	l.client.tell()
}

// loss tells why nothing will come any more, if that is so; with mu locked. A
// loss stays one, whatever comes after it.
func (l *link) loss() error {
	c := l.client
	if l.lost == nil {
		switch {
		case c.gone != nil:
			l.lost = c.gone
		case !l.there() || c.objects[l.char][charIface] == nil || !l.known("Connected"):
			l.lost = errors.New("disconnected, switched off or out of reach")
		}
	}
	return l.lost
}

func (l *link) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	c := l.client
	c.mu.Lock()
	defer c.mu.Unlock()
	for {
		loss := l.loss()
		switch {
		case l.closing:
			return 0, l.transport.fail(device.ErrClosed, "")
		case len(l.packets) > 0:
			first := &l.packets[0]
			n := copy(p, first.bytes)
			first.bytes = first.bytes[n:]
			full := l.held >= waiting
			l.held -= n
			l.stamp, l.ended = first.at, len(first.bytes) == 0
			if l.ended {
				l.packets = l.packets[1:]
			}
			if full {
				c.tell()
			}
			return n, nil
		case loss != nil:
			return 0, l.transport.fail(fmt.Errorf("%w: %w", device.ErrLost, loss), hintAbsent)
		}
		changed := c.changed
		c.mu.Unlock()
		<-changed
		c.mu.Lock()
	}
}

// Stamp implements device.Stamped: when the notification came.
func (l *link) Stamp() time.Time { return look(l.client, func() time.Time { return l.stamp }) }

// EndOfPacket implements device.Packeted.
func (l *link) EndOfPacket() bool { return look(l.client, func() bool { return l.ended }) }

// state is why the link cannot be used, if it cannot.
func (l *link) state() error {
	return look(l.client, func() error {
		loss := l.loss()
		switch {
		case l.closing:
			return l.transport.fail(device.ErrClosed, "")
		case loss != nil:
			return l.transport.fail(fmt.Errorf("%w: %w", device.ErrLost, loss), hintAbsent)
		}
		return nil
	})
}

// Write writes to the characteristic, in packets that the link carries: with a
// response where the characteristic has that, else without one.
func (l *link) Write(p []byte) (int, error) {
	if err := l.state(); err != nil {
		return 0, err
	}
	var flags []string
	var mtu uint16
	l.client.mu.Lock()
	props := l.client.objects[l.char][charIface]
	flags, mtu = get[[]string](props, "Flags"), get[uint16](props, "MTU")
	l.client.mu.Unlock()
	kind := "request"
	if !slices.Contains(flags, "write") {
		if kind = "command"; !slices.Contains(flags, "write-without-response") {
			return 0, l.transport.fail(errors.New("the characteristic cannot be written to"), "")
		}
	}
	size := max(smallestPacket, int(mtu)-3)
	written := 0
	for part := range slices.Chunk(p, size) {
		ctx, cancel := context.WithTimeout(l.life, writing)
		err := l.client.call(ctx, l.char, charIface+".WriteValue", part, map[string]dbus.Variant{"type": dbus.MakeVariant(kind)}).Err
		cancel()
		if err != nil {
			if state := l.state(); state != nil {
				return written, state
			}
			return written, l.transport.fail(fmt.Errorf("writing: %w", err), "")
		}
		written += len(part)
	}
	return written, nil
}

// Close stops the notifications and disconnects what Open connected. It waits
// for that, so that the next Open finds it done, but not for ever.
func (l *link) Close() error {
	l.once.Do(func() {
		c := l.client
		c.mu.Lock()
		lost := l.loss() != nil && (c.gone != nil || !l.known("Connected"))
		l.closing = true
		c.tell()
		c.mu.Unlock()
		l.end()
		if l.quiet != nil {
			l.quiet.Stop()
		}
		if !lost {
			ctx, cancel := context.WithTimeout(context.Background(), leaving)
			defer cancel()
			// What they fail with is that it is already so.
			_ = c.call(ctx, l.char, charIface+".StopNotify").Err
			if l.ours {
				_ = c.call(ctx, l.device, deviceIface+".Disconnect").Err
			}
		}
		c.close()
	})
	return nil
}
