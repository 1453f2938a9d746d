package judge

import (
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"paintmark/calc/fact"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
)

// A loosening is a place in the record after which a bolt is to be tightened
// anew, from the first stage.
type loosening struct {
	at int
	// why it must be loosened; empty where its length was measured anew, which
	// says that it is loose.
	why string
}

// length is the cell of a bolt's length before it is tightened, if the joint
// has a stage by stretch.
func (js *JointState) length(place string) (*Cell, bool) {
	for i, step := range js.Joint.Steps {
		if step.FreeLength() && step.Key == place {
			return js.Steps[i], true
		}
	}
	return nil, false
}

// inTorqueOnly tells whether no stage of the joint goes by angle or stretch.
func (js *JointState) inTorqueOnly() bool {
	return !slices.ContainsFunc(js.Joint.Passes, func(p plan.Pass) bool { return p.ByAngle() || p.ByStretch() })
}

// lastLive is the place in the record of the cell's last reading in force before
// a place, -1 if none.
func (c *Cell) lastLive(before int) int {
	for i := len(c.Readings) - 1; i >= 0; i-- {
		if r := &c.Readings[i]; r.Void == nil && r.at < before {
			return r.at
		}
	}
	return -1
}

// judgeLengths judges the lengths of a bolt that is not tightened yet: any
// length is right.
func (c *Cell) judgeLengths() {
	for i := range c.Readings {
		r := &c.Readings[i]
		switch {
		case doubtful(r.Reading):
			r.Verdict = Doubtful
		case r.Reading.Value.Dimension() != quantity.Length:
			r.Verdict = Unjudged
		default:
			r.Verdict = Within
		}
		c.note(r, r.Verdict.Good())
	}
}

// judgeAngles judges the readings of a stage by angle. What a bolt is turned in
// the pulls of the stage is added up from its last pull in a stage before:
//
//	turned = sum of the angles of its pulls in this stage
//
// A pull of which the angle is not known, or beyond what its instrument can
// measure, makes the sum unknown.
func (j *judging) judgeAngles(js *JointState, pass int) {
	ps := js.Passes[pass]
	for _, c := range ps.Cells {
		var turned quantity.Quantity
		known, began := true, -1
		var spoilt []Judged
		for i := range c.Readings {
			r := &c.Readings[i]
			if snug := js.lastBelow(c.Place, pass, r.at); snug > began {
				turned, known, began = quantity.Quantity{}, true, snug
			}
			total, err := sum(turned, r.Reading.Angle)
			switch {
			case doubtful(r.Reading):
				r.Verdict = Doubtful
			case angleMissing(*r):
				r.Verdict, r.why = Unjudged, "without an angle"
			case err != nil:
				r.Verdict, r.why = Unjudged, fmt.Sprintf("%s is no angle", number(r.Reading.Angle))
			case !known:
				r.Verdict, r.why = Unjudged, "how far it was turned before in this stage is not known"
			default:
				r.Turned = total
				r.Verdict, r.why = turnVerdict(r.Reading, total, ps.Pass)
			}
			if r.Void == nil {
				switch {
				case !r.Turned.IsZero():
					turned = total
				case r.Verdict == Unjudged || slices.Contains(r.Reading.Status, fact.Overload):
					known = false
				}
				if !known || r.Verdict == High || r.Verdict == LowTorque || r.Verdict == HighTorque {
					spoilt = append(spoilt, *r)
				}
			}
			c.note(r, r.Verdict.Good())
		}
		j.spoil(js, ps, c, spoilt)
	}
}

// spoil has a bolt loosened after readings, unless they were accepted.
func (j *judging) spoil(js *JointState, ps *PassState, c *Cell, readings []Judged) {
	for _, r := range readings {
		if kind := kindOf(r, ps.Pass); j.stands(c, r.at, kind) < 0 {
			js.loosened[c.Place] = append(js.loosened[c.Place], loosening{r.at, passName(ps.Pass) + ": " + string(kind)})
		}
	}
}

