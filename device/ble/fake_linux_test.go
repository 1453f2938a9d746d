package ble_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/godbus/dbus/v5"
	"github.com/stretchr/testify/require"
)

// A fakeBus is a message bus with BlueZ on it and one instrument in reach, for
// programs that know no better. It speaks D-Bus over a socket of its own, keeps
// to match rules, and needs nothing of the computer.
type fakeBus struct {
	t        *testing.T
	folder   string
	listener net.Listener
	wg       sync.WaitGroup

	mu      sync.Mutex
	changed chan struct{}
	conns   map[*fakeConn]bool
	next    int
	owner   string // of org.bluez; empty while it does not run
	objects map[dbus.ObjectPath]map[string]map[string]dbus.Variant
	near    bool              // the instrument sends advertisements
	calls   []string          // what was asked of BlueZ, in order
	notify  map[*fakeConn]int // who started notifications, and how often
	written []string
	// refuse makes a method of BlueZ fail with an error of this name.
	refuse map[string]string
	// hang makes a method of BlueZ never answer.
	hang map[string]bool
}

const (
	fakeMAC    = "C0:FF:EE:00:00:01"
	fakePath   = dbus.ObjectPath("/org/bluez/hci0")
	fakeDevice = fakePath + "/dev_C0_FF_EE_00_00_01"
	fakeChar   = fakeDevice + "/service0010/char0011"
	fakeDesc   = fakeChar + "/desc0013"
	fakeUUID   = "0000fff1-0000-1000-8000-00805f9b34fb"
)

type props = map[string]dbus.Variant

func v(value any) dbus.Variant { return dbus.MakeVariant(value) }

