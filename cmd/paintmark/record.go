package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sync"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/caution"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/screen"
	"paintmark/device"
	"paintmark/device/typed"
	"paintmark/log/book"
)

func recordCommand() *cli.Command {
	return &cli.Command{
		Name:    "record",
		Summary: "reads the instruments, says what is next and judges each pull at once",
		About: `At a terminal it shows the next point with its target, and the verdict of each
pull; a pull needs no key. Keys are for the exceptions: p another point, v void,
s skip, y confirm, m a value by hand, z an instrument to zero, space pause,
q leave. Where it was left, it
goes on.

Without a terminal it prints lines, with --json one JSON object a line, and
reads commands from standard input, a line each: point, void, skip, confirm,
attest, zero, pause, go, quit.

Instruments are those of the shop's list, instruments.toml on the shelf; all of
them, or those named with --with. One that is not in the list is given by --at
and --profile.`,
		Examples: []cli.Example{
			{Line: "paintmark record 2117", Does: "with all the shop's instruments"},
			{Line: "paintmark record 2117 --with wrench-a --with gauge-1", Does: "with these two"},
			{Line: "paintmark record 2117 --at serial:/dev/ttyUSB0 --profile testdata/profiles/wrench-line.toml", Does: "with one that is not in the list"},
			{Line: "paintmark record 2117 --at typed:keyboard", Does: "by hand, a value and Enter; all of it is attested"},
			{Line: "paintmark record 2117 --at typed:cable", Does: "with an instrument whose cable types as a keyboard does"},
		},
		Args:  []cli.Arg{buildArg},
		Flags: append([]cli.Flag{withFlag}, append(atFlags, stationFlag)...),
		JSON:  true,
		Run:   record,
	}
}

func record(ctx context.Context, c *cli.Call) error {
	b, err := openBook(c, true)
	if err != nil {
		return err
	}
	from := sources{cable: typed.NewCable(), fast: c.Bool("fast")}
	if usesTyped(c) {
		from.in = c.In
	}
	chosen, err := choose(c, from)
	if err != nil {
		return err
	}
	var cable *typed.Cable
	for _, i := range chosen {
		if i.transport == from.cable {
			cable = from.cable
		}
	}
	// What cannot be read here is told by the sitting.
	if _, state, err := judged(ctx, b); err == nil && state.Plan.ByAngle() && !c.JSON() {
		_, _ = fmt.Fprintln(c.Err, "caution: "+caution.Yield)
	}
	sitting, finish, err := newStand(ctx, c, cable)
	if err != nil {
		return err
	}
	instruments := attachAll(ctx, chosen, time.Now)
	watch := &watch{lost: map[string]error{}}
	session := &bench.Session{
		Build: b.Build(), Book: b, Instruments: instruments, Commands: sitting.commands,
		Show: func(e bench.Event) { watch.see(e); sitting.show(e) },
		Now:  time.Now, Final: final, Retry: 500 * time.Millisecond,
		Record: recording(b), Abandoned: abandoned(b),
	}
	state, err := session.Run(sitting.ctx)
	finish()
	if err == nil && sitting.written != nil {
		err = sitting.written()
	}
	if state != nil && !c.JSON() {
		_, _ = fmt.Fprintln(c.Err, standing(b.Build(), state))
	}
	switch {
	case errors.Is(err, context.Canceled):
		return cli.Fail(cli.Interrupted, err)
	case err != nil:
		return err
	case watch.err() != nil:
		return watch.err()
	}
	return findingsExit(state)
}

// recording begins the samples of a pull in a book.
func recording(b *book.Book) func(fact.Point, fact.Pass, string) (bench.Recording, error) {
	return func(point fact.Point, pass fact.Pass, instrument string) (bench.Recording, error) {
		p, err := b.BeginPull(point, pass, instrument)
		if err != nil {
			return nil, err
		}
		return p, nil
	}
}

// goneBy is how long after its last sample a pull that no entry names is not one
// that another program of this station is just recording.
const goneBy = time.Minute

// abandoned gives the pulls that this station began and never ended.
func abandoned(b *book.Book) func(context.Context) ([]fact.Interrupted, error) {
	return func(ctx context.Context) (list []fact.Interrupted, err error) {
		unnamed, err := b.Unnamed(ctx)
		if err != nil {
			return nil, err
		}
		for _, u := range unnamed {
			if u.Name.Station != b.Station() {
				continue
			}
			samples, err := b.Trace(ctx, u.Name)
			if err != nil {
				return list, err
			}
			n := samples.Len()
			if last := u.Began.Add(time.Duration(samples.Times[n-1]) * samples.Tick); time.Since(last) > goneBy {
				list = append(list, fact.Interrupted{Point: u.Point, Pass: u.Pass, Instrument: fact.Instrument{Name: u.Instrument},
					Trace: u.Name, Because: "the program or the computer stopped in the middle of it"})
			}
		}
		return list, err
	}
}

