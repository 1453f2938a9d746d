package bench

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/device"
)

// A quiet instrument is told with the age of its last value, ends nothing and is
// no entry; what it says afterwards counts as ever.
func TestAQuietInstrumentEndsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.take()
		heard := time.Now()
		first := sampled("10 N·m")
		first.Time = heard
		s.wrench.events <- first
		time.Sleep(12 * time.Second)
		silent := &device.Error{Address: device.Address{Transport: "serial", Place: "usb=A1"}, Err: errors.New("no good frame came for 2s"), Hint: "is it on?"}
		s.wrench.events <- device.Event{Kind: device.Quiet, Since: heard, Err: silent}
		synctest.Wait()
		require.Equal(t, []string{"reading pan/1 stage-1 10 N·m within", "next pan/2 stage-1", "quiet"}, s.take())
		e := s.last(Quiet)
		require.Equal(t, "wrench-a", e.Instrument)
		require.Equal(t, 12*time.Second, e.Time.Sub(e.Since))
		require.Equal(t, "is it on?", e.Hint)
		require.Equal(t, []Heard{{Instrument: "wrench-a", Last: heard, Quiet: true}, {Instrument: "gauge-b"}, {Instrument: "by hand"}}, e.Heard)
		before := len(s.book.entries)
		s.wrench.events <- device.Event{Kind: device.Resumed, Since: heard}
		synctest.Wait()
		require.False(t, s.last(Talking).Heard[0].Quiet)
		require.Len(t, s.book.entries, before)
		s.pull("10 N·m")
		require.Equal(t, []string{"talking", "reading pan/2 stage-1 10 N·m within", "complete", "ended"}, s.take())
		<-s.done
		require.NoError(t, s.err)
	})
}

// An instrument that is away is not quiet, and a hint is said once.
func TestHowInstrumentsStand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		busy := &device.Error{Err: device.ErrBusy, Hint: "close the other program"}
		for _, e := range []device.Event{
			{Kind: device.Quiet},
			{Kind: device.Lost, Err: busy},
			{Kind: device.Lost, Err: busy},
			{Kind: device.Found},
			{Kind: device.Unfinished, Raw: []byte("+00"), Err: errors.New("no whole frame")},
		} {
			s.wrench.events <- e
			synctest.Wait()
		}
		require.Equal(t, []string{"began", "next pan/1 stage-1", "quiet", "lost", "lost", "found", "unfinished"}, s.take())
		var hints []string
		for _, e := range s.events {
			if e.Kind == Lost {
				require.True(t, e.Heard[0].Lost)
				require.False(t, e.Heard[0].Quiet)
				hints = append(hints, e.Hint)
			}
		}
		require.Equal(t, []string{"close the other program", ""}, hints)
		require.Equal(t, []byte("+00"), s.last(Unfinished).Raw)
		require.Empty(t, notes(s.book, fact.Unreadable), "what may yet become a frame is no note")
		s.quit()
	})
}

// Many pieces of garbage that come as one are one note.
func TestAFloodIsOneNote(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.wrench.events <- device.Event{Kind: device.Rejected, Raw: []byte("xx"), Pieces: 900, Bytes: 7200, Err: errors.New("900 pieces, 7200 bytes")}
		synctest.Wait()
		require.Len(t, notes(s.book, fact.Unreadable), 1)
		e := s.last(Unreadable)
		require.Equal(t, []int{900, 7200}, []int{e.Pieces, e.Bytes})
		s.quit()
	})
}

// Setting an instrument to zero is noted, since its values mean another thing
// from there on.
func TestAnInstrumentIsSetToZero(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, plain)
		s.session.Instruments[1].Zero = []byte("Z\r")
		s.begin()
		s.take()
		s.do("zero", "zero gauge-b")
		require.Equal(t, []string{"zeroed", "zeroed"}, s.take())
		require.Equal(t, []string{"Z\r", "Z\r"}, s.gauge.told)
		require.Empty(t, s.wrench.told)
		note := fact.Note{What: fact.InstrumentTold, Instrument: "gauge-b", Text: `zero, by "Z\r"`, Raw: []byte("Z\r")}
		require.Equal(t, []fact.Note{note, note}, notes(s.book, fact.InstrumentTold))
		require.True(t, s.last(Zeroed).Heard[1].Zeroes)

		refused := func(line, why string) {
			s.do(line)
			require.Equal(t, why, s.last(Refused).Text)
		}
		refused("zero wrench-a", "wrench-a cannot be set to zero from here: its profile has no zero in [talk]")
		refused("zero wrench-b", `there is no instrument "wrench-b" here; those that can be set to zero are gauge-b`)
		s.gauge.deaf = device.ErrDeaf
		refused("zero", "gauge-b was not set to zero: nothing can be said to it")
		s.gauge.events <- device.Event{Kind: device.Lost}
		synctest.Wait()
		refused("zero", "gauge-b is not there")
		require.Len(t, notes(s.book, fact.InstrumentTold), 2)
		s.quit()
	})
}

func TestWhichToSetToZero(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, plain)
		s.session.Instruments[0].Zero, s.session.Instruments[1].Zero = []byte("Z"), []byte("Z")
		s.begin()
		s.do("zero")
		require.Equal(t, "set which to zero? wrench-a, gauge-b", s.last(Refused).Text)
		s.quit()
		s = sit(t, plain)
		s.do("zero")
		require.Equal(t, "no instrument here can be set to zero: no profile has a zero in [talk]", s.last(Refused).Text)
		s.quit()
	})
}

func TestAge(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "now", 999 * time.Millisecond: "now", time.Second: "1 s ago", 59900 * time.Millisecond: "59 s ago",
		time.Minute: "1 min ago", 59*time.Minute + 59*time.Second: "59 min ago", 62 * time.Minute: "1 h 02 min ago",
	} {
		require.Equal(t, want, Age(d), "%v", d)
	}
}
