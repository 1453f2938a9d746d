// Package peripheral is a Bluetooth LE instrument made of this computer's own
// adapter, for tests of package ble: one service with characteristics that
// notify what the test says. It is registered with BlueZ over D-Bus.
package peripheral

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/godbus/dbus/v5"
	"github.com/godbus/dbus/v5/prop"
)

const (
	bluez      = "org.bluez"
	charIface  = "org.bluez.GattCharacteristic1"
	root       = dbus.ObjectPath("/peripheral")
	advert     = dbus.ObjectPath("/peripheral/advertisement")
	advertised = 500 * time.Millisecond // emulated adapters send one advertisement each time
)

// A Characteristic is one of the service's.
type Characteristic struct {
	UUID   string
	Flags  []string
	Format []byte // of its presentation format descriptor; none if empty
}

// A Service is what the instrument offers.
type Service struct {
	Name            string // the instrument's
	UUID            string
	Characteristics []Characteristic
}

// A Write is what was written to the service's characteristic of that index.
type Write struct {
	Characteristic int
	Value          string
}

// A Peripheral is an instrument that is switched on.
type Peripheral struct {
	// Written has what was written to its characteristics.
	Written chan Write

	conn    *dbus.Conn
	adapter dbus.BusObject
	stop    context.CancelFunc
	done    chan struct{}

	mu         sync.Mutex
	changed    chan struct{}
	subscribed []bool
}

// New switches an instrument on, with an adapter such as "hci1".
func New(ctx context.Context, adapter string, s Service) (*Peripheral, error) {
	conn, err := dbus.ConnectSystemBus()
	if err != nil {
		return nil, err
	}
	p := &Peripheral{
		Written:    make(chan Write, 100),
		conn:       conn,
		adapter:    conn.Object(bluez, dbus.ObjectPath("/org/bluez/"+adapter)),
		done:       make(chan struct{}),
		changed:    make(chan struct{}),
		subscribed: make([]bool, len(s.Characteristics)),
	}
	if err := p.register(ctx, s); err != nil {
		_ = conn.Close()
		return nil, err
	}
	life, stop := context.WithCancel(context.Background())
	p.stop = stop
	go p.advertise(life)
	return p, nil
}

const service = root + "/service0"

func characteristicPath(i int) dbus.ObjectPath {
	return dbus.ObjectPath(fmt.Sprintf("%s/char%d", service, i))
}

func (p *Peripheral) register(ctx context.Context, s Service) error {
	a := app{service: {"org.bluez.GattService1": {"UUID": dbus.MakeVariant(s.UUID), "Primary": dbus.MakeVariant(true)}}}
	for i, c := range s.Characteristics {
		path := characteristicPath(i)
		values := map[string]any{"UUID": c.UUID, "Service": service, "Flags": c.Flags}
		a[path] = map[string]map[string]dbus.Variant{charIface: variants(values)}
		values["Value"] = []byte{}
		if err := export(p.conn, path, charIface, values); err != nil {
			return err
		}
		if err := p.conn.Export(&characteristic{p, i}, path, charIface); err != nil {
			return err
		}
		if len(c.Format) == 0 {
			continue
		}
		values = map[string]any{"UUID": "00002904-0000-1000-8000-00805f9b34fb", "Characteristic": path, "Flags": []string{"read"}}
		a[path+"/desc0"] = map[string]map[string]dbus.Variant{"org.bluez.GattDescriptor1": variants(values)}
		if err := p.conn.Export(descriptor(c.Format), path+"/desc0", "org.bluez.GattDescriptor1"); err != nil {
			return err
		}
	}
	if err := p.conn.Export(a, root, "org.freedesktop.DBus.ObjectManager"); err != nil {
		return err
	}
	if err := export(p.conn, advert, "org.bluez.LEAdvertisement1", map[string]any{
		"Type": "peripheral", "ServiceUUIDs": []string{s.UUID}, "LocalName": s.Name,
	}); err != nil {
		return err
	}
	if err := p.conn.Export(advertisement{}, advert, "org.bluez.LEAdvertisement1"); err != nil {
		return err
	}
	return p.adapter.CallWithContext(ctx, "org.bluez.GattManager1.RegisterApplication", 0, root, map[string]dbus.Variant{}).Err
}

func variants(values map[string]any) map[string]dbus.Variant {
	all := map[string]dbus.Variant{}
	for name, value := range values {
		all[name] = dbus.MakeVariant(value)
	}
	return all
}

