package trace

import (
	"fmt"
	"math"
)

// A Kind is what a finding says.
type Kind string

// The kinds of finding.
const (
	// TooLittleTurn: torque reached with too little turn: bottomed, oil in a blind hole,
	// galled, cross-threaded.
	TooLittleTurn Kind = "too little turn"
	// TooMuchTurn: soft, yielding, gasket or thread giving way.
	TooMuchTurn Kind = "too much turn"
	// HardlyTurned: it did not move before the torque of the stage; probably pulled
	// already, so another bolt was probably missed.
	HardlyTurned Kind = "hardly turned"
	// TightBefore: it took much torque to turn it before it clamped.
	TightBefore Kind = "tight before it clamped"
	// Yielded where it must not.
	Yielded Kind = "yielded"
	// Eased: turned back.
	Eased Kind = "eased back"
	// Jerked: pulled in a jerk.
	Jerked Kind = "pulled in a jerk"
	// Stuck: stick-slip that makes the peak untrustworthy.
	Stuck Kind = "stick-slip"
	// Cut: the samples end or stop under torque.
	Cut Kind = "interrupted"
)

// A Finding is something an engineer would look at in a pull.
type Finding struct {
	Kind Kind
	Text string
}

// A Stage is what a pull is compared with.
type Stage struct {
	// Turns tells that the stage turns a sound bolt: it asks for more than the stage
	// before. A re-check does not.
	Turns bool
	// MayYield tells that bolts are meant to yield in this stage.
	MayYield bool
	// Neighbours are the pulls of the other bolts in the same pass, Before those of the
	// same bolt in the same pass of other builds. Fewer than four are no company.
	Neighbours, Before []Features
	// Limits are the bounds; DefaultLimits if zero.
	Limits Limits
}

// Limits are what findings are measured by. All are our own choice, by what the
// simulated joints show, where nothing else is said.
type Limits struct {
	// Little and Much are the turn as a share of the company's median.
	Little, Much float64
	// Hardly is the same for a bolt that did not move before Held of its final torque.
	Hardly, Held float64
	// Far is the least distance in units of the company's scale (Qn of the logarithms);
	// Ordinary the least scale among neighbours, OrdinaryBefore that among builds.
	Far, Ordinary, OrdinaryBefore float64
	// Sure is what a gradient that fell must be below, with three uncertainties, as a
	// share: above the half at which yield begins, to be sure of it.
	Sure float64
	// Tight is prevailing torque as a share of the final.
	Tight float64
	// Eased in degrees, Speed in degrees a second, Gap in seconds.
	Eased, Speed, Gap float64
	// Slip is a share of the peak: 4 %, the permissible deviation of good torque tools
	// (ISO 6789, from a copy); Slips how often it must slip beyond once a stroke, with
	// which any bolt at rest may begin.
	Slip  float64
	Slips int
}

// DefaultLimits are the bounds that are used where nothing else is said.
func DefaultLimits() Limits {
	return Limits{Little: 0.7, Much: 1.43, Hardly: 0.25, Held: 0.85, Far: 3.5, Ordinary: 0.07, OrdinaryBefore: 0.09,
		Sure: 0.55, Tight: 0.2, Eased: 2, Speed: 200, Gap: 0.5, Slip: 0.04, Slips: 3}
}

