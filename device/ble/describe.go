package ble

import (
	"errors"
	"fmt"

	"github.com/pelletier/go-toml/v2"

	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/profile"
)

// SelfDescribed is the name of the profile of an instrument that describes itself.
const SelfDescribed = "self-described"

// What a profile can say (device/profile/FORMAT.md).
const (
	mostBits     = 64
	mostDecimals = 12
)

// profileForm is a profile file with what a Format can say.
type profileForm struct {
	Name    string `toml:"name"`
	Note    string `toml:"note"`
	Framing struct {
		Kind string `toml:"kind"`
	} `toml:"framing"`
	Reading struct {
		Kind   string `toml:"kind"`
		Length int    `toml:"length"`
		Unit   string `toml:"unit,omitempty"`
	} `toml:"reading"`
	Field struct {
		Value struct {
			At       int    `toml:"at"`
			Length   int    `toml:"length"`
			Type     string `toml:"type"`
			Order    string `toml:"order"`
			Decimals int    `toml:"decimals,omitempty"`
		} `toml:"value"`
	} `toml:"field"`
}

// Profile is the text of a profile that reads what Decode reads: each packet is
// one value. It is for all formats but these: integers of 12 and of 128 bits,
// which a profile has no type for, and of integers the exponents below -12 and
// above 12.
func (f Format) Profile(name string) (string, error) {
	number, ok := numberTypes[f.Type]
	if !ok {
		return "", fmt.Errorf("the presentation format 0x%02X is none that can be read", f.Type)
	}
	unit, ok := assignedUnits[f.Unit]
	if !ok {
		return "", fmt.Errorf("the unit 0x%04X is none of torque, angle or length that is known", f.Unit)
	}
	if number.bits%8 != 0 || number.bits > mostBits {
		return "", fmt.Errorf("a profile has no type for an integer of %d bits", number.bits)
	}
	form := profileForm{Name: name, Note: "As the instrument says: " + f.String() + "."}
	form.Framing.Kind = "packet"
	form.Reading.Kind = "fields"
	form.Reading.Length = number.bits / 8
	if unit != quantity.NoUnit {
		form.Reading.Unit = unit.String()
	}
	value := &form.Field.Value
	value.Length, value.Order = number.bits/8, "little"
	switch number.kind {
	case unsignedInteger:
		value.Type = "unsigned"
	case signedInteger:
		value.Type = "signed"
	case binaryFloat:
		value.Type = "float"
	case medicalFloat:
		value.Type = "decimal-float"
	}
	if number.kind == unsignedInteger || number.kind == signedInteger {
		if value.Decimals = -int(f.Exponent); value.Decimals < -mostDecimals || value.Decimals > mostDecimals {
			return "", fmt.Errorf("a profile has no place for the exponent %d", f.Exponent)
		}
	}
	text, err := toml.Marshal(form)
	return string(text), err
}

// Describe makes the profile of a link whose characteristic describes itself, as
// attach.Options.Describe does. It fails, with a hint, where it does not.
func Describe(link device.Link) (*profile.Profile, error) {
	for {
		if d, ok := link.(Describing); ok {
			return described(d)
		}
		w, ok := link.(device.Wrapping)
		if !ok {
			return nil, &profile.Rejection{Reason: "only a characteristic of Bluetooth LE describes itself", Hint: hintProfile}
		}
		link = w.Unwrap()
	}
}

const hintProfile = "name a profile that says how it talks"

func described(d Describing) (*profile.Profile, error) {
	format, err := d.Format()
	if errors.Is(err, ErrNoFormat) {
		return nil, &profile.Rejection{Reason: "it does not describe itself: " + err.Error(), Hint: hintProfile}
	}
	var text string
	if err == nil {
		text, err = format.Profile(SelfDescribed)
	}
	if err != nil {
		return nil, &profile.Rejection{Reason: "what it says of itself cannot be used: " + err.Error(), Hint: hintProfile}
	}
	return profile.Parse(SelfDescribed, []byte(text))
}
