package ble

import (
	"context"
	"errors"
	"fmt"
	"maps"
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
	// longestPart is what one packet on the air carries: 251 bytes (Bluetooth Core,
	// vol 6, part B, 2.4) without the headers of L2CAP, 4, and of a write, 3. With
	// BlueZ 5.66 parts of 512 and 514 bytes, although the MTU was 517, were lost,
	// and without a response nobody is told.
	longestPart = 244
	// smallestPacket is what every link carries: the smallest ATT_MTU, 23,
	// without the three bytes of its header.
	smallestPacket = 20
)

const hintAbsent = "switch it on and bring it near; one that is connected to another computer or telephone cannot be found"

func (t *Transport) open(ctx context.Context) (device.Link, error) {
	l, err := t.begin(ctx)
	if err != nil {
		return nil, t.explain(ctx, err)
	}
	if err := l.start(ctx); err != nil {
		if l.quiet != nil {
			l.quiet.Stop()
		}
		l.leave(ctx)
		return nil, t.explain(ctx, err)
	}
	return l, nil
}

// begin makes a link that has only its connection to the bus. It is undone by
// leave, or by Close once it has started.
func (t *Transport) begin(ctx context.Context) (*link, error) {
	c, err := dial(ctx, t.options.bus)
	if err != nil {
		return nil, err
	}
	l := &link{transport: t, client: c}
	l.life, l.end = context.WithCancel(context.Background())
	return l, nil
}

func (t *Transport) inspect(ctx context.Context) ([]Characteristic, error) {
	l, err := t.begin(ctx)
	if err != nil {
		return nil, t.explain(ctx, err)
	}
	defer l.leave(ctx)
	until, err := l.reach(ctx)
	if err != nil {
		return nil, t.explain(ctx, err)
	}
	connecting, cancel := context.WithDeadline(ctx, until)
	defer cancel()
	var list []Characteristic
	for _, path := range look(l.client, func() []dbus.ObjectPath { return l.client.under(l.device, charIface) }) {
		ch := look(l.client, func() Characteristic { return l.characteristic(path) })
		if !ch.Notifies && !ch.Writes {
			continue
		}
		ch.Address = device.Address{Transport: Name, Place: t.mac + "/" + ch.Service.String() + "/" + ch.UUID.String()}
		ch.Format, ch.FormatErr = l.describe(connecting, path)
		list = append(list, ch)
	}
	if connecting.Err() != nil {
		return nil, t.explain(ctx, l.mute())
	}
	if err := look(l.client, l.loss); err != nil {
		return nil, t.fail(fmt.Errorf("%w: %w", device.ErrLost, err), hintAbsent)
	}
	return list, nil
}

// leave takes back what was done to connect, which also ends an attempt to. It
// waits for that, so that the next Open finds it done, unless ctx is.
func (l *link) leave(ctx context.Context) {
	defer l.client.close()
	defer l.end()
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
	sink      dbus.ObjectPath // what is written to; empty: char
	ours      bool            // we connected it
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

	once   sync.Once
	writes sync.Mutex // what one Write sends stays together
}

func (l *link) Identity() string { return l.transport.mac }

// reach finds and connects the instrument, and has its services. It tells until
// when the connection has time for what follows.
func (l *link) reach(ctx context.Context) (until time.Time, err error) {
	c, o := l.client, l.transport.options
	asking, cancel := context.WithTimeout(ctx, o.Connect)
	defer cancel()
	if err := c.list(asking); err != nil {
		return until, late(err)
	}
	adapter, err := c.adapter(o.Adapter)
	if err != nil {
		return until, err
	}
	l.device = dbus.ObjectPath(string(adapter) + "/dev_" + strings.ReplaceAll(l.transport.mac, ":", "_"))
	if err := l.find(ctx, adapter); err != nil {
		return until, err
	}
	until = time.Now().Add(o.Connect) // anew after a search
	connecting, cancel := context.WithDeadline(ctx, until)
	defer cancel()
	drops := look(c, func() int { return c.drops[l.device] })
	if err := l.connect(connecting); err != nil {
		return until, err
	}
	// That it is connected may be told later than the call is answered.
	if err := c.wait(connecting, func() bool {
		return l.known("Connected") && l.known("ServicesResolved") || c.drops[l.device] > drops || !l.there()
	}); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			return until, absent("it did not tell its services within %v", o.Connect)
		}
		return until, err
	}
	// Services may be announced later than that they are resolved.
	if err := c.refresh(connecting); err != nil {
		return until, late(err)
	}
	if !look(c, func() bool { return l.known("Connected") }) {
		return until, absent("the connection broke off")
	}
	return until, nil
}

