package bench

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/device"
)

func TestAPullIsTheReadingOfWhatIsNext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		e := sampled("20.50 N·m")
		e.Identity = "A1-replugged"
		e.Sample.Status = []string{fact.LowBattery}
		e.Sample.Angle = quantity.MustParse("31°")
		s.wrench.events <- e
		synctest.Wait()

		require.Equal(t, []string{"reading head/2 stage-1 20.50 N·m within", "next head/1 stage-1"}, s.take())
		read := s.last(Read)
		require.Equal(t, "wrench-a", read.Instrument)
		require.Equal(t, judge.Within, read.Reading.Verdict)
		readings := bodies[fact.Reading](s.book)
		require.Equal(t, fact.Reading{
			Point: "head/2", Pass: "stage-1", Value: quantity.MustParse("20.50 N·m"), Angle: quantity.MustParse("31°"), Told: "within",
			Instrument: fact.Instrument{Name: "wrench-a", Address: "serial:usb=A1", Identity: "A1-replugged", Profile: "exercise"},
			Status:     []string{fact.LowBattery}, Raw: []byte("20.50 N·m"),
		}, readings[len(readings)-1])
		s.quit()
	})
}

func TestAReadingIsShownOnlyWhenTheBookHasIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, plain)
		s.begin()
		s.book.hold = make(chan struct{})
		s.pull("10.0 N·m")
		require.Equal(t, []string{"began", "next pan/1 stage-1"}, s.take(), "the book has not taken it yet")
		close(s.book.hold)
		synctest.Wait()
		s.pull("10.0 N·m")
		<-s.done
		require.NoError(t, s.err)
		require.Equal(t, []string{
			"commit note session began", "show began", "show next pan/1 stage-1",
			"commit reading pan/1 10.0 N·m", "show reading pan/1 stage-1 10.0 N·m within", "show next pan/2 stage-1",
			"commit reading pan/2 10.0 N·m", "show reading pan/2 stage-1 10.0 N·m within", "show complete",
			"commit note session ended", "show ended",
		}, s.traced)
	})
}

// The whole of a build, with a pull that is low and pulled again, a bolt that
// has relaxed, and a check before the wait is over.
func TestAWholeBuild(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise)
		s.do("confirm")
		s.measure("8.01 mm", "8.0 mm")
		s.pull("20.8 N·m", "19.19 N·m", "19.2 N·m") // ±4 % of 20 N·m: a value on its limit is within
		s.pull("50 N·m", "50 N·m")
		s.pull("10 N·m", "10 N·m") // the pan, while the head settles
		s.pull("49 N·m")           // at once: too early
		time.Sleep(20*time.Minute + time.Second)
		synctest.Wait()
		s.pull("48 N·m", "43.9 N·m", "50 N·m") // held at 44 N·m or more: 50 N·m less 12 %
		s.do("confirm")
		s.pull("50.1 N·m", "50.2 N·m")
		<-s.done
		require.NoError(t, s.err)
		require.Equal(t, []string{
			"began",
			"next head/faces", "confirmed head/faces",
			"next head/dowel", "reading head/dowel 8.01 mm high",
			"next head/dowel high", "reading head/dowel 8.0 mm within",
			"next head/2 stage-1", "reading head/2 stage-1 20.8 N·m within",
			"next head/1 stage-1", "reading head/1 stage-1 19.19 N·m low",
			"next head/1 stage-1 low", "reading head/1 stage-1 19.2 N·m within",
			"next head/2 stage-2", "reading head/2 stage-2 50 N·m within",
			"next head/1 stage-2", "reading head/1 stage-2 50 N·m within",
			"next pan/1 stage-1", "reading pan/1 stage-1 10 N·m within",
			"next pan/2 stage-1", "reading pan/2 stage-1 10 N·m within",
			"waiting head/2 recheck", "reading head/2 recheck 49 N·m held",
			"waiting head/2 recheck", "next head/2 recheck", "reading head/2 recheck 48 N·m held",
			"next head/1 recheck", "reading head/1 recheck 43.9 N·m relaxed",
			"next head/1 recheck relaxed", "reading head/1 recheck 50 N·m within",
			"next head/heat-cycles", "confirmed head/heat-cycles",
			"next head/2 retorque", "reading head/2 retorque 50.1 N·m within",
			"next head/1 retorque", "reading head/1 retorque 50.2 N·m within",
			"complete", "ended",
		}, s.take())
		require.True(t, s.state.Complete())
		for _, f := range s.state.Findings {
			require.Equal(t, judge.Settled, f.Status, "%s: %s", f.Kind, f.Text)
		}
	})
}

