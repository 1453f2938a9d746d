package attach_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/devicetest"
	"paintmark/device/profile"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var at = device.Address{Transport: "scripted", Place: "here"}

// scripted is a transport whose every Open is written beforehand.
type scripted struct {
	mu    sync.Mutex
	opens []open
	tries int
}

type open struct {
	link device.Link
	err  error
}

func (s *scripted) Address() device.Address { return at }

func (s *scripted) Open(ctx context.Context) (device.Link, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	o := s.opens[s.tries]
	s.tries++
	return o.link, o.err
}

// link gives chunks and then an error, and waits for its close where that is nil.
type link struct {
	chunks []string
	end    error
	closed chan struct{}
	once   sync.Once
}

func newLink(end error, chunks ...string) *link {
	return &link{chunks: chunks, end: end, closed: make(chan struct{})}
}

func (l *link) Read(p []byte) (int, error) {
	if len(l.chunks) > 0 {
		n := copy(p, l.chunks[0])
		if l.chunks[0] = l.chunks[0][n:]; l.chunks[0] == "" {
			l.chunks = l.chunks[1:]
		}
		return n, nil
	}
	if l.end == nil {
		<-l.closed
		return 0, device.ErrClosed
	}
	return 0, l.end
}

func (l *link) Write(p []byte) (int, error) { return len(p), nil }
func (l *link) Close() error                { l.once.Do(func() { close(l.closed) }); return nil }
func (l *link) Identity() string            { return "PM-7" }

func lines(t testing.TB) *profile.Profile {
	t.Helper()
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[framing]\nending = \"lf\"\n[reading]\npattern = '(?P<value>\\d+)'\nunit = \"N·m\"\nignore = '#.*'\n"))
	require.NoError(t, err)
	return p
}

// story gathers what an adapter tells until it has told n events.
func story(t *testing.T, a device.Adapter, n int) (lines []string) {
	t.Helper()
	for range n {
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		line := e.Kind.String()
		switch e.Kind {
		case device.Sampled:
			line += " " + e.Sample.Value.String()
		case device.Rejected:
			line += fmt.Sprintf(" %q %v", e.Raw, e.Err)
		case device.Lost:
			line += " " + e.Err.Error()
		case device.Found:
			line += " " + e.Identity
		}
		lines = append(lines, line)
	}
	return lines
}

func placed(err error, text string) error {
	return &device.Error{Address: at, Err: fmt.Errorf("%w: %s", err, text)}
}

func TestStoryOfALossAndReasonsThatChange(t *testing.T) {
	tr := &scripted{opens: []open{
		{link: newLink(placed(device.ErrLost, "unplugged"), "1\n2", "2\n3")},
		{err: placed(device.ErrAbsent, "one")}, // expected after a loss: not told
		{err: placed(device.ErrAbsent, "two")},
		{err: placed(device.ErrBusy, "three")}, // told once
		{err: placed(device.ErrBusy, "four")},
		{err: placed(device.ErrDenied, "five")},
		{err: placed(device.ErrAbsent, "six")}, // another reason again
		{err: errors.New("no such rate")},
		{err: errors.New("no such rate")},
		{link: newLink(nil, "4\n#hello\nx\n5\n")},
	}}
	a := attach.Attach(t.Context(), tr, lines(t), attach.Options{Interval: time.Microsecond})
	defer func() { require.NoError(t, a.Close()) }()
	require.Equal(t, []string{
		"sampled 1 N·m",
		"sampled 22 N·m",
		`rejected "3" scripted:here: the end of a frame is missing: the instrument was lost`,
		"lost scripted:here: instrument lost: unplugged",
		"lost scripted:here: in use by another program: three",
		"lost scripted:here: no permission: five",
		"lost scripted:here: not attached: six",
		"lost no such rate",
		"found PM-7",
		"sampled 4 N·m",
		`rejected "x\n" scripted:here: "x" does not match the pattern of profile p`,
		"sampled 5 N·m",
	}, story(t, a, 12))
	require.Equal(t, 10, tr.tries)
}

