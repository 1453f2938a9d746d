package ble

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/godbus/dbus/v5"

	"paintmark/device"
)

// What is used of BlueZ's interface (org.bluez.*(5)) and of the bus's own.
const (
	bluez          = "org.bluez"
	adapterIface   = "org.bluez.Adapter1"
	deviceIface    = "org.bluez.Device1"
	serviceIface   = "org.bluez.GattService1"
	charIface      = "org.bluez.GattCharacteristic1"
	descIface      = "org.bluez.GattDescriptor1"
	managerIface   = "org.freedesktop.DBus.ObjectManager"
	propsIface     = "org.freedesktop.DBus.Properties"
	busName        = "org.freedesktop.DBus"
	ownerChanged   = busName + ".NameOwnerChanged"
	propsChanged   = propsIface + ".PropertiesChanged"
	objectsAdded   = managerIface + ".InterfacesAdded"
	objectsRemoved = managerIface + ".InterfacesRemoved"
)

// Failures of the client, beside those of package device.
var (
	errService = errors.New("the Bluetooth service does not run")
	errStopped = errors.New("the Bluetooth service was stopped")
	errBus     = errors.New("the connection to the system bus ended")
	errNone    = errors.New("this computer has no Bluetooth adapter")
	errOff     = errors.New("no Bluetooth adapter is switched on")
)

type properties map[string]dbus.Variant

// object is what BlueZ shows at one path, by interface.
type object map[string]properties

// A client is one connection to the bus with a picture of BlueZ's objects,
// which the signals keep true. It is the connection's signal handler itself:
// signals are taken in where they are read, one after the other, and nothing
// can overtake them.
type client struct {
	conn *dbus.Conn
	end  context.CancelFunc // of conn

	mu      sync.Mutex
	changed chan struct{} // closed and made anew at every change
	owner   string        // the unique name of BlueZ on the bus
	early   []*dbus.Signal
	listed  bool
	objects map[dbus.ObjectPath]object
	heard   map[dbus.ObjectPath]bool // what a signal told of
	drops   map[dbus.ObjectPath]int  // how often a device was told to be disconnected
	gone    error                    // why nothing will come any more

	// value takes the values of the characteristic at char, with mu unlocked;
	// watch is called after every change, with mu locked.
	char  dbus.ObjectPath
	value func([]byte)
	watch func()
}

// dial connects to the bus. The connection does not end with ctx.
func dial(ctx context.Context, address string) (*client, error) {
	c := &client{
		changed: make(chan struct{}),
		objects: map[dbus.ObjectPath]object{},
		heard:   map[dbus.ObjectPath]bool{},
		drops:   map[dbus.ObjectPath]int{},
	}
	life, end := context.WithCancel(context.Background())
	c.end = end
	stop := context.AfterFunc(ctx, end) // ends a handshake that hangs
	if address == "" {
		address = systemBus()
	}
	var err error
	c.conn, err = dbus.Connect(address, dbus.WithSignalHandler(c), dbus.WithContext(life))
	if !stop() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		if c.conn != nil {
			_ = c.conn.Close()
		}
		end()
		return nil, err
	}
	return c, nil
}

// systemBus is the address of the system bus (D-Bus Specification, "Well-known
// message bus instances": the variable, else the socket).
func systemBus() string {
	if address := os.Getenv("DBUS_SYSTEM_BUS_ADDRESS"); address != "" {
		return address
	}
	return "unix:path=/run/dbus/system_bus_socket;unix:path=/var/run/dbus/system_bus_socket"
}

func (c *client) close() {
	_ = c.conn.Close()
	c.end()
}

// Terminate implements dbus.Terminator.
func (c *client) Terminate() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lose(errBus)
}

// lose and tell are called with mu locked.
func (c *client) lose(err error) {
	if c.gone == nil {
		c.gone = err
	}
	c.tell()
}

func (c *client) tell() {
	close(c.changed)
	c.changed = make(chan struct{})
}

