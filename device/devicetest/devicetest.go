// Package devicetest is the conformance suite that every transport passes, and
// the means to test what stands on one.
//
// [Run] takes a harness that makes a [Bench]: a transport with an instrument
// behind it that the suite can make send, unplug and plug in again. It tries
// the links themselves, and what package attach makes of them, in the ways in
// which instruments fail: bytes one at a time, two frames in one read, garbage
// first, a frame cut off, silence, unplugged in mid-frame, closed from
// elsewhere. After each it looks for goroutines that were left. What a
// transport cannot do is skipped, by name. [RunFramings] tries the same over every
// other framing that a profile can ask for, and damages each bit of a frame where
// there is a check.
//
// No time passes in what stands on the links but what the suite lets pass, so
// that a busy machine ends no frame by its silence.
//
// A [Wire] is a transport in memory for tests that need no more.
package devicetest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device"
	"paintmark/device/attach"
)

// A Bench is a transport and the instrument behind it.
type Bench struct {
	Transport device.Transport
	// Feed is what the instrument sends. It may wait until it is read.
	Feed func(p []byte) error
	// Unplug takes the instrument away and Plug puts it back; nil where that
	// cannot be.
	Unplug, Plug func() error
	// End ends the source; nil where it has no end.
	End func() error
	// Close ends whatever the bench runs; may be nil.
	Close func() error
	// Identity is what a link must say it is.
	Identity string
	// Exclusive says that a second Open must fail with device.ErrBusy, and that
	// one after Close does not.
	Exclusive bool
	// Attested is what the samples must be.
	Attested bool
	// Packets says that the links have packets, and that each Feed is one.
	Packets bool
	// OwnTime says that bytes have times of the transport's own, which the suite's
	// clock does not move: framing by silence is left out.
	OwnTime bool
	// Deaf says that nothing written is heard: framings of replies are left out.
	Deaf bool
	// Costly says that opening and closing take long: RunFramings tries only what
	// another framing may change, and leaves the rest to Run.
	Costly bool
	// Silence is how long a silence is tried; 20 ms if zero. It is to be longer
	// than whatever timeout the transport uses inside.
	Silence time.Duration
}

// A Harness makes a fresh bench for one test.
type Harness func(t *testing.T) Bench

// patience is how long the suite waits for what must come before it fails.
const patience = 20 * time.Second

// Run runs the suite, with frames that are lines.
func Run(t *testing.T, h Harness) {
	try(t, h, standard, links)
	try(t, h, standard, attachments)
}

// RunFramings runs what the suite does with a transport attached, over every
// framing but that of Run.
func RunFramings(t *testing.T, h Harness) {
	for _, f := range framings {
		t.Run(f.name, func(t *testing.T) { try(t, h, f, attachments) })
	}
}

// A trial is one test of the suite, and what a bench must be able to do for it.
type trial struct {
	name  string
	needs []string
	try   func(t *testing.T, b *tried)
}

var links = []trial{
	{"address is read back", nil, addressIsReadBack},
	{"identity", nil, identity},
	{"bytes one at a time", nil, bytesOneAtATime},
	{"silence is no error", nil, silenceIsNoError},
	{"close twice", nil, closeTwice},
	{"close unblocks read", nil, closeUnblocksRead},
	{"open with a cancelled context", nil, openCancelled},
	{"second open is busy", []string{"exclusive"}, secondOpenIsBusy},
	{"unplugged while reading", []string{"unplug"}, unpluggedWhileReading},
	{"absent", []string{"unplug"}, absent},
	{"plugged in again", []string{"unplug"}, pluggedInAgain},
	{"end of source", []string{"end"}, endOfSource},
}

var attachments = []trial{
	{"frames byte by byte", nil, framesByteByByte},
	{"two frames in one read", nil, twoFramesInOneRead},
	{"garbage first", nil, garbageFirst},
	{"damaged frames", []string{"check"}, damagedFrames},
	{"silence within a frame", []string{"pieces"}, silenceWithinAFrame},
	{"truncated last frame", []string{"end"}, truncatedLastFrame},
	{"lost in mid-frame and found again", []string{"unplug"}, lostInMidFrame},
	{"absent at the start", []string{"unplug", "time"}, absentAtTheStart},
	{"flood while nobody listens", nil, flood},
	{"attested", []string{"time"}, attested},
	{"next is cancelled", []string{"time"}, nextIsCancelled},
	{"attachment is cancelled", []string{"time"}, attachmentIsCancelled},
	{"close unblocks next", []string{"time"}, closeUnblocksNext},
	{"adapter closed twice at once", []string{"time"}, adapterClosedTwice},
	{"close while lost", []string{"unplug", "time"}, closeWhileLost},
}

