//go:build !linux && !darwin && !windows

package serialport

import (
	"context"
	"errors"
)

func list(context.Context, string) ([]Port, error) {
	return nil, errors.New("the serial ports of this system cannot be listed; give a path")
}

func withSerial(string, string) ([]string, error) {
	_, err := list(context.Background(), "")
	return nil, err
}

func followByID(string, string) (string, error) { return "", errUnsupported }

func identityOf(string, string) string { return "" }

func holder(string, string) string { return "" }

func elsewhere(string, string) string { return "" }

func answered(context.Context, string, string, func() bool) error { return nil }
