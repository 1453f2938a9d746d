package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/device"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// exercise is a plan with one of everything: steps to confirm and to measure, two
// stages, a re-check with a wait, a re-torque, and a joint that need not wait.
// Engine and figures are invented.
const exercise = `
title   = "Exercise"
edition = "1"
source  = "Invented for the tests."

[engine]
name      = "Exercise engine"
cylinders = 1

[[joint]]
key       = "head"
title     = "Cylinder head"
tolerance = "±4 %"
order     = ["2", "1"]

[joint.bolts]
1 = { x = "-20 mm", y = "0 mm" }
2 = { x = "20 mm", y = "0 mm" }

[[joint.prepare]]
key  = "faces"
text = "Faces clean"

[[joint.prepare]]
key   = "dowel"
text  = "Height of the dowel"
least = "7.0 mm"
most  = "8.0 mm"

[[joint.stage]]
torque = "20 N·m"

[[joint.stage]]
torque = "50 N·m"

[joint.recheck]
all     = true
wait    = "20 min"
relaxed = "12 %"

[joint.retorque]
all         = true
heat_cycles = 1

[[joint]]
key       = "pan"
title     = "Oil pan"
tolerance = "±1 N·m"
order     = ["1", "2"]

[joint.bolts]
1 = { x = "-20 mm", y = "0 mm" }
2 = { x = "20 mm", y = "0 mm" }

[[joint.stage]]
torque = "10 N·m"
`

// plain is a plan of two bolts and one stage.
const plain = `
title   = "Plain"
edition = "1"
source  = "Invented for the tests."

[engine]
name      = "Exercise engine"
cylinders = 1

[[joint]]
key       = "pan"
title     = "Oil pan"
tolerance = "±1 N·m"
order     = ["1", "2"]

[joint.bolts]
1 = { x = "-20 mm", y = "0 mm" }
2 = { x = "20 mm", y = "0 mm" }

[[joint.stage]]
torque = "10 N·m"
`

// memory is a book that forgets when the test ends. It numbers and times what
// it is given, and fails as it is told to.
type memory struct {
	mutex   sync.Mutex
	station string
	session string
	now     func() time.Time
	entries []fact.Entry
	// refuse gives the error for each further try to write, nil to take it.
	refuse func() error
	// warn comes along with what was saved.
	warn error
	// unread is the error of reading.
	unread error
	// hold keeps writers waiting until it is closed.
	hold chan struct{}
	// tries counts the calls of Append.
	tries int
	trace func(string)
}

var (
	errLocked  = errors.New("exercise.book: locked by another program")
	errDamaged = errors.New("exercise.book: damaged")
)

func newMemory(planText string) *memory {
	m := &memory{station: "bench-1", session: "before", now: time.Now, refuse: func() error { return nil }, trace: func(string) {}}
	_, _ = m.Append(context.Background(), fact.Opening{Build: "exercise", Plan: planText, PlanName: "exercise.toml"})
	m.session, m.tries = "now", 0
	return m
}

func (m *memory) Append(ctx context.Context, bodies ...fact.Body) ([]fact.Entry, error) {
	if m.hold != nil {
		<-m.hold
	}
	m.mutex.Lock()
	defer m.mutex.Unlock()
	m.tries++
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := m.refuse(); err != nil {
		return nil, err
	}
	from := len(m.entries)
	for _, body := range bodies {
		m.add(m.station, m.session, body)
	}
	return slices.Clone(m.entries[from:]), m.warn
}

func (m *memory) add(station, session string, body fact.Body) fact.Ref {
	ref := fact.Ref{Station: station, Number: 1}
	for _, e := range m.entries {
		if e.Station == station {
			ref.Number = e.Number + 1
		}
	}
	m.entries = append(m.entries, fact.Entry{Ref: ref, Time: m.now().UTC(), Session: session, Body: body})
	m.trace("commit " + bodyWords(body))
	return ref
}

// other is what another station writes meanwhile.
func (m *memory) other(body fact.Body) fact.Ref {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	return m.add("bench-2", "there", body)
}

