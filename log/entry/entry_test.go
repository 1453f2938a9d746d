package entry_test

import (
	"encoding/hex"
	"errors"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/log/entry"
)

var (
	moment = time.Date(2026, 3, 2, 7, 30, 0, 5, time.UTC)
	before = entry.Hash{31: 1}
)

// of gives an entry that says body.
func of(body fact.Body) fact.Entry {
	return fact.Entry{
		Ref:  fact.Ref{Station: "bench-1", Number: 17},
		Time: moment, Since: 90 * time.Second, Session: "20260302T072830", Body: body,
	}
}

var bodies = map[string]fact.Body{
	"opening": fact.Opening{Build: "2117", Plan: "title = \"x\"\n", PlanName: "six.toml", Program: "1.0",
		Identity: []fact.Identity{{Name: "engine", Value: "E 1"}, {Name: "customer", Value: ""}}},
	"replan": fact.Replan{Plan: "title = \"y\"\n", PlanName: "six-b.toml", Because: "studs instead of bolts"},
	"reading": fact.Reading{Point: "head-left/7", Pass: "stage-2", Value: quantity.MustParse("88.0 N·m"), Angle: quantity.MustParse("31.5 °"),
		Instrument: fact.Instrument{Name: "wrench-2", Address: "serial:usb=A1", Identity: "A1", Profile: "lines", Calibrated: "2026-01-03", Due: "2027-01-03",
			Range: quantity.Limits{Least: quantity.MustParse("20 N·m"), Most: quantity.MustParse("200 N·m")}},
		Status: []string{"ok", ""}, Raw: []byte("88.0 Nm OK\r\n"), Told: "within"},
	"attested":     fact.Reading{Point: "head-left/8", Pass: "stage-1", Value: quantity.MustParse("65 lbf·ft"), Attested: true},
	"bare":         fact.Reading{},
	"confirmation": fact.Confirmation{Point: "head-left/gasket"},
	"skip":         fact.Skip{Point: "head-left/9", Pass: "recheck", Because: "no room for the wrench"},
	"void":         fact.Void{Of: fact.Ref{Station: "bench-2", Number: 3}, Point: "head-left/7", Because: "wrong bolt"},
	"note":         fact.Note{Point: "head-left/7", What: fact.Unreadable, Instrument: "wrench-2", Text: "no unit", Raw: []byte{0, 255}},
	"a pull": fact.Reading{Point: "head-left/8", Pass: "stage-1", Value: quantity.MustParse("88.0 N·m"),
		Trace: fact.Trace{Station: "bench-1", Number: 12, Samples: 310, Hash: entry.Hash{1, 2, 3}}},
	"interrupted": fact.Interrupted{Point: "head-left/9", Pass: "stage-1", Instrument: fact.Instrument{Name: "wrench-2"},
		Trace: fact.Trace{Station: "bench-2", Number: 1, Samples: 1}, Because: "the power failed"},
	"accepted": fact.Accepted{Finding: "k7m2qx", Kind: "out of order", Point: "head-left/7", Pass: "stage-2", Because: "the joint may stay", By: "A. Muster",
		Of: []fact.Ref{{Station: "bench-1", Number: 9}, {Station: "bench-2", Number: 1}}},
	"accepted for the build": fact.Accepted{Finding: "k7m2qx", Kind: "calibration overdue"},
	"sent back":              fact.SentBack{Point: "head-left/7", Pass: "stage-2", Because: "the mark has turned", By: "A. Muster"},
	"no reading":             fact.Note{What: fact.NotAssigned, Trace: fact.Trace{Station: "bench-2", Number: 2, Samples: 9}},
	"stray byte":             fact.Note{What: fact.Unreadable, Text: "88 N\xb7m", Raw: []byte("88 N\xb7m")},
}

func TestRoundTrip(t *testing.T) {
	for name, body := range bodies {
		t.Run(name, func(t *testing.T) {
			e := of(body)
			data, err := entry.Encode(e, before)
			require.NoError(t, err)
			got, prev, err := entry.Decode(data)
			require.NoError(t, err)
			require.Equal(t, before, prev)
			e.Hash = entry.Sum(data)
			require.Equal(t, e, got)
			requireDeterministic(t, data)
		})
	}
}

