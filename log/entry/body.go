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
	kindInterrupted
	kindAccepted
	kindSentBack
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
		Trace      *wireTrace    `cbor:"10,keyasint,omitempty"`
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
		Point      text       `cbor:"1,keyasint,omitzero"`
		What       text       `cbor:"2,keyasint,omitzero"`
		Instrument text       `cbor:"3,keyasint,omitzero"`
		Text       text       `cbor:"4,keyasint,omitzero"`
		Raw        []byte     `cbor:"5,keyasint,omitempty"`
		Trace      *wireTrace `cbor:"6,keyasint,omitempty"`
	}
	interrupted struct {
		Point      text       `cbor:"1,keyasint,omitzero"`
		Pass       text       `cbor:"2,keyasint,omitzero"`
		Instrument instrument `cbor:"3,keyasint,omitzero"`
		Trace      *wireTrace `cbor:"4,keyasint,omitempty"`
		Because    text       `cbor:"5,keyasint,omitzero"`
	}
	accepted struct {
		Point   text      `cbor:"1,keyasint,omitzero"`
		Pass    text      `cbor:"2,keyasint,omitzero"`
		Because text      `cbor:"3,keyasint,omitzero"`
		By      text      `cbor:"4,keyasint,omitzero"`
		Finding text      `cbor:"5,keyasint,omitzero"`
		Kind    text      `cbor:"6,keyasint,omitzero"`
		Of      []wireRef `cbor:"7,keyasint,omitempty"`
	}
	wireRef struct {
		_       struct{} `cbor:",toarray"`
		Station text
		Number  uint64
	}
	sentBack struct {
		Point   text `cbor:"1,keyasint,omitzero"`
		Pass    text `cbor:"2,keyasint,omitzero"`
		Because text `cbor:"3,keyasint,omitzero"`
		By      text `cbor:"4,keyasint,omitzero"`
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
		}
		for _, s := range b.Status {
			w.Status = append(w.Status, text(s))
		}
		for _, q := range []struct {
			to   **wireQuantity
			from quantity.Quantity
		}{
			{&w.Value, b.Value}, {&w.Angle, b.Angle},
		} {
			if *q.to, err = toWire(q.from); err != nil {
				return 0, nil, err
			}
		}
		if w.Instrument, err = instrumentToWire(b.Instrument); err != nil {
			return 0, nil, err
		}
		if w.Trace, err = traceToWire(b.Trace); err != nil {
			return 0, nil, err
		}
		kind, wire = kindReading, w
	case fact.Confirmation:
		kind, wire = kindConfirmation, confirmation{Point: text(b.Point)}
	case fact.Skip:
		kind, wire = kindSkip, skip{Point: text(b.Point), Pass: text(b.Pass), Because: text(b.Because)}
	case fact.Void:
		kind, wire = kindVoid, void{Point: text(b.Point), Station: text(b.Of.Station), Number: b.Of.Number, Because: text(b.Because)}
	case fact.Note:
		w := note{Point: text(b.Point), What: text(b.What), Instrument: text(b.Instrument), Text: text(b.Text), Raw: b.Raw}
		if w.Trace, err = traceToWire(b.Trace); err != nil {
			return 0, nil, err
		}
		kind, wire = kindNote, w
	case fact.Interrupted:
		w := interrupted{Point: text(b.Point), Pass: text(b.Pass), Because: text(b.Because)}
		if w.Instrument, err = instrumentToWire(b.Instrument); err != nil {
			return 0, nil, err
		}
		if w.Trace, err = traceToWire(b.Trace); err != nil {
			return 0, nil, err
		}
		kind, wire = kindInterrupted, w
	case fact.Accepted:
		w := accepted{Point: text(b.Point), Pass: text(b.Pass), Because: text(b.Because), By: text(b.By), Finding: text(b.Finding), Kind: text(b.Kind)}
		for _, r := range b.Of {
			w.Of = append(w.Of, wireRef{Station: text(r.Station), Number: r.Number})
		}
		kind, wire = kindAccepted, w
	case fact.SentBack:
		kind, wire = kindSentBack, sentBack{Point: text(b.Point), Pass: text(b.Pass), Because: text(b.Because), By: text(b.By)}
	default:
		return 0, nil, fmt.Errorf("a fact of type %T is not known", body)
	}
	data, err = encoding.Marshal(wire)
	return kind, data, err
}

func instrumentToWire(i fact.Instrument) (w instrument, err error) {
	w = instrument{
		Name: text(i.Name), Address: text(i.Address), Identity: text(i.Identity),
		Profile: text(i.Profile), Calibrated: text(i.Calibrated), Due: text(i.Due),
	}
	if w.Least, err = toWire(i.Range.Least); err != nil {
		return w, err
	}
	w.Most, err = toWire(i.Range.Most)
	return w, err
}

func (w instrument) instrument() (i fact.Instrument, err error) {
	i = fact.Instrument{
		Name: string(w.Name), Address: string(w.Address), Identity: string(w.Identity),
		Profile: string(w.Profile), Calibrated: string(w.Calibrated), Due: string(w.Due),
	}
	if i.Range.Least, err = w.Least.quantity(); err != nil {
		return i, err
	}
	i.Range.Most, err = w.Most.quantity()
	return i, err
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
		if err != nil {
			return nil, err
		}
		b := fact.Note{Point: fact.Point(w.Point), What: string(w.What), Instrument: string(w.Instrument), Text: string(w.Text), Raw: w.Raw}
		b.Trace, err = w.Trace.trace()
		return b, err
	case kindInterrupted:
		w, err := unmarshal[interrupted](data)
		if err != nil {
			return nil, err
		}
		b := fact.Interrupted{Point: fact.Point(w.Point), Pass: fact.Pass(w.Pass), Because: string(w.Because)}
		if b.Instrument, err = w.Instrument.instrument(); err != nil {
			return nil, err
		}
		b.Trace, err = w.Trace.trace()
		return b, err
	case kindAccepted:
		w, err := unmarshal[accepted](data)
		b := fact.Accepted{Point: fact.Point(w.Point), Pass: fact.Pass(w.Pass), Because: string(w.Because), By: string(w.By),
			Finding: string(w.Finding), Kind: string(w.Kind)}
		for _, r := range w.Of {
			b.Of = append(b.Of, fact.Ref{Station: string(r.Station), Number: r.Number})
		}
		return b, err
	case kindSentBack:
		w, err := unmarshal[sentBack](data)
		return fact.SentBack{Point: fact.Point(w.Point), Pass: fact.Pass(w.Pass), Because: string(w.Because), By: string(w.By)}, err
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
	b := fact.Reading{
		Point: fact.Point(w.Point), Pass: fact.Pass(w.Pass), Attested: w.Attested, Raw: w.Raw, Told: string(w.Told),
	}
	for _, s := range w.Status {
		b.Status = append(b.Status, string(s))
	}
	for _, q := range []struct {
		to   *quantity.Quantity
		from *wireQuantity
	}{
		{&b.Value, w.Value}, {&b.Angle, w.Angle},
	} {
		if *q.to, err = q.from.quantity(); err != nil {
			return nil, err
		}
	}
	if b.Instrument, err = w.Instrument.instrument(); err != nil {
		return nil, err
	}
	b.Trace, err = w.Trace.trace()
	return b, err
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
