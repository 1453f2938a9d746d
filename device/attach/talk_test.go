package attach_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/devicetest"
	"paintmark/device/profile"
)

// speaker is an instrument that hears: what is written to its link is kept with
// its time and answered by reply.
type speaker struct {
	*devicetest.Wire
	began time.Time
	mu    sync.Mutex
	heard []string
	reply func(n int, what string) // n counts from 1
	fail  error                    // what writing fails with
	deaf  bool
}

func newSpeaker(reply func(int, string)) *speaker {
	return &speaker{Wire: devicetest.NewWire(at, "PM-7"), began: time.Now(), reply: reply}
}

func (s *speaker) Open(ctx context.Context) (device.Link, error) {
	link, err := s.Wire.Open(ctx)
	if err != nil {
		return nil, err
	}
	return &spoken{link, s}, nil
}

// what gives what was heard since the last call, with the seconds.
func (s *speaker) what() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	heard := s.heard
	s.heard = nil
	return heard
}

type spoken struct {
	device.Link
	of *speaker
}

func (l *spoken) Deaf() bool { return l.of.deaf }

func (l *spoken) Write(p []byte) (int, error) {
	l.of.mu.Lock()
	fail := l.of.fail
	if fail == nil {
		l.of.heard = append(l.of.heard, fmt.Sprintf("%v %s", time.Since(l.of.began), p))
	}
	n := len(l.of.heard)
	l.of.mu.Unlock()
	if fail != nil {
		return 0, fail
	}
	if l.of.reply != nil {
		l.of.reply(n, string(p))
	}
	return len(p), nil
}

// talking is a profile of lines with a talk.
func talking(t testing.TB, talk string) *profile.Profile {
	t.Helper()
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[framing]\nending = \"lf\"\n[reading]\npattern = '(?P<value>\\d+)'\nunit = \"N·m\"\nignore = '#.*'\n"+talk))
	require.NoError(t, err)
	return p
}

func next(t *testing.T, a device.Adapter) device.Event {
	t.Helper()
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	return e
}

// rest is what an adapter has told and nobody has heard yet.
func rest(t *testing.T, a device.Adapter) (events []device.Event) {
	t.Helper()
	synctest.Wait()
	for {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		e, err := a.Next(ctx)
		if err != nil {
			return events
		}
		events = append(events, e)
	}
}

func TestNothingIsSentWithoutATalk(t *testing.T) {
	for name, try := range map[string]struct {
		talk string
		mute bool
		deaf bool
	}{
		"none":                    {talk: "", mute: false},
		"only on the user's word": {talk: "[talk]\nsettle = \"1 s\"\nquiet = \"2 s\"\nzero = '\"Z\"'\nunits = { \"N·m\" = '\"N\"' }"},
		"mute":                    {talk: "[talk]\nbegin = '\"B\"'\nend = '\"E\"'\nrequest = '\"?\"'\nevery = \"1 s\"", mute: true},
		"deaf":                    {talk: "[talk]\nbegin = '\"B\"'\nend = '\"E\"'\nrequest = '\"?\"'\nevery = \"1 s\"", deaf: true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newSpeaker(nil)
				s.deaf = try.deaf
				a := attach.Attach(t.Context(), s, talking(t, try.talk), attach.Options{Mute: try.mute})
				time.Sleep(time.Minute)
				require.NoError(t, s.Feed([]byte("7\n")))
				synctest.Wait()
				require.NoError(t, a.Close())
				require.Empty(t, s.what())
			})
		})
	}
}

// After opening the instrument is given time, then set going, and stopped before
// it is let go, each time.
func TestBeginAndEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSpeaker(nil)
		a := attach.Attach(t.Context(), s, talking(t, "[talk]\nsettle = \"300 ms\"\nbegin = '\"ON\"'\nend = '\"OFF\"'"), attach.Options{})
		time.Sleep(200 * time.Millisecond)
		require.NoError(t, s.Feed([]byte("#ready\n1\n")))
		time.Sleep(time.Second)
		require.Equal(t, []string{"sampled 1 N·m"}, story(t, a, 1), "what comes while it settles is read as well")
		require.Equal(t, []string{"300ms ON"}, s.what())
		require.NoError(t, s.Unplug())
		require.NoError(t, s.Plug())
		time.Sleep(time.Second)
		require.Equal(t, []string{"lost scripted:here: instrument lost", "found PM-7"}, story(t, a, 2))
		require.Equal(t, []string{"2s ON"}, s.what())
		require.NoError(t, a.Close())
		require.Equal(t, []string{"2.2s OFF"}, s.what())
	})
}

