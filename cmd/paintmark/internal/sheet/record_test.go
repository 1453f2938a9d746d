package sheet

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// The engines, shops, people and figures of these tests are invented.

var (
	wrench = fact.Instrument{Name: "big-wrench", Address: "serial:usb=INV0001", Identity: "INV0001", Profile: "plain-lines",
		Range: quantity.Limits{Least: quantity.MustParse("20 lbf·ft"), Most: quantity.MustParse("150 lbf·ft")}, Calibrated: "2025-11-03", Due: "2026-11-03"}
	small = fact.Instrument{Name: "small-wrench", Address: "serial:usb=INV0002", Identity: "INV0002", Profile: "plain-lines",
		Range: quantity.Limits{Least: quantity.MustParse("30 lbf·in"), Most: quantity.MustParse("250 lbf·in")}, Calibrated: "2024-06-01", Due: "2025-06-01"}
	gauge = fact.Instrument{Name: "depth-gauge", Address: "serial:/dev/ttyUSB3", Profile: "gauge-lines"}
)

// record writes entries as a bench would: one station, numbered from 1, half a
// minute apart.
type record struct {
	station string
	at      time.Time
	entries []fact.Entry
}

func newRecord(t testing.TB, planFile string, identity ...fact.Identity) *record {
	t.Helper()
	text := planText(t, planFile)
	r := &record{station: "bench-1", at: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	r.add(fact.Opening{Build: "EX-0042", Plan: string(text), PlanName: planFile, Identity: identity, Program: "0.1.0"})
	return r
}

func planText(t testing.TB, file string) []byte {
	t.Helper()
	text, err := os.ReadFile("../../../../testdata/plans/" + file)
	require.NoError(t, err)
	return text
}

func (r *record) add(body fact.Body) fact.Ref {
	ref := fact.Ref{Station: r.station, Number: uint64(len(r.entries) + 1)}
	r.entries = append(r.entries, fact.Entry{Ref: ref, Time: r.at, Session: "s1", Hash: hashOf(ref), Body: body})
	r.at = r.at.Add(30 * time.Second)
	return ref
}

func hashOf(ref fact.Ref) [32]byte {
	return sha256.Sum256(binary.BigEndian.AppendUint64([]byte(ref.Station), ref.Number))
}

func (r *record) wait(d time.Duration) { r.at = r.at.Add(d) }

// reading records a value; change adjusts it before.
func (r *record) reading(point, pass, value string, with fact.Instrument, change ...func(*fact.Reading)) fact.Ref {
	b := fact.Reading{Point: fact.Point(point), Pass: fact.Pass(pass), Value: quantity.MustParse(value), Instrument: with, Raw: []byte(value + "\r\n")}
	for _, c := range change {
		c(&b)
	}
	return r.add(b)
}

func attested(b *fact.Reading) { b.Attested, b.Instrument = true, fact.Instrument{} }

func status(words ...string) func(*fact.Reading) {
	return func(b *fact.Reading) { b.Status = words }
}

func angle(text string) func(*fact.Reading) {
	return func(b *fact.Reading) { b.Angle = quantity.MustParse(text) }
}

func told(word string) func(*fact.Reading) { return func(b *fact.Reading) { b.Told = word } }

func (r *record) confirm(point string) fact.Ref {
	return r.add(fact.Confirmation{Point: fact.Point(point)})
}

func (r *record) void(of fact.Ref, because string) fact.Ref {
	return r.add(fact.Void{Of: of, Point: r.entries[of.Number-1].Body.About(), Because: because})
}

// stage pulls all bolts of a joint in a pass in the order of the plan, each a
// little beside the target.
func (r *record) stage(t testing.TB, joint string, pass fact.Pass, with fact.Instrument, change ...func(*fact.Reading)) {
	t.Helper()
	p, err := judge.PlanOf(r.entries)
	require.NoError(t, err)
	j, ok := p.Joint(joint)
	require.True(t, ok)
	ps, ok := j.Pass(pass)
	require.True(t, ok)
	for i, b := range j.Bolts {
		if ps.First > 0 && i == ps.First {
			break
		}
		r.reading(string(j.Point(b.Key)), string(pass), beside(ps.Target, i), with, change...)
	}
}

// beside is the target with a tenth to four tenths added or taken off.
func beside(target quantity.Quantity, i int) string {
	off := []string{"0.3", "-0.2", "0.0", "0.4", "-0.4", "0.1"}[i%6]
	sum, err := target.Add(quantity.MustParse(off + " " + target.Unit.String()))
	if err != nil {
		panic(err)
	}
	return sum.String()
}

func (r *record) judge(t testing.TB) *judge.State {
	t.Helper()
	p, err := judge.PlanOf(r.entries)
	require.NoError(t, err)
	return judge.Judge(p, r.entries)
}

func (r *record) input(t testing.TB) Input {
	t.Helper()
	last := r.entries[len(r.entries)-1]
	return Input{
		State: r.judge(t), Heads: []Head{{last.Station, last.Number, last.Hash}},
		Verified: true, Summary: strconv.Itoa(len(r.entries)) + " entries read, all in their chain.",
		Printed: r.at.Add(time.Hour), Version: "0.1.0", TimeZone: time.FixedZone("", 3600),
	}
}

// prepared does the preparation of a head of the V6.
func (r *record) prepared(joint string) {
	r.confirm(joint + "/faces")
	r.confirm(joint + "/threads")
	r.reading(joint+"/dowel-front", "", "0.305 in", gauge)
}

// complete is a V6 built without a fault.
func complete(t testing.TB) *record {
	t.Helper()
	r := newRecord(t, "vee-six.toml", fact.Identity{Name: "engine number", Value: "V6-0042"}, fact.Identity{Name: "customer", Value: "Invented Boat Works"})
	r.add(fact.Note{What: fact.SessionBegan, Text: "bench-1"})
	heads := []string{"head-left", "head-right"}
	for _, head := range heads {
		r.prepared(head)
		for i := 1; i <= 3; i++ {
			r.stage(t, head, fact.Pass(fmt.Sprintf("stage-%d", i)), wrench)
		}
		r.wait(20 * time.Minute)
		r.stage(t, head, "recheck", wrench)
	}
	r.confirm("manifold/seals")
	r.stage(t, "manifold", "stage-1", small)
	r.stage(t, "manifold", "stage-2", small)
	r.wait(26 * time.Hour)
	for _, head := range heads {
		r.confirm(head + "/" + plan.HeatCycles)
		r.stage(t, head, "retorque", wrench)
	}
	r.add(fact.Note{What: fact.SessionEnded})
	for i := range r.entries { // nobody's calibration was overdue
		if b, ok := r.entries[i].Body.(fact.Reading); ok && b.Instrument.Name == small.Name {
			b.Instrument.Calibrated, b.Instrument.Due = "2026-01-12", "2027-01-12"
			r.entries[i].Body = b
		}
	}
	return r
}

// mistakes is a V6 on which everything went wrong once.
func mistakes(t testing.TB) *record {
	t.Helper()
	r := newRecord(t, "vee-six.toml", fact.Identity{Name: "engine number", Value: "V6-0043"}, fact.Identity{Name: "customer", Value: "Invented Boat Works"})
	r.add(fact.Note{What: fact.SessionBegan, Text: "bench-1"})

	// The left head: a confirmation taken back, a dowel measured twice.
	wrong := r.confirm("head-left/faces")
	r.void(wrong, "oil found on the deck")
	r.confirm("head-left/faces")
	r.confirm("head-left/threads")
	r.reading("head-left/dowel-front", "", "0.324 in", gauge)
	r.reading("head-left/dowel-front", "", "0.311 in", gauge)
	// Stage 1: low then right; skipped at first; a pull against the wrong bolt.
	r.reading("head-left/4", "stage-1", "25.1 lbf·ft", wrench)
	r.reading("head-left/5", "stage-1", "22.6 lbf·ft", wrench, told("low"))
	r.reading("head-left/5", "stage-1", "24.90 lbf·ft", wrench)
	r.add(fact.Skip{Point: "head-left/3", Pass: "stage-1", Because: "socket fouls the lifting eye"})
	r.reading("head-left/6", "stage-1", "25.0 lbf·ft", wrench)
	r.reading("head-left/3", "stage-1", "25.3 lbf·ft", wrench, angle("41°"))
	slip := r.reading("head-left/2", "stage-1", "31.4 lbf·ft", wrench)
	r.void(slip, "wrench slipped off")
	r.reading("head-left/2", "stage-1", "24.8 lbf·ft", wrench, status("low battery"))
	r.reading("head-left/7", "stage-1", "25.2 lbf·ft", wrench)
	r.reading("head-left/8", "stage-1", "25.0 lbf·ft", wrench) // out of order
	r.reading("head-left/1", "stage-1", "25.0 lbf·ft", wrench)
	// Stage 2: bolt 7 missed, bolt 6 high, bolt 2 by a click wrench.
	for _, b := range []string{"4", "5", "3"} {
		r.reading("head-left/"+b, "stage-2", "45.2 lbf·ft", wrench)
	}
	r.add(fact.Note{What: fact.InstrumentLost, Instrument: wrench.Name, Text: "unplugged"})
	r.add(fact.Note{What: fact.InstrumentFound, Instrument: wrench.Name, Text: "found again by its identity INV0001"})
	r.reading("head-left/6", "stage-2", "49.9 lbf·ft", wrench)
	r.reading("head-left/2", "stage-2", "45 lbf·ft", fact.Instrument{}, attested)
	r.reading("head-left/1", "stage-2", "61.0 N·m", wrench)
	r.reading("head-left/8", "stage-2", "44.9 lbf·ft", wrench)
	// Stage 3: pulled twice, overloaded, one left low.
	for _, b := range []string{"4", "5", "3", "6", "2", "7", "1"} {
		r.reading("head-left/"+b, "stage-3", "65.0 lbf·ft", wrench)
	}
	r.reading("head-left/7", "stage-3", "65.8 lbf·ft", wrench)
	r.reading("head-left/1", "stage-3", "151.0 lbf·ft", wrench, status("overload"))
	r.reading("head-left/8", "stage-3", "60.2 lbf·ft", wrench)
	// The re-check: too early, relaxed and pulled again, not finished.
	r.reading("head-left/4", "recheck", "60.0 lbf·ft", wrench)
	r.wait(25 * time.Minute)
	r.reading("head-left/5", "recheck", "55.9 lbf·ft", wrench)
	r.reading("head-left/5", "recheck", "65.3 lbf·ft", wrench)
	r.add(fact.Skip{Point: "head-left/6", Pass: "recheck", Because: "rocker in the way"})

	// The right head: not prepared, stage 2 left out altogether.
	r.confirm("head-right/faces")
	r.stage(t, "head-right", "stage-1", wrench)
	r.confirm("head-right/threads")
	r.stage(t, "head-right", "stage-3", wrench)
	r.add(fact.Note{What: fact.Unreadable, Instrument: gauge.Name, Text: "not a line of its profile", Raw: []byte{0xff, 0x00, 0x13}})
	r.add(fact.Note{What: fact.Unreadable, Instrument: gauge.Name, Text: "not a line of its profile", Raw: []byte{0xfe, 0x00, 0x13}})
	r.add(fact.Note{Point: "head-right/4", What: fact.NotAssigned, Instrument: wrench.Name, Text: "44.0 lbf·ft"})

	// The manifold: begun too early, with a wrench past its due date and one pull
	// below its range, and a reading that belongs nowhere.
	r.reading("manifold/2", "stage-1", "88 lbf·in", small)
	r.reading("manifold/5", "stage-1", "29.0 lbf·in", small)
	r.reading("manifold/9", "stage-1", "90 lbf·in", small)
	r.reading("manifold/2", "stage-2", "0.01 mm", gauge)

	p := r.entries[0].Body.(fact.Opening)
	r.add(fact.Replan{Plan: p.Plan, PlanName: "vee-six-changed.toml", Because: "customer's gasket has its own figures"})
	return r
}
