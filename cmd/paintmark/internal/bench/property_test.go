package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/device"
)

// An act is one thing that happens in a random sitting.
type act struct {
	what    string // "pull", "measure", "attest", "garbage", "lost", "found", "command", "fail", "warn", "blind", "sleep", "other"
	value   string
	command Command
	times   int
	// hurried: the next thing happens before this one was dealt with.
	hurried bool
}

func acts() *rapid.Generator[[]act] {
	values := map[string][]string{
		"pull":    {"20 N·m", "18 N·m", "50.1 N·m", "10 N·m", "43 N·m", "7.5 mm", "20.3"},
		"measure": {"7.40 mm", "9 mm", "0.3 in", "20 N·m"},
		"attest":  {"20", "50 N·m", "7.5", "10 N·m"},
	}
	commands := []Command{
		{Kind: Choose, Point: "1"}, {Kind: Choose, Point: "pan/2"}, {Kind: Choose, Point: "head/1", Pass: "stage-2"}, {Kind: Choose, Point: "9"},
		{Kind: Void, Text: "slipped"}, {Kind: Void, Entry: fact.Ref{Station: "bench-1", Number: 3}, Text: "slipped"},
		{Kind: Leave, Text: "no room"}, {Kind: Assure}, {Kind: Assure, Point: "head/faces"}, {Kind: Attest, Text: "20"},
		{Kind: Pause}, {Kind: Continue}, {Kind: "dance"},
	}
	one := rapid.Custom(func(t *rapid.T) act {
		a := act{
			what: rapid.SampledFrom([]string{"pull", "pull", "pull", "measure", "attest", "garbage", "lost", "found", "command", "command", "command",
				"fail", "warn", "blind", "sleep", "other"}).Draw(t, "what"),
			hurried: rapid.Bool().Draw(t, "hurried"),
		}
		switch a.what {
		case "pull", "measure", "attest":
			a.value = rapid.SampledFrom(values[a.what]).Draw(t, "value")
		case "command":
			a.command = rapid.SampledFrom(commands).Draw(t, "command")
		case "fail", "sleep":
			a.times = rapid.IntRange(1, 4).Draw(t, "times")
		}
		return a
	})
	return rapid.SliceOfN(one, 0, 40)
}

// Whatever happens, everything that an instrument said is in the book exactly
// once, as a reading or as a note, each instrument's in its order, and no
// reading is shown before. Where the sitting is interrupted, what the book did
// not take is told as given up instead.
func TestEverythingHeardIsInTheBookOnce(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		list := acts().Draw(rt, "acts")
		end := rapid.SampledFrom([]string{"quit", "interrupt", "sources"}).Draw(rt, "end")
		var fault error
		synctest.Test(t, func(t *testing.T) { fault = play(t, list, end) })
		if fault != nil {
			rt.Fatal(fault)
		}
	})
}

// play plays a random sitting and says what is wrong with its record.
func play(t *testing.T, list []act, end string) error {
	s := prepare(t, exercise)
	s.begin()
	said := map[string][]string{} // by instrument, the raw bytes in order
	said["wrench-a"], said["gauge-b"], said["by hand"] = nil, nil, nil
	over := func() bool {
		select {
		case <-s.done:
			return true
		default:
			return false
		}
	}
	say := func(name string, from *source, e device.Event) {
		raw := fmt.Sprintf("%s %d", name, len(said[name]))
		said[name] = append(said[name], raw)
		e.Raw, e.Sample.Raw = []byte(raw), []byte(raw)
		from.events <- e
	}
	for _, a := range list {
		if over() {
			break
		}
		switch a.what {
		case "pull":
			say("wrench-a", s.wrench, sampled(a.value))
		case "measure":
			say("gauge-b", s.gauge, sampled(a.value))
		case "attest":
			e := sampled(a.value)
			e.Sample.Attested = true
			say("by hand", s.typed, e)
		case "garbage":
			say("wrench-a", s.wrench, device.Event{Kind: device.Rejected, Err: errors.New("no value in it")})
		case "lost":
			s.wrench.events <- device.Event{Kind: device.Lost, Err: device.ErrLost}
		case "found":
			s.wrench.events <- device.Event{Kind: device.Found, Identity: "A1"}
		case "command":
			select {
			case s.commands <- a.command:
			case <-s.done:
			}
		case "fail":
			s.book.failing(a.times, errLocked)
		case "warn", "blind":
			s.book.mutex.Lock()
			if a.what == "warn" {
				s.book.warn = errors.New("the witness could not be written")
			} else {
				s.book.unread = errLocked
			}
			s.book.mutex.Unlock()
		case "sleep":
			time.Sleep(time.Duration(a.times) * 7 * time.Minute)
		case "other":
			s.book.other(fact.Confirmation{Point: "head/faces"})
		}
		if !a.hurried {
			synctest.Wait()
		}
	}
	switch end {
	case "quit":
		select {
		case s.commands <- Command{Kind: Quit}:
		case <-s.done:
		}
	case "interrupt":
		s.cancel()
	case "sources":
		for _, from := range []*source{s.wrench, s.gauge, s.typed} {
			from.events <- device.Event{Kind: device.Ended}
		}
		close(s.commands)
	}
	<-s.done
	return s.audit(said, end)
}

// speaker is the instrument that play made say these bytes.
func speaker(raw string) string { return strings.TrimRight(raw, " 0123456789") }

// audit compares what was said with what is in the book.
func (s *stand) audit(said map[string][]string, end string) error {
	recorded := map[string][]string{}
	for _, e := range s.book.entries {
		var raw string
		switch b := e.Body.(type) {
		case fact.Reading:
			raw = string(b.Raw)
		case fact.Note:
			raw = string(b.Raw)
		}
		if raw != "" {
			recorded[speaker(raw)] = append(recorded[speaker(raw)], raw)
		}
	}
	for _, e := range s.events {
		if raw := string(e.Raw); e.Kind == GivenUp && raw != "" {
			if end != "interrupt" {
				return fmt.Errorf("%s was given up though the book would have taken it", raw)
			}
			recorded[speaker(raw)] = append(recorded[speaker(raw)], raw)
		}
	}
	for name, want := range said {
		if !slices.Equal(want, recorded[name]) {
			return fmt.Errorf("%s said %q, the record is %q", name, want, recorded[name])
		}
	}
	shown := map[fact.Ref]int{}
	for _, e := range s.events {
		if e.Kind == Read {
			shown[e.Reading.Entry.Ref]++
		}
	}
	for _, e := range s.book.entries {
		if _, ok := e.Body.(fact.Reading); ok && shown[e.Ref] != 1 {
			return fmt.Errorf("%s was shown %d times", e.Ref, shown[e.Ref])
		}
	}
	if len(s.premature) > 0 {
		return fmt.Errorf("shown before they were saved: %v", s.premature)
	}
	if last := s.events[len(s.events)-1]; last.Kind != Ended {
		return fmt.Errorf("the last event is %s", last.Kind)
	}
	return nil
}
