package screen

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
)

// kinds are all kinds of event, read from where they are declared.
func kinds(t *testing.T) []bench.EventKind {
	file, err := parser.ParseFile(token.NewFileSet(), "../bench/event.go", nil, 0)
	require.NoError(t, err)
	var list []bench.EventKind
	ast.Inspect(file, func(n ast.Node) bool {
		if spec, ok := n.(*ast.ValueSpec); ok {
			if name, ok := spec.Type.(*ast.Ident); ok && name.Name == "EventKind" {
				text, err := strconv.Unquote(spec.Values[0].(*ast.BasicLit).Value)
				require.NoError(t, err)
				list = append(list, bench.EventKind(text))
			}
		}
		return true
	})
	require.NotEmpty(t, list)
	return list
}

// promised is what JSON.md says of one kind of event.
type promised struct{ always, optional []string }

// promises reads the table of events in JSON.md.
func promises(t *testing.T) map[bench.EventKind]promised {
	text, err := os.ReadFile("../../JSON.md")
	require.NoError(t, err)
	_, table, found := strings.Cut(string(text), "| event | further fields | optional | what it says |\n")
	require.True(t, found)
	words := func(cell string) []string {
		var list []string
		for i, part := range strings.Split(cell, "`") {
			if i%2 == 1 {
				list = append(list, part)
			}
		}
		return list
	}
	all := map[bench.EventKind]promised{}
	for line := range strings.Lines(table) {
		cells := strings.Split(line, "|")
		if len(cells) != 6 {
			break
		}
		if names := words(cells[1]); len(names) == 1 {
			all[bench.EventKind(names[0])] = promised{words(cells[2]), words(cells[3])}
		}
	}
	return all
}

// sparse and full are events of a kind with as few and as many fields as there
// can be.
func sparse(l *teller, kind bench.EventKind) bench.Event {
	e := l.tell(kind)
	switch kind {
	case bench.Next, bench.Waiting, bench.Confirmed, bench.Skipped:
		e.Task = confirming()
	case bench.Read:
		e = l.read(pulling("7"), "65 lbf·ft", judge.Within)
		e.Instrument = ""
	case bench.Voided:
		e.Entry, e.Task.Point = fact.Ref{Station: "bench-1", Number: 2}, "head/7"
	case bench.NotCounted:
		e.Value = quantity.Quantity{Value: quantity.MustParse("65 N·m").Value}
		e.Instrument = "wrench-a"
	case bench.Unreadable:
		e.Instrument, e.Raw = "wrench-a", []byte("?")
	case bench.Unfinished:
		e.Instrument, e.Raw = "wrench-a", []byte("?")
	case bench.Zeroed:
		e.Instrument = "wrench-a"
	case bench.Pulling:
		e.Instrument, e.Value = "wrench-a", quantity.MustParse("54.3 N·m")
	case bench.Lost, bench.NotSaved, bench.GivenUp, bench.Warned, bench.Quiet:
		e.Err = errors.New("gone")
	}
	switch kind {
	case bench.Lost, bench.Found, bench.Quiet, bench.Talking:
		e.Instrument = "wrench-a"
	case bench.Skipped, bench.Voided, bench.NotCounted, bench.Unreadable, bench.Refused, bench.NotSaved, bench.GivenUp, bench.Unfinished, bench.Zeroed, bench.CutOff:
		e.Text = "why"
	}
	return e
}

func full(l *teller, kind bench.EventKind) bench.Event {
	e := sparse(l, kind)
	switch kind {
	case bench.Next, bench.Waiting:
		e.Task, e.Of = pulling("7"), 2
	case bench.Read:
		e.Instrument, e.Findings = "wrench-a", []judge.Finding{{Kind: judge.OutOfOrder}}
	case bench.Pulling:
		e.Angle, e.Task = quantity.MustParse("33°"), pulling("7")
	case bench.CutOff:
		e.Instrument, e.Value, e.Task = "wrench-a", quantity.MustParse("54.3 N·m"), pulling("7")
	case bench.Found:
		e.Text, e.Err, e.Hint = "A1", errors.New("another one"), "do this"
	case bench.Lost, bench.Unfinished:
		e.Hint = "do this"
	case bench.Unreadable:
		e.Hint, e.Pieces, e.Bytes = "do this", 9, 90
	case bench.Quiet:
		e.Hint, e.Since = "do this", e.Time.Add(-time.Second)
	case bench.Talking:
		e.Since = e.Time.Add(-time.Second)
	case bench.NotSaved, bench.GivenUp:
		e.Instrument, e.Value, e.Raw = "wrench-a", quantity.MustParse("65 N·m"), []byte("65")
	case bench.Ended:
		e.Err = errors.New("locked")
	}
	return e
}

