// Package attach joins a transport and a profile into a device.Adapter: it
// reads the link, frames and decodes what comes, and tells all of it in order.
//
// An instrument that goes away does not end anything. The adapter tells Lost,
// closes the link, and looks for the instrument by its address at an interval
// until it is back; then it tells Found and goes on. What had come of a frame
// at the moment of the loss is told as Rejected, never as a sample.
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

	readSize = 4096
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
}

// Attach starts to read the instrument at the transport's address through the
// profile; if that is nil, o.Describe is asked for one. It returns at once; that the instrument is not there is told as Lost.
// The adapter runs until it is closed, ctx is done, or its source ends, and
// keeps at least one goroutine until then.
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
	done      chan struct{} // closed when nothing runs any more

	// Of the goroutine alone.
	identity string
	why      string // what was told last of why it is not there; empty while it is
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
		err := a.read(ctx, link)
		if ctx.Err() != nil {
			return
		}
		if errors.Is(err, io.EOF) {
			if err == io.EOF {
				err = nil
			}
			a.tell(ctx, device.Event{Kind: device.Ended, Err: err})
			return
		}
		if !errors.Is(err, device.ErrLost) {
			err = fmt.Errorf("%w: %w", device.ErrLost, err)
		}
		var placed *device.Error
		if !errors.As(err, &placed) {
			err = a.fail(err)
		}
		a.tell(ctx, device.Event{Kind: device.Lost, Err: err})
		a.why = reason(device.ErrAbsent)
		if !a.wait(ctx) {
			return
		}
	}
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
			if a.why != "" {
				a.why = ""
				a.tell(ctx, device.Event{Kind: device.Found})
			}
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
	select {
	case <-a.options.After(a.options.Interval):
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}

// read tells what comes until the link fails, and closes it.
func (a *adapter) read(ctx context.Context, link device.Link) error {
	closed := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(closed)
		_ = link.Close() // ends the Read; what it fails with says the rest
	})
	defer func() {
		if !stop() {
			<-closed
		}
		_ = link.Close() // the handle must be gone before the instrument is looked for
	}()
	reader := a.profile.NewReader()
	in := newIntake(ctx, link, a.options, reader.Patient())
	defer in.close(link)
	at := a.options.Now()
	for {
		if err := ctx.Err(); err != nil { // in a flood, Read may find bytes every time
			return err
		}
		c := in.next(reader.Deadline())
		switch {
		case c.err != nil:
			reader.End()
			a.tellAll(ctx, reader)
			if rest := reader.Rest(); len(rest) > 0 && ctx.Err() == nil {
				a.reject(ctx, rest, at, errors.New("the end of a frame is missing: "+cause(c.err)))
			}
			return c.err
		case c.bytes == nil:
			reader.Elapse(c.at)
		default:
			at = c.at
			reader.Feed(c.bytes, at)
			if c.packet {
				reader.EndPacket()
			}
		}
		a.tellAll(ctx, reader)
	}
}

// tellAll tells what the reader has made of what it was fed.
func (a *adapter) tellAll(ctx context.Context, reader *profile.Reader) {
	for {
		o, ok := reader.Next()
		switch {
		case !ok:
			return
		case o.Err != nil:
			a.reject(ctx, o.Raw, o.Time, o.Err)
		default:
			o.Sample.Attested = a.attested
			a.tell(ctx, device.Event{Kind: device.Sampled, Time: o.Time, Sample: o.Sample})
		}
	}
}

func cause(err error) string {
	if errors.Is(err, io.EOF) {
		return "its source ended"
	}
	return "the instrument was lost"
}

func (a *adapter) reject(ctx context.Context, raw []byte, at time.Time, err error) {
	a.tell(ctx, device.Event{Kind: device.Rejected, Time: at, Raw: append([]byte(nil), raw...), Err: a.fail(err)})
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
