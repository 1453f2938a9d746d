package serialport

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
)

// list gives the call-out devices. What USB says of them could only be asked
// through a framework that needs cgo.
func list(ctx context.Context, root string) ([]Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	paths, err := filepath.Glob(filepath.Join(root, "dev/cu.*"))
	if err != nil {
		return nil, fmt.Errorf("the serial ports cannot be listed: %w", err)
	}
	ports := make([]Port, len(paths))
	for i, path := range paths {
		ports[i] = Port{Path: path}
	}
	return ports, nil
}

// withSerial finds a USB serial number by the names the system's drivers give:
// cu.usbserial-NUMBER, and cu.usbmodemNUMBER with the number of the interface.
func withSerial(root, number string) ([]string, error) {
	ports, err := list(context.Background(), root)
	var paths []string
	for _, p := range ports {
		name := strings.TrimPrefix(filepath.Base(p.Path), "cu.")
		modem, isModem := strings.CutPrefix(name, "usbmodem"+number)
		if name == "usbserial-"+number || isModem && strings.Trim(modem, "0123456789") == "" {
			paths = append(paths, p.Path)
		}
	}
	return paths, err
}

func followByID(string, string) (string, error) { return "", errUnsupported }

func identityOf(string, string) string { return "" }

func holder(string, string) string { return "" }

func elsewhere(string, string) string { return "" }

func answered(context.Context, string, string, func() bool) error { return nil }
