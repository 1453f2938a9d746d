//go:build !linux

package ble

import (
	"context"
	"errors"

	"paintmark/device"
)

var errSystem = errors.New("only on Linux can Bluetooth LE be read")

const hintSystem = "here an instrument is read by its cable, or by Bluetooth Classic as the serial port that the system makes of it, or its values are typed"

func (t *Transport) open(context.Context) (device.Link, error) {
	return nil, t.fail(errSystem, hintSystem)
}

func (t *Transport) inspect(context.Context) ([]Characteristic, error) {
	return nil, t.fail(errSystem, hintSystem)
}

func scan(context.Context, Options) ([]Found, error) { return nil, unsupported{} }

// unsupported is errSystem with what works instead, where there is no address.
type unsupported struct{}

func (unsupported) Error() string    { return errSystem.Error() }
func (unsupported) Unwrap() error    { return errSystem }
func (unsupported) HintText() string { return hintSystem }
