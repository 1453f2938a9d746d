package judge

import (
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"slices"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
)

// What a person decides about findings and bolts.

// names are written in the 32 signs of Crockford's base 32 (from memory), which
// leave out those that are taken for one another.
var names = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// nameLength is the number of signs of a name: 30 bits, so that among a hundred
// findings two have the same name in one build of some 200 000.
const nameLength = 6

// nameOf is the name of a finding: the beginning of the SHA-256 of its kind,
// its place and the entries it rests on.
func nameOf(f Finding) string {
	parts := []string{string(f.Kind), f.Joint, string(f.Point), string(f.Pass)}
	for _, r := range f.Entries {
		parts = append(parts, r.String())
	}
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return names.EncodeToString(sum[:])[:nameLength]
}

// nameAndAccept gives each finding its name, and its status to those that a
// person accepted.
func (j *judging) nameAndAccept() {
	for i := range j.state.Findings {
		f := &j.state.Findings[i]
		f.Name = nameOf(*f)
		if f.Status == Settled || acceptable(*f) != nil {
			continue
		}
		for _, at := range j.accepted {
			a := j.entries[at].Body.(fact.Accepted)
			if a.Finding != f.Name || a.Kind != string(f.Kind) || a.Point != f.Point || a.Pass != f.Pass || !slices.Equal(a.Of, f.Entries) {
				continue
			}
			f.Status, f.By, f.Remedy = Accepted, j.entries[at].Ref, "accepted"+by(a.By)+": "+reason(a.Because)
		}
	}
}

func by(who string) string {
	if who = strings.TrimSpace(who); who == "" {
		return ""
	}
	return " by " + who
}

// wants says who sent something back.
func wants(who string) string {
	if who = strings.TrimSpace(who); who == "" {
		return "it is to be done again"
	}
	return who + " wants it done again"
}

func reason(because string) string {
	if because = strings.TrimSpace(because); because == "" {
		return "no reason was given"
	}
	return because
}

// aboutReading are the kinds of finding about what one bolt or step was read as,
// which stands when it is accepted.
var aboutReading = []FindingKind{BoltLow, BoltHigh, BoltDoubtful, BoltUnjudged, BoltRelaxed, BoltMoved, RecheckEarly, StepOutside,
	AngleMissing, TorqueLow, TorqueHigh, UnderStretched, OverStretched}

// acceptable tells why a finding cannot be accepted; nil if it can. What is
// still to be done is done, or left out, but not accepted.
func acceptable(f Finding) error {
	switch {
	case f.Status == ForReview:
		return nil
	case f.Status == Accepted:
		return fmt.Errorf("%s was accepted already", f.Name)
	case f.Status == Settled:
		return fmt.Errorf("%s is settled already", f.Name)
	case f.Kind == BoltSentBack:
		return fmt.Errorf("%s is work that was asked for; take back %s instead", f.Name, f.Entries[0])
	case !slices.Contains(aboutReading, f.Kind) || f.Point == "" || len(f.Entries) == 0:
		return fmt.Errorf("%s says what is still to be done (%s); that is done or left out, not accepted", f.Name, f.Kind)
	default:
		return nil
	}
}

// Accept is the fact that a person accepts the finding of a name. It fails for a
// name that no finding or several have, and for a finding that is not to be
// accepted.
func (s *State) Accept(name, because, who string) (fact.Accepted, error) {
	var found []Finding
	for _, f := range s.Findings {
		if strings.EqualFold(f.Name, name) {
			found = append(found, f)
		}
	}
	if len(found) == 0 {
		return fact.Accepted{}, fmt.Errorf("no finding is called %q", name)
	}
	if len(found) > 1 {
		return fact.Accepted{}, fmt.Errorf("%d findings are called %q, so none is meant for sure", len(found), name)
	}
	f := found[0]
	if err := acceptable(f); err != nil {
		return fact.Accepted{}, err
	}
	return fact.Accepted{Finding: f.Name, Kind: string(f.Kind), Point: f.Point, Pass: f.Pass, Of: slices.Clone(f.Entries), Because: because, By: who}, nil
}

// SendBack is the fact that a person sends a bolt or a measured step back. An
// empty pass is the last in which the bolt was read. It fails where nothing was
// read yet.
func (s *State) SendBack(point fact.Point, pass fact.Pass, because, who string) (fact.SentBack, error) {
	js, ok := s.Joint(point.Joint())
	if !ok {
		return fact.SentBack{}, fmt.Errorf("the plan has no joint %q", point.Joint())
	}
	var cell *Cell
	at := -1
	look := func(c *Cell) {
		if n := c.lastLive(maxPlace); c.Point == point && c.reads && n > at {
			cell, at = c, n
		}
	}
	_, bolt := js.Joint.Bolt(point.Place())
	for _, c := range js.Steps {
		if !bolt {
			look(c)
		}
	}
	for _, ps := range js.Passes {
		if c, ok := ps.Cell(point.Place()); ok && (pass == "" || pass == ps.Pass.Key) {
			look(c)
		}
	}
	if cell == nil {
		in := ""
		if pass != "" {
			in = " in " + string(pass)
		}
		return fact.SentBack{}, fmt.Errorf("nothing was read at %s%s that could be sent back", point, in)
	}
	return fact.SentBack{Point: point, Pass: cell.Pass, Because: because, By: who}, nil
}