// The decimal fraction of RFC 8949, section 3.4.4: 273.15 is C4 82 21 19 6AB3.
func TestDecimalFraction(t *testing.T) {
	q := quantity.Quantity{Value: decimal.RequireFromString("273.15"), Unit: quantity.Millimetre}
	data, err := entry.Encode(of(fact.Reading{Value: q}), before)
	require.NoError(t, err)
	require.Contains(t, hex.EncodeToString(data), "c48221196ab3")
}

func TestDigitsAreKept(t *testing.T) {
	for _, text := range []string{"88 N·m", "88.0 N·m", "88.00 N·m", "0 N·m", "0.000 mm", "-0.05 mm", "1e-30 mm",
		"12345678901234567890123456789012345678.91 N·m", "-12345678901234567890123456789012345678 N·m"} {
		q := quantity.MustParse(text)
		data, err := entry.Encode(of(fact.Reading{Value: q}), before)
		require.NoError(t, err, text)
		e, _, err := entry.Decode(data)
		require.NoError(t, err, text)
		got := e.Body.(fact.Reading).Value
		require.Equal(t, q.Value.Exponent(), got.Value.Exponent(), text)
		require.Zero(t, q.Value.Coefficient().Cmp(got.Value.Coefficient()), text)
		require.Equal(t, text, got.Text)
	}
}

func TestWhatCannotBeStored(t *testing.T) {
	huge := quantity.Quantity{Value: decimal.NewFromBigInt(new(big.Int).Lsh(big.NewInt(1), 600), 0), Unit: quantity.Inch}
	for name, change := range map[string]func(*fact.Entry, *entry.Hash){
		"no station":            func(e *fact.Entry, _ *entry.Hash) { e.Station = "" },
		"station with space":    func(e *fact.Entry, _ *entry.Hash) { e.Station = "bench 1" },
		"long station":          func(e *fact.Entry, _ *entry.Hash) { e.Station = strings.Repeat("b", entry.MaxStation+1) },
		"number 0":              func(e *fact.Entry, _ *entry.Hash) { e.Number = 0 },
		"first with one before": func(e *fact.Entry, _ *entry.Hash) { e.Number = 1 },
		"later without":         func(_ *fact.Entry, h *entry.Hash) { *h = entry.Hash{} },
		"negative since":        func(e *fact.Entry, _ *entry.Hash) { e.Since = -1 },
		"no time":               func(e *fact.Entry, _ *entry.Hash) { e.Time = time.Time{} },
		"far time":              func(e *fact.Entry, _ *entry.Hash) { e.Time = time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC) },
		"no body":               func(e *fact.Entry, _ *entry.Hash) { e.Body = nil },
		"pointer":               func(e *fact.Entry, _ *entry.Hash) { e.Body = &fact.Skip{} },
		"zero byte in point":    func(e *fact.Entry, _ *entry.Hash) { e.Body = fact.Confirmation{Point: "a\x00b"} },
		"long point": func(e *fact.Entry, _ *entry.Hash) {
			e.Body = fact.Confirmation{Point: fact.Point(strings.Repeat("p", entry.MaxPoint+1))}
		},
		"huge number": func(e *fact.Entry, _ *entry.Hash) { e.Body = fact.Reading{Value: huge} },
		"unknown unit": func(e *fact.Entry, _ *entry.Hash) {
			e.Body = fact.Reading{Value: quantity.New(decimal.NewFromInt(1), 200)}
		},
		"trace of no station": func(e *fact.Entry, _ *entry.Hash) { e.Body = fact.Note{Trace: fact.Trace{Number: 1, Samples: 1}} },
		"trace of no number": func(e *fact.Entry, _ *entry.Hash) {
			e.Body = fact.Interrupted{Trace: fact.Trace{Station: "bench-1", Samples: 1}}
		},
		"trace of no samples": func(e *fact.Entry, _ *entry.Hash) {
			e.Body = fact.Reading{Trace: fact.Trace{Station: "bench-1", Number: 1}}
		},
		"huge plan": func(e *fact.Entry, _ *entry.Hash) { e.Body = fact.Opening{Plan: strings.Repeat("#", entry.MaxSize)} },
	} {
		t.Run(name, func(t *testing.T) {
			e, prev := of(fact.Confirmation{Point: "head/1"}), before
			change(&e, &prev)
			data, err := entry.Encode(e, prev)
			require.ErrorIs(t, err, entry.ErrUnfit)
			require.Nil(t, data)
		})
	}
}