func TestBusyAtTheStart(t *testing.T) {
	tr := &scripted{opens: []open{{err: placed(device.ErrBusy, "")}, {err: placed(device.ErrBusy, "")}, {link: newLink(nil, "1\n")}}}
	a := attach.Attach(t.Context(), tr, lines(t), attach.Options{Interval: time.Microsecond})
	defer func() { require.NoError(t, a.Close()) }()
	require.Equal(t, []string{"lost scripted:here: in use by another program: ", "found PM-7", "sampled 1 N·m"}, story(t, a, 3))
}

// An instrument whose link fails as soon as it is opened is looked for at the
// interval, not in a tight loop.
func TestFlappingWaits(t *testing.T) {
	var waits int
	asked := make(chan time.Duration, 10)
	tick := make(chan time.Time)
	tr := &scripted{opens: []open{{link: newLink(device.ErrLost)}, {link: newLink(device.ErrLost)}, {link: newLink(nil)}}}
	a := attach.Attach(t.Context(), tr, lines(t), attach.Options{
		Interval: 7 * time.Second,
		After:    func(d time.Duration) <-chan time.Time { asked <- d; return tick },
	})
	defer func() { require.NoError(t, a.Close()) }()
	for range 2 {
		require.Equal(t, 7*time.Second, <-asked)
		waits++
		tick <- time.Time{}
	}
	require.Equal(t, []string{
		"lost scripted:here: instrument lost", "found PM-7",
		"lost scripted:here: instrument lost", "found PM-7",
	}, story(t, a, 4))
	require.Equal(t, 2, waits)
}

// Any other failure of a link counts as a loss, and says what it was.
func TestUnknownReadError(t *testing.T) {
	tr := &scripted{opens: []open{{link: newLink(errors.New("bad sector"))}}}
	a := attach.Attach(t.Context(), tr, lines(t), attach.Options{After: func(time.Duration) <-chan time.Time { return nil }})
	defer func() { require.NoError(t, a.Close()) }()
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.ErrorIs(t, e.Err, device.ErrLost)
	require.EqualError(t, e.Err, "scripted:here: instrument lost: bad sector")
}

// What was read before Close is still given after it.
func TestCloseKeepsWhatWasRead(t *testing.T) {
	tr := &scripted{opens: []open{{link: newLink(io.EOF, "1\n2\n")}}}
	a := attach.Attach(t.Context(), tr, lines(t), attach.Options{})
	first, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, "1 N·m", first.Sample.Value.String())
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Sampled, e.Kind)
	e, err = a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Ended, e.Kind)
	require.NoError(t, a.Close())
	_, err = a.Next(t.Context())
	require.ErrorIs(t, err, device.ErrClosed)

	tr = &scripted{opens: []open{{link: newLink(io.EOF, "1\n2\n")}}}
	a = attach.Attach(t.Context(), tr, lines(t), attach.Options{})
	for { // its source ends, so all is read before it is closed
		if _, err := a.Next(canceled()); err == nil {
			break
		}
	}
	require.NoError(t, a.Close())
	for {
		if e, err = a.Next(t.Context()); err != nil {
			break
		}
	}
	require.ErrorIs(t, err, device.ErrClosed)
}

func canceled() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}

// endless counts what is read of it.
type endless struct {
	link
	mu   sync.Mutex
	read int
	full chan struct{} // closed when many times the queue was read
}

func (l *endless) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := copy(p, strings.Repeat("1\n", len(p)/2))
	if l.read += n; l.read > 100*2*attach.Waiting {
		select {
		case <-l.full:
		default:
			close(l.full)
		}
	}
	return n, nil
}

// A flood that nobody listens to is not read into memory without end.
func TestFloodIsHeldBack(t *testing.T) {
	l := &endless{link: link{closed: make(chan struct{})}, full: make(chan struct{})}
	a := attach.Attach(t.Context(), &scripted{opens: []open{{link: l}}}, lines(t), attach.Options{})
	for range attach.Waiting {
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, device.Sampled, e.Kind)
	}
	select {
	case <-l.full:
		require.Fail(t, "read on while nobody listened")
	case <-time.After(50 * time.Millisecond):
	}
	require.NoError(t, a.Close())
	require.Less(t, l.read, 2*2*attach.Waiting+2*4096)
}

// stamped is a link that knows when its bytes came.
type stamped struct {
	*link
	at time.Time
}

