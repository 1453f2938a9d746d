// Package bletest is a message bus with BlueZ on it and one invented instrument
// in reach, for tests of package ble and of what stands on it. It speaks D-Bus
// over a socket of its own, keeps to match rules, and needs nothing of the
// computer: neither an adapter nor a message bus.
//
// A program is brought to it by the variable DBUS_SYSTEM_BUS_ADDRESS.
package bletest

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/godbus/dbus/v5"
)

// What is on the bus.
const (
	MAC         = "C0:FF:EE:00:00:01"
	AdapterPath = dbus.ObjectPath("/org/bluez/hci0")
	DevicePath  = AdapterPath + "/dev_C0_FF_EE_00_00_01"
	ServicePath = DevicePath + "/service0010"
	// CharPath is the characteristic that Feed and Notified speak for.
	CharPath = ServicePath + "/char0011"
	// SinkPath is one that can be written to.
	SinkPath = ServicePath + "/char0038"
	Service  = "0000fff0-0000-1000-8000-00805f9b34fb"
	Char     = "0000fff1-0000-1000-8000-00805f9b34fb"
)

const (
	busName     = "org.freedesktop.DBus"
	bluezName   = "org.bluez"
	deviceIface = "org.bluez.Device1"
	charIface   = "org.bluez.GattCharacteristic1"
	descIface   = "org.bluez.GattDescriptor1"
	baseUUID    = "-0000-1000-8000-00805f9b34fb"
)

// Props are properties by name.
type Props = map[string]dbus.Variant

// V is a value as the bus carries it.
func V(value any) dbus.Variant { return dbus.MakeVariant(value) }

// A Bus is one bus. Its fields, and the methods that say so, are for use within
// Change and Await.
type Bus struct {
	// Owner is the unique name of BlueZ; empty while it does not run.
	Owner string
	// Objects are those of BlueZ.
	Objects map[dbus.ObjectPath]map[string]Props
	// Near tells whether the instrument sends advertisements.
	Near bool
	// Calls are the methods of BlueZ that were called, in order.
	Calls []string
	// Written is what was written, as "fff1 request zero".
	Written []string
	// Refuse makes a method of BlueZ fail with an error of this name.
	Refuse map[string]string
	// Hang makes a method of BlueZ never answer.
	Hang map[string]bool
	// Formats are the values of presentation format descriptors, by their paths.
	Formats map[dbus.ObjectPath][]byte
	// Format is what the characteristic at CharPath says of itself from the next
	// connection on; nothing if nil.
	Format []byte
	// Resolves tells whether services are resolved when the instrument is connected.
	Resolves bool

	folder   string
	listener net.Listener
	wg       sync.WaitGroup

	mu      sync.Mutex
	changed chan struct{}
	clients map[*client]bool
	next    int
}

// New makes a bus with BlueZ on it, which has an adapter that is switched on. The
// instrument's characteristics are fff1, which notifies, can be written to and
// describes itself, fff2, which can be read, fff3, which can be written to, and the
// battery level.
func New() (*Bus, error) {
	folder, err := os.MkdirTemp("", "bus")
	if err != nil {
		return nil, err
	}
	listener, err := net.Listen("unix", filepath.Join(folder, "bus"))
	if err != nil {
		return nil, errors.Join(err, os.RemoveAll(folder))
	}
	b := &Bus{
		folder: folder, listener: listener, Owner: ":1.0", Near: true, Resolves: true,
		Format:  []byte{0x0E, 0xFE, 0x41, 0x27, 1, 0, 0}, // signed, 16 bits, two decimals, N·m
		changed: make(chan struct{}), clients: map[*client]bool{},
		Refuse: map[string]string{}, Hang: map[string]bool{}, Formats: map[dbus.ObjectPath][]byte{},
		Objects: map[dbus.ObjectPath]map[string]Props{
			AdapterPath: {"org.bluez.Adapter1": Props{"Address": V("00:00:00:00:00:01"), "Powered": V(true)}},
		},
	}
	b.wg.Add(1)
	go func() {
		defer b.wg.Done()
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			b.wg.Add(1)
			go func() {
				defer b.wg.Done()
				b.serve(conn)
			}()
		}
	}()
	return b, nil
}

// Address is the bus's, as D-Bus writes it.
func (b *Bus) Address() string { return "unix:path=" + filepath.Join(b.folder, "bus") }