// base is a small entry:
// 89 01 67 "bench-1" 11 5820… 1b… 1b… 6f "2026…" 04 a1 01 66 "head/1"
func base(t *testing.T) string {
	data, err := entry.Encode(of(fact.Confirmation{Point: "head/1"}), before)
	require.NoError(t, err)
	return hex.EncodeToString(data)
}

func TestStrictness(t *testing.T) {
	const body = "04a10166686561642f31" // kind 4, {1: "head/1"}
	for name, c := range map[string]struct {
		old, new string
		is       error
	}{
		"nothing":               {"", "", entry.ErrMalformed}, // stands for empty input
		"trailing byte":         {body, body + "00", entry.ErrMalformed},
		"cut off":               {body, body[:len(body)-2], entry.ErrMalformed},
		"unknown key":           {body, "04a20166686561642f310201", entry.ErrNewer},
		"unknown text key":      {body, "04a20166686561642f3161780a", entry.ErrNewer},
		"key twice":             {body, "04a20166686561642f310166686561642f31", entry.ErrMalformed},
		"long head":             {body, "04a1017806686561642f31", entry.ErrMalformed},
		"long kind":             {body, "1804" + body[2:], entry.ErrMalformed},
		"indefinite map":        {body, "04bf0166686561642f31ff", entry.ErrMalformed},
		"indefinite text":       {body, "04a1017f66686561642f31ff", entry.ErrMalformed},
		"text as bytes":         {body, "04a10146686561642f31", entry.ErrMalformed},
		"text not UTF-8":        {body, "04a101666865616400ff31", entry.ErrMalformed},
		"empty part written":    {body, "04a10160", entry.ErrMalformed},
		"body null":             {body, "04f6", entry.ErrMalformed},
		"body array":            {body, "0480", entry.ErrMalformed},
		"tagged":                {body, "04a101c166686561642f31", entry.ErrMalformed},
		"number for text":       {body, "04a10107", entry.ErrMalformed},
		"kind 0":                {body, "00a0", entry.ErrMalformed},
		"newer kind":            {body, "0ba0", entry.ErrNewer},
		"much newer kind":       {body, "1903e8a0", entry.ErrNewer},
		"newer layout":          {"8901", "8902", entry.ErrNewer},
		"layout 0":              {"8901", "8900", entry.ErrMalformed},
		"ten parts":             {"8901", "8a0101", entry.ErrMalformed},
		"no array":              {"8901", "a901", entry.ErrMalformed},
		"bad station":           {"6762656e6368", "6720656e6368", entry.ErrMalformed},
		"number 0":              {"2d3111", "2d3100", entry.ErrMalformed},
		"short hash":            {"115820", "11581f", entry.ErrMalformed},
		"unit of a newer time":  {body, "03a10383c482001828186460", entry.ErrNewer},
		"unneeded bignum":       {body, "03a10383c48200c241580160", entry.ErrMalformed},
		"another tag":           {body, "03a10383c58200185801" + "60", entry.ErrMalformed},
		"short hash of a trace": {body, "08a10484" + "6161010140", entry.ErrMalformed},
		"trace of three":        {body, "08a10483" + "61610101", entry.ErrMalformed},
		"trace 0":               {body, "08a10484" + "616100015820" + strings.Repeat("00", 32), entry.ErrMalformed},
		"huge exponent":         {body, "03a10383c4821a7fffffff01" + "0160", entry.ErrMalformed},
	} {
		t.Run(name, func(t *testing.T) {
			text := base(t)
			if name == "nothing" {
				text = ""
			} else {
				require.Contains(t, text, c.old)
				text = strings.Replace(text, c.old, c.new, 1)
			}
			data, err := hex.DecodeString(text)
			require.NoError(t, err)
			_, _, err = entry.Decode(data)
			require.ErrorIs(t, err, c.is)
			other := entry.ErrNewer
			if c.is == other {
				other = entry.ErrMalformed
			}
			require.NotErrorIs(t, err, other)
		})
	}
	_, _, err := entry.Decode(make([]byte, entry.MaxSize+1))
	require.ErrorIs(t, err, entry.ErrMalformed)
}