// Find looks for what stands out in a pull. What a feature cannot tell gives no
// finding: no finding is no proof that a pull was sound.
func Find(f Features, s Stage) []Finding {
	l := s.Limits
	if l == (Limits{}) {
		l = DefaultLimits()
	}
	var found []Finding
	say := func(k Kind, format string, args ...any) {
		found = append(found, Finding{k, fmt.Sprintf(format, args...)})
	}
	if f.Open {
		say(Cut, "the samples end under torque, at %.4g %s", f.Final.Number(), f.Unit)
	} else if f.Gap.Number() > l.Gap {
		say(Cut, "no sample for %.1f s in the middle of the pull", f.Gap.Number())
	}
	switch {
	case f.EasedBack.Told() && f.EasedBack.Number() > l.Eased:
		say(Eased, "turned back by %.0f°, after a peak of %.4g %s", f.EasedBack.Number(), f.Peak.Number(), f.Unit)
	case !f.EasedBack.Told() && f.BackStrokes > 0:
		say(Eased, "pulled the other way, after a peak of %.4g %s", f.Peak.Number(), f.Unit)
	}
	if f.EndSpeed.Told() && f.EndSpeed.Number() > l.Speed {
		say(Jerked, "%.0f °/s under more than half of the torque", f.EndSpeed.Number())
	}
	if f.Slips >= l.Slips+f.Strokes && f.Slip.Number() > l.Slip*f.Peak.Number() {
		say(Stuck, "slipped %d times by about %.3g %s: the peak is not what the bolt got", f.Slips, f.Slip.Number(), f.Unit)
	}
	if f.Open || !s.Turns {
		return found // a pull that was cut off, or a check, turned as far as it did
	}
	switch {
	case s.MayYield:
	case f.Yield.Turn.Told() && f.EndGradient.Number()+3*f.EndGradient.Uncertainty() < l.Sure:
		say(Yielded, "yielded at %.4g %s and turned %.0f° after that", f.Yield.Torque.Number(), f.Unit, f.Turned.Number()-f.Yield.Turn.Number())
	case f.Bend.Told() && f.Bend.Number()+3*f.Bend.Uncertainty() < l.Sure:
		say(Yielded, "the gradient fell to %.0f %% of what it was in the middle of the pull", 100*f.Bend.Number())
	}
	if f.Prevailing.Told() && f.Prevailing.Number() > l.Tight*f.Final.Number() {
		say(TightBefore, "it took %.3g %s to turn it before it clamped: cross-threaded, galled or dirty", f.Prevailing.Number(), f.Unit)
	}
	for _, among := range []struct {
		who      string
		others   []Features
		ordinary float64
	}{{"the other bolts of this pass", s.Neighbours, l.Ordinary}, {"this bolt in other builds", s.Before, l.OrdinaryBefore}} {
		if one, ok := turnAmong(f, among.others, l, among.ordinary, among.who); ok {
			found = append(found, one)
			break
		}
	}
	return found
}

// turnAmong compares how far a bolt turned with others: all the turn, and the turn
// beyond the elastic origin, which does not depend on where the pull began.
func turnAmong(f Features, others []Features, l Limits, ordinary float64, who string) (Finding, bool) {
	for _, m := range []struct {
		what string
		of   func(Features) Value
	}{
		{"turned", func(f Features) Value { return f.Turned }},
		{"turned beyond the elastic origin", func(f Features) Value { return f.BeyondOrigin }},
	} {
		var values []Value
		for _, o := range others {
			if !o.Open {
				values = append(values, m.of(o))
			}
		}
		v := m.of(f)
		if v.Told() && v.Number() < 0.01 {
			v = Told(0.01, v.Uncertainty()) // it has a logarithm
		}
		c, ok := among(v, values, ordinary)
		if !ok || math.Abs(c.distance) < l.Far {
			continue
		}
		told := fmt.Sprintf("%s %.0f° where %s turn %.0f° (median of %d)", m.what, v.Number(), who, c.median, c.n)
		held := !f.Breakaway.Told() || f.Breakaway.Number() > l.Held*f.Final.Number()
		switch {
		case c.ratio < l.Hardly && held:
			return Finding{HardlyTurned, told + ": probably pulled already, so another bolt was probably missed"}, true
		case c.ratio < l.Little:
			return Finding{TooLittleTurn, told + ": bottomed, oil in a blind hole, galled or cross-threaded"}, true
		case c.ratio > l.Much:
			return Finding{TooMuchTurn, told + ": soft, yielding, or gasket or thread giving way"}, true
		}
	}
	return Finding{}, false
}