func TestTheVerdictToldIsKept(t *testing.T) {
	for value, told := range map[string]string{"19.19 N·m": "low", "19.2 N·m": "within", "20.8 N·m": "within", "20.81 N·m": "high"} {
		synctest.Test(t, func(t *testing.T) {
			s := sit(t, exercise).prepared()
			s.pull(value)
			readings := bodies[fact.Reading](s.book)
			require.Equal(t, told, readings[len(readings)-1].Told, value)
			require.Equal(t, told, string(s.last(Read).Reading.Verdict), value)
			s.quit()
		})
	}
}

func TestWhatBelongsToNoPointIsANote(t *testing.T) {
	tests := map[string]struct {
		said      func(s *stand)
		raw, text string
		from      string
	}{
		"a pull while a confirmation is next": {
			func(s *stand) { s.pull("20 N·m") }, "20 N·m", "20 N·m: first confirm head/faces: Faces clean", "wrench-a"},
		"a pull while a length is wanted": {
			func(s *stand) { s.do("confirm"); s.pull("20 N·m") }, "20 N·m", "20 N·m: a length is wanted at head/dowel, this is a torque", "wrench-a"},
		"a length of a wrench": {
			func(s *stand) { s.do("confirm"); s.pull("7.4 mm") }, "7.4 mm", "7.4 mm: wrench-a is listed as measuring torque, and this is a length", "wrench-a"},
		"a length while a torque is wanted": {
			func(s *stand) { s.prepared(); s.measure("7.4 mm") }, "7.4 mm", "7.4 mm: a torque is wanted at head/2, this is a length", "gauge-b"},
		"an angle while a torque is wanted": {
			func(s *stand) { s.prepared(); s.pull("31 deg") }, "31 deg", "31°: a torque is wanted at head/2, this is an angle", "wrench-a"},
		"a bare number of a wrench": {
			func(s *stand) { s.prepared(); s.pull("20.40") }, "20.40", "20.40: the instrument gave no unit, and its profile fixes none", "wrench-a"},
		"a bare number by hand while a confirmation is next": {
			func(s *stand) { s.attest("20.40") }, "20.40", "20.40: first confirm head/faces: Faces clean", "by hand"},
		"a pull while recording is paused": {
			func(s *stand) { s.prepared(); s.do("pause"); s.pull("20 N·m") }, "20 N·m", "20 N·m: recording is paused", "wrench-a"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := sit(t, exercise)
				test.said(s)
				list := notes(s.book, fact.NotAssigned)
				require.Equal(t, []fact.Note{{What: fact.NotAssigned, Instrument: test.from, Text: test.text, Raw: []byte(test.raw)}}, list)
				e := s.last(NotCounted)
				require.Equal(t, test.text, spoken(e.Value)+": "+e.Text)
				require.Equal(t, test.from, e.Instrument)
				s.quit()
			})
		})
	}
}

func TestALengthGoesToTheMeasuredStepOfTheSameJoint(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise)
		require.Equal(t, []string{"began", "next head/faces"}, s.take())
		s.measure("7.40 mm")
		require.Equal(t, []string{"reading head/dowel 7.40 mm within", "next head/faces"}, s.take())
		s.measure("7.41 mm") // the step is done, and nothing else wants a length
		require.Equal(t, []string{"not counted 7.41 mm"}, s.take())
		s.quit()
	})
}

func TestABareNumberByHandHasTheTargetsUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.attest("20.40")
		require.Equal(t, []string{"reading head/2 stage-1 20.40 N·m within", "next head/1 stage-1"}, s.take())
		readings := bodies[fact.Reading](s.book)
		last := readings[len(readings)-1]
		require.True(t, last.Attested)
		require.Equal(t, fact.Instrument{}, last.Instrument, "no instrument measured it")
		require.Equal(t, "20.40", string(last.Raw))
		s.attest("20 lbf·ft") // with a unit of its own it keeps it
		require.Equal(t, "reading head/1 stage-1 20 lbf·ft high", s.take()[0])
		require.Equal(t, 2, s.last(Read).State.Attested)
		s.quit()
	})
}

