package entry

import (
	"errors"
	"fmt"

	"github.com/fxamacker/cbor/v2"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// The kinds of entry. Their numbers are stored in books and never reused.
const (
	kindOpening = iota + 1
	kindReplan
	kindReading
	kindConfirmation
	kindSkip
	kindVoid
	kindNote
	kinds // one past the last
)

// The bodies as they are stored: maps with small integers for keys, parts that
// are empty left out. A key is never reused for something else.
type (
	opening struct {
		Build    text       `cbor:"1,keyasint,omitzero"`
		Plan     text       `cbor:"2,keyasint,omitzero"`
		PlanName text       `cbor:"3,keyasint,omitzero"`
		Identity []identity `cbor:"4,keyasint,omitempty"`
		Program  text       `cbor:"5,keyasint,omitzero"`
	}
	identity struct {
		_     struct{} `cbor:",toarray"`
		Name  text
		Value text
	}
	replan struct {
		Plan     text `cbor:"2,keyasint,omitzero"`
		PlanName text `cbor:"3,keyasint,omitzero"`
		Because  text `cbor:"6,keyasint,omitzero"`
	}
	reading struct {
		Point      text          `cbor:"1,keyasint,omitzero"`
		Pass       text          `cbor:"2,keyasint,omitzero"`
		Value      *wireQuantity `cbor:"3,keyasint,omitempty"`
		Angle      *wireQuantity `cbor:"4,keyasint,omitempty"`
		Attested   bool          `cbor:"5,keyasint,omitempty"`
		Instrument instrument    `cbor:"6,keyasint,omitzero"`
		Status     []text        `cbor:"7,keyasint,omitempty"`
		Raw        []byte        `cbor:"8,keyasint,omitempty"`
		Told       text          `cbor:"9,keyasint,omitzero"`
	}
	instrument struct {
		Name       text          `cbor:"1,keyasint,omitzero"`
		Address    text          `cbor:"2,keyasint,omitzero"`
		Identity   text          `cbor:"3,keyasint,omitzero"`
		Profile    text          `cbor:"4,keyasint,omitzero"`
		Least      *wireQuantity `cbor:"5,keyasint,omitempty"`
		Most       *wireQuantity `cbor:"6,keyasint,omitempty"`
		Calibrated text          `cbor:"7,keyasint,omitzero"`
		Due        text          `cbor:"8,keyasint,omitzero"`
	}
	confirmation struct {
		Point text `cbor:"1,keyasint,omitzero"`
	}
	skip struct {
		Point   text `cbor:"1,keyasint,omitzero"`
		Pass    text `cbor:"2,keyasint,omitzero"`
		Because text `cbor:"3,keyasint,omitzero"`
	}
	void struct {
		Point   text   `cbor:"1,keyasint,omitzero"`
		Station text   `cbor:"2,keyasint,omitzero"`
		Number  uint64 `cbor:"3,keyasint,omitempty"`
		Because text   `cbor:"4,keyasint,omitzero"`
	}
	note struct {
		Point      text   `cbor:"1,keyasint,omitzero"`
		What       text   `cbor:"2,keyasint,omitzero"`
		Instrument text   `cbor:"3,keyasint,omitzero"`
		Text       text   `cbor:"4,keyasint,omitzero"`
		Raw        []byte `cbor:"5,keyasint,omitempty"`
	}
)

func encodeBody(body fact.Body) (kind uint64, data cbor.RawMessage, err error) {
	var wire any
	switch b := body.(type) {
	case fact.Opening:
		w := opening{Build: text(b.Build), Plan: text(b.Plan), PlanName: text(b.PlanName), Program: text(b.Program)}
		for _, i := range b.Identity {
			w.Identity = append(w.Identity, identity{Name: text(i.Name), Value: text(i.Value)})
		}
		kind, wire = kindOpening, w
	case fact.Replan:
		kind, wire = kindReplan, replan{Plan: text(b.Plan), PlanName: text(b.PlanName), Because: text(b.Because)}
	case fact.Reading:
		w := reading{
			Point: text(b.Point), Pass: text(b.Pass), Attested: b.Attested, Raw: b.Raw, Told: text(b.Told),
			Instrument: instrument{
				Name: text(b.Instrument.Name), Address: text(b.Instrument.Address), Identity: text(b.Instrument.Identity),
				Profile: text(b.Instrument.Profile), Calibrated: text(b.Instrument.Calibrated), Due: text(b.Instrument.Due),
			},
		}
		for _, s := range b.Status {
			w.Status = append(w.Status, text(s))
		}
		for _, q := range []struct {
			to   **wireQuantity
			from quantity.Quantity
		}{
			{&w.Value, b.Value}, {&w.Angle, b.Angle},
			{&w.Instrument.Least, b.Instrument.Range.Least}, {&w.Instrument.Most, b.Instrument.Range.Most},
		} {
			if *q.to, err = toWire(q.from); err != nil {
				return 0, nil, err
			}
		}
		kind, wire = kindReading, w
	case fact.Confirmation:
		kind, wire = kindConfirmation, confirmation{Point: text(b.Point)}
	case fact.Skip:
		kind, wire = kindSkip, skip{Point: text(b.Point), Pass: text(b.Pass), Because: text(b.Because)}
	case fact.Void:
		kind, wire = kindVoid, void{Point: text(b.Point), Station: text(b.Of.Station), Number: b.Of.Number, Because: text(b.Because)}
	case fact.Note:
		kind, wire = kindNote, note{Point: text(b.Point), What: text(b.What), Instrument: text(b.Instrument), Text: text(b.Text), Raw: b.Raw}
	default:
		return 0, nil, fmt.Errorf("a fact of type %T is not known", body)
	}
	data, err = encoding.Marshal(wire)
	return kind, data, err
}

func decodeBody(kind uint64, data []byte) (fact.Body, error) {
	switch kind {
	case kindOpening:
		w, err := unmarshal[opening](data)
		b := fact.Opening{Build: string(w.Build), Plan: string(w.Plan), PlanName: string(w.PlanName), Program: string(w.Program)}
		for _, i := range w.Identity {
			b.Identity = append(b.Identity, fact.Identity{Name: string(i.Name), Value: string(i.Value)})
		}
		return b, err
	case kindReplan:
		w, err := unmarshal[replan](data)
		return fact.Replan{Plan: string(w.Plan), PlanName: string(w.PlanName), Because: string(w.Because)}, err
	case kindReading:
		return decodeReading(data)
	case kindConfirmation:
		w, err := unmarshal[confirmation](data)
		return fact.Confirmation{Point: fact.Point(w.Point)}, err
	case kindSkip:
		w, err := unmarshal[skip](data)
		return fact.Skip{Point: fact.Point(w.Point), Pass: fact.Pass(w.Pass), Because: string(w.Because)}, err
	case kindVoid:
		w, err := unmarshal[void](data)
		of := fact.Ref{Station: string(w.Station), Number: w.Number}
		return fact.Void{Of: of, Point: fact.Point(w.Point), Because: string(w.Because)}, err
	case kindNote:
		w, err := unmarshal[note](data)
		return fact.Note{Point: fact.Point(w.Point), What: string(w.What), Instrument: string(w.Instrument), Text: string(w.Text), Raw: w.Raw}, err
	case 0:
		return nil, errors.New("kind 0")
	default:
		return nil, fmt.Errorf("%w: an entry of kind %d, the last known is %d", ErrNewer, kind, kinds-1)
	}
}

func decodeReading(data []byte) (fact.Body, error) {
	w, err := unmarshal[reading](data)
	if err != nil {
		return nil, err
	}
	i := w.Instrument
	b := fact.Reading{
		Point: fact.Point(w.Point), Pass: fact.Pass(w.Pass), Attested: w.Attested, Raw: w.Raw, Told: string(w.Told),
		Instrument: fact.Instrument{
			Name: string(i.Name), Address: string(i.Address), Identity: string(i.Identity),
			Profile: string(i.Profile), Calibrated: string(i.Calibrated), Due: string(i.Due),
		},
	}
	for _, s := range w.Status {
		b.Status = append(b.Status, string(s))
	}
	for _, q := range []struct {
		to   *quantity.Quantity
		from *wireQuantity
	}{
		{&b.Value, w.Value}, {&b.Angle, w.Angle},
		{&b.Instrument.Range.Least, i.Least}, {&b.Instrument.Range.Most, i.Most},
	} {
		if *q.to, err = q.from.quantity(); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// unmarshal reads a body. A key that is not known comes from a newer program:
// within one version of the layout, keys are only added.
func unmarshal[W any](data []byte) (W, error) {
	var w W
	err := decoding.Unmarshal(data, &w)
	var unknown *cbor.UnknownFieldError
	if errors.As(err, &unknown) {
		return w, fmt.Errorf("%w: %w", ErrNewer, err)
	}
	if err == nil && (len(data) == 0 || data[0]>>5 != 5) {
		err = errors.New("the body is no map")
	}
	return w, err
}
