package serialport

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// list reads what the kernel and the device manager say of the ports under a
// root folder. The library's own list would open and set every ttyS port.
func list(ctx context.Context, root string) ([]Port, error) {
	ports, err := devices(root)
	if err != nil {
		return nil, err
	}
	ids := byIDNames(root)
	held, err := holders(ctx, root, true)
	if err != nil {
		return nil, err
	}
	for i := range ports {
		ports[i].ByID = ids[ports[i].Path]
		ports[i].HeldBy = held[ports[i].Path]
	}
	return ports, nil
}

// devices lists the ports that have hardware and a device file.
func devices(root string) ([]Port, error) {
	class := filepath.Join(root, "sys/class/tty")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("the serial ports cannot be listed: %w", err)
	}
	var ports []Port
	for _, e := range entries {
		folder := filepath.Join(class, e.Name())
		bluetooth := bluetoothAddress(folder)
		hardware, err := filepath.EvalSymlinks(filepath.Join(folder, "device"))
		if bluetooth == "" && (err != nil || attribute(folder, "type") == "0") { // a console; a port by name only
			continue
		}
		if _, err := os.Stat(filepath.Join(root, "dev", e.Name())); err != nil {
			continue
		}
		p := Port{Path: "/dev/" + e.Name()}
		if bluetooth != "" {
			p.Product = "Bluetooth " + bluetooth
		} else if usb := usbDevice(root, hardware); usb != "" {
			p.VendorID, p.ProductID = attribute(usb, "idVendor"), attribute(usb, "idProduct")
			p.Serial, p.Product = attribute(usb, "serial"), attribute(usb, "product")
		}
		ports = append(ports, p)
	}
	return ports, nil
}

// usbDevice is the folder of the USB device that a port belongs to, or empty.
func usbDevice(root, hardware string) string {
	for dir := hardware; len(dir) > len(root); dir = filepath.Dir(dir) {
		if attribute(dir, "idVendor") != "" {
			return dir
		}
	}
	return ""
}

func attribute(folder, name string) string {
	text, err := os.ReadFile(filepath.Join(folder, name))
	if err != nil {
		return ""
	}
	return strings.ToValidUTF8(strings.TrimSpace(string(text)), "\uFFFD")
}

const byIDFolder = "dev/serial/by-id"

// byIDNames gives the name by id of each path. There is no such folder while
// nothing is plugged in, or without a device manager.
func byIDNames(root string) map[string]string {
	entries, err := os.ReadDir(filepath.Join(root, byIDFolder))
	if err != nil {
		return nil
	}
	names := map[string]string{}
	for _, e := range entries {
		target, err := os.Readlink(filepath.Join(root, byIDFolder, e.Name()))
		if err != nil {
			continue
		}
		if !filepath.IsAbs(target) {
			target = filepath.Join("/", byIDFolder, target)
		}
		names[target] = e.Name()
	}
	return names
}

func followByID(root, name string) (string, error) {
	return follow(filepath.Join(root, byIDFolder, name))
}

// withSerial gives the paths of the ports of a USB serial number.
func withSerial(root, number string) ([]string, error) {
	ports, err := devices(root)
	var paths []string
	for _, p := range ports {
		if p.Serial == number {
			paths = append(paths, p.Path)
		}
	}
	return paths, err
}

// identityOf is the USB serial number or the Bluetooth address of the port at
// path, or empty.
func identityOf(root, path string) string {
	folder := ttyFolder(root, path)
	if address := bluetoothAddress(folder); address != "" {
		return address
	}
	hardware, err := filepath.EvalSymlinks(filepath.Join(folder, "device"))
	if err != nil {
		return ""
	}
	if usb := usbDevice(root, hardware); usb != "" {
		return attribute(usb, "serial")
	}
	return ""
}

func ttyFolder(root, path string) string {
	return filepath.Join(root, "sys/class/tty", filepath.Base(path))
}

// bluetoothAddress is the address that a port of the kernel's RFCOMM is bound
// to, or empty.
func bluetoothAddress(folder string) string {
	if attribute(folder, "channel") == "" {
		return ""
	}
	return strings.ToUpper(attribute(folder, "address"))
}

// answered waits until the instrument at the far end of a Bluetooth port has
// answered. The kernel calls it when the port is opened, lets the port have
// hardware while it is connected, and hangs up if nobody answers. (The modem
// lines do not tell: they stay as they were when the last link was lost.)
func answered(ctx context.Context, root, path string, gone func() bool) error {
	folder := ttyFolder(root, path)
	if bluetoothAddress(folder) == "" {
		return nil
	}
	ctx, cancel := context.WithTimeoutCause(ctx, answerTime, errNoAnswer)
	defer cancel()
	for {
		if gone() {
			return errNoAnswer
		}
		if _, err := os.Lstat(filepath.Join(folder, "device")); err == nil {
			return nil
		}
		select {
		case <-time.After(pollInterval):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// holders tells which program has which device file open. Of other users'
// programs only root is told.
func holders(ctx context.Context, root string, others bool) (map[string]string, error) {
	proc := filepath.Join(root, "proc")
	processes, err := os.ReadDir(proc)
	if err != nil {
		return nil, nil // without /proc nothing is known
	}
	own := fmt.Sprint(os.Getpid())
	held := map[string]string{}
	for _, process := range processes {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		id := process.Name()
		if strings.Trim(id, "0123456789") != "" || others && id == own {
			continue
		}
		name := fmt.Sprintf("%s (process %s)", attribute(filepath.Join(proc, id), "comm"), id)
		if id == own {
			name = "this program"
		}
		files, err := os.ReadDir(filepath.Join(proc, id, "fd"))
		if err != nil {
			continue
		}
		for _, file := range files {
			target, err := os.Readlink(filepath.Join(proc, id, "fd", file.Name()))
			if err == nil && strings.HasPrefix(target, "/dev/") {
				held[target] = name
			}
		}
	}
	return held, nil
}

// holder is the program that has path open, this one included, or empty.
func holder(root, path string) string { return holding(root, path, false) }

// elsewhere is another program that has path open, or empty.
func elsewhere(root, path string) string { return holding(root, path, true) }

func holding(root, path string, others bool) string {
	held, err := holders(context.Background(), root, others)
	if err != nil {
		return ""
	}
	return held[path]
}