// What ends the talk cannot keep the adapter open.
func TestAnEndThatIsNotTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hang := make(chan struct{})
		s := newSpeaker(nil)
		s.reply = func(n int, what string) {
			if what == "OFF" {
				<-hang
			}
		}
		a := attach.Attach(t.Context(), s, talking(t, "[talk]\nbegin = '\"ON\"'\nend = '\"OFF\"'"), attach.Options{})
		time.Sleep(time.Second)
		go func() {
			time.Sleep(5 * time.Second)
			close(hang) // a link's Close ends a Write that waits; this one lets it wait longer
		}()
		require.NoError(t, a.Close())
		require.Equal(t, []string{"0s ON", "1s OFF"}, s.what())
	})
}

// An instrument is asked at its interval; again only when the reply has come or
// was given up; and a late reply is a reading too.
func TestAsking(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s *speaker
		after := map[int]time.Duration{1: 10 * time.Millisecond, 2: 250 * time.Millisecond, 3: -1, 4: 405 * time.Millisecond, 5: 10 * time.Millisecond}
		s = newSpeaker(func(n int, what string) {
			if d := after[n]; d > 0 {
				time.AfterFunc(d, func() { _ = s.Feed(fmt.Appendf(nil, "%d\n", n)) })
			}
		})
		p := talking(t, "[talk]\nrequest = '\"?\"'\nevery = \"100 ms\"\nwithin = \"400 ms\"\n[line]\nbaud = 44000")
		a := attach.Attach(t.Context(), s, p, attach.Options{})
		require.Equal(t, []string{"sampled 1 N·m", "sampled 2 N·m", "sampled 4 N·m", "sampled 5 N·m"}, story(t, a, 4))
		require.Equal(t, []string{
			"0s ?",
			"100ms ?", // the interval is over, and the reply has come
			"351ms ?", // the reply came after the interval; 1 ms is four characters of 11 bits
			"751ms ?", // none came
			"1.151s ?",
		}, s.what()[:5])
		require.NoError(t, a.Close())
	})
}

// Three requests without a reply make an instrument quiet; it is asked on, and
// one reply ends that.
func TestAskedInVain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s *speaker
		var answers atomic.Bool
		answers.Store(true)
		s = newSpeaker(func(n int, what string) {
			if answers.Load() {
				_ = s.Feed([]byte("#no value\n")) // a reply as well
			}
		})
		p := talking(t, "[talk]\nrequest = '\"?\"'\nevery = \"1 s\"\nwithin = \"200 ms\"")
		a := attach.Attach(t.Context(), s, p, attach.Options{})
		time.Sleep(10 * time.Second)
		require.Empty(t, rest(t, a))
		require.NoError(t, s.Feed([]byte("7\n")))
		last := next(t, a).Time
		answers.Store(false)
		e := next(t, a)
		require.Equal(t, device.Quiet, e.Kind)
		require.True(t, last.Equal(e.Since))
		require.Equal(t, "PM-7", e.Identity)
		time.Sleep(time.Minute)
		require.Empty(t, rest(t, a), "it is told once")
		require.Greater(t, len(s.what()), 60, "and asked on")
		require.NoError(t, s.Feed([]byte("8\n")))
		e = next(t, a)
		require.Equal(t, device.Resumed, e.Kind)
		require.True(t, last.Equal(e.Since))
		require.Equal(t, device.Sampled, next(t, a).Kind)
		require.NoError(t, a.Close())
	})
}

// A stream that stops is told once each way, whatever garbage still comes, and
// set going anew.
func TestAStreamThatStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSpeaker(nil)
		a := attach.Attach(t.Context(), s, talking(t, "[talk]\nbegin = '\"ON\"'\nquiet = \"2 s\""), attach.Options{})
		for n := range 30 {
			time.Sleep(100 * time.Millisecond)
			require.NoError(t, s.Feed(fmt.Appendf(nil, "%d\n", n)))
		}
		require.Len(t, rest(t, a), 30)
		last := time.Now()
		time.Sleep(1500 * time.Millisecond)
		require.NoError(t, s.Feed([]byte("x\n")))
		require.Equal(t, device.Rejected, next(t, a).Kind)
		e := next(t, a)
		require.Equal(t, device.Quiet, e.Kind)
		require.Equal(t, 2*time.Second, time.Since(last))
		require.True(t, last.Equal(e.Since))
		synctest.Wait()
		require.Equal(t, []string{"0s ON", "5s ON"}, s.what())
		time.Sleep(5 * time.Second)
		require.Empty(t, rest(t, a))
		require.Equal(t, []string{"7s ON", "9s ON"}, s.what(), "it may have been switched off and on")
		require.NoError(t, s.Feed([]byte("1\n2\n")))
		require.Equal(t, []string{"resumed", "sampled 1 N·m", "sampled 2 N·m"}, story(t, a, 3))
		require.NoError(t, a.Close())
	})
}