func try(t *testing.T, h Harness, f framing, trials []trial) {
	for _, tc := range trials {
		t.Run(tc.name, func(t *testing.T) {
			before := goleak.IgnoreCurrent()
			bench := h(t)
			clock := newClock()
			b := &tried{Bench: bench, framing: f, clock: clock, watch: newWatch(bench.Transport, clock)}
			if b.Silence == 0 {
				b.Silence = 20 * time.Millisecond
			}
			// Registered first, so that it runs after whatever the test opened is closed.
			t.Cleanup(func() {
				if bench.Close != nil {
					if err := bench.Close(); err != nil {
						t.Errorf("closing the bench: %v", err)
					}
				}
				goleak.VerifyNone(t, before)
			})
			needs := tc.needs
			if f.packets {
				needs = append(slices.Clone(needs), "packets")
			}
			if f.silent {
				needs = append(slices.Clone(needs), "clock")
			}
			if f.profile.Talk.Asks() {
				needs = append(slices.Clone(needs), "asking")
			}
			for _, need := range needs {
				if why := b.lacks(need); why != "" {
					t.Skip(why)
				}
			}
			tc.try(t, b)
		})
	}
}

func (b *tried) lacks(need string) string {
	switch {
	case need == "unplug" && (b.Unplug == nil || b.Plug == nil):
		return "this transport cannot be unplugged"
	case need == "end" && b.End == nil:
		return "this transport has no end"
	case need == "exclusive" && !b.Exclusive:
		return "this transport can be opened more than once"
	case need == "packets" && !b.Packets:
		return "this transport has no packets"
	case need == "clock" && b.OwnTime:
		return "this transport has times of its own"
	case need == "asking" && b.Deaf:
		return "nothing can be asked over this transport"
	case need == "pieces" && b.framing.packets:
		return "a packet comes whole"
	case need == "time" && b.Costly && b.framing.name != standard.name:
		return "the framing changes nothing in this, and it takes long here"
	case need == "check" && !b.framing.checked:
		return "this framing has no check"
	}
	return ""
}

// tried is a bench under test.
type tried struct {
	Bench
	framing framing
	clock   *clock
	watch   *watch
}

func (b *tried) frame(n int) string { return b.framing.frame(n) }

// half is a frame that was cut off.
func (b *tried) half(n int) string { return b.frame(n)[:len(b.frame(n))/2] }

func (b *tried) open(t *testing.T) device.Link {
	t.Helper()
	link, err := b.Transport.Open(t.Context())
	require.NoError(t, err)
	t.Cleanup(func() { _ = link.Close() })
	return link
}

// feed sends a text as one piece.
func (b *tried) feed(t *testing.T, text string) {
	t.Helper()
	require.NoError(t, b.send(text))
}

func (b *tried) send(text string) error {
	b.watch.change(func() { b.watch.fed += len(text) })
	return b.Feed([]byte(text))
}

// deliver sends a text as one piece, and lets the silence pass that a frame may
// need behind it.
func (b *tried) deliver(t *testing.T, text string) {
	t.Helper()
	require.NoError(t, b.sendAlone(text))
}

func (b *tried) sendAlone(text string) error {
	if err := b.send(text); err != nil || !b.framing.silent {
		return err
	}
	return b.pause()
}

// pause lets a gap of silence pass after all that was fed has been taken, and the
// adapter waits for silence.
func (b *tried) pause() error {
	if err := b.watch.until("all to be taken", func(w *watched) bool { return w.read == w.fed && w.reading }); err != nil {
		return err
	}
	if err := b.clock.awaited(gap); err != nil {
		return err
	}
	b.clock.pass(gap)
	return nil
}