func (m *memory) has(ref fact.Ref) bool {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	return slices.ContainsFunc(m.entries, func(e fact.Entry) bool { return e.Ref == ref })
}

func (m *memory) Entries(ctx context.Context) ([]fact.Entry, error) {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	if m.unread != nil {
		return nil, m.unread
	}
	return m.entries, ctx.Err() // its own: nobody may write behind its end
}

// failing refuses so many tries.
func (m *memory) failing(times int, err error) {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	m.refuse = func() error {
		if times == 0 {
			return nil
		}
		times--
		return err
	}
}

// bodyWords says a fact in one word or two, for comparing orders.
func bodyWords(body fact.Body) string {
	switch b := body.(type) {
	case fact.Opening:
		return "opening"
	case fact.Reading:
		return fmt.Sprintf("reading %s %s", b.Point, b.Value)
	case fact.Confirmation:
		return "confirmation " + string(b.Point)
	case fact.Skip:
		return "skip " + string(b.Point)
	case fact.Void:
		return "void " + b.Of.String()
	case fact.Note:
		return "note " + b.What
	}
	return fmt.Sprintf("%T", body)
}

// source is an instrument that says what the test makes it say.
type source struct {
	events chan device.Event
	closed chan struct{}
	once   sync.Once
	slow   time.Duration // to close
	told   []string      // what Tell was given
	deaf   error         // what Tell fails with
	gone   bool          // Close has returned
}

func newSource() *source {
	return &source{events: make(chan device.Event, 1000), closed: make(chan struct{})}
}

func (s *source) Next(ctx context.Context) (device.Event, error) {
	select {
	case e := <-s.events:
		return s.tell(e)
	default:
	}
	select {
	case e := <-s.events:
		return s.tell(e)
	case <-ctx.Done():
		return device.Event{}, ctx.Err()
	case <-s.closed:
	}
	select { // what came before it was closed
	case e := <-s.events:
		return s.tell(e)
	default:
		return device.Event{}, device.ErrClosed
	}
}

func (s *source) tell(e device.Event) (device.Event, error) {
	if e.Kind == device.Ended {
		s.once.Do(func() { close(s.closed) })
	}
	return e, nil
}

func (s *source) Tell(_ context.Context, what []byte) error {
	if s.deaf != nil {
		return s.deaf
	}
	s.told = append(s.told, string(what))
	return nil
}

func (s *source) Close() error {
	s.once.Do(func() { close(s.closed) })
	time.Sleep(s.slow)
	s.gone = true
	return nil
}

// sampled is the sample of a frame that was exactly this text.
func sampled(text string) device.Event {
	s := device.Sample{Raw: []byte(text)}
	if v, err := quantity.Parse(text); err == nil {
		s.Value = v
	} else if s.Value.Value, err = quantity.ParseNumber(text); err != nil {
		panic(err)
	}
	return device.Event{Kind: device.Sampled, Sample: s}
}

// stand is a sitting that the test holds.
type stand struct {
	t        *testing.T
	session  *Session
	book     *memory
	wrench   *source // of torque
	gauge    *source // of length
	typed    *source // what a person states
	commands chan Command
	cancel   context.CancelFunc
	done     chan struct{}
	state    *judge.State
	err      error

	mutex  sync.Mutex // of what follows: the clock's steps order nothing for the race detector
	events []Event
	seen   int // events that the test has looked at
	traced []string
	// premature are readings that were shown before the book had them.
	premature []fact.Ref
}

