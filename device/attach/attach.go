// Package attach joins a transport and a profile into a device.Adapter: it
// reads the link, frames and decodes what comes, and tells all of it in order.
//
// An instrument that goes away does not end anything. The adapter tells Lost,
// closes the link, and looks for the instrument by its address at an interval
// until it is back; then it tells Found and goes on. What had come of a frame
// at the moment of the loss is told as Rejected, never as a sample.
//
// What the profile says is to be sent is sent, and nothing without that: to begin
// and to end, and to ask. An instrument is asked again only when its reply has
// come or was given up; a reply that comes later is taken as well. One that
// should be talking and is not is told as Quiet, which ends nothing either.
//
// A flood of what makes no reading is told by a few and then by number, so that
// whoever keeps each is not flooded too; see [Singly] and [Gathering].
//
// Nothing is dropped. Some events are held for a consumer that is busy, as when
// a reading is being committed; when that many are waiting, reading stops until
// there is room, and the bytes wait in the operating system and then in the
// instrument. The memory an adapter takes is bounded by that, however much
// comes.
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

const (
	// Waiting is how many events are held for a consumer that is busy.
	Waiting = 256
	// DefaultInterval is the time between two looks for a lost instrument.
	DefaultInterval = 500 * time.Millisecond
	// Bounces is how many links in a row may fail within Steady and without a good
	// frame before the instrument is looked for every Lull only, as at a loose
	// plug: each loss is told, and so would fill whatever keeps that.
	Bounces = 5
	Steady  = 2 * time.Second
	Lull    = 10 * time.Second
	// Pause is how long nothing must have come until the beginning of a frame is
	// told as Unfinished.
	Pause = time.Second

	// ending is how long a closing waits until what ends the talk is sent.
	ending = time.Second
	// afterWriting is how long a link is still read that failed to be written to.
	afterWriting = 200 * time.Millisecond
	readSize     = 4096
)

// Options are what may be set otherwise. The zero Options is for real use.
type Options struct {
	// Interval is the time between two looks for an instrument that is not
	// there; DefaultInterval if zero.
	Interval time.Duration
	// Now and After stand in for the clock in tests; nil means time.Now and
	// time.After.
	Now   func() time.Time
	After func(time.Duration) <-chan time.Time
	// Describe makes the profile of each link that is opened, where Attach is
	// given none: for an instrument that describes itself. It may read nothing
	// of the link. That it fails is told as Lost and tried again at the interval.
	Describe func(device.Link) (*profile.Profile, error)
	// Mute sends nothing of what the profile says is to be sent.
	Mute bool
}

