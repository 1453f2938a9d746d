package attach

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"paintmark/device"
	"paintmark/device/profile"
)

// hearing is the reading of one link until it fails.
type hearing struct {
	*adapter
	link   device.Link
	reader *profile.Reader
	in     *intake
	paced  bool          // silence on this link says something
	talk   *conversation // nil where nothing can be said

	wake   <-chan time.Time
	wakeAt time.Time

	at    time.Time // when the last bytes came, as the link has it
	came  time.Time // and by the clock
	heard int       // sound frames up to now
	spoke time.Time // when the last of them came, or the instrument was set going
	// quiet is that it was told so, and silent since when.
	quiet  bool
	silent time.Time
	stuck  bool // the rest was told as unfinished
}

// hear tells what comes until the link fails, and closes it.
func (a *adapter) hear(ctx context.Context, link device.Link) error {
	now := a.options.Now()
	h := &hearing{adapter: a, link: link, reader: a.profile.NewReader(), paced: true, at: now, came: now, spoke: now}
	if u, ok := link.(device.Unpaced); ok {
		h.paced = !u.Unpaced()
	}
	if !deaf(link) {
		h.talk = newConversation(link, a.profile, a.options.Mute, now)
	}
	if h.talk == nil || !h.talk.greets() {
		a.found(ctx)
	}
	h.in = newIntake(ctx, link, a.options.Now)
	err := h.loop(ctx)
	if ctx.Err() != nil && h.talk != nil {
		h.talk.end(a.options.After)
	}
	_ = link.Close() // the handle must be gone before the instrument is looked for
	h.in.close()
	if h.talk != nil {
		h.talk.close()
	}
	h.finish(ctx, err)
	return err
}

// deaf tells that nobody hears what is written to a link.
func deaf(link device.Link) bool {
	for {
		if d, ok := link.(device.Deaf); ok {
			return d.Deaf()
		}
		w, ok := link.(device.Wrapping)
		if !ok {
			return false
		}
		link = w.Unwrap()
	}
}

// finish tells what is left when nothing comes any more. Of a frame that was
// just coming when the adapter is closed nothing is told.
func (h *hearing) finish(ctx context.Context, err error) {
	closed := ctx.Err() != nil
	if !closed {
		h.reader.End()
		h.tellAll(ctx)
	}
	if rest := h.reader.Rest(); len(rest) > 0 && (!closed || h.stuck) {
		h.reject(ctx, rest, h.at, errors.New("the end of a frame is missing: "+cause(err)))
	}
	h.tellGathered(ctx)
}

func cause(err error) string {
	switch {
	case errors.Is(err, io.EOF):
		return "its source ended"
	case errors.Is(err, context.Canceled), errors.Is(err, device.ErrClosed):
		return "no more was read"
	}
	return "the instrument was lost"
}

// loop reads and talks until the link fails or ctx is done.
func (h *hearing) loop(ctx context.Context) error {
	var unsaid error       // why it cannot be written to
	var until time.Time    // how long it is read all the same
	var tells chan *saying // where something may be said now
	for {
		if unsaid == nil {
			tells, unsaid = h.say(ctx)
			if unsaid != nil {
				until, tells = h.options.Now().Add(afterWriting), nil
			}
		}
		due, some := h.due(unsaid == nil)
		if unsaid != nil && (!some || until.Before(due)) {
			due, some = until, true
		}
		h.arm(due, some)
		var c chunk
		select {
		case c = <-h.in.chunks:
		case <-h.in.stopped: // without a word: the adapter is being closed
			return device.ErrClosed
		case <-ctx.Done():
			return ctx.Err()
		case s := <-tells:
			h.accept(s)
			continue
		case err := <-h.written():
			h.talk.wrote(err, h.options.Now())
			continue
		case <-h.wake:
			h.wake = nil
			// What came in the meantime goes first: its time says whether it was late.
			select {
			case c = <-h.in.chunks:
			default:
				now := h.options.Now()
				if unsaid != nil && !now.Before(until) {
					return unsaid
				}
				h.elapse(ctx, now)
				continue
			}
		}
		if err := ctx.Err(); err != nil { // in a flood, there are bytes every time
			return err
		}
		switch {
		case c.err == nil:
		case unsaid != nil && !errors.Is(c.err, io.EOF):
			return unsaid
		default:
			return c.err
		}
		h.take(ctx, c)
	}
}

// arm sets the alarm for when something is due. One that is set for earlier is
// left as it is, so that bytes that keep coming cost no timer each.
func (h *hearing) arm(due time.Time, some bool) {
	if some && (h.wake == nil || due.Before(h.wakeAt)) {
		h.wake, h.wakeAt = h.options.After(due.Sub(h.options.Now())), due
	}
}

// due is when something is to be done though nothing comes.
func (h *hearing) due(talking bool) (due time.Time, some bool) {
	sooner := func(t time.Time, ok bool) {
		if ok && (!some || t.Before(due)) {
			due, some = t, true
		}
	}
	if !h.paced {
		return due, some
	}
	waits, waiting := h.reader.Deadline()
	sooner(waits, waiting)
	sooner(h.came.Add(Pause), !waiting && !h.stuck && len(h.reader.Rest()) > 0)
	sooner(h.gathered.due())
	if h.talk != nil && talking {
		sooner(h.talk.due())
		anew, may := h.talk.anew()
		sooner(anew, h.quiet && may)
	}
	sooner(h.spoke.Add(h.profile.Talk.Quiet), h.watched())
	return due, some
}