func (s stamped) Stamp() time.Time { return s.at }

func TestTimes(t *testing.T) {
	now := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	a := attach.Attach(t.Context(), &scripted{opens: []open{{link: newLink(io.EOF, "1\n")}}}, lines(t), attach.Options{Now: clock})
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, now, e.Sample.Time)
	require.NoError(t, a.Close())

	then := now.Add(-time.Hour)
	a = attach.Attach(t.Context(), &scripted{opens: []open{{link: stamped{newLink(io.EOF, "1\nx"), then}}}}, lines(t), attach.Options{Now: clock})
	e, err = a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, then, e.Sample.Time)
	e, err = a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Rejected, e.Kind)
	require.Equal(t, then, e.Time, "what was cut off came then too")
	e, err = a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, now, e.Time)
	require.NoError(t, a.Close())
}

// statements is a transport of values that someone states.
type statements struct{ scripted }

func (*statements) Attested() bool { return true }

func TestAttested(t *testing.T) {
	tr := &statements{scripted{opens: []open{{link: newLink(io.EOF, "1\n")}}}}
	a := attach.Attach(t.Context(), tr, lines(t), attach.Options{})
	defer func() { require.NoError(t, a.Close()) }()
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.True(t, e.Sample.Attested)
}

// Two instruments of one kind run at once on one profile.
func TestTwoAtOnce(t *testing.T) {
	p := lines(t)
	wires := []*devicetest.Wire{
		devicetest.NewWire(device.Address{Transport: "wire", Place: "a"}, "A"),
		devicetest.NewWire(device.Address{Transport: "wire", Place: "b"}, "B"),
	}
	var adapters []device.Adapter
	for _, w := range wires {
		require.NoError(t, w.Unplug())
		a := attach.Attach(t.Context(), w, p, attach.Options{Interval: time.Microsecond})
		defer func() { require.NoError(t, a.Close()) }()
		adapters = append(adapters, a)
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, device.Lost, e.Kind)
		require.NoError(t, w.Plug())
		e, err = a.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, device.Found, e.Kind)
	}
	for n := range 50 {
		for i, w := range wires {
			require.NoError(t, w.Feed(fmt.Appendf(nil, "%d\n", 1000*i+n)))
		}
	}
	for n := range 50 {
		for i, a := range adapters {
			e, err := a.Next(t.Context())
			require.NoError(t, err)
			require.Equal(t, fmt.Sprintf("%d N·m", 1000*i+n), e.Sample.Value.String())
			require.Equal(t, string(rune('A'+i)), e.Identity)
		}
	}
}

// Where no profile is given, each link is asked for its own; one that cannot say
// is lost, with the hint, and asked again.
func TestLinksDescribeThemselves(t *testing.T) {
	pounds, err := profile.Parse("q.toml", []byte("name = \"q\"\n[reading]\npattern = '(?P<value>\\d+)'\nunit = \"lbf·ft\"\n"))
	require.NoError(t, err)
	bare := newLink(nil)
	links := []*link{bare, newLink(device.ErrLost, "1\n"), newLink(nil, "2\n")}
	tr := &scripted{}
	for _, l := range links {
		tr.opens = append(tr.opens, open{link: l})
	}
	a := attach.Attach(t.Context(), tr, nil, attach.Options{Interval: time.Microsecond, Describe: func(l device.Link) (*profile.Profile, error) {
		switch l {
		case links[1]:
			return lines(t), nil
		case links[2]:
			return pounds, nil
		}
		return nil, &profile.Rejection{Reason: "it does not describe itself", Hint: "write a profile"}
	}})
	defer func() { require.NoError(t, a.Close()) }()
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Lost, e.Kind)
	require.EqualError(t, e.Err, "scripted:here: it does not describe itself")
	var hinted interface{ HintText() string }
	require.ErrorAs(t, e.Err, &hinted)
	require.Equal(t, "write a profile", hinted.HintText())
	<-bare.closed
	require.Equal(t, []string{
		"found PM-7", "sampled 1 N·m", "lost scripted:here: instrument lost", "found PM-7", "sampled 2 lbf·ft",
	}, story(t, a, 5))
}