// The fields of each event are those that JSON.md promises, no fewer and no more.
func TestEventsHaveTheFieldsThatAreDocumented(t *testing.T) {
	documented := promises(t)
	require.ElementsMatch(t, kinds(t), slices.Collect(maps.Keys(documented)), "every kind of event is in JSON.md, and no other")
	fields := func(e bench.Event) []string {
		var out bytes.Buffer
		show, failed := JSON(&out)
		show(e)
		require.NoError(t, failed())
		var object map[string]any
		require.NoError(t, json.Unmarshal(out.Bytes(), &object))
		for _, always := range []string{"event", "time", "build"} {
			require.Contains(t, object, always)
			delete(object, always)
		}
		for name, value := range object {
			require.NotNil(t, value, "%s of %s is null", name, e.Kind)
		}
		return slices.Collect(maps.Keys(object))
	}
	for kind, promise := range documented {
		l := newTeller(t)
		require.ElementsMatch(t, promise.always, fields(sparse(l, kind)), "%s with nothing more to say", kind)
		require.ElementsMatch(t, append(promise.always, promise.optional...), fields(full(l, kind)), "%s with all there is", kind)
	}
}

func TestJSONLines(t *testing.T) {
	var out bytes.Buffer
	show, failed := JSON(&out)
	l := newTeller(t)
	l.at = l.at.In(time.FixedZone("", 3600))
	first := l.next(pulling("7"), 0)
	show(first)
	show(l.read(pulling("7"), "65.20 lbf·ft", judge.Within))
	show(l.tell(bench.NotCounted, func(e *bench.Event) {
		e.Value, e.Text, e.Instrument = quantity.Quantity{Value: quantity.MustParse("65.20 mm").Value}, "no <unit> & no point", "wrench-a"
	}))
	show(l.tell(bench.Unreadable, func(e *bench.Event) { e.Instrument, e.Raw, e.Text = "wrench-a", []byte("\xff\x00"), "two\nlines" }))
	show(l.tell(bench.Complete))
	require.NoError(t, failed())
	require.Equal(t, strings.Join([]string{
		`{"event":"next","time":"2026-03-02T12:00:01Z","build":"exercise","task":{"kind":"pull","point":"head/7","pass":"stage-1","name":"stage 1",` +
			`"target":{"value":"65","unit":"lbf·ft"},"limits":{"least":{"value":"62.4","unit":"lbf·ft"},"most":{"value":"67.6","unit":"lbf·ft"}}},"done":0,"of":2}`,
		`{"event":"reading","time":"2026-03-02T12:00:02Z","build":"exercise","reading":{"entry":"bench-1#1","time":"2026-03-02T12:00:02Z","point":"head/7","pass":"stage-1",` +
			`"value":{"value":"65.20","unit":"lbf·ft"},"verdict":"within","told":"within","attested":false,"instrument":"wrench-a","identity":"A1","raw":"NjUuMjAgbGJmwrdmdA=="},"instrument":"wrench-a"}`,
		`{"event":"not counted","time":"2026-03-02T12:00:03Z","build":"exercise","instrument":"wrench-a","value":{"value":"65.20","unit":""},"text":"no <unit> & no point"}`,
		`{"event":"unreadable","time":"2026-03-02T12:00:04Z","build":"exercise","instrument":"wrench-a","text":"two\nlines","raw":"/wA="}`,
		`{"event":"complete","time":"2026-03-02T12:00:05Z","build":"exercise","unsettled":0,"complete":false}`,
	}, "\n")+"\n", out.String())
}

// What cannot be written is not taken for written.
func TestJSONKeepsTheFirstError(t *testing.T) {
	first := errors.New("the pipe is closed")
	show, failed := JSON(writer(func() error { return first }))
	require.NoError(t, failed())
	l := newTeller(t)
	show(l.tell(bench.Paused))
	show(l.tell(bench.Resumed))
	require.ErrorIs(t, failed(), first)
}

type writer func() error

func (w writer) Write([]byte) (int, error) { return 0, w() }