// DeliverSignal implements dbus.SignalHandler.
func (c *client) DeliverSignal(_, _ string, s *dbus.Signal) {
	c.mu.Lock()
	if !c.listed {
		c.early = append(c.early, s)
		c.mu.Unlock()
		return
	}
	value, take := c.apply(s), c.value
	if c.watch != nil {
		c.watch()
	}
	c.tell()
	c.mu.Unlock()
	if value != nil && take != nil {
		take(value)
	}
}

// apply keeps the picture true. It gives the new value of the characteristic, if
// the signal has it. What does not come from BlueZ is left out.
func (c *client) apply(s *dbus.Signal) (value []byte) {
	if s.Name == ownerChanged {
		var name, old, now string
		if s.Sender == busName && dbus.Store(s.Body, &name, &old, &now) == nil && name == bluez && old == c.owner {
			c.lose(errStopped)
		}
		return nil
	}
	if s.Sender != c.owner {
		return nil
	}
	var path dbus.ObjectPath
	switch s.Name {
	case objectsAdded:
		var added map[string]map[string]dbus.Variant
		if dbus.Store(s.Body, &path, &added) != nil {
			return nil
		}
		c.heard[path] = true
		if c.objects[path] == nil {
			c.objects[path] = object{}
		}
		for iface, props := range added {
			c.objects[path][iface] = props
		}
	case objectsRemoved:
		var removed []string
		if dbus.Store(s.Body, &path, &removed) != nil {
			return nil
		}
		for _, iface := range removed {
			delete(c.objects[path], iface)
		}
		if len(c.objects[path]) == 0 {
			delete(c.objects, path)
		}
	case propsChanged:
		var iface string
		var changed map[string]dbus.Variant
		var invalid []string
		if dbus.Store(s.Body, &iface, &changed, &invalid) != nil {
			return nil
		}
		c.heard[s.Path] = true
		if iface == charIface && s.Path == c.char {
			value, _ = changed["Value"].Value().([]byte)
			delete(changed, "Value")
		}
		if connected, told := changed["Connected"].Value().(bool); told && !connected {
			c.drops[s.Path]++
		}
		props := c.objects[s.Path][iface]
		if props == nil {
			return value
		}
		for name, v := range changed {
			props[name] = v
		}
		for _, name := range invalid {
			delete(props, name)
		}
	}
	return value
}

// call calls a method of BlueZ.
func (c *client) call(ctx context.Context, path dbus.ObjectPath, method string, args ...any) *dbus.Call {
	return c.conn.Object(bluez, path).CallWithContext(ctx, method, 0, args...)
}

// send calls a method without waiting for what becomes of it.
func (c *client) send(path dbus.ObjectPath, method string) {
	c.conn.Object(bluez, path).Go(method, dbus.FlagNoReplyExpected, nil)
}

func (c *client) subscribe(ctx context.Context, rules ...[]dbus.MatchOption) error {
	for _, rule := range rules {
		if err := c.conn.AddMatchSignalContext(ctx, rule...); err != nil {
			return err
		}
	}
	return nil
}

func changesOf(iface string, more ...dbus.MatchOption) []dbus.MatchOption {
	return append([]dbus.MatchOption{
		dbus.WithMatchSender(bluez), dbus.WithMatchInterface(propsIface), dbus.WithMatchMember("PropertiesChanged"),
		dbus.WithMatchArg(0, iface),
	}, more...)
}

// list makes the picture, and keeps it true from then on.
func (c *client) list(ctx context.Context) error {
	err := c.subscribe(ctx,
		[]dbus.MatchOption{dbus.WithMatchSender(busName), dbus.WithMatchMember("NameOwnerChanged"), dbus.WithMatchArg(0, bluez)},
		[]dbus.MatchOption{dbus.WithMatchSender(bluez), dbus.WithMatchInterface(managerIface)},
		changesOf(adapterIface), changesOf(deviceIface),
	)
	if err != nil {
		return err
	}
	// Asked first, so that a service that came anew in between is told by its
	// NameOwnerChanged. The call starts it where the bus can.
	if err := c.call(ctx, "/", "org.freedesktop.DBus.Peer.Ping").Err; err != nil {
		return err
	}
	var owner string
	if err := c.conn.BusObject().CallWithContext(ctx, busName+".GetNameOwner", 0, bluez).Store(&owner); err != nil {
		return err
	}
	c.mu.Lock()
	c.owner = owner
	c.mu.Unlock()
	return c.refresh(ctx)
}

