package sheet

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
)

// thousand is an invented engine with four joints of 25 bolts that were pulled in
// ten stages each.
func thousand(b *testing.B) Input {
	b.Helper()
	var p strings.Builder
	p.WriteString("title = \"Invented\"\nedition = \"1\"\nsource = \"Invented.\"\n[engine]\nname = \"Invented\"\ncylinders = 12\n")
	for j := range 4 {
		fmt.Fprintf(&p, "[[joint]]\nkey = \"joint-%d\"\ntitle = \"Joint\"\ntolerance = \"±4 %%\"\norder_from = \"middle\"\n[joint.bolts]\n", j)
		for i := range 25 {
			fmt.Fprintf(&p, "%d = { x = \"%d mm\", y = \"%d mm\" }\n", i+1, i/5*60, i%5*40)
		}
		for i := range 10 {
			fmt.Fprintf(&p, "[[joint.stage]]\ntorque = \"%d N·m\"\n", 40+5*i)
		}
	}
	r := &record{station: "bench-1", at: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	r.add(fact.Opening{Build: "invented", Plan: p.String(), PlanName: "invented.toml"})
	for j := range 4 {
		for i := range 10 {
			r.stage(b, fmt.Sprintf("joint-%d", j), fact.Pass(fmt.Sprintf("stage-%d", i+1)), wrench)
		}
	}
	in := r.input(b)
	require.Equal(b, 1000, in.State.Readings)
	return in
}

// BenchmarkWrite writes the sheet of 1000 readings. Its baseline is escaping the
// same page once, which any writer of HTML must do at least.
func BenchmarkWrite(b *testing.B) {
	in := thousand(b)
	var page bytes.Buffer
	require.NoError(b, Write(&page, in))
	text := page.Bytes()
	b.SetBytes(int64(len(text)))
	var writing, escaping time.Duration
	for b.Loop() {
		start := time.Now()
		if err := Write(io.Discard, in); err != nil {
			b.Fatal(err)
		}
		middle := time.Now()
		template.HTMLEscape(io.Discard, text)
		writing, escaping = writing+middle.Sub(start), escaping+time.Since(middle)
	}
	b.ReportMetric(float64(len(text))/1000, "B/reading")
	b.ReportMetric(float64(writing.Nanoseconds())/float64(b.N), "write-ns/op")
	b.ReportMetric(float64(writing)/float64(escaping), "x-escape")
}
