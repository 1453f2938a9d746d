// Package devicetest is the conformance suite that every transport passes, and
// the means to test what stands on one.
//
// [Run] takes a harness that makes a [Bench]: a transport with an instrument
// behind it that the suite can make send, unplug and plug in again. It tries
// the links themselves, and what package attach makes of them, in the ways in
// which instruments fail: bytes one at a time, two frames in one read, garbage
// first, a frame cut off, silence, unplugged in mid-frame, closed from
// elsewhere. After each it looks for goroutines that were left. What a
// transport cannot do is skipped, by name.
//
// A [Wire] is a transport in memory for tests that need no more.
package devicetest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
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
	// Silence is how long a silence is tried; 20 ms if zero. It is to be longer
	// than whatever timeout the transport uses inside.
	Silence time.Duration
}

// A Harness makes a fresh bench for one test.
type Harness func(t *testing.T) Bench

// patience is how long the suite waits for what must come before it fails.
const patience = 20 * time.Second

// suiteProfile reads the frames that the suite sends.
var suiteProfile = func() *profile.Profile {
	p, err := profile.Parse("conformance.toml", []byte(`
name = "conformance"
[framing]
ending = "lf"
longest = 32
[reading]
pattern = '(?P<value>[+-]\d{4}\.\d) Nm'
unit = "N·m"
`))
	if err != nil {
		panic(err)
	}
	return p
}()

// frame is the n-th good frame of the suite.
func frame(n int) string { return fmt.Sprintf("+%04d.0 Nm\n", n) }