// Attach starts to read the instrument at the transport's address through the
// profile; if that is nil, o.Describe is asked for one. It returns at once; that the instrument is not there is told as Lost.
// The adapter runs until it is closed, ctx is done, or its source ends, and
// keeps goroutines until then. It is a device.Teller.
func Attach(ctx context.Context, transport device.Transport, p *profile.Profile, o Options) device.Adapter {
	if o.Interval == 0 {
		o.Interval = DefaultInterval
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.After == nil {
		o.After = time.After
	}
	ctx, cancel := context.WithCancel(ctx)
	a := &adapter{
		transport: transport,
		profile:   p,
		asks:      p == nil,
		options:   o,
		cancel:    cancel,
		events:    make(chan device.Event, Waiting),
		tells:     make(chan *saying),
		done:      make(chan struct{}),
	}
	if t, ok := transport.(device.Attesting); ok {
		a.attested = t.Attested()
	}
	go a.run(ctx)
	return a
}

type adapter struct {
	transport device.Transport
	profile   *profile.Profile // of the link, where asks
	asks      bool             // each link describes itself
	options   Options
	attested  bool
	cancel    context.CancelFunc
	events    chan device.Event
	tells     chan *saying
	done      chan struct{} // closed when nothing runs any more

	// Of the goroutine alone.
	identity string
	known    string    // the identity of the one before it that had one
	why      string    // what was told last of why it is not there; empty while it is
	sound    time.Time // when the last good frame came
	gathered gathering
	bounces  int
}

// Next implements device.Adapter.
func (a *adapter) Next(ctx context.Context) (device.Event, error) {
	select {
	case e := <-a.events:
		return e, nil
	default:
	}
	select {
	case e := <-a.events:
		return e, nil
	case <-ctx.Done():
		return device.Event{}, ctx.Err()
	case <-a.done:
	}
	select {
	case e := <-a.events:
		return e, nil
	default:
		return device.Event{}, a.fail(device.ErrClosed)
	}
}

// Close implements device.Adapter.
func (a *adapter) Close() error {
	a.cancel()
	<-a.done
	return nil
}

// Tell implements device.Teller.
func (a *adapter) Tell(ctx context.Context, what []byte) error {
	s := &saying{bytes: what, result: make(chan error, 1)}
	select {
	case a.tells <- s:
	case <-ctx.Done():
		return a.fail(ctx.Err())
	case <-a.done:
		return a.fail(device.ErrClosed)
	}
	select {
	case err := <-s.result:
		return err
	case <-ctx.Done():
		return a.fail(ctx.Err())
	case <-a.done:
	}
	select {
	case err := <-s.result:
		return err
	default:
		return a.fail(device.ErrClosed)
	}
}

func (a *adapter) fail(err error) error {
	return &device.Error{Address: a.transport.Address(), Err: err}
}

func (a *adapter) run(ctx context.Context) {
	defer close(a.done)
	defer a.cancel()
	for {
		link := a.open(ctx)
		if link == nil {
			return
		}
		opened, sound := a.options.Now(), a.sound
		err := a.hear(ctx, link)
		if ctx.Err() != nil {
			return
		}
		if a.bounces++; a.sound != sound || a.options.Now().Sub(opened) >= Steady {
			a.bounces = 0
		}
		if errors.Is(err, io.EOF) {
			if err == io.EOF {
				err = nil
			}
			a.tell(ctx, device.Event{Kind: device.Ended, Err: err})
			return
		}
		a.lose(ctx, err)
		if !a.wait(ctx) {
			return
		}
	}
}

// lose tells that a link has failed: as it is for one that was found, and only
// where the reason is another for one that failed before it could be used.
func (a *adapter) lose(ctx context.Context, err error) {
	var unsaid *unsaidError
	why := reason(device.ErrAbsent)
	if errors.As(err, &unsaid) {
		if why = unsaid.Error(); why == a.why {
			return
		}
		err = unsaid.error
	}
	if !errors.Is(err, device.ErrLost) {
		err = fmt.Errorf("%w: %w", device.ErrLost, err)
	}
	var placed *device.Error
	if !errors.As(err, &placed) {
		err = a.fail(err)
	}
	a.tell(ctx, device.Event{Kind: device.Lost, Err: err})
	a.why = why
}

// open looks for the instrument until it is there. It gives nil when ctx is
// done.
func (a *adapter) open(ctx context.Context) device.Link {
	for {
		link, err := a.transport.Open(ctx)
		if err == nil {
			if err = a.describe(ctx, link); err != nil {
				_ = link.Close()
			}
		}
		if err == nil {
			a.identity = link.Identity()
			return link
		}
		if ctx.Err() != nil {
			return nil
		}
		if why := reason(err); why != a.why {
			a.why = why
			a.tell(ctx, device.Event{Kind: device.Lost, Err: err})
		}
		if !a.wait(ctx) {
			return nil
		}
	}
}

// describe finds the profile of a link that was opened.
func (a *adapter) describe(ctx context.Context, link device.Link) error {
	if a.asks {
		stop := context.AfterFunc(ctx, func() { _ = link.Close() })
		defer stop()
		p, err := a.options.Describe(link)
		var placed *device.Error
		switch {
		case errors.As(err, &placed):
			return err
		case err != nil:
			return a.fail(err)
		}
		a.profile = p
	}
	if _, ok := link.(device.Packeted); a.profile.NeedsPackets() && !ok {
		return &device.Error{
			Address: a.transport.Address(),
			Err:     fmt.Errorf("this link has no packets, and profile %s takes each packet as a frame", a.profile.Name),
			Hint:    "choose another framing in the profile",
		}
	}
	return nil
}

// reason tells whether an error is another than the one before.
func reason(err error) string {
	for _, known := range []error{device.ErrAbsent, device.ErrBusy, device.ErrDenied} {
		if errors.Is(err, known) {
			return known.Error()
		}
	}
	return err.Error()
}

func (a *adapter) wait(ctx context.Context) bool {
	interval := a.options.Interval
	if a.bounces > Bounces {
		interval = max(interval, Lull)
	}
	select {
	case <-a.options.After(interval):
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}

// found tells that the instrument is back, if it was away.
func (a *adapter) found(ctx context.Context) {
	if a.why != "" {
		a.why = ""
		a.tell(ctx, device.Event{Kind: device.Found, Err: a.other()})
	}
	if a.identity != "" {
		a.known = a.identity
	}
}

// other is that another instrument is there than before, as where two cables were
// exchanged that are found by their path.
func (a *adapter) other() error {
	if a.known == "" || a.identity == "" || a.known == a.identity {
		return nil
	}
	return &device.Error{
		Address: a.transport.Address(),
		Err:     fmt.Errorf("another one is there now, %s instead of %s; its values carry that", a.identity, a.known),
		Hint:    "if two cables were exchanged, put them back, or name the instrument by what it is known by and not by where it hangs",
	}
}

// tell hands an event on. It waits while too many are waiting, but not after
// ctx is done.
func (a *adapter) tell(ctx context.Context, e device.Event) {
	if e.Time.IsZero() {
		e.Time = a.options.Now()
	}
	e.Identity = a.identity
	select {
	case a.events <- e:
		return
	default:
	}
	select {
	case a.events <- e:
	case <-ctx.Done():
	}
}
