package screen

import (
	"encoding/json"
	"io"
	"time"

	"paintmark/calc/fact"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/bench"
)

// line is one event in JSON; JSON.md describes it.
type line struct {
	Event      bench.EventKind  `json:"event"`
	Time       time.Time        `json:"time"`
	Build      string           `json:"build"`
	Task       *answer.Task     `json:"task,omitempty"`
	Done       *int             `json:"done,omitempty"`
	Of         int              `json:"of,omitempty"`
	Reading    *answer.Reading  `json:"reading,omitempty"`
	Findings   []answer.Finding `json:"findings,omitempty"`
	Instrument string           `json:"instrument,omitempty"`
	Value      *answer.Quantity `json:"value,omitempty"`
	Angle      *answer.Quantity `json:"angle,omitempty"`
	Entry      string           `json:"entry,omitempty"`
	Point      fact.Point       `json:"point,omitempty"`
	Text       string           `json:"text,omitempty"`
	Raw        []byte           `json:"raw,omitempty"`
	Error      string           `json:"error,omitempty"`
	Hint       string           `json:"hint,omitempty"`
	Since      *time.Time       `json:"since,omitempty"`
	Age        *float64         `json:"age,omitempty"`
	Pieces     int              `json:"pieces,omitempty"`
	Bytes      int              `json:"bytes,omitempty"`
	Unsettled  *int             `json:"unsettled,omitempty"`
	Complete   *bool            `json:"complete,omitempty"`
}

// JSON gives a screen that writes one JSON object a line. An error of writing
// is kept and given by the returned function.
func JSON(to io.Writer) (show func(bench.Event), err func() error) {
	encoder := json.NewEncoder(to)
	encoder.SetEscapeHTML(false)
	var failed error
	return func(e bench.Event) {
		if bad := encoder.Encode(lineOf(e)); bad != nil && failed == nil {
			failed = bad
		}
	}, func() error { return failed }
}

func lineOf(e bench.Event) line {
	l := line{Event: e.Kind, Time: e.Time.UTC(), Build: e.Build, Instrument: e.Instrument,
		Value: answer.Of(e.Value), Text: e.Text, Raw: e.Raw, Hint: e.Hint, Pieces: e.Pieces, Bytes: e.Bytes}
	switch e.Kind {
	case bench.Next, bench.Waiting:
		l.Task = answer.TaskOf(e.Task)
		if e.Of > 0 {
			l.Done, l.Of = &e.Done, e.Of
		}
	case bench.NotCounted:
		l.Value = &answer.Quantity{Value: e.Value.Number(), Unit: e.Value.Unit.String()}
	case bench.Quiet, bench.Talking:
		if !e.Since.IsZero() {
			since, age := e.Since.UTC(), e.Time.Sub(e.Since).Seconds()
			l.Since, l.Age = &since, &age
		}
	case bench.Confirmed, bench.Skipped:
		l.Task = answer.TaskOf(e.Task)
	case bench.Pulling:
		l.Angle, l.Point = answer.Of(e.Angle), e.Task.Point
	case bench.CutOff:
		l.Point = e.Task.Point
	case bench.Read:
		r := answer.ReadingOf(e.Reading)
		l.Reading, l.Findings = &r, answer.FindingsOf(e.Findings)
	case bench.Voided:
		l.Entry, l.Point = e.Entry.String(), e.Task.Point
	case bench.Complete, bench.Ended:
		if e.State != nil {
			n, complete := e.State.Unsettled(), e.State.Complete()
			l.Unsettled, l.Complete = &n, &complete
		}
	}
	if e.Err != nil {
		l.Error = e.Err.Error()
	}
	return l
}