func TestAPointIsChosen(t *testing.T) {
	tests := map[string]struct {
		done func(s *stand) // before
		line string
		want []string // events of the choice
	}{
		"in the joint that is being worked on": {func(s *stand) {}, "point 1", []string{"next head/1 stage-1"}},
		"by its whole key":                     {func(s *stand) {}, "point pan/2", []string{"next pan/2 stage-1"}},
		"in a pass":                            {func(s *stand) {}, "point 1 stage-2", []string{"next head/1 stage-2"}},
		"what is next anyway":                  {func(s *stand) {}, "point 2", nil},
		"a step of preparation":                {func(s *stand) {}, "point dowel", []string{"next head/dowel"}},
		"without a pass it is the pass that is being made, whatever was skipped before": {
			func(s *stand) { s.do("skip it is not there yet"); s.pull("20 N·m") }, "point 1", []string{"next head/1 stage-2"}},
		"one that the plan lacks":         {func(s *stand) {}, "point 17", []string{"refused"}},
		"a joint that the plan lacks":     {func(s *stand) {}, "point lid/1", []string{"refused"}},
		"a pass that the plan lacks":      {func(s *stand) {}, "point 1 stage-9", []string{"refused"}},
		"a step has no pass to be one of": {func(s *stand) {}, "point dowel stage-1", []string{"refused"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := sit(t, exercise).prepared()
				test.done(s)
				s.take()
				s.do(test.line)
				require.Equal(t, test.want, s.take())
				s.quit()
			})
		})
	}
}

func TestAChosenPointIsNextUntilItIsGood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.do("point pan/2")
		s.pull("8 N·m", "12 N·m", "9.5 N·m", "20 N·m")
		require.Equal(t, []string{
			"next pan/2 stage-1", "reading pan/2 stage-1 8 N·m low",
			"next pan/2 stage-1 low", "reading pan/2 stage-1 12 N·m high",
			"next pan/2 stage-1 high", "reading pan/2 stage-1 9.5 N·m within",
			"next head/2 stage-1", "reading head/2 stage-1 20 N·m within", // back in the plan's order
			"next head/1 stage-1",
		}, s.take())
		require.Contains(t, kinds(findingsAt(s.last(Read).State, "pan/2", judge.ForReview)), judge.OutOfOrder)
		s.quit()
	})
}

func findingsAt(s *judge.State, point fact.Point, status judge.Status) []judge.Finding {
	return slices.DeleteFunc(slices.Clone(s.Findings), func(f judge.Finding) bool { return f.Point != point || f.Status != status })
}

func kinds(list []judge.Finding) []judge.FindingKind {
	var names []judge.FindingKind
	for _, f := range list {
		names = append(names, f.Kind)
	}
	return names
}

func TestAReadingTellsTheFindingsItBroughtUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.do("point 1")
		s.pull("20 N·m")
		require.Equal(t, []judge.FindingKind{judge.OutOfOrder}, kinds(s.last(Read).Findings))
		s.pull("20 N·m")
		require.Empty(t, s.last(Read).Findings, "what was there before is not told again")
		s.quit()
	})
}

func TestAnEntryIsTakenBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.pull("20 N·m", "20.1 N·m")
		first, second := s.book.entries[len(s.book.entries)-2].Ref, s.book.entries[len(s.book.entries)-1].Ref
		s.take()

		s.do("void it was the other bolt")
		require.Equal(t, []string{"voided head/1", "next head/1 stage-1"}, s.take())
		require.Equal(t, second, s.last(Voided).Entry)
		require.Equal(t, fact.Void{Of: second, Point: "head/1", Because: "it was the other bolt"}, bodies[fact.Void](s.book)[0])

		s.do("void " + second.String() + " again")
		require.Equal(t, second.String()+" was taken back already", s.last(Refused).Text)

		s.do("void " + first.String() + " slipped")
		require.Equal(t, []string{"refused", "voided head/2", "next head/2 stage-1"}, s.take())

		s.do("void bench-7#1 why not")
		require.Equal(t, "the book has no entry bench-7#1", s.last(Refused).Text)
		s.do("void bench-1#1 why not")
		require.Equal(t, "bench-1#1 is no reading, confirmation, skip or decision, so it cannot be taken back", s.last(Refused).Text)
		s.send(Command{Kind: Void, Entry: first, Text: " "})
		require.Equal(t, "a reason is needed to take an entry back", s.last(Refused).Text)
		s.take()

		s.quit()
	})
}