// final tells whether an error of the book cannot be waited out. A lock is let
// go and a full disk can be cleared; a book that is damaged or gone stays so.
func final(err error) bool {
	return errors.Is(err, book.ErrUnsound) || errors.Is(err, book.ErrMissing) || errors.Is(err, book.ErrNewer)
}

// standing is how a sitting leaves the build.
func standing(build string, s *judge.State) string {
	if s.Complete() && s.Unsettled() == 0 {
		return build + ": complete, and nothing was found"
	}
	left := "complete"
	if !s.Complete() {
		left = "not complete; go on with paintmark record " + build
	}
	if s.Unsettled() == 0 {
		return build + ": nothing was found; " + left
	}
	return fmt.Sprintf("%s: %s not settled, see paintmark state %s; %s", build, count(s.Unsettled(), "finding is", "findings are"), build, left)
}

// watch remembers which instruments could not be read, and whether any was.
type watch struct {
	lost map[string]error
	read bool
}

func (w *watch) see(e bench.Event) {
	switch e.Kind {
	case bench.Lost:
		w.lost[e.Instrument] = e.Err
	case bench.Quiet:
		w.lost[e.Instrument] = e.Err
	case bench.Found, bench.Talking:
		delete(w.lost, e.Instrument)
	case bench.Read:
		w.read = true
	}
}

// err is that instruments are gone at the end of a sitting in which nothing was read.
func (w *watch) err() error {
	if w.read || len(w.lost) == 0 {
		return nil
	}
	var list []error
	for _, err := range w.lost {
		list = append(list, err)
	}
	slices.SortFunc(list, func(a, b error) int {
		if a.Error() < b.Error() {
			return -1
		}
		return 1
	})
	return cli.Fail(cli.Instrument, errors.Join(list...))
}

// A stand is how the builder and the program talk: a terminal, or lines.
type stand struct {
	ctx      context.Context
	commands <-chan bench.Command
	show     func(bench.Event)
	written  func() error
}

// newStand makes the stand that fits: drawn where a person sits at a terminal
// and wants no JSON. What a cable types is taken from the keys.
func newStand(ctx context.Context, c *cli.Call, cable *typed.Cable) (*stand, func(), error) {
	in, _ := c.In.(*os.File)
	out := c.OutFile()
	keys := func(slow func(string)) io.Reader {
		if cable == nil {
			return c.In
		}
		return cable.Sift(c.In, slow)
	}
	drawn := !c.JSON() && screen.IsTerminal(in) && screen.IsTerminal(out) && c.Env("TERM") != "dumb" && !usesTyped(c)
	if !drawn {
		s := &stand{ctx: ctx}
		if c.JSON() {
			s.show, s.written = screen.JSON(c.Out)
		} else {
			_, _ = fmt.Fprintln(c.Err, "caution: "+caution.Figures)
			s.show = screen.Plain(c.Out, time.Local)
		}
		if usesTyped(c) {
			closed := make(chan bench.Command)
			close(closed)
			s.commands = closed
		} else {
			var mutex sync.Mutex
			refuse := func(err error) {
				mutex.Lock()
				defer mutex.Unlock()
				_, _ = fmt.Fprintf(c.Err, "paintmark: %v\n", err)
			}
			lines := keys(func(line string) { refuse(fmt.Errorf("%q was typed by hand: state it with attest", line)) })
			s.commands = screen.Lines(lines, refuse)
		}
		return s, func() {}, nil
	}
	_, _ = fmt.Fprintln(c.Err, "caution: "+caution.Figures)
	restore, err := screen.Raw(in, out)
	if err != nil {
		return nil, nil, fmt.Errorf("the terminal cannot be used: %w", err)
	}
	ctx, interrupt := context.WithCancel(ctx)
	t := screen.NewTerminal(out, screen.Size(out), time.Local)
	ended := onResize(t.Redraw)
	go tick(ctx, t)
	slow := func(line string) {
		if !t.Asking() {
			t.Say(fmt.Sprintf("%q was typed by hand: press m to state it", line))
		}
	}
	s := &stand{ctx: ctx, show: t.Show, commands: t.Keys(keys(slow), interrupt)}
	return s, func() {
		ended()
		t.Close()
		restore()
		interrupt()
	}, nil
}

// tick lets the ages on the screen grow until ctx is done.
func tick(ctx context.Context, t *screen.Terminal) {
	ticks := time.NewTicker(time.Second)
	defer ticks.Stop()
	for {
		select {
		case now := <-ticks.C:
			t.Tick(now)
		case <-ctx.Done():
			return
		}
	}
}

// usesTyped tells whether standing input carries values rather than commands.
func usesTyped(c *cli.Call) bool {
	a, err := device.ParseAddress(c.String("at"))
	return err == nil && a.Transport == typed.Name && a.Place != typed.Place
}
