// Package demo is the builder of the demonstration: it stands at an invented
// engine with simulated instruments, does what the program says is next, and
// makes some honest mistakes on the way.
//
// The builder sees only what a person would see, the events of the sitting, and
// acts only as a person could: with a wrench, with a gauge, with the keys. All
// between the bytes on the tty and the verdict is the program itself.
package demo

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/shopspring/decimal"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

// An Instrument is what the builder holds: a simulated wrench or gauge.
type Instrument interface {
	// Send gives the value as the instrument does, down its cable.
	Send(quantity.Quantity) error
	// Break sends the first half of that, and pulls the cable out.
	Break(quantity.Quantity) error
	// Plug puts the cable back.
	Plug() error
}

// A Clock is the time at the bench, which the demonstration can set forward so
// that nobody has to sit through a wait.
type Clock struct {
	mutex sync.Mutex
	ahead time.Duration
}

// NewClock gives a clock that is half an hour slow, so that it has not overtaken
// the real time when the demonstration has set it forward.
func NewClock() *Clock { return &Clock{ahead: -30 * time.Minute} }

// Now is the time at the bench.
func (c *Clock) Now() time.Time {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	return time.Now().Add(c.ahead)
}

// Forward sets the clock forward.
func (c *Clock) Forward(d time.Duration) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	c.ahead += d
}

// A Builder works through a build. Its fields are set before Run.
type Builder struct {
	Wrench, Gauge Instrument
	Clock         *Clock
	// Pace is how long the builder takes from one act to the next.
	Pace time.Duration
	// Tell is called with what a bystander is told.
	Tell func(string)

	events   chan bench.Event
	commands chan bench.Command
	random   *rand.Rand
	tries    map[turn]int
	passOver int // how many Next events are to be passed over: the sitting has not heard the builder yet
	gauge    quantity.Quantity
}

// turn is one point in one pass.
type turn struct {
	point fact.Point
	pass  fact.Pass
}

// act is something that the builder does otherwise than asked, at the n-th try.
type act struct {
	turn
	try int
}

// The honest mistakes, for the plan testdata/plans/vee-six.toml.
var (
	// pulls are values that are not near their target.
	pulls = map[act]string{
		{turn{"head-left/3", "stage-2"}, 0}:    "41.8 lbf·ft", // low, and pulled again
		{turn{"head-left/4", "recheck"}, 0}:    "54.6 lbf·ft", // first pulled, and relaxed
		{turn{"head-right/7", "stage-1"}, 0}:   "26.9 lbf·ft", // high, and pulled again
		{turn{"head-left/2", "stage-3"}, 0}:    "63.1 lbf·ft", // taken back below
		{turn{"head-right/5", "stage-3"}, 0}:   "66.1 lbf·ft",
		{turn{"head-left/dowel-front", ""}, 0}: "0.2970 in",
	}
	// orders are keys pressed instead of a pull.
	orders = map[act]bench.Command{
		{turn{"head-left/8", "stage-1"}, 0}:  {Kind: bench.Attest, Point: "head-left/8", Pass: "stage-1", Text: "25"},
		{turn{"head-right/3", "stage-1"}, 0}: {Kind: bench.Choose, Point: "head-right/6"},
		{turn{"head-right/1", "stage-2"}, 0}: {Kind: bench.Leave, Point: "head-right/1", Pass: "stage-2", Text: "the socket fouls a bracket, the long one is in use elsewhere"},
		{turn{"head-right/3", "recheck"}, 0}: {Kind: bench.Quit},
	}
	// regrets are readings that are taken back.
	regrets = map[act]string{
		{turn{"head-left/2", "stage-3"}, 1}: "the socket was not fully on the head",
	}
	// breaks are readings in the middle of which a cable comes out.
	breaks = map[act]bool{
		{turn{"head-right/dowel-front", ""}, 0}: true,
	}
)

