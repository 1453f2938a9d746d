package entry_test

import (
	"math/big"
	"time"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/log/entry"
)

// anyEntry draws an entry that can be stored.
func anyEntry(t *rapid.T) (fact.Entry, entry.Hash) {
	e := fact.Entry{
		Ref: fact.Ref{
			Station: rapid.StringMatching(`[A-Za-z0-9._-]{1,64}`).Draw(t, "station"),
			Number:  rapid.Uint64Range(1, 1<<63).Draw(t, "number"),
		},
		Time:    time.Unix(0, rapid.Int64().Draw(t, "time")).UTC(),
		Since:   time.Duration(rapid.Int64Range(0, 1<<62).Draw(t, "since")),
		Session: anyText.Draw(t, "session"),
		Body:    anyBody.Draw(t, "body"),
	}
	var prev entry.Hash
	if e.Number > 1 {
		copy(prev[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "prev"))
		prev[0] |= 1
	}
	return e, prev
}

// anyText is text, or what an instrument might send instead.
var anyText = rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }))

var anyPoint = rapid.Map(rapid.StringMatching(`([a-z0-9-]{1,20}/[a-z0-9-]{1,20})?`), func(s string) fact.Point { return fact.Point(s) })

var anyQuantity = rapid.Custom(func(t *rapid.T) quantity.Quantity {
	mantissa := new(big.Int).SetBytes(rapid.SliceOfN(rapid.Byte(), 0, 28).Draw(t, "mantissa"))
	if rapid.Bool().Draw(t, "negative") {
		mantissa.Neg(mantissa)
	}
	return quantity.Quantity{
		Value: decimal.NewFromBigInt(mantissa, rapid.Int32Range(-100, 100).Draw(t, "exponent")),
		Unit:  quantity.Unit(rapid.Uint8Range(0, uint8(quantity.Centimetre)).Draw(t, "unit")),
		Text:  anyText.Draw(t, "text"),
	}
})

var anyTrace = rapid.Custom(func(t *rapid.T) fact.Trace {
	if rapid.Bool().Draw(t, "none") {
		return fact.Trace{}
	}
	return fact.Trace{
		Station: rapid.StringMatching(`[A-Za-z0-9._-]{1,64}`).Draw(t, "station"), Number: rapid.Uint64Min(1).Draw(t, "number"),
		Samples: rapid.IntMin(1).Draw(t, "samples"), Hash: entry.Hash(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "hash")),
	}
})

var anyBody = rapid.Custom(func(t *rapid.T) fact.Body {
	text := func(what string) string { return anyText.Draw(t, what) }
	point := anyPoint.Draw(t, "point")
	pass := fact.Pass(text("pass"))
	raw := rapid.SliceOf(rapid.Byte()).Draw(t, "raw")
	instrument := func() fact.Instrument {
		return fact.Instrument{Name: text("name"), Address: text("address"), Identity: text("identity"), Profile: text("profile"),
			Range:      quantity.Limits{Least: anyQuantity.Draw(t, "least"), Most: anyQuantity.Draw(t, "most")},
			Calibrated: text("calibrated"), Due: text("due")}
	}
	switch rapid.IntRange(1, 10).Draw(t, "kind") {
	case 1:
		return fact.Opening{Build: text("build"), Plan: text("plan"), PlanName: text("name"), Program: text("program"),
			Identity: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) fact.Identity {
				return fact.Identity{Name: anyText.Draw(t, "name"), Value: anyText.Draw(t, "value")}
			}), 0, 3).Draw(t, "identity")}
	case 2:
		return fact.Replan{Plan: text("plan"), PlanName: text("name"), Because: text("because")}
	case 3:
		return fact.Confirmation{Point: point}
	case 4:
		return fact.Skip{Point: point, Pass: pass, Because: text("because")}
	case 5:
		return fact.Void{Point: point, Because: text("because"), Of: fact.Ref{Station: text("station"), Number: rapid.Uint64().Draw(t, "of")}}
	case 6:
		return fact.Note{Point: point, What: text("what"), Instrument: text("instrument"), Text: text("text"), Raw: raw, Trace: anyTrace.Draw(t, "trace")}
	case 7:
		return fact.Interrupted{Point: point, Pass: pass, Instrument: instrument(), Trace: anyTrace.Draw(t, "trace"), Because: text("because")}
	case 8:
		return fact.Accepted{Point: point, Pass: pass, Because: text("because"), By: text("by"), Finding: text("finding"), Kind: text("kind"),
			Of: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) fact.Ref {
				return fact.Ref{Station: anyText.Draw(t, "station"), Number: rapid.Uint64().Draw(t, "number")}
			}), 0, 3).Draw(t, "of")}
	case 9:
		return fact.SentBack{Point: point, Pass: pass, Because: text("because"), By: text("by")}
	default:
		return fact.Reading{Point: point, Pass: pass, Value: anyQuantity.Draw(t, "value"), Angle: anyQuantity.Draw(t, "angle"),
			Attested: rapid.Bool().Draw(t, "attested"), Raw: raw, Told: text("told"),
			Status:     rapid.SliceOfN(anyText, 0, 3).Draw(t, "status"),
			Instrument: instrument(), Trace: anyTrace.Draw(t, "trace")}
	}
})