// left is how far a bolt is still to be turned, which was turned too little in a
// stage by angle since its last pull in a stage before; none if it was not.
func (js *JointState) left(c *Cell, p plan.Pass) quantity.Quantity {
	last, ok := c.Last()
	pass := slices.IndexFunc(js.Passes, func(ps *PassState) bool { return ps.Pass.Key == p.Key })
	if !ok || last.Verdict != Low || last.Turned.IsZero() || js.lastBelow(c.Place, pass, maxPlace) > last.at {
		return quantity.Quantity{}
	}
	more, err := sum(p.Target, quantity.New(last.Turned.Value.Neg(), last.Turned.Unit))
	if err != nil {
		return quantity.Quantity{}
	}
	return more
}

// turnVerdict compares a bolt that was turned through an angle in all. Too much
// torque comes first, since the bolt must not be turned on whatever its angle.
func turnVerdict(r fact.Reading, turned quantity.Quantity, pass plan.Pass) (Verdict, string) {
	torque := quantity.Inside
	if !r.Value.IsZero() {
		if r.Value.Dimension() != quantity.Torque {
			return Unjudged, fmt.Sprintf("%s is no torque", number(r.Value))
		}
		torque, _ = pass.Watch.Place(r.Value)
	}
	v := verdictOf(turned, pass.Limits)
	switch {
	case torque == quantity.Above:
		return HighTorque, ""
	case v == Within && torque == quantity.Below:
		return LowTorque, ""
	default:
		return v, ""
	}
}

// sum adds angles exactly; nothing and an angle are the angle.
func sum(a, b quantity.Quantity) (quantity.Quantity, error) {
	switch {
	case b.Dimension() != quantity.Angle:
		return a, quantity.ErrDimension
	case a.IsZero():
		return quantity.New(b.Value, b.Unit), nil
	case a.Unit == b.Unit:
		return quantity.New(a.Value.Add(b.Value), a.Unit), nil
	default:
		return quantity.New(a.Base().Add(b.Base()), quantity.Degree), nil
	}
}

// angleMissing tells of a pull in a stage by angle that it has no angle.
func angleMissing(r Judged) bool { return r.Verdict == Unjudged && r.Reading.Angle.IsZero() }

// lastBelow is the place in the record of a bolt's last pull in the stages
// before one, or of its length measured anew, before a place; -1 if none.
func (js *JointState) lastBelow(place string, pass, before int) int {
	last := -1
	for _, ps := range js.Passes[:pass] {
		if c, ok := ps.Cell(place); ok {
			last = max(last, c.lastLive(before))
		}
	}
	return last
}

// judgeStretches judges the readings of a stage by stretch: lengths, of which
// is taken what the bolt measured before it was tightened:
//
//	stretch = length − length before
//
// exactly. That length counts if it was measured before the bolt was pulled in
// the stages before, or they were made again after it.
func (j *judging) judgeStretches(js *JointState, pass int) {
	ps := js.Passes[pass]
	for _, c := range ps.Cells {
		length, ok := js.length(c.Place)
		if !ok {
			continue
		}
		var spoilt []Judged
		for i := range c.Readings {
			r := &c.Readings[i]
			var before *Judged
			for k := range length.Readings {
				if l := &length.Readings[k]; l.Void == nil && l.Verdict.Good() && l.at < r.at {
					before = l
				}
			}
			switch {
			case doubtful(r.Reading):
				r.Verdict = Doubtful
			case r.Reading.Value.Dimension() != quantity.Length:
				r.Verdict = Unjudged
			case before == nil:
				r.Verdict, r.late, r.why = Unjudged, true, "its length was not measured before it was tightened"
			default:
				if early := js.tightenedBefore(c.Place, pass, before.at, r.at); early != "" {
					r.Verdict, r.why = Unjudged, "its length was measured only after it was pulled in "+early
					break
				}
				r.Before = before.Entry.Ref
				r.Stretch = difference(r.Reading.Value, before.Reading.Value)
				r.Verdict = verdictOf(r.Stretch, ps.Pass.Limits)
			}
			if r.Void == nil && (r.Verdict == High || r.why != "") {
				spoilt = append(spoilt, *r)
			}
			c.note(r, r.Verdict.Good())
		}
		j.spoil(js, ps, c, spoilt)
	}
}

