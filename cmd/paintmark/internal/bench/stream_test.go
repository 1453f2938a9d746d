package bench

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/device"
	"paintmark/device/pull"
)

// shelved is what a Recording of the tests saved.
type shelved struct {
	point fact.Point
	pass  fact.Pass
	saves []int // samples at each
	fails int   // so many saves are refused
	ended bool
}

func (r *shelved) Save(_ context.Context, t *trace.Trace) error {
	if r.fails > 0 {
		r.fails--
		return errors.New("no room")
	}
	r.saves = append(r.saves, t.Len())
	return nil
}

func (r *shelved) End() fact.Trace {
	r.ended = true
	if len(r.saves) == 0 {
		return fact.Trace{}
	}
	return fact.Trace{Station: "bench-1", Number: 1, Samples: r.saves[len(r.saves)-1]}
}

// streaming is a stand whose wrench streams at a hundred samples a second.
func streaming(t *testing.T) (s *stand, made *[]*shelved) {
	s = prepare(t, exercise)
	made = new([]*shelved)
	s.session.Instruments[0].Pull = &pull.Settings{}
	s.session.Record = func(point fact.Point, pass fact.Pass, _ string) (Recording, error) {
		r := &shelved{point: point, pass: pass}
		*made = append(*made, r)
		return r, nil
	}
	return s, made
}

// ramp sends torques from one to another in so many seconds, with an angle.
func (s *stand) ramp(from, to, angle, seconds float64) {
	n := int(seconds * 100)
	for i := 1; i <= n; i++ {
		time.Sleep(10 * time.Millisecond)
		share := float64(i) / float64(n)
		v := decimal.NewFromFloat(from + share*(to-from)).Round(1)
		s.wrench.events <- device.Event{Kind: device.Sampled, Time: time.Now(), Sample: device.Sample{
			Time: time.Now(), Value: quantity.New(v, quantity.NewtonMetre), Raw: []byte(v.StringFixed(1)),
			Angle: quantity.New(decimal.NewFromFloat(share*angle).Round(0), quantity.Degree),
		}}
	}
	synctest.Wait()
}

// took gives what was told, without how far pulls were on the way.
func (s *stand) took() (words []string, pulling int) {
	for _, w := range s.take() {
		if len(w) >= 7 && w[:7] == "pulling" {
			pulling++
			continue
		}
		words = append(words, w)
	}
	return words, pulling
}

func TestAStreamIsCutIntoReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, made := streaming(t)
		s.begin().prepared()
		s.ramp(0, 0, 0, 1)
		s.ramp(0, 20.1, 31, 1)
		s.ramp(20.1, 0, 31, 0.2)
		s.ramp(0, 0, 0, 0.2)
		words, pulling := s.took()
		require.Equal(t, []string{"reading head/2 stage-1 20.1 N·m within", "next head/1 stage-1"}, words)
		require.InDelta(t, 10, pulling, 3, "ten times a second")
		readings := bodies[fact.Reading](s.book)
		r := readings[len(readings)-1]
		require.Equal(t, "30°", r.Angle.String(), "the first degree was below what counts as a pull")
		require.Equal(t, "20.1", string(r.Raw), "the frame of the highest torque")
		require.Len(t, *made, 1)
		kept := (*made)[0]
		require.True(t, kept.ended)
		require.Equal(t, fact.Point("head/2"), kept.point)
		require.Equal(t, fact.Pass("stage-1"), kept.pass)
		require.Equal(t, kept.saves[len(kept.saves)-1], r.Trace.Samples)
		require.Greater(t, len(kept.saves), 4, "a fraction of a second at a time: %v", kept.saves)

		// Short of the target: told when no further stroke has come.
		s.ramp(0, 15, 31, 1)
		s.ramp(15, 0, 31, 0.2)
		words, _ = s.took()
		require.Empty(t, words)
		s.ramp(0, 0, 0, 2)
		words, _ = s.took()
		require.Equal(t, []string{"reading head/1 stage-1 15.0 N·m low", "next head/1 stage-1 low"}, words)

		// Turned back, which is no reading; then pulled well.
		s.ramp(0, -18, 31, 0.5)
		s.ramp(-18, 0, 31, 0.2)
		s.ramp(0, 0, 0, 2)
		words, _ = s.took()
		require.Equal(t, []string{"not counted -18.0 N·m"}, words)
		notes := bodies[fact.Note](s.book)
		require.False(t, notes[len(notes)-1].Trace.IsZero())
		s.quit()
	})
}

// A bump is nothing, and what was pulled when the wrench went away is kept.
func TestAStreamIsInterrupted(t *testing.T) {
	for name, end := range map[string]func(s *stand){
		"lost":       func(s *stand) { s.wrench.events <- device.Event{Kind: device.Lost, Err: device.ErrLost} },
		"silent":     func(*stand) { time.Sleep(10 * time.Second) },
		"we go away": func(s *stand) { s.quit() },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, made := streaming(t)
				s.begin().prepared()
				s.ramp(0, 0, 0, 1)
				s.ramp(0, 5, 0, 0.03)
				s.ramp(5, 0, 0, 0.03)
				s.ramp(0, 0, 0, 2)
				require.Empty(t, *made)
				s.ramp(0, 14, 31, 1)
				end(s)
				synctest.Wait()
				require.Equal(t, []fact.Interrupted{{
					Point: "head/2", Pass: "stage-1", Because: "nothing more came of it, at 14.0 N·m",
					Instrument: s.session.Instruments[0].Instrument,
					Trace:      fact.Trace{Station: "bench-1", Number: 1, Samples: (*made)[0].saves[len((*made)[0].saves)-1]},
				}}, bodies[fact.Interrupted](s.book))
				if name != "we go away" {
					s.quit()
				}
				require.NotContains(t, fmt.Sprint(bodies[fact.Reading](s.book)), "14.0")
			})
		})
	}
}

// Samples that cannot be kept cost no reading.
func TestAReadingSurvivesItsTrace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, made := streaming(t)
		inner := s.session.Record
		s.session.Record = func(a fact.Point, b fact.Pass, c string) (Recording, error) {
			r, err := inner(a, b, c)
			(*made)[0].fails = 1000
			return r, err
		}
		s.begin().prepared()
		s.ramp(0, 0, 0, 1)
		s.ramp(0, 20, 31, 1)
		s.ramp(20, 0, 31, 0.2)
		s.ramp(0, 0, 0, 0.2)
		words, _ := s.took()
		require.Equal(t, []string{"warning", "reading head/2 stage-1 20.0 N·m within", "next head/1 stage-1"}, words)
		readings := bodies[fact.Reading](s.book)
		require.True(t, readings[len(readings)-1].Trace.IsZero())
		s.quit()
	})
}

func TestPullsThatWereAbandoned(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := streaming(t)
		left := fact.Interrupted{Point: "head/2", Pass: "stage-1", Because: "the program was ended", Trace: fact.Trace{Station: "bench-1", Number: 3, Samples: 70}}
		s.session.Abandoned = func(context.Context) ([]fact.Interrupted, error) { return []fact.Interrupted{left}, nil }
		s.begin()
		require.Equal(t, []fact.Interrupted{left}, bodies[fact.Interrupted](s.book))
		require.Contains(t, s.take(), "interrupted head/2 stage-1")
		s.quit()
	})
}
