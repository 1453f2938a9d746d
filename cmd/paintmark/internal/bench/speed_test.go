package bench

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
)

// forgetful is a book that is as long at the end as at the beginning, so that
// every pull meets the same work.
type forgetful struct {
	entries []fact.Entry
	last    uint64
}

func (f *forgetful) Append(_ context.Context, bodies ...fact.Body) ([]fact.Entry, error) {
	saved := make([]fact.Entry, len(bodies))
	for i, b := range bodies {
		f.last++
		saved[i] = fact.Entry{Ref: fact.Ref{Station: "bench-1", Number: f.last}, Time: time.Now().UTC(), Session: "now", Body: b}
	}
	return saved, nil
}

func (f *forgetful) Entries(context.Context) ([]fact.Entry, error) { return f.entries, nil }

// longBuild is a book of so many entries, all pulls of one joint in its order,
// and one bolt is left.
func longBuild(b *testing.B, length int) *forgetful {
	const bolts, stages = 60, 40
	var text, order strings.Builder
	for i := range bolts {
		fmt.Fprintf(&text, "%d = { x = \"%d mm\", y = \"0 mm\" }\n", i+1, 10*i)
		fmt.Fprintf(&order, "\"%d\", ", i+1)
	}
	for i := range stages {
		fmt.Fprintf(&text, "[[joint.stage]]\ntorque = \"%d N·m\"\n", 10+i)
	}
	head, _, _ := strings.Cut(plain, "order ")
	f := &forgetful{}
	now := time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)
	add := func(body fact.Body) {
		f.last++
		f.entries = append(f.entries, fact.Entry{Ref: fact.Ref{Station: "bench-1", Number: f.last}, Time: now.Add(time.Duration(f.last) * time.Second), Session: "before", Body: body})
	}
	add(fact.Opening{Build: "long", Plan: head + "order = [" + order.String() + "]\n[joint.bolts]\n" + text.String(), PlanName: "long.toml"})
	for i := range length - 1 {
		add(fact.Reading{Point: fact.NewPoint("pan", fmt.Sprint(i%bolts+1)), Pass: fact.Pass(fmt.Sprintf("stage-%d", i/bolts+1)),
			Value: quantity.MustParse(fmt.Sprintf("%d N·m", 10+i/bolts)), Instrument: fact.Instrument{Name: "wrench-a"}})
	}
	return f
}

// BenchmarkToShow is the time from an instrument's sample to the event that
// shows it as a reading, with a book that takes no time. The baseline is judging
// the build once.
func BenchmarkToShow(b *testing.B) {
	for _, length := range []int{200, 2000} {
		b.Run(fmt.Sprintf("entries=%d", length), func(b *testing.B) {
			book := longBuild(b, length)
			p, err := judge.PlanOf(book.entries)
			require.NoError(b, err)

			shown, settled := make(chan time.Time), make(chan struct{})
			wrench := newSource()
			commands := make(chan Command)
			s := &Session{Build: "long", Book: book, Commands: commands, Now: time.Now, Retry: time.Second,
				Instruments: []Instrument{{Instrument: fact.Instrument{Name: "wrench-a"}, Adapter: wrench}},
				Final:       func(error) bool { return true },
				Show: func(e Event) {
					switch e.Kind {
					case Read:
						shown <- time.Now()
					case Next:
						settled <- struct{}{}
					}
				}}
			ended := make(chan error, 1)
			go func() {
				_, err := s.Run(context.Background())
				ended <- err
			}()
			<-settled
			low := sampled("1 N·m") // the same bolt stays next
			var toShow, judging []time.Duration
			for b.Loop() {
				began := time.Now()
				wrench.events <- low
				toShow = append(toShow, (<-shown).Sub(began))
				<-settled
				began = time.Now()
				judge.Judge(p, book.entries)
				judging = append(judging, time.Since(began))
			}
			commands <- Command{Kind: Quit}
			require.NoError(b, <-ended)
			b.ReportMetric(median(toShow), "ns/shown")
			b.ReportMetric(median(judging), "ns/judged")
			b.ReportMetric(median(toShow)/median(judging), "x-judge")
			b.ReportMetric(0, "ns/op")
		})
	}
}

func median(times []time.Duration) float64 {
	slices.Sort(times)
	return float64(times[len(times)/2].Nanoseconds())
}