// tightenedBefore names the first of the stages before one in which a bolt was
// pulled before its length was measured, and not again until it was stretched.
func (js *JointState) tightenedBefore(place string, pass, measured, stretched int) string {
	for _, ps := range js.Passes[:pass] {
		if c, ok := ps.Cell(place); ok {
			if last := c.lastLive(stretched); last >= 0 && last < measured {
				return passName(ps.Pass)
			}
		}
	}
	return ""
}

// difference is a − b exactly: in their unit, or where they differ in
// millimetres.
func difference(a, b quantity.Quantity) quantity.Quantity {
	if a.Unit == b.Unit {
		return quantity.New(a.Value.Sub(b.Value), a.Unit)
	}
	d := a.Base().Sub(b.Base())
	if trimmed, err := decimal.NewFromString(d.String()); err == nil {
		d = trimmed
	}
	return quantity.New(d, quantity.Millimetre)
}

// shows is what the indicator must show when a bolt is stretched rightly: its
// length before it was tightened, and the limits added. It is open where the
// length is not known, or not in the plan's unit.
func (js *JointState) shows(place string, pass plan.Pass) (l quantity.Limits) {
	c, ok := js.length(place)
	if !ok || !c.Done {
		return l
	}
	before, ok := c.Last()
	if !ok || !before.Verdict.Good() {
		return l
	}
	add := func(end quantity.Quantity) quantity.Quantity {
		if end.IsZero() || end.Unit != before.Reading.Value.Unit {
			return quantity.Quantity{}
		}
		return quantity.New(end.Value.Add(before.Reading.Value.Value), end.Unit)
	}
	return quantity.Limits{Least: add(pass.Limits.Least), Most: add(pass.Limits.Most)}
}

// loosen takes what a bolt was pulled to before it was to be loosened as not
// done any more.
func (j *judging) loosen(js *JointState) {
	if js.inTorqueOnly() {
		return
	}
	for _, b := range js.Joint.Bolts {
		length, measured := js.length(b.Key)
		if measured {
			first := slices.IndexFunc(length.Readings, func(r Judged) bool { return r.Void == nil && r.Verdict.Good() })
			if last := js.lastBelow(b.Key, len(js.Passes), maxPlace); first < 0 && last >= 0 {
				js.loosened[b.Key] = append(js.loosened[b.Key], loosening{last, string(LengthMissing)})
			}
			for _, r := range length.Readings {
				if r.Void == nil && r.Verdict.Good() && js.lastBelow(b.Key, len(js.Passes), r.at) >= 0 {
					js.loosened[b.Key] = append(js.loosened[b.Key], loosening{at: r.at})
				}
			}
		}
		for _, ps := range js.Passes {
			c, ok := ps.Cell(b.Key)
			if !ok || ps.Pass.Kind != plan.Stage {
				continue
			}
			for _, at := range c.sent {
				if at < c.accepted { // it stands after all
					continue
				}
				js.loosened[b.Key] = append(js.loosened[b.Key], loosening{at, "sent back"})
			}
		}
		list := js.loosened[b.Key]
		slices.SortFunc(list, func(a, b loosening) int { return a.at - b.at })
		if len(list) == 0 {
			continue
		}
		last := list[len(list)-1].at
		for _, ps := range js.Passes {
			if c, ok := ps.Cell(b.Key); ok && max(c.lastLive(len(j.entries)), c.accepted) < last {
				c.Done, c.toPull = false, false
			}
		}
		if measured && length.lastLive(len(j.entries)) < last {
			length.Done = false
		}
	}
}