func TestStation(t *testing.T) {
	for name, ok := range map[string]bool{"bench-1": true, "QA_2.b": true, "": false, "a b": false, "a/b": false, "ä": false, "a\n": false, "a#1": false} {
		require.Equal(t, ok, entry.CheckStation(name) == nil, name)
	}
}

func TestAnyEntry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e, prev := anyEntry(t)
		data, err := entry.Encode(e, prev)
		if err != nil {
			t.Fatal(err)
		}
		got, gotPrev, err := entry.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		if gotPrev != prev || got.Ref != e.Ref || !got.Time.Equal(e.Time) || got.Since != e.Since || got.Session != e.Session {
			t.Fatalf("%v came back as %v", e, got)
		}
		again, err := entry.Encode(got, prev)
		if err != nil || string(again) != string(data) {
			t.Fatalf("%x encodes again as %x (%v)", data, again, err)
		}
		requireDeterministic(t, data)
		// One bit of difference is a difference or an error, never the same entry.
		i := rapid.IntRange(0, 8*len(data)-1).Draw(t, "bit")
		data[i/8] ^= 1 << (i % 8)
		if other, _, err := entry.Decode(data); err == nil && other.Hash == got.Hash {
			t.Fatal("another bit, the same hash")
		}
	})
}

func FuzzEntry(f *testing.F) {
	for _, body := range bodies {
		data, err := entry.Encode(of(body), before)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		e, prev, err := entry.Decode(data)
		if err != nil {
			if !errors.Is(err, entry.ErrMalformed) && !errors.Is(err, entry.ErrNewer) {
				t.Fatalf("an error of no kind: %v", err)
			}
			return
		}
		again, err := entry.Encode(e, prev)
		if err != nil || string(again) != string(data) {
			t.Fatalf("%x encodes again as %x (%v)", data, again, err)
		}
		requireDeterministic(t, data)
	})
}

// requireDeterministic checks bytes against the core deterministic encoding of
// RFC 8949, section 4.2.1, by its text and not by the library's encoder: every
// head as short as it can be, no indefinite lengths, keys in bytewise order. That
// they are one well-formed item is left to the library.
func requireDeterministic(t interface{ Fatalf(string, ...any) }, data []byte) {
	if err := cbor.Wellformed(data); err != nil {
		t.Fatalf("%x: %v", data, err)
	}
	rest, problem := item(data)
	if problem != "" || len(rest) != 0 {
		t.Fatalf("%x is not deterministic: %s", data, problem)
	}
}

func item(data []byte) (rest []byte, problem string) {
	major, short := data[0]>>5, data[0]&31
	argument, data := uint64(short), data[1:]
	if short >= 24 {
		size := 1 << (short - 24)
		if size > 8 {
			return nil, "an indefinite length"
		}
		argument = 0
		for _, b := range data[:size] {
			argument = argument<<8 | uint64(b)
		}
		if least := map[int]uint64{1: 24, 2: 1 << 8, 4: 1 << 16, 8: 1 << 32}[size]; argument < least {
			return nil, "a head that is too long"
		}
		data = data[size:]
	}
	switch major {
	case 2, 3:
		return data[argument:], ""
	case 4:
		for range argument {
			if data, problem = item(data); problem != "" {
				return nil, problem
			}
		}
	case 5:
		last := ""
		for range argument {
			key := data
			if data, problem = item(data); problem != "" {
				return nil, problem
			}
			k := string(key[:len(key)-len(data)])
			if k <= last {
				return nil, "keys out of order"
			}
			last = k
			if data, problem = item(data); problem != "" {
				return nil, problem
			}
		}
	case 6:
		return item(data)
	}
	return data, ""
}