// One that never said anything is quiet too, with nothing to count from; and a
// loss takes the place of quiet.
func TestQuietFromTheBeginningAndLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSpeaker(nil)
		a := attach.Attach(t.Context(), s, talking(t, "[talk]\nquiet = \"2 s\""), attach.Options{})
		e := next(t, a)
		require.Equal(t, device.Quiet, e.Kind)
		require.True(t, e.Since.IsZero())
		require.NoError(t, s.Unplug())
		require.Equal(t, device.Lost, next(t, a).Kind)
		require.NoError(t, s.Plug())
		require.Equal(t, device.Found, next(t, a).Kind)
		synctest.Wait()
		require.NoError(t, s.Feed([]byte("1\n")))
		require.Equal(t, []string{"sampled 1 N·m", "quiet"}, story(t, a, 2))
		require.NoError(t, a.Close())
	})
}

// An instrument that cannot be spoken to is lost, told once, and what it said
// before is read.
func TestWritingFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSpeaker(nil)
		s.fail = placed(errors.New("cannot be written to"), "the characteristic")
		a := attach.Attach(t.Context(), s, talking(t, "[talk]\nbegin = '\"ON\"'"), attach.Options{})
		e := next(t, a)
		require.Equal(t, device.Lost, e.Kind)
		require.ErrorIs(t, e.Err, device.ErrLost)
		require.ErrorContains(t, e.Err, "cannot be written to")
		time.Sleep(time.Minute)
		require.Empty(t, rest(t, a), "it is not told again")
		s.mu.Lock()
		s.fail = nil
		s.mu.Unlock()
		require.Equal(t, []string{"found PM-7"}, story(t, a, 1))
		s.mu.Lock()
		s.fail = placed(device.ErrLost, "unplugged")
		s.mu.Unlock()
		require.NoError(t, s.Feed([]byte("5\n6")))
		tell := a.(device.Teller).Tell(t.Context(), []byte("Z"))
		require.ErrorIs(t, tell, device.ErrLost)
		require.Equal(t, []string{"sampled 5 N·m", `rejected "6" scripted:here: the end of a frame is missing: the instrument was lost`,
			"lost scripted:here: instrument lost: unplugged"}, story(t, a, 3))
		require.NoError(t, a.Close())
	})
}

// What the user wants said is said between two requests, never before a reply.
func TestTell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s *speaker
		s = newSpeaker(func(n int, what string) {
			if what == "?" {
				time.AfterFunc(50*time.Millisecond, func() { _ = s.Feed([]byte("1\n")) })
			}
		})
		p := talking(t, "[talk]\nrequest = '\"?\"'\nevery = \"100 ms\"\nwithin = \"400 ms\"\nzero = '\"Z\"'\n[line]\nbaud = 44000")
		a := attach.Attach(t.Context(), s, p, attach.Options{})
		time.Sleep(120 * time.Millisecond)
		require.NoError(t, a.(device.Teller).Tell(t.Context(), p.Talk.Zero))
		time.Sleep(900 * time.Millisecond)
		require.Equal(t, []string{"0s ?", "100ms ?", "150ms Z", "550ms ?", "650ms ?"}, s.what()[:5], "it may reply to that as well")
		require.NoError(t, s.Unplug())
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, a.(device.Teller).Tell(ctx, []byte("Z")), context.DeadlineExceeded)
		require.NoError(t, a.Close())
		require.ErrorIs(t, a.(device.Teller).Tell(t.Context(), []byte("Z")), device.ErrClosed)
		s.deaf = true
		require.NoError(t, s.Plug())
		a = attach.Attach(t.Context(), s, p, attach.Options{})
		require.ErrorIs(t, a.(device.Teller).Tell(t.Context(), []byte("Z")), device.ErrDeaf)
		require.NoError(t, a.Close())
	})
}