// readAll reads until it has n bytes.
func readAll(t *testing.T, link device.Link, n int) string {
	t.Helper()
	var all []byte
	buf := make([]byte, 64)
	for len(all) < n {
		got, err := link.Read(buf)
		require.NoError(t, err)
		require.Positive(t, got, "a read without error must give bytes")
		all = append(all, buf[:got]...)
	}
	return string(all)
}

type result struct {
	n   int
	err error
}

// reading reads once, elsewhere.
func reading(link device.Link) <-chan result {
	c := make(chan result, 1)
	go func() {
		n, err := link.Read(make([]byte, 16))
		c <- result{n, err}
	}()
	return c
}

func await[T any](t *testing.T, what string, c <-chan T) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		require.FailNow(t, "waited too long for "+what)
		panic("not reached")
	}
}

// quiet fails if something comes within the bench's silence.
func quiet[T any](t *testing.T, b *tried, c <-chan T) {
	t.Helper()
	select {
	case v := <-c:
		require.FailNow(t, fmt.Sprintf("came in silence: %+v", v))
	case <-time.After(b.Silence):
	}
}

func requirePlaced(t *testing.T, b *tried, err, want error) {
	t.Helper()
	require.ErrorIs(t, err, want)
	var placed *device.Error
	require.ErrorAs(t, err, &placed, "an error must say where")
	require.Equal(t, b.Transport.Address(), placed.Address)
}

// The links.

func addressIsReadBack(t *testing.T, b *tried) {
	a, err := device.ParseAddress(b.Transport.Address().String())
	require.NoError(t, err)
	require.Equal(t, b.Transport.Address(), a)
}

func identity(t *testing.T, b *tried) {
	require.Equal(t, b.Identity, b.open(t).Identity())
}

func bytesOneAtATime(t *testing.T, b *tried) {
	link := b.open(t)
	for _, c := range []byte("0\x00\xff\r\n\x11\x13\x03\x04\x1a9") {
		require.NoError(t, b.Feed([]byte{c}))
		require.Equal(t, string([]byte{c}), readAll(t, link, 1))
	}
}

func silenceIsNoError(t *testing.T, b *tried) {
	link := b.open(t)
	read := reading(link)
	quiet(t, b, read)
	b.feed(t, "x")
	require.Equal(t, result{1, nil}, await(t, "a byte", read))
}

func closeTwice(t *testing.T, b *tried) {
	link := b.open(t)
	require.NoError(t, link.Close())
	require.NoError(t, link.Close())
	for range 2 {
		n, err := link.Read(make([]byte, 1))
		require.Zero(t, n)
		requirePlaced(t, b, err, device.ErrClosed)
	}
	_, err := link.Write([]byte("x"))
	require.ErrorIs(t, err, device.ErrClosed)
}

func closeUnblocksRead(t *testing.T, b *tried) {
	link := b.open(t)
	read := reading(link)
	quiet(t, b, read)
	require.NoError(t, link.Close())
	r := await(t, "the end of the read", read)
	require.Zero(t, r.n)
	requirePlaced(t, b, r.err, device.ErrClosed)
	require.NotErrorIs(t, r.err, device.ErrLost, "our own close is no loss")
}

