package serialport

import (
	"context"
	"fmt"
	"strings"

	"go.bug.st/serial/enumerator"
)

// list asks the device manager, without probing any device.
func list(ctx context.Context, _ string) ([]Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	found, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, fmt.Errorf("the serial ports cannot be listed: %w", err)
	}
	ports := make([]Port, len(found))
	for i, p := range found {
		ports[i] = Port{Path: p.Name, Product: p.Product}
		if p.IsUSB {
			ports[i].VendorID, ports[i].ProductID = strings.ToLower(p.VID), strings.ToLower(p.PID)
			ports[i].Serial = p.SerialNumber
		}
	}
	return ports, nil
}

func withSerial(root, number string) ([]string, error) {
	ports, err := list(context.Background(), root)
	var paths []string
	for _, p := range ports {
		if p.Serial != "" && strings.EqualFold(p.Serial, number) { // drivers differ in the case
			paths = append(paths, p.Path)
		}
	}
	return paths, err
}

func identityOf(root, path string) string {
	ports, err := list(context.Background(), root)
	if err != nil {
		return ""
	}
	for _, p := range ports {
		if strings.EqualFold(p.Path, path) {
			return p.Serial
		}
	}
	return ""
}

func followByID(string, string) (string, error) { return "", errUnsupported }

func holder(string, string) string { return "" }

func elsewhere(string, string) string { return "" }

func answered(context.Context, string, string, func() bool) error { return nil }