// toLoosen is why a bolt is to be loosened before it is tightened anew; empty
// if it need not be, or was: then it was measured or pulled since.
func (js *JointState) toLoosen(place string) string {
	list := js.loosened[place]
	if len(list) == 0 {
		return ""
	}
	last := list[len(list)-1]
	since := js.lastBelow(place, len(js.Passes), maxPlace)
	if c, ok := js.length(place); ok {
		since = max(since, c.lastLive(maxPlace))
	}
	if since > last.at {
		return ""
	}
	return last.why
}

const maxPlace = int(^uint(0) >> 1)

// askedAgain tells whether a bolt was sent back, or to be loosened, between two
// places in the record, so that it had to be pulled again.
func (js *JointState) askedAgain(c *Cell, from, to int) bool {
	return slices.ContainsFunc(c.sent, func(at int) bool { return from < at && at < to }) ||
		slices.ContainsFunc(js.loosened[c.Place], func(l loosening) bool { return from <= l.at && l.at < to })
}

// compared is what of a reading is compared with the limits of its pass.
func (r Judged) compared(p plan.Pass) quantity.Quantity {
	switch {
	case p.ByAngle() && !r.Turned.IsZero():
		return r.Turned
	case p.ByStretch() && !r.Stretch.IsZero():
		return r.Stretch
	default:
		return r.Reading.Value
	}
}

// pullTo is what is to be done to a bolt in a pass.
func pullTo(p plan.Pass) string {
	switch {
	case p.ByAngle():
		return "turn it by " + p.Target.String()
	case p.ByStretch():
		return "stretch it by " + p.Target.String()
	default:
		return "pull it to " + p.Target.String()
	}
}

// loosenRemedy is what is done about a bolt that cannot be mended by pulling on.
func loosenRemedy(p plan.Pass, js *JointState) string {
	anew := "pull it again from " + passName(js.Passes[0].Pass)
	if _, ok := js.length(js.Joint.Bolts[0].Key); ok {
		anew = "measure its length and " + anew
	}
	if p.ByAngle() {
		return "loosen it, look at bolt and thread, and fit a new bolt if it may have yielded: such bolts are used once; then " + anew
	}
	return "loosen it, look at bolt and thread, then " + anew
}

// turnedWords say what is wrong with a reading of a stage by angle, and what is
// to be done.
func (f *finder) turnedWords(r Judged) (text, remedy string) {
	pass, in := f.ps.Pass, f.name(f.pass)
	remedy = loosenRemedy(pass, f.js)
	turned := "turned " + inUnit(r.Turned, pass.Target.Unit, pass.Limits)
	if c, err := r.Turned.Cmp(r.Reading.Angle); err == nil && c != 0 {
		turned += " in all"
	}
	torque := func() string { return inUnit(r.Reading.Value, pass.Watch.Unit(), pass.Watch) }
	switch r.Verdict {
	case Low:
		text = fmt.Sprintf("%s in %s, allowed is %s", turned, in, allowed(pass.Limits))
		more, err := sum(pass.Target, quantity.New(r.Turned.Value.Neg(), r.Turned.Unit))
		if remedy = "turn it on to " + pass.Target.String() + " in all"; err == nil {
			remedy += ", " + more.String() + " more"
		}
	case High:
		text = fmt.Sprintf("%s in %s, allowed is %s", turned, in, allowed(pass.Limits))
	case LowTorque:
		text = fmt.Sprintf("%s in %s with %s at the end, watched for is %s", turned, in, torque(), allowed(pass.Watch))
		remedy = "do not turn it on: it may have yielded, its thread may give way, or it was not snug; " + remedy
	case HighTorque:
		text = fmt.Sprintf("%s at %s in %s, watched for is %s", torque(), r.Turned, in, allowed(pass.Watch))
		remedy = "do not turn it on: it may have bottomed, seized, or be dry; " + remedy
	default:
		text = fmt.Sprintf("%s in %s cannot be judged: %s", r.Reading.Spoken(), in, r.why)
		if angleMissing(r) {
			text = fmt.Sprintf("%s in %s came without an angle, so it cannot be judged", r.Reading.Spoken(), in)
			remedy = "if the angle was read otherwise, take the reading back and state the angle by hand; else " + remedy
		}
	}
	return text, remedy
}