// Two readings, the measured step and the confirmation were made here: they are
// taken back one after the other, and what another station did is not.
func TestTheLastIsThatOfThisSitting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, exercise)
		s.book.session = "before"
		before := s.book.add("bench-1", "before", fact.Confirmation{Point: "pan/x"})
		s.book.session = "now"
		s.begin()
		require.Equal(t, before, s.last(Next).Last.Ref, "of this station, as long as this sitting has none")
		s.prepared()
		s.pull("20 N·m")
		there := s.book.other(fact.Reading{Point: "head/1", Pass: "stage-1", Value: quantity.MustParse("20 N·m")})
		s.do("skip it is not there yet")
		require.Equal(t, fact.Skip{Point: "head/1", Pass: "stage-1", Because: "it is not there yet"}, s.last(Skipped).Last.Body)
		s.take()
		s.do("void one", "void two", "void three", "void four", "void five", "void six")
		require.Equal(t, []string{
			"voided head/1", "next head/2 stage-2", "voided head/2", "next head/2 stage-1", "voided head/dowel", "next head/dowel",
			"voided head/faces", "next head/faces", "voided pan/x", "next head/faces", "refused",
		}, s.take())
		require.Equal(t, "there is nothing to take back", s.last(Refused).Text)
		require.True(t, s.last(Refused).Last.IsZero())
		s.do("void " + there.String() + " asked for by name")
		require.Equal(t, there, s.last(Voided).Entry)
		s.quit()
	})
}

func TestABoltIsLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise)
		s.do("skip in a hurry")
		require.Equal(t, "head/faces is preparation and cannot be left out; what is pulled without it is a finding", s.last(Refused).Text)
		s.prepared()
		s.do("skip the stud is out")
		require.Equal(t, []string{"skipped head/2 stage-1", "next head/1 stage-1"}, s.take())
		require.Equal(t, []fact.Skip{{Point: "head/2", Pass: "stage-1", Because: "the stud is out"}}, bodies[fact.Skip](s.book))
		require.Equal(t, []judge.FindingKind{judge.BoltSkipped}, kinds(findingsAt(s.last(Skipped).State, "head/2", judge.Open)))

		// Asked for at bolt 1; while the reason was typed, the bolt was pulled.
		s.pull("20 N·m")
		s.take()
		s.send(Command{Kind: Leave, Point: "head/1", Pass: "stage-1", Text: "no room"})
		require.Equal(t, []string{"refused"}, s.take())
		require.Equal(t, "head/1 is done in stage 1, so there is nothing to leave out", s.last(Refused).Text)
		s.send(Command{Kind: Leave, Point: "head/1", Pass: "stage-2"})
		require.Equal(t, "a reason is needed to leave head/1 out", s.last(Refused).Text)
		require.Len(t, bodies[fact.Skip](s.book), 1)
		s.quit()
	})
}

// What was left out comes last, and says so.
func TestWhatWasLeftOutIsAskedForLast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.do("skip the stud is out")
		s.pull("10 N·m")
		require.Equal(t, []string{"began", "next pan/1 stage-1", "skipped pan/1 stage-1", "next pan/2 stage-1",
			"reading pan/2 stage-1 10 N·m within", "next pan/1 stage-1"}, s.take())
		require.Equal(t, "the stud is out", s.last(Next).Task.LeftOut)
		s.do("skip it still is")
		require.Equal(t, "pan/1 is left out of stage 1 already: the stud is out", s.last(Refused).Text)
		s.quit()
	})
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.do("skip the stud is out")
		s.pull("20 N·m")
		require.Equal(t, []string{"skipped head/2 stage-1", "next head/1 stage-1", "reading head/1 stage-1 20 N·m within", "next head/2 stage-2"}, s.take(),
			"not before the next stage")
		s.quit()
	})
}

func TestAStepIsConfirmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise)
		s.do("confirm dowel")
		require.Equal(t, "head/dowel is nothing to confirm: it wants a reading", s.last(Refused).Text)
		s.do("confirm head/faces", "confirm head/faces")
		require.Equal(t, "head/faces was confirmed already", s.last(Refused).Text)
		require.Equal(t, []fact.Confirmation{{Point: "head/faces"}}, bodies[fact.Confirmation](s.book))
		s.do("confirm head/7")
		require.Equal(t, `joint head has no bolt or step "7"`, s.last(Refused).Text)
		require.Equal(t, []string{"began", "next head/faces", "refused", "confirmed head/faces", "next head/dowel", "refused", "refused"}, s.take())
		s.quit()
	})
}