// late says whose time it was that is over.
func late(err error) error {
	if errors.Is(err, context.DeadlineExceeded) {
		return &hinted{fmt.Errorf("%w: the Bluetooth service does not answer", device.ErrAbsent), "start it anew: systemctl restart bluetooth"}
	}
	return err
}

// mute is an instrument that keeps its connection and does not answer.
func (l *link) mute() error {
	return absent("it did not answer within %v", l.transport.options.Connect)
}

// start reaches the instrument and subscribes.
func (l *link) start(ctx context.Context) error {
	c, o := l.client, l.transport.options
	until, err := l.reach(ctx)
	if err != nil {
		return err
	}
	connecting, cancel := context.WithDeadline(ctx, until)
	defer cancel()
	if err := l.choose(); err != nil {
		return err
	}
	l.format, l.formatErr = l.describe(connecting, l.char)
	if connecting.Err() != nil {
		return l.mute()
	}
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
		if connecting.Err() != nil {
			return l.mute()
		}
		return l.refused(err)
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
	if errors.Is(err, errTime) {
		return absent("not heard for %v", search)
	}
	return late(err)
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

// characteristic is what is known of one; with mu locked.
func (l *link) characteristic(path dbus.ObjectPath) Characteristic {
	p := l.client.objects[path][charIface]
	service := l.client.objects[get[dbus.ObjectPath](p, "Service")][serviceIface]
	flags := get[[]string](p, "Flags")
	return Characteristic{
		Service:  UUID(get[string](service, "UUID")),
		UUID:     UUID(get[string](p, "UUID")),
		Notifies: slices.Contains(flags, "notify") || slices.Contains(flags, "indicate"),
		Writes:   writeKind(flags) != "",
	}
}

// writeKind is how BlueZ is told to write to a characteristic with these flags;
// empty where it cannot be.
func writeKind(flags []string) string {
	switch {
	case slices.Contains(flags, "write"):
		return "request"
	case slices.Contains(flags, "write-without-response"):
		return "command"
	}
	return ""
}

// choose sets the characteristics that are meant.
func (l *link) choose() error {
	t, c := l.transport, l.client
	c.mu.Lock()
	defer c.mu.Unlock()
	var notifying, writable, sources, sinks, near []dbus.ObjectPath
	for _, path := range c.under(l.device, charIface) {
		ch := l.characteristic(path)
		if ch.Notifies {
			notifying = append(notifying, path)
			if t.source.is(ch) && (t.source.char != "" || !slices.Contains(aside, ch.UUID)) {
				sources = append(sources, path)
			}
		}
		if ch.Writes {
			writable = append(writable, path)
			if t.sink.is(ch) {
				sinks = append(sinks, path)
			}
		}
	}
	switch {
	case len(notifying) == 0:
		return errors.New("it has no characteristic that notifies")
	case len(sources) > 1:
		return &hinted{fmt.Errorf("%d characteristics notify", len(sources)), "write the one that is meant after the address: " + l.names(sources)}
	case len(sources) == 0 && t.source.char != "":
		return &hinted{fmt.Errorf("no characteristic %s that notifies", t.source.char), "those that notify are " + l.names(notifying)}
	case len(sources) == 0:
		return &hinted{errors.New("no characteristic of its own notifies"), "those that notify are " + l.names(notifying)}
	}
	l.char = sources[0]
	if t.sink.char == "" {
		return nil
	}
	for _, path := range sinks {
		if l.characteristic(path).Service == l.characteristic(l.char).Service {
			near = append(near, path)
		}
	}
	if len(near) > 0 {
		sinks = near
	}
	switch {
	case len(writable) == 0:
		return errors.New("it has no characteristic that can be written to")
	case len(sinks) == 0:
		return &hinted{fmt.Errorf("no characteristic %s that can be written to", t.sink.char), "those that can are " + l.names(writable)}
	case len(sinks) > 1:
		return &hinted{fmt.Errorf("%d characteristics %s can be written to", len(sinks), t.sink.char), "write the service before it: " + l.names(sinks)}
	}
	l.sink = sinks[0]
	return nil
}

func (w choice) is(c Characteristic) bool {
	return (w.service == "" || w.service == c.Service) && (w.char == "" || w.char == c.UUID)
}

// names are characteristics as a place names them; with mu locked.
func (l *link) names(paths []dbus.ObjectPath) string {
	names := make([]string, len(paths))
	for i, path := range paths {
		ch := l.characteristic(path)
		names[i] = ch.Service.String() + "/" + ch.UUID.String()
	}
	return strings.Join(names, ", ")
}

// describe reads the presentation format descriptor of a characteristic, if there
// is one.
func (l *link) describe(ctx context.Context, char dbus.ObjectPath) (Format, error) {
	c := l.client
	path := look(c, func() dbus.ObjectPath {
		for _, path := range c.under(char, descIface) {
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
		case !l.there() || !l.known("Connected") ||
			l.char != "" && c.objects[l.char][charIface] == nil || l.sink != "" && c.objects[l.sink][charIface] == nil:
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

// Write writes to the characteristic that the place names for that, else to the
// one that notifies: in parts that fit into one packet each, with a response where
// the characteristic has that, else without one.
func (l *link) Write(p []byte) (int, error) {
	l.writes.Lock()
	defer l.writes.Unlock()
	if err := l.state(); err != nil {
		return 0, err
	}
	sink := l.sink
	if sink == "" {
		sink = l.char
	}
	props := look(l.client, func() properties { return maps.Clone(l.client.objects[sink][charIface]) })
	kind := writeKind(get[[]string](props, "Flags"))
	if kind == "" {
		return 0, l.transport.fail(errors.New("the characteristic cannot be written to"), look(l.client, l.writableHint))
	}
	size := min(max(smallestPacket, int(get[uint16](props, "MTU"))-3), longestPart)
	written := 0
	for part := range slices.Chunk(p, size) {
		ctx, cancel := context.WithTimeout(l.life, writing)
		err := l.client.call(ctx, sink, charIface+".WriteValue", part, map[string]dbus.Variant{"type": dbus.MakeVariant(kind)}).Err
		cancel()
		if err != nil {
			if state := l.state(); state != nil {
				return written, state
			}
			if errors.Is(err, context.DeadlineExceeded) {
				err = fmt.Errorf("not answered within %v", writing)
			}
			return written, l.transport.fail(fmt.Errorf("writing: %w", err), "")
		}
		written += len(part)
	}
	return written, nil
}

// writableHint says how to write to what can be; with client.mu.
func (l *link) writableHint() string {
	var writable []dbus.ObjectPath
	for _, path := range l.client.under(l.device, charIface) {
		if l.characteristic(path).Writes {
			writable = append(writable, path)
		}
	}
	if len(writable) == 0 {
		return "it has none that can"
	}
	return fmt.Sprintf("name one that can behind a plus sign, as in %s:%s/%s+%s; those that can are %s", Name, l.transport.mac,
		l.names([]dbus.ObjectPath{l.char}), l.characteristic(writable[0]).UUID, l.names(writable))
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