func openCancelled(t *testing.T, b *tried) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := b.Transport.Open(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

func secondOpenIsBusy(t *testing.T, b *tried) {
	link := b.open(t)
	_, err := b.Transport.Open(t.Context())
	requirePlaced(t, b, err, device.ErrBusy)
	b.feed(t, "x")
	require.Equal(t, "x", readAll(t, link, 1), "the one that has it must not notice")
	require.NoError(t, link.Close())
	again := b.open(t)
	b.feed(t, "y")
	require.Equal(t, "y", readAll(t, again, 1))
}

func unpluggedWhileReading(t *testing.T, b *tried) {
	link := b.open(t)
	read := reading(link)
	quiet(t, b, read)
	require.NoError(t, b.Unplug())
	r := await(t, "the loss", read)
	require.Zero(t, r.n)
	requirePlaced(t, b, r.err, device.ErrLost)
	n, err := link.Read(make([]byte, 1))
	require.Zero(t, n)
	require.ErrorIs(t, err, device.ErrLost, "a loss is final")
	_, err = link.Write([]byte("x"))
	require.ErrorIs(t, err, device.ErrLost)
	require.NoError(t, link.Close())
	_, err = link.Read(make([]byte, 1))
	require.Error(t, err)
}

func absent(t *testing.T, b *tried) {
	require.NoError(t, b.Unplug())
	for range 2 {
		_, err := b.Transport.Open(t.Context())
		requirePlaced(t, b, err, device.ErrAbsent)
	}
}

func pluggedInAgain(t *testing.T, b *tried) {
	for range 3 {
		link := b.open(t)
		b.feed(t, "before")
		require.Equal(t, "before", readAll(t, link, 6))
		require.NoError(t, b.Unplug())
		_, err := link.Read(make([]byte, 1))
		require.ErrorIs(t, err, device.ErrLost)
		require.NoError(t, link.Close())
		require.NoError(t, b.Plug())
	}
	link := b.open(t)
	require.Equal(t, b.Identity, link.Identity())
	b.feed(t, "after")
	require.Equal(t, "after", readAll(t, link, 5))
}

func endOfSource(t *testing.T, b *tried) {
	link := b.open(t)
	b.feed(t, "last")
	require.Equal(t, "last", readAll(t, link, 4))
	require.NoError(t, b.End())
	for range 2 {
		n, err := link.Read(make([]byte, 1))
		require.Zero(t, n)
		require.ErrorIs(t, err, io.EOF)
	}
}

// The links attached.

// attached is an adapter under test.
type attached struct {
	device.Adapter
	t *testing.T
	b *tried
	// ticks lets it look for a lost instrument, once for each.
	ticks chan time.Time
}

// said is what Next gave.
type said struct {
	event device.Event
	err   error
}

func (b *tried) attach(t *testing.T, ctx context.Context) *attached {
	t.Helper()
	a := &attached{t: t, b: b, ticks: make(chan time.Time)}
	a.Adapter = attach.Attach(ctx, b.watch, b.framing.profile, attach.Options{
		Interval: looking,
		Now:      b.clock.now,
		After: func(d time.Duration) <-chan time.Time {
			if d == looking {
				return a.ticks
			}
			return b.clock.after(d)
		},
	})
	t.Cleanup(func() { _ = a.Close() })
	return a
}

// attachOpen attaches to an instrument that is there.
func (b *tried) attachOpen(t *testing.T) *attached {
	t.Helper()
	a := b.attach(t, t.Context())
	b.watch.await(t, "the link", func(w *watched) bool {
		// One that cannot be asked even once is lost for another reason.
		return w.opened == 1 && (w.written > 0 || !b.framing.profile.Talk.Asks())
	})
	return a
}

func (a *attached) next() device.Event {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	e, err := a.Next(ctx)
	require.NoError(a.t, err)
	return e
}

func (a *attached) sample(n int) {
	a.t.Helper()
	e := a.next()
	require.Equal(a.t, device.Sampled, e.Kind, "%+v", e)
	require.Equal(a.t, fmt.Sprintf("%d.0 N·m", n), e.Sample.Value.String())
	require.Equal(a.t, a.b.frame(n), string(e.Sample.Raw))
	require.Equal(a.t, e.Time, e.Sample.Time)
	require.Equal(a.t, a.b.Identity, e.Identity)
	require.False(a.t, e.Time.IsZero())
}

func (a *attached) rejected(raw string) {
	a.t.Helper()
	e := a.next()
	require.Equal(a.t, device.Rejected, e.Kind, "%+v", e)
	require.Equal(a.t, raw, string(e.Raw))
	require.Error(a.t, e.Err)
	require.False(a.t, e.Time.IsZero())
}

func (a *attached) lost(want error) {
	a.t.Helper()
	e := a.next()
	require.Equal(a.t, device.Lost, e.Kind, "%+v", e)
	requirePlaced(a.t, a.b, e.Err, want)
}

// look lets the adapter look for its instrument once, and waits until it did.
func (a *attached) look() {
	a.t.Helper()
	tries := a.b.watch.count().tries
	select {
	case a.ticks <- time.Time{}:
	case <-time.After(patience):
		require.FailNow(a.t, "the adapter does not look for its instrument")
	}
	a.b.watch.await(a.t, "a look", func(w *watched) bool { return w.tries > tries })
}

// nexting calls Next elsewhere.
func (a *attached) nexting(ctx context.Context) <-chan said {
	c := make(chan said, 1)
	go func() {
		e, err := a.Next(ctx)
		c <- said{e, err}
	}()
	return c
}

func framesByteByByte(t *testing.T, b *tried) {
	b.watch.slow = b.framing.packets // a packet is fed whole, and read byte by byte
	a := b.attachOpen(t)
	for n := 1; n <= 3; n++ {
		if b.framing.packets {
			b.feed(t, b.frame(n))
		} else {
			for _, c := range []byte(b.frame(n)) {
				b.feed(t, string([]byte{c}))
			}
		}
		if b.framing.silent {
			require.NoError(t, b.pause())
		}
		a.sample(n)
	}
}

func twoFramesInOneRead(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	switch {
	case b.framing.silent: // they are none
		b.deliver(t, b.frame(1)+b.frame(2))
		a.rejected(b.frame(1) + b.frame(2))
		b.deliver(t, b.frame(3))
	case b.framing.packets:
		b.feed(t, b.frame(1))
		b.feed(t, b.frame(2))
		a.sample(1)
		a.sample(2)
		b.feed(t, b.frame(3)+b.frame(4))
		a.rejected(b.frame(3) + b.frame(4))
		b.feed(t, b.frame(3))
	default:
		b.feed(t, b.frame(1)+b.frame(2)+b.half(3))
		a.sample(1)
		a.sample(2)
		b.feed(t, b.frame(3)[len(b.half(3)):])
	}
	a.sample(3)
}

// Whatever comes first costs no frame behind it, and all of it is told.
func garbageFirst(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	for n, garbage := range b.framing.garbage {
		if b.framing.silent || b.framing.packets {
			b.deliver(t, garbage)
			b.deliver(t, b.frame(n))
		} else {
			b.feed(t, garbage+b.frame(n))
		}
		told := 0
		e := a.next()
		for ; e.Kind == device.Rejected; e = a.next() {
			require.Error(t, e.Err)
			require.Contains(t, garbage, string(e.Raw))
			told += max(len(e.Raw), e.Bytes)
		}
		require.Equal(t, device.Sampled, e.Kind, "%+v", e)
		require.Equal(t, b.frame(n), string(e.Sample.Raw))
		require.Equal(t, len(garbage), told, "%q", garbage)
		b.clock.pass(time.Minute) // so that the next is told piece by piece again
	}
}

// With a check, a frame in which any one bit has changed says nothing wrong, and
// costs nobody else's frame.
func damagedFrames(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	frame := b.frame(137)
	for bit := range 8 * len(frame) {
		damaged := []byte(frame)
		damaged[bit/8] ^= 1 << (bit % 8)
		b.deliver(t, string(damaged))
		b.deliver(t, b.frame(1))
		b.deliver(t, b.frame(2))
		var got []string
		for len(got) == 0 || got[len(got)-1] != "2.0 N·m" {
			switch e := a.next(); e.Kind {
			case device.Sampled:
				got = append(got, e.Sample.Value.String())
			default:
				require.Equal(t, device.Rejected, e.Kind, "%+v", e)
			}
		}
		if got[0] == "137.0 N·m" { // as when a hexadecimal digit turned into the small one
			got = got[1:]
		}
		if bit/8 >= len(frame)-b.framing.shared && len(got) == 1 {
			continue
		}
		require.Equal(t, []string{"1.0 N·m", "2.0 N·m"}, got, "%q", damaged)
	}
}

func silenceWithinAFrame(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	half := b.half(1)
	b.feed(t, half)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	next := a.nexting(ctx)
	quiet(t, b, next)
	b.deliver(t, b.frame(1)[len(half):])
	s := await(t, "the frame", next)
	require.NoError(t, s.err)
	require.Equal(t, device.Sampled, s.event.Kind)
	require.Equal(t, b.frame(1), string(s.event.Sample.Raw))
}

func truncatedLastFrame(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.deliver(t, b.frame(1))
	b.feed(t, b.half(2))
	require.NoError(t, b.End())
	a.sample(1)
	a.rejected(b.half(2))
	e := a.next()
	require.Equal(t, device.Ended, e.Kind)
	require.NoError(t, e.Err)
	for range 2 {
		_, err := a.Next(t.Context())
		requirePlaced(t, b, err, device.ErrClosed)
	}
}

func lostInMidFrame(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	half := b.half(2)
	b.deliver(t, b.frame(1))
	b.feed(t, half)
	// What a cable still holds when it is pulled is gone, so it is read first.
	b.watch.await(t, "the half frame", func(w *watched) bool { return w.read == w.fed })
	require.NoError(t, b.Unplug())
	a.sample(1)
	a.rejected(half)
	a.lost(device.ErrLost)
	a.look()
	a.look()
	require.NoError(t, b.Plug())
	a.look()
	e := a.next()
	require.Equal(t, device.Found, e.Kind, "%+v", e)
	require.Equal(t, b.Identity, e.Identity)
	b.deliver(t, b.frame(3))
	a.sample(3)
	require.Equal(t, 1, b.watch.count().mostOpen, "the old link must be closed before the next is opened")
}

func absentAtTheStart(t *testing.T, b *tried) {
	require.NoError(t, b.Unplug())
	a := b.attach(t, t.Context())
	a.lost(device.ErrAbsent)
	a.look()
	a.look()
	require.NoError(t, b.Plug())
	a.look()
	require.Equal(t, device.Found, a.next().Kind)
	b.deliver(t, b.frame(1))
	a.sample(1)
}

func flood(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	const frames = 4 * attach.Waiting
	fed := make(chan error, 1)
	go func() {
		for n := range frames {
			if err := b.sendAlone(b.frame(n)); err != nil {
				fed <- err
				return
			}
		}
		fed <- nil
	}()
	b.watch.await(t, "the queue to be full", func(w *watched) bool { return w.read >= attach.Waiting*len(b.frame(0)) })
	for n := range frames {
		a.sample(n)
	}
	require.NoError(t, await(t, "the feeder", fed))
}

func attested(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.deliver(t, b.frame(1))
	require.Equal(t, b.Attested, a.next().Sample.Attested)
}

func nextIsCancelled(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	ctx, cancel := context.WithCancel(t.Context())
	next := a.nexting(ctx)
	quiet(t, b, next)
	cancel()
	require.ErrorIs(t, await(t, "the end of Next", next).err, context.Canceled)
	b.deliver(t, b.frame(1))
	a.sample(1)
}

func attachmentIsCancelled(t *testing.T, b *tried) {
	ctx, cancel := context.WithCancel(t.Context())
	a := b.attach(t, ctx)
	b.watch.await(t, "the link", func(w *watched) bool { return w.opened == 1 })
	b.deliver(t, b.frame(1))
	a.sample(1)
	next := a.nexting(t.Context())
	cancel()
	requirePlaced(t, b, await(t, "the end of Next", next).err, device.ErrClosed)
}

func closeUnblocksNext(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	next := a.nexting(t.Context())
	quiet(t, b, next)
	require.NoError(t, a.Close())
	requirePlaced(t, b, await(t, "the end of Next", next).err, device.ErrClosed)
	_, err := a.Next(t.Context())
	require.ErrorIs(t, err, device.ErrClosed)
	require.Zero(t, b.watch.count().open, "a link was left open")
}

func adapterClosedTwice(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.deliver(t, b.frame(1))
	b.feed(t, b.half(2))
	a.sample(1)
	errs := make(chan error, 3)
	for range cap(errs) {
		go func() { errs <- a.Close() }()
	}
	for range cap(errs) {
		require.NoError(t, await(t, "Close", errs))
	}
	require.NoError(t, a.Close())
}

func closeWhileLost(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	require.NoError(t, b.Unplug())
	a.lost(device.ErrLost)
	a.look()
	require.NoError(t, a.Close())
	e, err := a.Next(t.Context())
	require.ErrorIs(t, err, device.ErrClosed, "%+v", e)
}

// looking is the time between two looks for a lost instrument, and no other time.
const looking = 61 * time.Minute

// watch is a transport that counts what goes through it, and says when it came.
type watch struct {
	device.Transport
	clock   *clock
	slow    bool // one byte a read
	mu      sync.Mutex
	changed chan struct{}
	watched
}

type watched struct {
	tries, opened, open, mostOpen, read, fed, written int
	reading                                           bool // what was read before has been taken
}

func newWatch(t device.Transport, c *clock) *watch {
	return &watch{Transport: t, clock: c, changed: make(chan struct{})}
}

// Attested is that of the transport.
func (w *watch) Attested() bool {
	t, ok := w.Transport.(device.Attesting)
	return ok && t.Attested()
}

func (w *watch) Open(ctx context.Context) (device.Link, error) {
	link, err := w.Transport.Open(ctx)
	w.change(func() {
		w.tries++
		if err == nil {
			w.opened++
			w.open++
			w.mostOpen = max(w.mostOpen, w.open)
		}
	})
	if err != nil {
		return nil, err
	}
	watched := &watchedLink{Link: link, watch: w}
	if p, ok := link.(device.Packeted); ok {
		return &watchedPackets{watched, p}, nil
	}
	return watched, nil
}

func (w *watch) change(f func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	f()
	close(w.changed)
	w.changed = make(chan struct{})
}

func (w *watch) count() watched {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.watched
}

func (w *watch) await(t *testing.T, what string, reached func(*watched) bool) {
	t.Helper()
	require.NoError(t, w.until(what, reached))
}

func (w *watch) until(what string, reached func(*watched) bool) error {
	deadline := time.After(patience)
	for {
		w.mu.Lock()
		now, changed := w.watched, w.changed
		w.mu.Unlock()
		if reached(&now) {
			return nil
		}
		select {
		case <-changed:
		case <-deadline:
			return fmt.Errorf("waited too long for %s: %+v", what, now)
		}
	}
}

type watchedLink struct {
	device.Link
	watch *watch
	at    time.Time
	once  sync.Once
}

// Unwrap implements device.Wrapping.
func (l *watchedLink) Unwrap() device.Link { return l.Link }

func (l *watchedLink) Read(p []byte) (int, error) {
	if l.watch.slow {
		p = p[:1]
	}
	l.watch.change(func() { l.watch.reading = true })
	n, err := l.Link.Read(p)
	if n > 0 && err != nil {
		return n, errors.New("bytes and an error together")
	}
	l.watch.change(func() {
		l.watch.read += n
		l.watch.reading = false
		l.at = l.watch.clock.now()
	})
	return n, err
}

func (l *watchedLink) Write(p []byte) (int, error) {
	n, err := l.Link.Write(p)
	l.watch.change(func() { l.watch.written += n })
	return n, err
}

// Stamp implements device.Stamped: when the bytes were counted as read, so that
// time which passes after that is silence.
func (l *watchedLink) Stamp() time.Time { return l.at }

func (l *watchedLink) Close() error {
	err := l.Link.Close()
	l.once.Do(func() { l.watch.change(func() { l.watch.open-- }) })
	return err
}

type watchedPackets struct {
	*watchedLink
	device.Packeted
}

// A clock goes on only when it is told to.
type clock struct {
	mu    sync.Mutex
	time  time.Time
	waits []wait
	more  chan struct{} // closed when there is another wait
}

type wait struct {
	until time.Time
	c     chan time.Time
}

func newClock() *clock {
	return &clock{time: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC), more: make(chan struct{})}
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.time
}

func (c *clock) after(d time.Duration) <-chan time.Time {
	c.mu.Lock()
	w := wait{c.time.Add(d), make(chan time.Time, 1)}
	c.waits = append(c.waits, w)
	close(c.more)
	c.more = make(chan struct{})
	c.mu.Unlock()
	c.pass(0)
	return w.c
}

// awaited waits until somebody waits for a time within d from now: whoever reads
// the clock and then waits must not find that it went on in between.
func (c *clock) awaited(d time.Duration) error {
	deadline := time.After(patience)
	for {
		c.mu.Lock()
		until, more := c.time.Add(d), c.more
		some := slices.ContainsFunc(c.waits, func(w wait) bool { return !w.until.After(until) })
		c.mu.Unlock()
		if some {
			return nil
		}
		select {
		case <-more:
		case <-deadline:
			return errors.New("nobody waits for silence")
		}
	}
}

// pass lets time pass.
func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.time = c.time.Add(d)
	c.waits = slices.DeleteFunc(c.waits, func(w wait) bool {
		due := !w.until.After(c.time)
		if due {
			w.c <- c.time
		}
		return due
	})
}