// Run runs the suite.
func Run(t *testing.T, h Harness) {
	for _, tc := range []struct {
		name  string
		needs []string
		try   func(t *testing.T, b *tried)
	}{
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

		{"frames byte by byte", nil, framesByteByByte},
		{"two frames in one read", nil, twoFramesInOneRead},
		{"garbage first", nil, garbageFirst},
		{"silence within a frame", nil, silenceWithinAFrame},
		{"truncated last frame", []string{"end"}, truncatedLastFrame},
		{"lost in mid-frame and found again", []string{"unplug"}, lostInMidFrame},
		{"absent at the start", []string{"unplug"}, absentAtTheStart},
		{"flood while nobody listens", nil, flood},
		{"attested", nil, attested},
		{"next is cancelled", nil, nextIsCancelled},
		{"attachment is cancelled", nil, attachmentIsCancelled},
		{"close unblocks next", nil, closeUnblocksNext},
		{"adapter closed twice at once", nil, adapterClosedTwice},
		{"close while lost", []string{"unplug"}, closeWhileLost},
	} {
		t.Run(tc.name, func(t *testing.T) {
			before := goleak.IgnoreCurrent()
			bench := h(t)
			b := &tried{Bench: bench, watch: newWatch(bench.Transport)}
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
			for _, need := range tc.needs {
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
	}
	return ""
}

// tried is a bench under test.
type tried struct {
	Bench
	watch *watch
}

func (b *tried) open(t *testing.T) device.Link {
	t.Helper()
	link, err := b.Transport.Open(t.Context())
	require.NoError(t, err)
	t.Cleanup(func() { _ = link.Close() })
	return link
}

func (b *tried) feed(t *testing.T, text string) {
	t.Helper()
	require.NoError(t, b.Feed([]byte(text)))
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
	a.Adapter = attach.Attach(ctx, b.watch, suiteProfile, attach.Options{
		After: func(time.Duration) <-chan time.Time { return a.ticks },
	})
	t.Cleanup(func() { _ = a.Close() })
	return a
}

// attachOpen attaches to an instrument that is there.
func (b *tried) attachOpen(t *testing.T) *attached {
	t.Helper()
	a := b.attach(t, t.Context())
	b.watch.await(t, "the link", func(w *watch) bool { return w.opened == 1 })
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
	require.Equal(a.t, frame(n), string(e.Sample.Raw))
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
	a.b.watch.await(a.t, "a look", func(w *watch) bool { return w.tries > tries })
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
	a := b.attachOpen(t)
	for n := 1; n <= 3; n++ {
		for _, c := range []byte(frame(n)) {
			require.NoError(t, b.Feed([]byte{c}))
		}
		a.sample(n)
	}
}

func twoFramesInOneRead(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.feed(t, frame(1)+frame(2)+frame(3)[:4])
	a.sample(1)
	a.sample(2)
	b.feed(t, frame(3)[4:])
	a.sample(3)
}

func garbageFirst(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.feed(t, "\x00\xfe8.0 Nm\n"+frame(1))
	a.rejected("\x00\xfe8.0 Nm\n")
	a.sample(1)
	long := "0123456789012345678901234567890123456789\n"
	b.feed(t, long+frame(2))
	a.rejected(long[:33])
	a.rejected(long[33:])
	a.sample(2)
}

func silenceWithinAFrame(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.feed(t, frame(1)[:5])
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	next := a.nexting(ctx)
	quiet(t, b, next)
	b.feed(t, frame(1)[5:])
	s := await(t, "the frame", next)
	require.NoError(t, s.err)
	require.Equal(t, device.Sampled, s.event.Kind)
	require.Equal(t, frame(1), string(s.event.Sample.Raw))
}

func truncatedLastFrame(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.feed(t, frame(1)+frame(2)[:9])
	require.NoError(t, b.End())
	a.sample(1)
	a.rejected(frame(2)[:9])
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
	half := frame(2)[:6]
	b.feed(t, frame(1)+half)
	sent := len(frame(1) + half)
	// What a cable still holds when it is pulled is gone, so it is read first.
	b.watch.await(t, "the half frame", func(w *watch) bool { return w.read == sent })
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
	b.feed(t, frame(3))
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
	b.feed(t, frame(1))
	a.sample(1)
}

func flood(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	const frames = 4 * attach.Waiting
	fed := make(chan error, 1)
	go func() {
		for n := range frames {
			if err := b.Feed([]byte(frame(n))); err != nil {
				fed <- err
				return
			}
		}
		fed <- nil
	}()
	b.watch.await(t, "the queue to be full", func(w *watch) bool { return w.read >= attach.Waiting*len(frame(0)) })
	for n := range frames {
		a.sample(n)
	}
	require.NoError(t, await(t, "the feeder", fed))
}

func attested(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	b.feed(t, frame(1))
	require.Equal(t, b.Attested, a.next().Sample.Attested)
}

func nextIsCancelled(t *testing.T, b *tried) {
	a := b.attachOpen(t)
	ctx, cancel := context.WithCancel(t.Context())
	next := a.nexting(ctx)
	quiet(t, b, next)
	cancel()
	require.ErrorIs(t, await(t, "the end of Next", next).err, context.Canceled)
	b.feed(t, frame(1))
	a.sample(1)
}

func attachmentIsCancelled(t *testing.T, b *tried) {
	ctx, cancel := context.WithCancel(t.Context())
	a := b.attach(t, ctx)
	b.watch.await(t, "the link", func(w *watch) bool { return w.opened == 1 })
	b.feed(t, frame(1))
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
	b.feed(t, frame(1)+frame(2)[:3])
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
	_, err := a.Next(t.Context())
	require.ErrorIs(t, err, device.ErrClosed)
}

// watch is a transport that counts what goes through it.
type watch struct {
	device.Transport
	mu      sync.Mutex
	changed chan struct{}
	watched
}

type watched struct{ tries, opened, open, mostOpen, read int }

func newWatch(t device.Transport) *watch { return &watch{Transport: t, changed: make(chan struct{})} }

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
	return &watchedLink{Link: link, watch: w}, nil
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

func (w *watch) await(t *testing.T, what string, reached func(*watch) bool) {
	t.Helper()
	deadline := time.After(patience)
	for {
		w.mu.Lock()
		ok, changed, now := reached(w), w.changed, w.watched
		w.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-changed:
		case <-deadline:
			require.FailNow(t, fmt.Sprintf("waited too long for %s: %+v", what, now))
		}
	}
}

type watchedLink struct {
	device.Link
	watch *watch
	once  sync.Once
}

func (l *watchedLink) Read(p []byte) (int, error) {
	n, err := l.Link.Read(p)
	if n > 0 && err != nil {
		return n, errors.New("bytes and an error together")
	}
	l.watch.change(func() { l.watch.read += n })
	return n, err
}

func (l *watchedLink) Close() error {
	err := l.Link.Close()
	l.once.Do(func() { l.watch.change(func() { l.watch.open-- }) })
	return err
}
