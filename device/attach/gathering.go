package attach

import (
	"context"
	"errors"
	"fmt"
	"time"

	"paintmark/device"
	"paintmark/device/profile"
)

const (
	// Singly is how many rejections are told one by one, each as it is.
	Singly = 8
	// Gathering is how long rejections beyond Singly are put together, to be told
	// as one; and the time in which one more may be told alone. So there are never
	// more than Singly, and one for each such time, and one for each loss.
	Gathering = 5 * time.Second
	// Evidence is how many of the bytes are kept of rejections put together; the
	// first is kept whole.
	Evidence = 256
)

// gathering keeps a flood of what makes no reading from being told piece by
// piece.
type gathering struct {
	spent int       // of Singly
	since time.Time // from when on a Gathering earns one back
	told  time.Time // when some were told together last

	first    device.Event // of those that are put together
	pieces   int
	bytes    int
	from, to time.Time
	beside   int // of the pieces, that make a reading all the same
	missing  uint64
}

// alone tells whether a rejection at a time may be told as it is.
func (g *gathering) alone(at time.Time) bool {
	if g.pieces > 0 {
		return false
	}
	if earned := int(at.Sub(g.since) / Gathering); earned > 0 {
		g.spent = max(0, g.spent-earned)
		g.since = g.since.Add(time.Duration(earned) * Gathering)
	}
	if g.spent == Singly {
		return false
	}
	if g.spent == 0 {
		g.since = at
	}
	g.spent++
	return true
}

// add puts a rejection to the others.
func (g *gathering) add(e device.Event) {
	if g.pieces == 0 {
		g.first, g.from = e, e.Time
	} else if room := Evidence - len(g.first.Raw); room > 0 {
		g.first.Raw = append(g.first.Raw, e.Raw[:min(len(e.Raw), room)]...)
	}
	if r, ok := errors.AsType[*profile.Rejection](e.Err); ok {
		g.beside += r.Beside
		g.missing += r.Missing
	}
	g.pieces++
	g.bytes += len(e.Raw)
	g.to = e.Time
}

// orderly tells that what was put together is to be told before a good frame at
// a time, so that it stands where it came; unless that is too often.
func (g *gathering) orderly(at time.Time) bool {
	return g.pieces > 0 && at.Sub(g.told) >= Gathering
}

// due is when what was put together is to be told; false if there is nothing.
func (g *gathering) due() (time.Time, bool) { return g.from.Add(Gathering), g.pieces > 0 }

// take gives what was put together as one event.
func (g *gathering) take(suspect func([]byte) string, at device.Address) device.Event {
	e := g.first
	e.Time = g.to
	if g.pieces > 1 {
		var inner interface{ HintText() string }
		many := &manyError{pieces: g.pieces, bytes: g.bytes, over: g.to.Sub(g.from), first: e.Err, beside: g.beside, missing: g.missing}
		if errors.As(e.Err, &inner) {
			many.hint = inner.HintText()
		}
		if hint := suspect(e.Raw); hint != "" {
			many.hint = hint
		}
		var placed *device.Error
		if errors.As(e.Err, &placed) {
			many.first = placed.Err
		}
		e.Err = &device.Error{Address: at, Err: many}
		e.Pieces, e.Bytes = g.pieces, g.bytes
	}
	g.first, g.pieces, g.bytes, g.beside, g.missing = device.Event{}, 0, 0, 0, 0
	g.told, g.since = g.to, g.to
	return e
}

// A manyError is why much of what came made no reading.
type manyError struct {
	pieces, bytes int
	over          time.Duration
	first         error
	hint          string
	beside        int
	missing       uint64
}

func (e *manyError) Error() string {
	what := "made no reading"
	if e.beside == e.pieces {
		what = "came with something amiss"
	}
	return fmt.Sprintf("%d pieces, %d bytes, within %v %s; the first: %v",
		e.pieces, e.bytes, e.over.Round(100*time.Millisecond), what, e.first)
}

// Unwrap is what is said of one, with the numbers of all.
func (e *manyError) Unwrap() error {
	return &profile.Rejection{Reason: e.Error(), Hint: e.hint, Beside: e.beside, Missing: e.missing}
}

// HintText is what is likely wrong.
func (e *manyError) HintText() string { return e.hint }

// reject tells what made no sample, or puts it to others that did not.
func (h *hearing) reject(ctx context.Context, raw []byte, at time.Time, err error) {
	if hint := h.profile.Suspect(raw); hint != "" {
		err = &device.Error{Address: h.transport.Address(), Err: err, Hint: hint}
	} else {
		err = h.fail(err)
	}
	e := device.Event{Kind: device.Rejected, Time: at, Raw: append([]byte(nil), raw...), Err: err}
	if due, some := h.gathered.due(); some && !at.Before(due) {
		h.tellGathered(ctx)
	}
	if h.gathered.alone(at) {
		h.tell(ctx, e)
		return
	}
	h.gathered.add(e)
}

// tellGathered tells what was put together, if anything was.
func (h *hearing) tellGathered(ctx context.Context) {
	if h.gathered.pieces > 0 {
		h.tell(ctx, h.gathered.take(h.profile.Suspect, h.transport.Address()))
	}
}