// unwatched is the finding of a bolt that was turned far enough, while nobody
// knows its torque.
func (f *finder) unwatched(r Judged) (Finding, bool) {
	if pass := f.ps.Pass; !pass.Watch.IsZero() && r.Reading.Value.IsZero() {
		return Finding{Kind: TorqueUnwatched, Status: ForReview, Entries: []fact.Ref{r.Entry.Ref},
			Text:   fmt.Sprintf("turned %s in %s, and the torque at the end is not known; watched for is %s", r.Turned, f.name(f.pass), allowed(pass.Watch)),
			Remedy: "someone must judge it"}, true
	}
	return Finding{}, false
}

// stretchWords say what is wrong with a reading of a stage by stretch, and what
// is to be done.
func (f *finder) stretchWords(r Judged) (text, remedy string) {
	pass, in := f.ps.Pass, f.name(f.pass)
	switch r.Verdict {
	case Low, High:
		text = fmt.Sprintf("stretched by %s in %s, allowed is %s", inUnit(r.Stretch, pass.Target.Unit, pass.Limits), in, allowed(pass.Limits))
		if r.Verdict == Low {
			return text, "pull it on until it is stretched by " + pass.Target.String() + ", and measure again"
		}
		return text, "it may have yielded: " + loosenRemedy(pass, f.js)
	default:
		if r.why != "" {
			return fmt.Sprintf("%s in %s cannot be judged: %s", number(r.Reading.Value), in, r.why), loosenRemedy(pass, f.js)
		}
		return fmt.Sprintf("%s in %s is no length", number(r.Reading.Value), in), "take the reading back and measure with the right instrument"
	}
}

// length finds a bolt that was tightened before its length was measured, and
// one that was measured again without a cause.
func (f *finder) length(i int, c *Cell) {
	begun, first := -1, "" // the bolt's first pull
	for _, ps := range f.js.Passes {
		if b, ok := ps.Cell(c.Place); ok && b.first >= 0 && (begun < 0 || b.first < begun) {
			begun, first = b.first, passName(ps.Pass)
		}
	}
	if begun < 0 {
		return
	}
	var before *Judged
	for k := range c.Readings {
		r := &c.Readings[k]
		if r.Void != nil || !r.Verdict.Good() {
			continue
		}
		if before != nil && begun < r.at && !slices.ContainsFunc(f.js.loosened[c.Place], func(l loosening) bool {
			return l.why != "" && before.at < l.at && l.at < r.at
		}) {
			f.report(i, c.Point, Finding{Kind: LengthAgain, Status: ForReview, Entries: []fact.Ref{before.Entry.Ref, r.Entry.Ref},
				Text:   fmt.Sprintf("its length was measured again after it was tightened: %s, then %s", before.Reading.Value, r.Reading.Value),
				Remedy: "it counts only if the bolt was loose then, which someone must judge"})
		}
		if before == nil && begun < r.at {
			f.report(i, c.Point, Finding{Kind: LengthMissing, Status: ForReview, Entries: []fact.Ref{f.entries[begun].Ref}, By: r.Entry.Ref,
				Text:   fmt.Sprintf("it was pulled in %s before its length was measured", first),
				Remedy: "it was measured later, which counts only if the bolt was loose then; someone must judge it"})
		}
		before = r
	}
	if before == nil {
		f.report(i, c.Point, Finding{Kind: LengthMissing, Status: Open, Entries: []fact.Ref{f.entries[begun].Ref},
			Text:   fmt.Sprintf("it was pulled in %s before its length was measured, so its stretch cannot be told", first),
			Remedy: "loosen it, measure its length and pull it again from " + passName(f.js.Passes[0].Pass)})
	}
}