func newFakeBus(t *testing.T) *fakeBus {
	t.Helper()
	folder, err := os.MkdirTemp("", "bus")
	require.NoError(t, err)
	listener, err := net.Listen("unix", filepath.Join(folder, "bus"))
	require.NoError(t, err)
	b := &fakeBus{
		t: t, folder: folder, listener: listener, owner: ":1.0", near: true,
		changed: make(chan struct{}), conns: map[*fakeConn]bool{}, notify: map[*fakeConn]int{},
		refuse: map[string]string{}, hang: map[string]bool{},
		objects: map[dbus.ObjectPath]map[string]map[string]dbus.Variant{
			fakePath: {"org.bluez.Adapter1": props{"Address": v("00:00:00:00:00:01"), "Powered": v(true)}},
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
	return b
}

func (b *fakeBus) address() string { return "unix:path=" + filepath.Join(b.folder, "bus") }

func (b *fakeBus) close() error {
	err := b.listener.Close()
	b.mu.Lock()
	for c := range b.conns {
		_ = c.Close()
	}
	b.mu.Unlock()
	b.wg.Wait()
	return nonNil(err, os.RemoveAll(b.folder))
}

func nonNil(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// change does something to the bus and tells those who wait.
func (b *fakeBus) change(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
	b.told()
}

func (b *fakeBus) told() {
	close(b.changed)
	b.changed = make(chan struct{})
}

// await waits until so, which is called with mu locked.
func (b *fakeBus) await(ctx context.Context, so func() bool) error {
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

type fakeConn struct {
	net.Conn
	name  string
	rules []map[string]string
	out   sync.Mutex
}

func (b *fakeBus) serve(conn net.Conn) {
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
	c := &fakeConn{Conn: conn}
	b.change(func() {
		b.next++
		c.name = fmt.Sprintf(":1.%d", 100+b.next)
		b.conns[c] = true
	})
	defer b.change(func() {
		delete(b.conns, c)
		delete(b.notify, c)
	})
	for {
		m, err := dbus.DecodeMessage(in)
		if err != nil {
			return
		}
		if m.Type == dbus.TypeMethodCall {
			b.change(func() { b.answer(c, m) })
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

func (c *fakeConn) send(m *dbus.Message) {
	if len(m.Body) > 0 {
		m.Headers[dbus.FieldSignature] = v(dbus.SignatureOf(m.Body...))
	}
	c.out.Lock()
	defer c.out.Unlock()
	_ = m.EncodeTo(c, binary.LittleEndian) // one who hung up hears nothing
}

// answer does what a method call asks for; with mu locked.
func (b *fakeBus) answer(c *fakeConn, m *dbus.Message) {
	to := header(m, dbus.FieldDestination)
	body, err := []any(nil), ""
	switch {
	case to == "org.freedesktop.DBus":
		body, err = b.busMethod(c, header(m, dbus.FieldMember), m.Body)
	case to != "org.bluez" || b.owner == "":
		to, err = "org.freedesktop.DBus", "org.freedesktop.DBus.Error.ServiceUnknown"
	default:
		method := header(m, dbus.FieldMember)
		b.calls = append(b.calls, method)
		to = b.owner
		if b.hang[method] {
			return
		}
		if err = b.refuse[method]; err == "" {
			body, err = b.bluez(c, dbus.ObjectPath(header(m, dbus.FieldPath)), method, m.Body)
		}
	}
	if m.Flags&dbus.FlagNoReplyExpected != 0 {
		return
	}
	reply := &dbus.Message{Type: dbus.TypeMethodReply, Body: body, Headers: map[dbus.HeaderField]dbus.Variant{
		dbus.FieldReplySerial: v(m.Serial()), dbus.FieldSender: v(to), dbus.FieldDestination: v(c.name),
	}}
	if err != "" {
		reply.Type = dbus.TypeError
		reply.Headers[dbus.FieldErrorName] = v(err)
		reply.Body = []any{"refused: " + err}
	}
	c.send(reply)
}

func (b *fakeBus) busMethod(c *fakeConn, method string, args []any) ([]any, string) {
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
		if b.owner != "" {
			return []any{b.owner}, ""
		}
		return nil, "org.freedesktop.DBus.Error.NameHasNoOwner"
	}
	return nil, "org.freedesktop.DBus.Error.UnknownMethod"
}

// emit sends a signal to those who asked for it; with mu locked.
func (b *fakeBus) emit(sender, path, iface, member string, body ...any) {
	for c := range b.conns {
		if !slices.ContainsFunc(c.rules, func(rule map[string]string) bool {
			for key, want := range rule {
				is := map[string]string{"type": "signal", "path": path, "interface": iface, "member": member}[key]
				switch key {
				case "sender":
					if is = sender; sender == b.owner {
						is = "org.bluez"
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
			dbus.FieldPath: v(dbus.ObjectPath(path)), dbus.FieldInterface: v(iface), dbus.FieldMember: v(member), dbus.FieldSender: v(sender),
		}})
	}
}

func (b *fakeBus) set(path dbus.ObjectPath, iface string, changed props) {
	for name, value := range changed {
		b.objects[path][iface][name] = value
	}
	b.emit(b.owner, string(path), "org.freedesktop.DBus.Properties", "PropertiesChanged", iface, changed, []string{})
}

func (b *fakeBus) add(path dbus.ObjectPath, iface string, p props) {
	b.objects[path] = map[string]map[string]dbus.Variant{iface: p}
	b.emit(b.owner, "/", "org.freedesktop.DBus.ObjectManager", "InterfacesAdded", path, b.objects[path])
}

// remove takes away all objects that begin with path.
func (b *fakeBus) remove(path dbus.ObjectPath) {
	for known, ifaces := range b.objects {
		if !strings.HasPrefix(string(known), string(path)) {
			continue
		}
		names := []string{}
		for iface := range ifaces {
			names = append(names, iface)
		}
		delete(b.objects, known)
		b.emit(b.owner, "/", "org.freedesktop.DBus.ObjectManager", "InterfacesRemoved", known, names)
	}
}

func (b *fakeBus) bluez(c *fakeConn, path dbus.ObjectPath, method string, args []any) ([]any, string) {
	connected := b.objects[fakeDevice] != nil && b.objects[fakeDevice]["org.bluez.Device1"]["Connected"].Value() == true
	switch method {
	case "Ping", "SetDiscoveryFilter", "StopDiscovery":
		return nil, ""
	case "GetManagedObjects":
		return []any{b.objects}, ""
	case "StartDiscovery":
		if b.near {
			b.know()
		}
		return nil, ""
	case "ReadValue":
		if path == fakeDesc {
			return []any{[]byte{0x0E, 0xFE, 0x41, 0x27, 1, 0, 0}}, ""
		}
	case "StopNotify":
		delete(b.notify, c)
		return nil, ""
	}
	if b.objects[path] == nil {
		return nil, "org.freedesktop.DBus.Error.UnknownObject"
	}
	switch method {
	case "Connect":
		if !b.near {
			return nil, "org.bluez.Error.Failed"
		}
		b.set(fakeDevice, "org.bluez.Device1", props{"Connected": v(true)})
		b.services()
		b.set(fakeDevice, "org.bluez.Device1", props{"ServicesResolved": v(true)})
		return nil, ""
	case "Disconnect":
		if connected {
			b.disconnect()
		}
		return nil, ""
	case "StartNotify":
		b.notify[c]++
		return nil, ""
	case "WriteValue":
		kind := args[1].(map[string]dbus.Variant)["type"].Value()
		b.written = append(b.written, fmt.Sprintf("%s %s", kind, args[0]))
		return nil, ""
	}
	return nil, "org.freedesktop.DBus.Error.UnknownMethod"
}

// know makes the instrument known, as a scan does.
func (b *fakeBus) know() {
	if b.objects[fakeDevice] == nil {
		b.add(fakeDevice, "org.bluez.Device1", props{
			"Address": v(fakeMAC), "Name": v("invented"), "Connected": v(false), "ServicesResolved": v(false),
			"RSSI": v(int16(-60)), "UUIDs": v([]string{"0000fff0-0000-1000-8000-00805f9b34fb", fakeUUID}),
		})
	}
}

func (b *fakeBus) services() {
	b.add(fakeDevice+"/service0010", "org.bluez.GattService1", props{"UUID": v("0000fff0-0000-1000-8000-00805f9b34fb"), "Device": v(fakeDevice)})
	b.characteristic(fakeChar, fakeUUID, "notify", "write")
	b.add(fakeDesc, "org.bluez.GattDescriptor1", props{"UUID": v("00002904-0000-1000-8000-00805f9b34fb"), "Characteristic": v(fakeChar)})
	b.characteristic(fakeDevice+"/service0010/char0020", "00002a19-0000-1000-8000-00805f9b34fb", "read", "notify")
	b.characteristic(fakeDevice+"/service0010/char0030", "0000fff2-0000-1000-8000-00805f9b34fb", "read")
}

func (b *fakeBus) characteristic(path dbus.ObjectPath, uuid string, flags ...string) {
	b.add(path, "org.bluez.GattCharacteristic1", props{"UUID": v(uuid), "Service": v(fakeDevice + "/service0010"), "Flags": v(flags), "MTU": v(uint16(23))})
}

func (b *fakeBus) disconnect() {
	b.set(fakeDevice, "org.bluez.Device1", props{"ServicesResolved": v(false)})
	b.set(fakeDevice, "org.bluez.Device1", props{"Connected": v(false)})
	b.remove(fakeDevice + "/service0010")
}

// notified sends a notification; with mu locked.
func (b *fakeBus) notified(value []byte) {
	b.emit(b.owner, string(fakeChar), "org.freedesktop.DBus.Properties", "PropertiesChanged",
		"org.bluez.GattCharacteristic1", props{"Value": v(value)}, []string{})
}

// What the conformance suite wants of an instrument.

func (b *fakeBus) feed(p []byte) error {
	for part := range slices.Chunk(p, 20) {
		b.change(func() {
			if len(b.notify) > 0 {
				b.notified(part)
			}
		})
	}
	return nil
}

func (b *fakeBus) unplug() error {
	b.change(func() {
		b.near = false
		if b.objects[fakeDevice] != nil {
			b.disconnect()
			b.remove(fakeDevice)
		}
	})
	return nil
}

func (b *fakeBus) plug() error {
	b.change(func() { b.near = true })
	return nil
}

// stop ends BlueZ, and start starts it anew, as another one.
func (b *fakeBus) stop() {
	b.change(func() {
		old := b.owner
		b.owner = ""
		for path := range b.objects {
			if path != fakePath {
				delete(b.objects, path)
			}
		}
		b.emit("org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "NameOwnerChanged", "org.bluez", old, "")
	})
}

func (b *fakeBus) start() {
	b.change(func() {
		b.next++
		b.owner = fmt.Sprintf(":1.%d", b.next)
		b.emit("org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "NameOwnerChanged", "org.bluez", "", b.owner)
	})
}