// What it is about is fixed when the builder is asked, and stays so when a pull
// comes in before the answer.
func TestAValueIsStatedAtThePointThatWasAskedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.pull("18 N·m") // low: bolt 2 is next again
		asked := Command{Kind: Attest, Point: string(s.last(Next).Task.Point), Pass: s.last(Next).Task.Pass, Text: "20.2"}
		s.pull("20.1 N·m")
		require.Equal(t, fact.Point("head/1"), s.last(Next).Task.Point)
		s.take()
		s.send(asked)
		require.Equal(t, []string{"reading head/2 stage-1 20.2 N·m within", "next head/1 stage-1"}, s.take())
		readings := bodies[fact.Reading](s.book)
		require.Equal(t, fact.Reading{Point: "head/2", Pass: "stage-1", Value: quantity.Quantity{
			Value: quantity.MustParse("20.2 N·m").Value, Unit: quantity.NewtonMetre, Text: "20.2"}, Attested: true, Told: "within"}, readings[len(readings)-1])
		s.quit()
	})
}

func TestAStatedValueKeepsTheChoice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.do("point pan/1")
		s.send(Command{Kind: Attest, Point: "head/2", Pass: "stage-1", Text: "20 N·m"})
		require.Equal(t, []string{"next pan/1 stage-1", "reading head/2 stage-1 20 N·m within", "next pan/1 stage-1"}, s.take())
		s.do("attest 10")
		require.Equal(t, []string{"reading pan/1 stage-1 10 N·m within", "next head/1 stage-1"}, s.take())
		s.quit()
	})
}

func TestAStatedValueThatIsNoneIsRefused(t *testing.T) {
	for text, why := range map[string]string{
		"twenty":   `"twenty" does not start with a number`,
		"20 stone": `"20 stone": unknown unit "stone"`,
		"7.4 mm":   "a torque is wanted at head/2, 7.4 mm is a length",
		"31 deg":   "a torque is wanted at head/2, 31° is an angle",
		"-20":      "-20 N·m is no pull",
	} {
		synctest.Test(t, func(t *testing.T) {
			s := sit(t, exercise).prepared()
			s.do("attest " + text)
			require.Equal(t, []string{"refused"}, s.take())
			require.Equal(t, why, s.last(Refused).Text)
			s.quit()
		})
	}
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise)
		s.do("attest 20", "confirm faces", "pause", "attest 7.4")
		require.Equal(t, []string{"began", "next head/faces", "refused", "confirmed head/faces", "next head/dowel", "paused", "refused"}, s.take())
		require.Equal(t, "recording is paused", s.last(Refused).Text)
		s.quit()
	})
}

func TestPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.do("pause")
		s.pull("10 N·m")
		s.do("point 2")
		require.True(t, s.last(Next).Paused)
		s.do("go")
		s.pull("10 N·m")
		require.Equal(t, []string{"began", "next pan/1 stage-1", "paused", "not counted 10 N·m", "next pan/2 stage-1", "resumed",
			"reading pan/2 stage-1 10 N·m within", "next pan/1 stage-1"}, s.take())
		require.False(t, s.last(Next).Paused)
		s.quit()
	})
}

func TestWhatHappensToInstrumentsIsNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		gone := &device.Error{Address: device.Address{Transport: "serial", Place: "usb=A1"}, Err: device.ErrLost}
		for _, e := range []device.Event{
			{Kind: device.Lost, Err: gone},
			{Kind: device.Found, Identity: "A1"},
			{Kind: device.Rejected, Raw: []byte("1\x000.0\r\n"), Err: errors.New("no value in it")},
			{Kind: device.Rejected, Raw: []byte("?")},
		} {
			s.wrench.events <- e
			synctest.Wait()
		}
		require.Equal(t, []string{"began", "next pan/1 stage-1", "lost", "found", "unreadable", "unreadable"}, s.take())
		require.Equal(t, []fact.Note{
			{What: fact.SessionBegan, Text: "wrench-a serial:usb=A1; gauge-b serial:usb=B2; by hand typed:x"},
			{What: fact.InstrumentLost, Instrument: "wrench-a", Text: "serial:usb=A1: instrument lost"},
			{What: fact.InstrumentFound, Instrument: "wrench-a", Text: "A1"},
			{What: fact.Unreadable, Instrument: "wrench-a", Text: "no value in it", Raw: []byte("1\x000.0\r\n")},
			{What: fact.Unreadable, Instrument: "wrench-a", Raw: []byte("?")},
		}, bodies[fact.Note](s.book))
		lost := s.last(Lost)
		require.Equal(t, "wrench-a", lost.Instrument)
		require.ErrorIs(t, lost.Err, device.ErrLost)
		require.Equal(t, "A1", s.last(Found).Text)
		require.Equal(t, []byte("?"), s.last(Unreadable).Raw)
		s.quit()
		require.Equal(t, fact.Note{What: fact.SessionEnded}, s.book.entries[len(s.book.entries)-1].Body)
	})
}

func TestABookThatCannotBeWrittenIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.take()
		s.book.failing(3, errLocked)
		tries, began := s.book.tries, time.Now()
		s.pull("10.0 N·m")
		require.Equal(t, []string{"not saved"}, s.take())
		e := s.last(NotSaved)
		require.ErrorIs(t, e.Err, errLocked)
		require.Equal(t, "10.0 N·m at pan/1", e.Text)
		require.Equal(t, "wrench-a", e.Instrument)
		require.Equal(t, "10.0 N·m", e.Value.String())
		s.gauge.events <- sampled("1 mm") // waits its turn
		time.Sleep(2500 * time.Millisecond)
		synctest.Wait()
		require.Empty(t, s.take(), "it is told once, and nothing is told as read")
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, []string{"saved", "reading pan/1 stage-1 10.0 N·m within", "next pan/2 stage-1", "not counted 1 mm"}, s.take())
		require.Equal(t, 5, s.book.tries-tries, "three that failed, the one that did not, and the length's")
		require.Equal(t, 3500*time.Millisecond, time.Since(began))
		s.quit()
	})
}

func TestAnErrorThatCannotBeWaitedOutEndsTheSitting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.take()
		s.book.failing(-1, errDamaged)
		s.book.hold = make(chan struct{})
		s.wrench.events <- sampled("10.0 N·m")
		s.wrench.events <- sampled("10.1 N·m")
		s.wrench.events <- device.Event{Kind: device.Rejected, Raw: []byte("?"), Err: errors.New("no value in it")}
		synctest.Wait()
		close(s.book.hold)
		<-s.done
		require.ErrorIs(t, s.err, errDamaged)
		require.NotNil(t, s.state)
		require.Equal(t, []string{"given up", "given up", "given up", "ended"}, s.take(), "what was not saved is told, value by value")
		require.Empty(t, bodies[fact.Reading](s.book))
		var lost []string
		for _, e := range s.events {
			if e.Kind == GivenUp {
				require.ErrorIs(t, e.Err, errDamaged)
				lost = append(lost, e.Text+" "+string(e.Raw))
			}
		}
		require.Equal(t, []string{"10.0 N·m at pan/1 10.0 N·m", "10.1 N·m at pan/1 10.1 N·m", "unreadable: no value in it ?"}, lost)
		require.ErrorIs(t, s.last(Ended).Err, errDamaged)
	})
}

func TestABookThatCannotBeReadEndsTheSittingBeforeItBegins(t *testing.T) {
	for name, spoil := range map[string]func(*memory){
		"locked":     func(m *memory) { m.unread = errLocked },
		"no opening": func(m *memory) { m.entries = nil },
	} {
		synctest.Test(t, func(t *testing.T) {
			s := prepare(t, plain)
			spoil(s.book)
			s.begin()
			<-s.done
			require.Error(t, s.err, name)
			require.Nil(t, s.state)
			require.Empty(t, s.events)
			for _, i := range []*source{s.wrench, s.gauge, s.typed} {
				<-i.closed
			}
		})
	}
}

// Another program may have the book at the moment when it is read again.
func TestABookThatCannotBeReadForAMomentIsAWarning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.book.unread = errLocked
		s.pull("20 N·m", "20 N·m")
		require.Equal(t, []string{"reading head/2 stage-1 20 N·m within", "warning", "next head/1 stage-1",
			"reading head/1 stage-1 20 N·m within", "warning", "next head/2 stage-2"}, s.take())
		require.ErrorIs(t, s.last(Warned).Err, errLocked)
		s.book.unread = errDamaged
		s.pull("50 N·m")
		<-s.done
		require.ErrorIs(t, s.err, errDamaged)
		require.Equal(t, []string{"reading head/2 stage-2 50 N·m within", "ended"}, s.take())
	})
}

func TestEntriesWithAnErrorAreSafeAndAWarning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.take()
		s.book.warn = errors.New("exercise.book: the witness could not be written")
		s.pull("10 N·m")
		require.Equal(t, []string{"warning", "reading pan/1 stage-1 10 N·m within", "next pan/2 stage-1"}, s.take())
		require.Equal(t, s.book.warn, s.last(Warned).Err)
		require.Len(t, bodies[fact.Reading](s.book), 1, "it is not recorded twice")
		s.quit()
	})
}