// Close ends the bus, and waits until nothing of it runs any more.
func (b *Bus) Close() error {
	err := b.listener.Close()
	b.mu.Lock()
	b.HangUp()
	b.mu.Unlock()
	b.wg.Wait()
	return errors.Join(err, os.RemoveAll(b.folder))
}

// Change does something to the bus and tells those who wait.
func (b *Bus) Change(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
	close(b.changed)
	b.changed = make(chan struct{})
}

// Await waits until so.
func (b *Bus) Await(ctx context.Context, so func() bool) error {
	for {
		b.mu.Lock()
		ok, changed := so(), b.changed
		b.mu.Unlock()
		if ok {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Clients counts the programs on the bus. Within Change.
func (b *Bus) Clients() int { return len(b.clients) }

// Subscriptions counts how often notifications of a characteristic were started
// and not stopped again, by programs that are still there. Within Change.
func (b *Bus) Subscriptions(char dbus.ObjectPath) int {
	sum := 0
	for c := range b.clients {
		sum += c.notify[char]
	}
	return sum
}

// HangUp ends the connections of all programs. Within Change.
func (b *Bus) HangUp() {
	for c := range b.clients {
		_ = c.Close()
	}
}

// A client is a program on the bus.
type client struct {
	net.Conn
	name   string
	rules  []map[string]string
	notify map[dbus.ObjectPath]int
	out    sync.Mutex
}

func (b *Bus) serve(conn net.Conn) {
	defer func() { _ = conn.Close() }()
	in := bufio.NewReader(conn)
	for _, answer := range []string{"REJECTED EXTERNAL", "OK 1234deadbeef", "ERROR", ""} { // after AUTH, AUTH EXTERNAL, NEGOTIATE_UNIX_FD, BEGIN
		if _, err := in.ReadString('\n'); err != nil {
			return
		}
		if answer != "" {
			if _, err := conn.Write([]byte(answer + "\r\n")); err != nil {
				return
			}
		}
	}
	c := &client{Conn: conn, notify: map[dbus.ObjectPath]int{}}
	b.Change(func() {
		b.next++
		c.name = fmt.Sprintf(":1.%d", 100+b.next)
		b.clients[c] = true
	})
	defer b.Change(func() { delete(b.clients, c) })
	for {
		m, err := dbus.DecodeMessage(in)
		if err != nil {
			return
		}
		if m.Type == dbus.TypeMethodCall {
			b.Change(func() { b.answer(c, m) })
		}
	}
}

func header(m *dbus.Message, field dbus.HeaderField) string {
	switch value := m.Headers[field].Value().(type) {
	case string:
		return value
	case dbus.ObjectPath:
		return string(value)
	}
	return ""
}

func (c *client) send(m *dbus.Message) {
	if len(m.Body) > 0 {
		m.Headers[dbus.FieldSignature] = V(dbus.SignatureOf(m.Body...))
	}
	c.out.Lock()
	defer c.out.Unlock()
	_ = m.EncodeTo(c, binary.LittleEndian) // one who hung up hears nothing
}

// answer does what a method call asks for; with mu locked.
func (b *Bus) answer(c *client, m *dbus.Message) {
	to := header(m, dbus.FieldDestination)
	body, err := []any(nil), ""
	switch {
	case to == busName:
		body, err = b.busMethod(c, header(m, dbus.FieldMember), m.Body)
	case to != bluezName || b.Owner == "":
		to, err = busName, "org.freedesktop.DBus.Error.ServiceUnknown"
	default:
		method := header(m, dbus.FieldMember)
		b.Calls = append(b.Calls, method)
		to = b.Owner
		if b.Hang[method] {
			return
		}
		if err = b.Refuse[method]; err == "" {
			body, err = b.bluez(c, dbus.ObjectPath(header(m, dbus.FieldPath)), method, m.Body)
		}
	}
	if m.Flags&dbus.FlagNoReplyExpected != 0 {
		return
	}
	reply := &dbus.Message{Type: dbus.TypeMethodReply, Body: body, Headers: map[dbus.HeaderField]dbus.Variant{
		dbus.FieldReplySerial: V(m.Serial()), dbus.FieldSender: V(to), dbus.FieldDestination: V(c.name),
	}}
	if err != "" {
		reply.Type = dbus.TypeError
		reply.Headers[dbus.FieldErrorName] = V(err)
		reply.Body = []any{"refused: " + err}
	}
	c.send(reply)
}

func (b *Bus) busMethod(c *client, method string, args []any) ([]any, string) {
	switch method {
	case "Hello":
		return []any{c.name}, ""
	case "AddMatch":
		rule := map[string]string{}
		for _, part := range strings.Split(args[0].(string), ",") {
			key, value, _ := strings.Cut(part, "=")
			rule[key] = strings.Trim(value, "'")
		}
		c.rules = append(c.rules, rule)
		return nil, ""
	case "GetNameOwner":
		if b.Owner != "" {
			return []any{b.Owner}, ""
		}
		return nil, "org.freedesktop.DBus.Error.NameHasNoOwner"
	}
	return nil, "org.freedesktop.DBus.Error.UnknownMethod"
}

// emit sends a signal to those who asked for it; with mu locked.
func (b *Bus) emit(sender, path, iface, member string, body ...any) {
	for c := range b.clients {
		if !slices.ContainsFunc(c.rules, func(rule map[string]string) bool {
			for key, want := range rule {
				is := map[string]string{"type": "signal", "path": path, "interface": iface, "member": member}[key]
				switch key {
				case "sender":
					if is = sender; sender == b.Owner {
						is = bluezName
					}
				case "arg0":
					is, _ = body[0].(string)
				}
				if is != want {
					return false
				}
			}
			return true
		}) {
			continue
		}
		c.send(&dbus.Message{Type: dbus.TypeSignal, Body: body, Headers: map[dbus.HeaderField]dbus.Variant{
			dbus.FieldPath: V(dbus.ObjectPath(path)), dbus.FieldInterface: V(iface), dbus.FieldMember: V(member), dbus.FieldSender: V(sender),
		}})
	}
}

// Set changes properties and tells it. Within Change.
func (b *Bus) Set(path dbus.ObjectPath, iface string, changed Props) {
	for name, value := range changed {
		b.Objects[path][iface][name] = value
	}
	b.emit(b.Owner, string(path), "org.freedesktop.DBus.Properties", "PropertiesChanged", iface, changed, []string{})
}

// Add adds an object and tells it. Within Change.
func (b *Bus) Add(path dbus.ObjectPath, iface string, p Props) {
	b.Objects[path] = map[string]Props{iface: p}
	b.emit(b.Owner, "/", "org.freedesktop.DBus.ObjectManager", "InterfacesAdded", path, b.Objects[path])
}

// Remove takes away all objects whose path begins so, and tells it. Within Change.
func (b *Bus) Remove(path dbus.ObjectPath) {
	for known, ifaces := range b.Objects {
		if !strings.HasPrefix(string(known), string(path)) {
			continue
		}
		names := []string{}
		for iface := range ifaces {
			names = append(names, iface)
		}
		delete(b.Objects, known)
		b.emit(b.Owner, "/", "org.freedesktop.DBus.ObjectManager", "InterfacesRemoved", known, names)
	}
}

// errNoObject is the error of a path that BlueZ does not have.
const errNoObject = "org.freedesktop.DBus.Error.UnknownObject"

func (b *Bus) bluez(c *client, path dbus.ObjectPath, method string, args []any) ([]any, string) {
	switch method {
	case "Ping", "SetDiscoveryFilter", "StopDiscovery":
		return nil, ""
	case "GetManagedObjects":
		return []any{b.Objects}, ""
	case "StartDiscovery":
		if b.Near {
			b.Know()
		}
		return nil, ""
	case "StopNotify":
		delete(c.notify, path)
		return nil, ""
	}
	if b.Objects[path] == nil {
		return nil, errNoObject
	}
	switch method {
	case "ReadValue":
		if value, ok := b.Formats[path]; ok {
			return []any{value}, ""
		}
		return nil, "org.bluez.Error.NotSupported"
	case "Connect":
		if !b.Near {
			return nil, "org.bluez.Error.Failed"
		}
		b.Connect()
		return nil, ""
	case "Disconnect":
		if b.Connected() {
			b.Disconnect()
		}
		return nil, ""
	case "StartNotify":
		c.notify[path]++
		return nil, ""
	case "WriteValue":
		uuid, _ := b.Objects[path][charIface]["UUID"].Value().(string)
		kind := args[1].(map[string]dbus.Variant)["type"].Value()
		b.Written = append(b.Written, fmt.Sprintf("%s %s %s", uuid[4:8], kind, args[0]))
		return nil, ""
	}
	return nil, "org.freedesktop.DBus.Error.UnknownMethod"
}

// Know makes the instrument known, as a scan does. Within Change.
func (b *Bus) Know() {
	if b.Objects[DevicePath] == nil {
		b.Add(DevicePath, deviceIface, Props{
			"Address": V(MAC), "Name": V("invented"), "Connected": V(false), "ServicesResolved": V(false),
			"RSSI": V(int16(-60)), "UUIDs": V([]string{Service, Char}),
		})
	}
}

// Connect connects the instrument, which is known. Within Change.
func (b *Bus) Connect() {
	b.Set(DevicePath, deviceIface, Props{"Connected": V(true)})
	if !b.Resolves {
		return
	}
	b.Add(ServicePath, "org.bluez.GattService1", Props{"UUID": V(Service), "Device": V(DevicePath)})
	b.Characteristic(CharPath, Char, "notify", "write")
	if b.Format != nil {
		b.Describe(CharPath, b.Format)
	}
	b.Characteristic(ServicePath+"/char0020", "00002a19"+baseUUID, "read", "notify")
	b.Characteristic(ServicePath+"/char0030", "0000fff2"+baseUUID, "read")
	b.Characteristic(SinkPath, "0000fff3"+baseUUID, "write-without-response")
	b.Set(DevicePath, deviceIface, Props{"ServicesResolved": V(true)})
}

// Connected tells whether the instrument is connected. Within Change.
func (b *Bus) Connected() bool {
	return b.Objects[DevicePath][deviceIface]["Connected"].Value() == true
}

// Disconnect ends the connection, if there is one. Within Change.
func (b *Bus) Disconnect() {
	if b.Objects[DevicePath] == nil {
		return
	}
	b.Set(DevicePath, deviceIface, Props{"ServicesResolved": V(false)})
	b.Set(DevicePath, deviceIface, Props{"Connected": V(false)})
	b.Remove(ServicePath)
}

// Characteristic adds one to the instrument's service, or makes it anew. Within Change.
func (b *Bus) Characteristic(path dbus.ObjectPath, uuid string, flags ...string) {
	b.Add(path, charIface, Props{"UUID": V(uuid), "Service": V(ServicePath), "Flags": V(flags), "MTU": V(uint16(23))})
}

// Describe gives a characteristic a presentation format descriptor. Within Change.
func (b *Bus) Describe(char dbus.ObjectPath, format []byte) {
	path := char + "/desc0013"
	b.Formats[path] = format
	b.Add(path, descIface, Props{"UUID": V("00002904" + baseUUID), "Characteristic": V(char)})
}

// Notified sends a notification of the characteristic at CharPath. Within Change.
func (b *Bus) Notified(value []byte) {
	b.emit(b.Owner, string(CharPath), "org.freedesktop.DBus.Properties", "PropertiesChanged",
		charIface, Props{"Value": V(value)}, []string{})
}

// Feed sends bytes as notifications of up to 20, if these are wanted.
func (b *Bus) Feed(p []byte) error {
	for part := range slices.Chunk(p, 20) {
		b.Change(func() {
			if b.Subscriptions(CharPath) > 0 {
				b.Notified(part)
			}
		})
	}
	return nil
}

// Unplug switches the instrument off.
func (b *Bus) Unplug() error {
	b.Change(func() {
		b.Near = false
		b.Disconnect()
		b.Remove(DevicePath)
	})
	return nil
}

// Plug switches it on.
func (b *Bus) Plug() error {
	b.Change(func() { b.Near = true })
	return nil
}

// Stop ends BlueZ.
func (b *Bus) Stop() {
	b.Change(func() {
		old := b.Owner
		b.Owner = ""
		for path := range b.Objects {
			if path != AdapterPath {
				delete(b.Objects, path)
			}
		}
		for c := range b.clients {
			clear(c.notify)
		}
		b.emit(busName, "/org/freedesktop/DBus", busName, "NameOwnerChanged", bluezName, old, "")
	})
}

// Start starts it anew, as another one.
func (b *Bus) Start() {
	b.Change(func() {
		b.next++
		b.Owner = fmt.Sprintf(":1.%d", b.next)
		b.emit(busName, "/org/freedesktop/DBus", busName, "NameOwnerChanged", bluezName, "", b.Owner)
	})
}