// prepare makes a stand for a test in a synctest bubble.
func prepare(t *testing.T, planText string) *stand {
	s := &stand{t: t, book: newMemory(planText), wrench: newSource(), gauge: newSource(), typed: newSource(),
		commands: make(chan Command), done: make(chan struct{})}
	s.book.trace = func(what string) {
		s.mutex.Lock()
		defer s.mutex.Unlock()
		s.traced = append(s.traced, what)
	}
	s.session = &Session{
		Build: "exercise", Book: s.book, Commands: s.commands, Now: time.Now, Retry: time.Second,
		Show: func(e Event) {
			s.mutex.Lock()
			defer s.mutex.Unlock()
			s.events = append(s.events, e)
			if e.Kind == Read && !s.book.has(e.Reading.Entry.Ref) {
				s.premature = append(s.premature, e.Reading.Entry.Ref)
			}
			s.traced = append(s.traced, "show "+eventWords(e))
		},
		Final: func(err error) bool { return errors.Is(err, errDamaged) },
		Instruments: []Instrument{
			{Instrument: fact.Instrument{Name: "wrench-a", Address: "serial:usb=A1", Identity: "A1", Profile: "exercise"}, Measures: quantity.Torque, Adapter: s.wrench},
			{Instrument: fact.Instrument{Name: "gauge-b", Address: "serial:usb=B2"}, Measures: quantity.Length, Adapter: s.gauge},
			{Instrument: fact.Instrument{Name: "by hand", Address: "typed:x"}, Adapter: s.typed},
		},
	}
	return s
}

// begin starts the sitting and waits until it waits.
func (s *stand) begin() *stand {
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel = cancel
	s.t.Cleanup(cancel)
	go func() {
		defer close(s.done)
		s.state, s.err = s.session.Run(ctx)
	}()
	synctest.Wait()
	return s
}

// sit begins a sitting with a plan.
func sit(t *testing.T, planText string) *stand { return prepare(t, planText).begin() }

// pull says values through the wrench, each when the one before is dealt with.
func (s *stand) pull(values ...string) {
	for _, v := range values {
		s.wrench.events <- sampled(v)
		synctest.Wait()
	}
}

// measure is pull with the gauge.
func (s *stand) measure(values ...string) {
	for _, v := range values {
		s.gauge.events <- sampled(v)
		synctest.Wait()
	}
}

// state says values by hand.
func (s *stand) attest(values ...string) {
	for _, v := range values {
		e := sampled(v)
		e.Sample.Attested = true
		s.typed.events <- e
		synctest.Wait()
	}
}

// do gives commands as they are typed, each when the one before is dealt with.
func (s *stand) do(lines ...string) {
	for _, line := range lines {
		c, err := ParseCommand(line)
		require.NoError(s.t, err)
		s.send(c)
	}
}

func (s *stand) send(c Command) {
	s.commands <- c
	synctest.Wait()
}

// prepared does the preparation of the exercise's head.
func (s *stand) prepared() *stand {
	s.do("confirm faces")
	s.measure("7.40 mm")
	s.take()
	return s
}

// quit ends the sitting.
func (s *stand) quit() {
	s.commands <- Command{Kind: Quit}
	<-s.done
	require.NoError(s.t, s.err)
}

// take are the events since it was called last, in words.
func (s *stand) take() []string {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	var words []string
	for _, e := range s.events[s.seen:] {
		words = append(words, eventWords(e))
	}
	s.seen = len(s.events)
	return words
}

// last is the last event of a kind.
func (s *stand) last(kind EventKind) Event {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	for _, e := range slices.Backward(s.events) {
		if e.Kind == kind {
			return e
		}
	}
	require.Fail(s.t, "no event "+string(kind))
	return Event{}
}

// eventWords says an event in a few words: what it is about and how it went.
func eventWords(e Event) string {
	words := []string{string(e.Kind)}
	add := func(more ...any) {
		if text := strings.TrimSpace(fmt.Sprintln(more...)); text != "" {
			words = append(words, text)
		}
	}
	add(e.Task.Point)
	add(e.Task.Pass)
	switch e.Kind {
	case Next, Waiting:
		add(e.Task.Again)
	case Read:
		add(e.Reading.Reading.Value, e.Reading.Verdict)
	case NotCounted:
		add(spoken(e.Value))
	}
	return strings.Join(words, " ")
}

// bodies are the facts in the book of one type, in order.
func bodies[B fact.Body](m *memory) []B {
	var list []B
	for _, e := range m.entries {
		if b, ok := e.Body.(B); ok {
			list = append(list, b)
		}
	}
	return list
}

// notes are the notes that are about one thing.
func notes(m *memory, what string) []fact.Note {
	return slices.DeleteFunc(bodies[fact.Note](m), func(n fact.Note) bool { return n.What != what })
}