// refresh makes the picture anew. Signals that come meanwhile wait for it.
func (c *client) refresh(ctx context.Context) error {
	c.mu.Lock()
	c.listed = false
	c.mu.Unlock()
	call := c.call(ctx, "/", managerIface+".GetManagedObjects")
	var objects map[dbus.ObjectPath]map[string]map[string]dbus.Variant
	if err := call.Store(&objects); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	clear(c.objects)
	for path, ifaces := range objects {
		o := object{}
		for iface, props := range ifaces {
			o[iface] = props
		}
		c.objects[path] = o
	}
	for _, s := range c.early {
		if s.Sequence > call.ResponseSequence || s.Name == ownerChanged {
			c.apply(s)
		}
	}
	c.early, c.listed = nil, true
	c.tell()
	return nil
}

// wait waits until so, which is called with mu locked.
func (c *client) wait(ctx context.Context, so func() bool) error {
	for {
		c.mu.Lock()
		ok, gone, changed := so(), c.gone, c.changed
		c.mu.Unlock()
		switch {
		case gone != nil:
			return gone
		case ok:
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// look gives what f finds in the picture.
func look[T any](c *client, f func() T) T {
	c.mu.Lock()
	defer c.mu.Unlock()
	return f()
}

func get[T any](p properties, name string) T {
	v, _ := p[name].Value().(T)
	return v
}

// under gives the paths of objects with an interface, in order.
func (c *client) under(above dbus.ObjectPath, iface string) []dbus.ObjectPath {
	var paths []dbus.ObjectPath
	for path, o := range c.objects {
		if _, ok := o[iface]; ok && strings.HasPrefix(string(path), string(above)+"/") {
			paths = append(paths, path)
		}
	}
	slices.Sort(paths)
	return paths
}

// adapter gives the adapter to use.
func (c *client) adapter(name string) (dbus.ObjectPath, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	found := false
	for _, path := range c.under("", adapterIface) {
		if name != "" && !strings.HasSuffix(string(path), "/"+name) {
			continue
		}
		found = true
		if get[bool](c.objects[path][adapterIface], "Powered") {
			return path, nil
		}
	}
	switch {
	case found:
		return "", errOff
	case name != "":
		return "", fmt.Errorf("%w called %s", errNone, name)
	}
	return "", errNone
}

// errTime means that what was scanned for was not heard in time.
var errTime = errors.New("not heard")

// discover scans until so, for at most the time that is given, and stops to scan
// before it returns: many adapters cannot connect while they do.
func (c *client) discover(ctx context.Context, adapter dbus.ObjectPath, most time.Duration, so func() bool) error {
	filter := map[string]dbus.Variant{"Transport": dbus.MakeVariant("le")}
	if err := c.call(ctx, adapter, adapterIface+".SetDiscoveryFilter", filter).Err; err != nil {
		return err
	}
	if err := c.call(ctx, adapter, adapterIface+".StartDiscovery").Err; err != nil {
		return err
	}
	searching, enough := context.WithTimeoutCause(ctx, most, errTime)
	defer enough()
	err := c.wait(searching, so)
	if err != nil && context.Cause(searching) == errTime {
		err = errTime
	}
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	_ = c.call(stopping, adapter, adapterIface+".StopDiscovery").Err // ends with the connection anyway
	return err
}

func scan(ctx context.Context, o Options) ([]Found, error) {
	if ctx.Err() != nil {
		return nil, nil
	}
	c, err := dial(ctx, o.bus)
	if err != nil {
		return nil, scanned(ctx, err)
	}
	defer c.close()
	if err := c.list(ctx); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			return nil, scanFault{explained(late(err))}
		}
		return nil, scanned(ctx, err)
	}
	adapter, err := c.adapter(o.Adapter)
	if err != nil {
		return nil, scanFault{explained(err)}
	}
	if err := scanned(ctx, c.discover(ctx, adapter, math.MaxInt64, func() bool { return false })); err != nil {
		return nil, err
	}
	return look(c, func() []Found { return c.found(adapter) }), nil
}

// scanned is why a scan failed, if its time was not simply over.
func scanned(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return scanFault{explained(err)}
}

// A scanFault says only the reason, since it is about no address.
type scanFault struct{ *hinted }

func (f scanFault) Error() string {
	text := f.hinted.Error()
	for _, kind := range []error{device.ErrAbsent, device.ErrDenied} {
		text = strings.TrimPrefix(text, kind.Error()+": ")
	}
	return text
}

func (c *client) found(adapter dbus.ObjectPath) []Found {
	var list []Found
	for _, path := range c.under(adapter, deviceIface) {
		p := c.objects[path][deviceIface]
		rssi, strength := p["RSSI"].Value().(int16)
		if rssi == noRSSI {
			rssi = 0
		}
		f := Found{
			Address:   device.Address{Transport: Name, Place: get[string](p, "Address")},
			Name:      get[string](p, "Name"),
			RSSI:      int(rssi),
			Connected: get[bool](p, "Connected"),
		}
		if !strength && !c.heard[path] && !f.Connected {
			continue // known from another day
		}
		for _, text := range get[[]string](p, "UUIDs") {
			if u, err := ParseUUID(text); err == nil {
				f.Services = append(f.Services, u)
			}
		}
		slices.Sort(f.Services)
		list = append(list, f)
	}
	slices.SortStableFunc(list, func(a, b Found) int { return strength(b) - strength(a) })
	return list
}

// noRSSI is what an adapter tells that does not know (Core Specification, Vol 4
// Part E, 7.7.65.2; from memory).
const noRSSI = 127

// strength orders by RSSI, the unknown last.
func strength(f Found) int {
	if f.RSSI == 0 {
		return -1000
	}
	return f.RSSI
}

// explained says what to do about a failure of the bus or of BlueZ, and which of
// package device's it is.
func explained(err error) *hinted {
	const (
		start  = "start it: systemctl start bluetooth"
		denied = "put the user into the group bluetooth and log in again; some systems allow it only to who sits at the computer"
	)
	var refused dbus.Error
	name := ""
	if errors.As(err, &refused) {
		name = refused.Name
	}
	say := func(kind, err error, hint string) *hinted { return &hinted{fmt.Errorf("%w: %w", kind, err), hint} }
	switch {
	case errors.Is(err, errNone):
		return say(device.ErrAbsent, err, "plug one in; it may take a driver (dmesg tells)")
	case errors.Is(err, errOff), name == "org.bluez.Error.NotReady":
		return say(device.ErrAbsent, errOff, "switch it on (bluetoothctl power on); if it stays off it may be blocked (rfkill unblock bluetooth)")
	case name == "org.freedesktop.DBus.Error.ServiceUnknown", name == "org.freedesktop.DBus.Error.NameHasNoOwner",
		name == "org.freedesktop.DBus.Error.NoReply", strings.HasPrefix(name, "org.freedesktop.DBus.Error.Spawn."),
		errors.Is(err, errStopped), errors.Is(err, errBus):
		return say(device.ErrAbsent, errService, start)
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return say(device.ErrAbsent, errors.New("this computer has no system bus, which the Bluetooth service needs"), "install and start D-Bus and BlueZ")
	case name == "org.freedesktop.DBus.Error.AccessDenied", errors.Is(err, fs.ErrPermission):
		return say(device.ErrDenied, errors.New("the Bluetooth service refuses this user"), denied)
	}
	return &hinted{err, ""}
}

// hinted is an error with what to do about it.
type hinted struct {
	error
	hint string
}

func (h *hinted) Unwrap() error    { return h.error }
func (h *hinted) HintText() string { return h.hint }