func TestWhatWasHeardIsRecordedBeforeTheSittingEnds(t *testing.T) {
	ends := map[string]func(*stand){
		"interrupted": func(s *stand) { s.cancel() },
		"left":        func(s *stand) { s.commands <- Command{Kind: Quit} },
	}
	for name, end := range ends {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := sit(t, exercise).prepared()
				s.book.hold = make(chan struct{})
				for _, v := range []string{"20.0 N·m", "20.1 N·m", "50.2 N·m"} {
					s.wrench.events <- sampled(v)
				}
				s.measure("7.5 mm")
				if name == "left" { // the session is busy with the book
					go end(s)
				} else {
					end(s)
				}
				synctest.Wait()
				close(s.book.hold)
				<-s.done
				if name == "interrupted" {
					require.ErrorIs(t, s.err, context.Canceled)
				} else {
					require.NoError(t, s.err)
				}
				var torques []string
				for _, r := range bodies[fact.Reading](s.book) {
					if r.Pass != "" {
						torques = append(torques, string(r.Point)+" "+r.Value.String())
					}
				}
				require.Equal(t, []string{"head/2 20.0 N·m", "head/1 20.1 N·m", "head/2 50.2 N·m"}, torques)
				require.Len(t, notes(s.book, fact.NotAssigned), 1, "the length")
				require.Equal(t, fact.Note{What: fact.SessionEnded}, s.book.entries[len(s.book.entries)-1].Body)
				require.Equal(t, Ended, s.events[len(s.events)-1].Kind)
			})
		})
	}
}

// While the book cannot be written, an interruption leaves what is in hand one
// more try, and tells what is not saved even so.
func TestAnInterruptionWhileTheBookCannotBeWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.take()
		s.book.failing(2, errLocked)
		s.pull("10.0 N·m") // the first try
		time.Sleep(time.Second)
		synctest.Wait() // the second
		s.cancel()
		<-s.done
		require.ErrorIs(t, s.err, context.Canceled)
		require.Equal(t, []string{"not saved", "saved", "reading pan/1 stage-1 10.0 N·m within", "next pan/2 stage-1", "ended"}, s.take())
	})
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.take()
		s.book.failing(-1, errLocked)
		s.pull("10.0 N·m")
		s.pull("10.1 N·m")
		tries := s.book.tries
		s.cancel()
		<-s.done
		require.ErrorIs(t, s.err, errLocked)
		require.Equal(t, []string{"not saved", "given up", "given up", "ended"}, s.take())
		require.Equal(t, 2, s.book.tries-tries, "one for what is in hand and one for the end: each may take as long as the lock is waited for")
	})
}

func TestAnInterruptionBeforeTheBeginningIsNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, plain)
		s.book.failing(-1, errLocked)
		s.begin()
		require.Equal(t, []string{"not saved"}, s.take())
		s.cancel()
		<-s.done
		require.ErrorIs(t, s.err, errLocked)
		require.Equal(t, []string{"ended"}, s.take())
		require.Len(t, s.book.entries, 1, "no end without a beginning")
	})
}

func TestTheSittingEndsWithItsSources(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		for _, i := range []*source{s.wrench, s.gauge, s.typed} {
			i.events <- device.Event{Kind: device.Ended}
		}
		synctest.Wait()
		s.do("skip the builder goes on without instruments")
		require.Equal(t, []string{"began", "next pan/1 stage-1", "skipped pan/1 stage-1", "next pan/2 stage-1"}, s.take())
		close(s.commands)
		<-s.done
		require.NoError(t, s.err)
		require.Equal(t, []string{"ended"}, s.take())
	})
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		close(s.commands)
		s.pull("10 N·m") // the instruments go on without the builder
		s.wrench.events <- device.Event{Kind: device.Ended}
		s.gauge.events <- device.Event{Kind: device.Ended}
		s.typed.events <- device.Event{Kind: device.Ended}
		<-s.done
		require.NoError(t, s.err)
		require.Equal(t, []string{"began", "next pan/1 stage-1", "reading pan/1 stage-1 10 N·m within", "next pan/2 stage-1", "ended"}, s.take())
	})
}

func TestTheInstrumentsAreClosedWhenRunReturns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, plain)
		for _, i := range []*source{s.wrench, s.gauge, s.typed} {
			i.slow = time.Second
		}
		s.begin().quit()
		for _, i := range []*source{s.wrench, s.gauge, s.typed} {
			require.True(t, i.gone)
		}
	})
}

func TestACompleteBuildEndsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := prepare(t, plain)
		for _, point := range []fact.Point{"pan/1", "pan/2"} {
			s.book.other(fact.Reading{Point: point, Pass: "stage-1", Value: quantity.MustParse("10 N·m")})
		}
		s.wrench.events <- sampled("11 N·m") // before it began
		s.begin()
		<-s.done
		require.NoError(t, s.err)
		require.Equal(t, []string{"began", "complete", "not counted 11 N·m", "ended"}, s.take())
		require.Equal(t, "nothing is left to do", s.last(NotCounted).Text)
	})
}

func TestAChoiceDoesNotKeepACompleteBuildOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.do("point 2")
		for _, point := range []fact.Point{"pan/1", "pan/2"} {
			s.book.other(fact.Reading{Point: point, Pass: "stage-1", Value: quantity.MustParse("10 N·m")})
		}
		s.pull("10 N·m")
		<-s.done
		require.Equal(t, []string{"began", "next pan/1 stage-1", "next pan/2 stage-1", "reading pan/2 stage-1 10 N·m within", "complete", "ended"}, s.take())
	})
}

// stages does the exercise's head up to its re-check.
func (s *stand) stages() *stand {
	s.prepared()
	s.pull("20 N·m", "20 N·m", "50 N·m", "50 N·m")
	return s
}

func TestTheWaitBeforeARecheck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).stages()
		pulled := time.Now()
		s.pull("10 N·m", "10 N·m")
		s.take()
		e := s.last(Waiting)
		require.Equal(t, fact.Point("head/2"), e.Task.Point)
		require.Equal(t, judge.Check, e.Task.Kind)
		require.True(t, pulled.Add(20*time.Minute).Equal(e.Task.NotBefore))
		time.Sleep(20*time.Minute - time.Second)
		synctest.Wait()
		require.Empty(t, s.take(), "it is told once")
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, []string{"next head/2 recheck"}, s.take(), "on the second")
		s.quit()
	})
}

func TestAPullDuringTheWaitIsRecordedAsEarly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).stages()
		s.pull("10 N·m", "10 N·m")
		time.Sleep(5 * time.Minute)
		s.take()
		s.pull("48 N·m")
		require.Equal(t, []string{"reading head/2 recheck 48 N·m held", "waiting head/2 recheck"}, s.take())
		require.True(t, s.last(Read).Reading.Early)
		require.Contains(t, kinds(s.last(Read).Findings), judge.RecheckEarly)
		s.do("point 1") // chosen, it waits too
		require.Equal(t, []string{"waiting head/1 recheck"}, s.take())
		s.quit()
	})
}

// The builder is at the pan when the head has settled: the pan's pass is
// finished first, since a pull of the next bolt may be on its way.
func TestAWaitThatIsOverDoesNotTurnTheBuilderAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).stages()
		s.pull("10 N·m")
		time.Sleep(time.Hour)
		synctest.Wait()
		require.Equal(t, "next pan/2 stage-1", eventWords(s.events[len(s.events)-1]))
		s.take()
		s.pull("10 N·m")
		require.Equal(t, []string{"reading pan/2 stage-1 10 N·m within", "next head/2 recheck"}, s.take())
		s.quit()
	})
}

func TestWhatAnotherStationWroteIsPickedUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, exercise).prepared()
		s.book.other(fact.Reading{Point: "head/1", Pass: "stage-1", Value: quantity.MustParse("20 N·m")})
		s.pull("20 N·m")
		require.Equal(t, []string{"reading head/2 stage-1 20 N·m within", "next head/2 stage-2"}, s.take())
		e := s.last(Next)
		require.Equal(t, 0, e.Done)
		require.Equal(t, 2, e.Of)
		s.quit()
	})
}

func TestEveryEventSaysWhereItIsFrom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := sit(t, plain)
		s.pull("9 N·m")
		s.do("pause", "go", "void slipped")
		s.quit()
		for _, e := range s.events {
			require.Equal(t, "exercise", e.Build, e.Kind)
			require.NotNil(t, e.State, e.Kind)
			require.False(t, e.Time.IsZero(), e.Kind)
		}
		require.Equal(t, uint64(3), s.last(Read).Last.Number, "the opening, the beginning, the reading")
		require.True(t, s.last(Ended).Last.IsZero())
	})
}

func TestTheWordsOfAReadingsDimension(t *testing.T) {
	require.Equal(t, "an angle", article(quantity.Angle))
	require.Equal(t, "a torque", article(quantity.Torque))
	require.Equal(t, "a length", article(quantity.Length))
}
