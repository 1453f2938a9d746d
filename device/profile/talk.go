package profile

import (
	"fmt"
	"time"

	"paintmark/calc/quantity"
)

// A Talk is what is sent to an instrument. The zero Talk sends nothing, ever.
type Talk struct {
	// Settle is the time after opening before anything is sent.
	Settle time.Duration
	// Begin and End are sent after opening and before closing.
	Begin, End []byte
	// Request asks for a reading, Every so often; Within is how long a reply may
	// take.
	Request       []byte
	Every, Within time.Duration
	// Quiet is after how long without a good frame an instrument that sends all
	// the time is told to be quiet; never if zero.
	Quiet time.Duration
	// Zero sets the instrument to zero, and Units sets its unit. They are sent
	// only when the user says so.
	Zero  []byte
	Units map[quantity.Unit][]byte
}

// Asks tells that the instrument has to be asked for each reading.
func (t Talk) Asks() bool { return len(t.Request) > 0 }

type talkForm struct {
	Settle  string            `toml:"settle"`
	Begin   string            `toml:"begin"`
	End     string            `toml:"end"`
	Request string            `toml:"request"`
	Every   string            `toml:"every"`
	Within  string            `toml:"within"`
	Quiet   string            `toml:"quiet"`
	Zero    string            `toml:"zero"`
	Units   map[string]string `toml:"units"`
}

// Bounds of the times of a talk.
const (
	mostSettle    = 10 * time.Second
	leastEvery    = time.Millisecond
	mostEvery     = time.Hour
	defaultWithin = time.Second
)

func (r reader) talk(form talkForm, f *framing) Talk {
	t := Talk{
		Begin:   r.bytes("talk.begin", form.Begin, mostCommand),
		End:     r.bytes("talk.end", form.End, mostCommand),
		Request: r.bytes("talk.request", form.Request, mostCommand),
		Zero:    r.bytes("talk.zero", form.Zero, mostCommand),
	}
	if f.registers > 0 {
		if t.Request != nil {
			r.file.Fault("talk.request", "the request follows from [modbus]", "drop it")
		}
		t.Request = f.request
	}
	if r.file.Has("talk.settle") {
		t.Settle = r.duration("talk.settle", form.Settle, 0, mostSettle, "time to settle", "300 ms")
	}
	if r.file.Has("talk.quiet") {
		t.Quiet = r.duration("talk.quiet", form.Quiet, leastEvery, mostEvery, "time of quiet", "2 s")
	}
	switch {
	case t.Asks():
		t.Within = defaultWithin
		if r.file.Has("talk.within") {
			t.Within = r.duration("talk.within", form.Within, leastEvery, mostEvery, "time for a reply", "200 ms")
		}
		if !r.file.Has("talk.every") {
			r.file.Fault("talk", "how often is it asked?", `add every = "100 ms" to [talk]`)
			break
		}
		t.Every = r.duration("talk.every", form.Every, leastEvery, mostEvery, "time between requests", "100 ms")
	default:
		for _, key := range []string{"every", "within"} {
			if r.file.Has("talk." + key) {
				r.file.Fault("talk."+key, fmt.Sprintf("%q means nothing without a request", key), `add request = '"?" 0D', say`)
			}
		}
	}
	if len(form.Units) > 0 {
		t.Units = make(map[quantity.Unit][]byte, len(form.Units))
	}
	for name, text := range form.Units {
		at := "talk.units." + name
		u := r.unit(at, name)
		if _, twice := t.Units[u]; twice && u.Known() {
			r.file.Fault(at, fmt.Sprintf("%s is said twice", u), "drop one of the two")
		}
		t.Units[u] = r.bytes(at, text, mostCommand)
	}
	return t
}