// watched tells that silence is to be told after a time.
func (h *hearing) watched() bool {
	return !h.quiet && h.profile.Talk.Quiet > 0 && (h.talk == nil || h.talk.begun || h.talk.mute)
}

// elapse does what has become due while nothing came.
func (h *hearing) elapse(ctx context.Context, now time.Time) {
	due, waiting := h.reader.Deadline()
	if waiting && !now.Before(due) {
		h.reader.Elapse(now)
		h.tellAll(ctx)
	}
	if rest := h.reader.Rest(); !waiting && !h.stuck && len(rest) > 0 && !now.Before(h.came.Add(Pause)) {
		h.stuck = true
		h.tell(ctx, device.Event{Kind: device.Unfinished, Raw: append([]byte(nil), rest...), Err: h.unfinished(rest)})
	}
	if due, some := h.gathered.due(); some && !now.Before(due) {
		h.tellGathered(ctx)
	}
	if h.talk != nil {
		h.talk.elapse(now)
	}
	switch {
	case h.watched() && !now.Before(h.spoke.Add(h.profile.Talk.Quiet)):
		h.hush(ctx, fmt.Sprintf("no good frame came for %v", h.profile.Talk.Quiet))
	case !h.quiet && h.talk != nil && h.talk.misses >= MostMisses:
		h.hush(ctx, fmt.Sprintf("%d requests had no good reply", h.talk.misses))
	}
	if h.quiet && h.talk != nil {
		if anew, may := h.talk.anew(); may && !now.Before(anew) {
			h.talk.start(now)
		}
	}
}

// hush tells that the instrument is quiet.
func (h *hearing) hush(ctx context.Context, why string) {
	h.quiet, h.silent = true, h.sound
	h.tell(ctx, device.Event{Kind: device.Quiet, Since: h.silent, Err: &device.Error{
		Address: h.transport.Address(), Err: errors.New(why),
		Hint: "its adapter is there: is the instrument switched on, its battery good, and in the mode in which it sends?",
	}})
}

// unfinished is why bytes that stay a beginning are told.
func (h *hearing) unfinished(rest []byte) error {
	hint := h.profile.Suspect(rest)
	if hint == "" {
		hint = "does the instrument end or mark its frames in another way than [framing] of the profile says?"
	}
	return &device.Error{
		Address: h.transport.Address(),
		Err:     fmt.Errorf("%d bytes came that are no whole frame, and nothing after them for %v", len(rest), Pause),
		Hint:    hint,
	}
}

// take reads what came.
func (h *hearing) take(ctx context.Context, c chunk) {
	h.found(ctx)
	h.at, h.came = c.at, h.options.Now()
	h.reader.Feed(c.bytes, c.at)
	if c.packet {
		h.reader.EndPacket()
	}
	h.tellAll(ctx)
	if len(h.reader.Rest()) == 0 {
		h.stuck = false
	}
}

// tellAll tells what the reader has made of what it was fed.
func (h *hearing) tellAll(ctx context.Context) {
	for {
		o, ok := h.reader.Next()
		if n := h.reader.Heard(); n > h.heard {
			h.heard = n
			h.resume(ctx)
		}
		if !ok {
			return
		}
		h.stuck = false
		if o.Err != nil {
			h.reject(ctx, o.Raw, o.Time, o.Err)
			continue
		}
		if h.gathered.orderly(o.Time) {
			h.tellGathered(ctx)
		}
		h.sound = o.Time
		o.Sample.Attested = h.attested
		h.tell(ctx, device.Event{Kind: device.Sampled, Time: o.Time, Sample: o.Sample})
	}
}

// resume takes note of a sound frame.
func (h *hearing) resume(ctx context.Context) {
	h.spoke = h.options.Now()
	if h.talk != nil {
		h.talk.answered(h.spoke)
	}
	if h.quiet {
		h.quiet = false
		h.tell(ctx, device.Event{Kind: device.Resumed, Since: h.silent})
	}
}

// say says what is to be said now, and gives where more may be accepted.
func (h *hearing) say(ctx context.Context) (chan *saying, error) {
	if h.talk == nil {
		return h.tells, nil // to be told that it is deaf
	}
	if err := h.talk.failed; err != nil {
		if !h.talk.greeted {
			return nil, &unsaidError{err}
		}
		return nil, err
	}
	if h.talk.greeted {
		h.found(ctx)
	}
	if h.talk.began.After(h.spoke) {
		h.spoke = h.talk.began
	}
	if !h.talk.free() {
		return nil, nil
	}
	select {
	case s := <-h.tells:
		h.accept(s)
		return nil, nil
	default:
	}
	if h.talk.ask(h.options.Now()) {
		return nil, nil
	}
	return h.tells, nil
}

func (h *hearing) accept(s *saying) {
	if h.talk == nil {
		s.result <- h.fail(device.ErrDeaf)
		return
	}
	h.talk.tell(s)
}

func (h *hearing) written() <-chan error {
	if h.talk == nil {
		return nil
	}
	return h.talk.done
}

// unsaidError is that a link could not be written to before it was known to be
// of use.
type unsaidError struct{ error }

func (e *unsaidError) Unwrap() error { return e.error }