// Start makes the builder ready. It gives what the sitting takes: the channel
// of commands, and the function to show its events to.
func (b *Builder) Start(seed uint64) (<-chan bench.Command, func(bench.Event)) {
	b.random = rand.New(rand.NewPCG(seed, 0))
	b.tries = map[turn]int{}
	b.commands = make(chan bench.Command)
	b.events = make(chan bench.Event, 1024)
	return b.commands, func(e bench.Event) { b.events <- e }
}

// Run works until the sitting ends or ctx is done.
func (b *Builder) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case e := <-b.events:
			if e.Kind == bench.Ended {
				return nil
			}
			if err := b.see(ctx, e); err != nil {
				return err
			}
		}
	}
}

// see does what an event asks for.
func (b *Builder) see(ctx context.Context, e bench.Event) error {
	switch e.Kind {
	case bench.Next:
		if b.passOver > 0 {
			b.passOver--
			return nil
		}
		b.pause(ctx)
		return b.do(ctx, e.Task)
	case bench.Waiting:
		wait := e.Task.NotBefore.Sub(b.Clock.Now()) + time.Second
		b.Tell(fmt.Sprintf("(the demonstration sets its clock forward by %s)", wait.Round(time.Minute)))
		b.Clock.Forward(wait)
	case bench.Read:
		t := turn{e.Task.Point, e.Task.Pass}
		if reason, ok := regrets[act{t, b.tries[t]}]; ok {
			b.passOver++
			return b.order(ctx, bench.Command{Kind: bench.Void, Entry: e.Reading.Entry.Ref, Text: reason})
		}
	case bench.Lost:
		b.pause(ctx)
		b.pause(ctx)
		return b.Gauge.Plug()
	case bench.Found:
		if !b.gauge.IsZero() {
			b.pause(ctx)
			value := b.gauge
			b.gauge = quantity.Quantity{}
			return b.Gauge.Send(value)
		}
	}
	return nil
}

func (b *Builder) do(ctx context.Context, task judge.Task) error {
	t := turn{task.Point, task.Pass}
	now := act{t, b.tries[t]}
	b.tries[t]++
	if c, ok := orders[now]; ok {
		return b.order(ctx, c)
	}
	if task.Kind == judge.Confirm {
		return b.order(ctx, bench.Command{Kind: bench.Assure, Point: string(task.Point)})
	}
	value := b.value(task)
	if text, ok := pulls[now]; ok {
		value = quantity.MustParse(text)
	}
	if task.Kind != judge.Measure {
		return b.Wrench.Send(value)
	}
	if breaks[now] {
		b.gauge = value
		return b.Gauge.Break(value)
	}
	return b.Gauge.Send(value)
}

// value is what a good hand gives: near the target, or in the middle of what is
// allowed, with some scatter. A bolt that has held first moves below the torque
// that it was tightened with.
func (b *Builder) value(task judge.Task) quantity.Quantity {
	middle := task.Target.Value
	scatter := 0.006
	switch task.Kind {
	case judge.Measure:
		middle = task.Limits.Least.Value.Add(task.Limits.Most.Value).Div(decimal.NewFromInt(2))
		scatter = 0.004
		return quantity.New(middle.Mul(decimal.NewFromFloat(1+scatter*b.hand())).Round(4), task.Limits.Least.Unit)
	case judge.Check:
		middle = middle.Mul(decimal.RequireFromString("0.96"))
	}
	return quantity.New(middle.Mul(decimal.NewFromFloat(1+scatter*b.hand())).Round(1), task.Target.Unit)
}

// hand is a deviation of a hand: normal, and never beyond twice its usual size.
func (b *Builder) hand() float64 { return max(-2, min(2, b.random.NormFloat64())) }

func (b *Builder) order(ctx context.Context, c bench.Command) error {
	select {
	case b.commands <- c:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (b *Builder) pause(ctx context.Context) {
	select {
	case <-time.After(b.Pace):
	case <-ctx.Done():
	}
}