func export(conn *dbus.Conn, path dbus.ObjectPath, iface string, values map[string]any) error {
	props := map[string]*prop.Prop{}
	for name, value := range values {
		props[name] = &prop.Prop{Value: value, Emit: prop.EmitTrue}
	}
	_, err := prop.Export(conn, path, prop.Map{iface: props})
	return err
}

// advertise registers the advertisement anew all the time. That it fails, as
// while the adapter is off or a central is connected, is no matter.
func (p *Peripheral) advertise(ctx context.Context) {
	defer close(p.done)
	tick := time.NewTicker(advertised)
	defer tick.Stop()
	for {
		_ = p.adapter.CallWithContext(ctx, "org.bluez.LEAdvertisingManager1.UnregisterAdvertisement", 0, advert).Err
		_ = p.adapter.CallWithContext(ctx, "org.bluez.LEAdvertisingManager1.RegisterAdvertisement", 0, advert, map[string]dbus.Variant{}).Err
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// Address is its Bluetooth address.
func (p *Peripheral) Address() (string, error) {
	v, err := p.adapter.GetProperty("org.bluez.Adapter1.Address")
	address, _ := v.Value().(string)
	return address, err
}

// Power switches its adapter on or off.
func (p *Peripheral) Power(ctx context.Context, on bool) error {
	return p.adapter.CallWithContext(ctx, "org.freedesktop.DBus.Properties.Set", 0, "org.bluez.Adapter1", "Powered", dbus.MakeVariant(on)).Err
}

// Notify sends a notification of the i-th characteristic.
func (p *Peripheral) Notify(i int, value []byte) error {
	return p.conn.Emit(characteristicPath(i), "org.freedesktop.DBus.Properties.PropertiesChanged", charIface,
		map[string]dbus.Variant{"Value": dbus.MakeVariant(value)}, []string{})
}

// Await waits until the notifications of the i-th characteristic are wanted, or
// are not.
func (p *Peripheral) Await(ctx context.Context, i int, wanted bool) error {
	for {
		p.mu.Lock()
		is, changed := p.subscribed[i], p.changed
		p.mu.Unlock()
		if is == wanted {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Drop disconnects whoever is connected, from this side.
func (p *Peripheral) Drop(ctx context.Context) error {
	var objects map[dbus.ObjectPath]map[string]map[string]dbus.Variant
	call := p.conn.Object(bluez, "/").CallWithContext(ctx, "org.freedesktop.DBus.ObjectManager.GetManagedObjects", 0)
	if err := call.Store(&objects); err != nil {
		return err
	}
	for path, ifaces := range objects {
		d := ifaces["org.bluez.Device1"]
		if d["Adapter"].Value() != p.adapter.Path() || d["Connected"].Value() != true {
			continue
		}
		if err := p.conn.Object(bluez, path).CallWithContext(ctx, "org.bluez.Device1.Disconnect", 0).Err; err != nil {
			return err
		}
	}
	return nil
}

// Close switches it off.
func (p *Peripheral) Close() error {
	p.stop()
	<-p.done
	return p.conn.Close()
}

// app is the service as BlueZ asks for it.
type app map[dbus.ObjectPath]map[string]map[string]dbus.Variant

// GetManagedObjects implements the object manager.
func (a app) GetManagedObjects() (map[dbus.ObjectPath]map[string]map[string]dbus.Variant, *dbus.Error) {
	return a, nil
}

// characteristic has the methods that BlueZ calls for a central.
type characteristic struct {
	p *Peripheral
	i int
}

func (c *characteristic) want(wanted bool) {
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	c.p.subscribed[c.i] = wanted
	close(c.p.changed)
	c.p.changed = make(chan struct{})
}

// StartNotify is called when a central wants notifications.
func (c *characteristic) StartNotify() *dbus.Error { c.want(true); return nil }

// StopNotify is called when none does any more.
func (c *characteristic) StopNotify() *dbus.Error { c.want(false); return nil }

// WriteValue is called when a central writes.
func (c *characteristic) WriteValue(value []byte, _ map[string]dbus.Variant) *dbus.Error {
	c.p.Written <- Write{c.i, string(value)}
	return nil
}

type descriptor []byte

// ReadValue is called when a central reads.
func (d descriptor) ReadValue(map[string]dbus.Variant) ([]byte, *dbus.Error) { return d, nil }

type advertisement struct{}

// Release is called when BlueZ gives the advertisement up.
func (advertisement) Release() *dbus.Error { return nil }