// A flood of garbage is told by its first pieces, then by number; every byte of
// it is counted once, and good frames in it are read.
func TestAFloodOfGarbage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := devicetest.NewWire(at, "PM-7")
		a := attach.Attach(t.Context(), w, lines(t), attach.Options{})
		synctest.Wait()
		const seconds, rate = 60, 100
		bytes, good := 0, 0
		var events []device.Event
		for n := range seconds * rate {
			line := "garb\xf8ge\n"
			if n%500 == 499 {
				line = "88\n"
				good++
			} else {
				bytes += len(line)
			}
			require.NoError(t, w.Feed([]byte(line)))
			time.Sleep(time.Second / rate)
			events = append(events, rest(t, a)...)
		}
		time.Sleep(attach.Gathering)
		events = append(events, rest(t, a)...)
		require.NoError(t, a.Close())
		told, pieces, counted, sampled := 0, 0, 0, 0
		for _, e := range events {
			switch {
			case e.Kind == device.Sampled:
				sampled++
			case e.Pieces > 0:
				told++
				pieces += e.Pieces
				counted += e.Bytes
				require.True(t, strings.HasPrefix(string(e.Raw), "garb\xf8ge\ngarb\xf8ge\n"))
				require.LessOrEqual(t, len(e.Raw), attach.Evidence)
			default:
				told++
				pieces++
				counted += len(e.Raw)
			}
		}
		require.Equal(t, good, sampled)
		require.Equal(t, seconds*rate-good, pieces)
		require.Equal(t, bytes, counted)
		require.LessOrEqual(t, told, attach.Singly+int(seconds*time.Second/attach.Gathering)+1)
		require.Equal(t, 0, events[attach.Singly-1].Pieces)
		first := events[attach.Singly]
		require.Equal(t, 491, first.Pieces, "told before the good frame")
		require.EqualError(t, first.Err, `scripted:here: 491 pieces, 3928 bytes, within 4.9s made no reading; the first: "garb\xf8ge" does not match the pattern of profile p`)
	})
}

// A wrong rate or parity is told as what it is.
func TestAWrongRateIsNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := devicetest.NewWire(at, "PM-7")
		a := attach.Attach(t.Context(), w, lines(t), attach.Options{})
		synctest.Wait()
		hint := func(e device.Event) string {
			var h interface{ HintText() string }
			require.ErrorAs(t, e.Err, &h)
			return h.HintText()
		}
		require.NoError(t, w.Feed([]byte{0x80, 0xf8, 0x00, 0x78, 0x80, 0xf8, '\n'}))
		e := next(t, a)
		require.Equal(t, device.Rejected, e.Kind)
		require.Contains(t, hint(e), "is the baud rate, the parity or the number of bits another than the profile says (9600 baud, 8 bits, parity none)?")
		// Without an ending among it, it is told after a pause, and not given up.
		require.NoError(t, w.Feed([]byte{0x80, 0xf8, 0x00}))
		e = next(t, a)
		require.Equal(t, device.Unfinished, e.Kind)
		require.Equal(t, []byte{0x80, 0xf8, 0x00}, e.Raw)
		require.EqualError(t, e.Err, "scripted:here: 3 bytes came that are no whole frame, and nothing after them for 1s")
		require.Contains(t, hint(e), "no text")
		require.NoError(t, a.Close())
		e = next(t, a)
		require.Equal(t, device.Rejected, e.Kind)
		require.Equal(t, []byte{0x80, 0xf8, 0x00}, e.Raw, "what never became a frame is kept")
	})
}

// A frame that takes its time is told as unfinished once, and read.
func TestASlowFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := devicetest.NewWire(at, "PM-7")
		a := attach.Attach(t.Context(), w, lines(t), attach.Options{})
		for _, piece := range []string{"1", "2", "3", "\n", "4\n"} {
			synctest.Wait()
			require.NoError(t, w.Feed([]byte(piece)))
			time.Sleep(2 * time.Second)
		}
		require.Equal(t, []string{"unfinished", "sampled 123 N·m", "sampled 4 N·m"}, story(t, a, 3))
		require.NoError(t, w.Feed([]byte("5")))
		synctest.Wait()
		require.NoError(t, a.Close())
		require.Empty(t, rest(t, a), "a frame that was just coming")
	})
}