// kindOf is the kind of the finding of a reading that is not good.
func kindOf(r Judged, p plan.Pass) FindingKind {
	switch {
	case r.Verdict == Doubtful:
		return BoltDoubtful
	case r.Verdict == LowTorque:
		return TorqueLow
	case r.Verdict == HighTorque:
		return TorqueHigh
	case r.Verdict == Relaxed:
		return BoltRelaxed
	case r.Verdict == Moved:
		return BoltMoved
	case r.late:
		return LengthMissing
	case p.ByStretch() && r.Verdict == Low:
		return UnderStretched
	case p.ByStretch() && r.Verdict == High:
		return OverStretched
	case r.Verdict == Low:
		return BoltLow
	case r.Verdict == High:
		return BoltHigh
	case p.ByAngle() && angleMissing(r):
		return AngleMissing
	case r.Early && r.Verdict.Good():
		return RecheckEarly
	default:
		return BoltUnjudged
	}
}

// stands is the place in the record of the acceptance by which a reading stands
// though it is not good, -1 if there is none: that of the finding about it, as
// it is now.
func (j *judging) stands(c *Cell, at int, kind FindingKind) int {
	if len(j.accepted) == 0 || !slices.Contains(aboutReading, kind) {
		return -1
	}
	live := c.Live()
	from := slices.IndexFunc(live, func(r Judged) bool { return r.at == at })
	to := from
	if kind != StepOutside && kind != RecheckEarly {
		for from > 0 && sameRow(live[from-1], live[from]) {
			from--
		}
		for to+1 < len(live) && sameRow(live[to], live[to+1]) {
			to++
		}
	}
	var row []fact.Ref
	for _, r := range live[from : to+1] {
		row = append(row, r.Entry.Ref)
	}
	for i := len(j.accepted) - 1; i >= 0; i-- {
		a := j.entries[j.accepted[i]].Body.(fact.Accepted)
		if a.Kind == string(kind) && a.Point == c.Point && a.Pass == c.Pass && slices.Equal(a.Of, row) {
			return j.accepted[i]
		}
	}
	return -1
}

// decide gives a cell the state that persons gave it: its last reading stands if
// it was accepted, and does not if it was sent back since.
func (j *judging) decide(c *Cell, kind func(Judged) FindingKind) {
	last, ok := c.Last()
	if !ok {
		return
	}
	if !c.Done {
		c.accepted = j.stands(c, last.at, kind(last))
	}
	if n := len(c.sent); n > 0 && c.sent[n-1] > max(last.at, c.accepted) {
		c.Done, c.accepted = false, -1
		return
	}
	if c.accepted >= 0 {
		c.Done, c.toPull = true, false
	}
}

// sentBack is why a cell was sent back, if that is still to be done.
func (js *JointState) sentBack(c *Cell) string {
	if c.Done || c.sentBy == nil {
		return ""
	}
	return reason(c.sentBy.Body.(fact.SentBack).Because)
}

// sentBack finds what was sent back.
func (f *finder) sentBack(k int, c *Cell) {
	for _, at := range c.sent {
		e := f.entries[at]
		b := e.Body.(fact.SentBack)
		made := Finding{Kind: BoltSentBack, Status: Open, Entries: []fact.Ref{e.Ref}, Text: wants(b.By) + ": " + reason(b.Because)}
		switch {
		case f.ps == nil:
			made.Remedy = "measure it again"
		case f.ps.Pass.Kind == plan.Recheck:
			made.Remedy = "go over it again"
		case f.js.inTorqueOnly():
			made.Remedy = pullTo(f.ps.Pass)
		default:
			made.Remedy = loosenRemedy(f.ps.Pass, f.js)
		}
		for _, r := range c.Live() {
			if r.at > at && r.Verdict.Good() && !r.Early {
				made.Status, made.By, made.Remedy = Settled, r.Entry.Ref, "done again: "+r.Reading.Spoken()
				break
			}
		}
		if made.Status == Open && c.accepted > at {
			made.Status, made.By, made.Remedy = Settled, f.entries[c.accepted].Ref, "what was read is accepted now"
		}
		f.report(k, c.Point, made)
	}
}
