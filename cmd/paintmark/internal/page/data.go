package page

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/cmd/paintmark/internal/mark"
)

// document is what the script draws from.
type document struct {
	Joints []jointData `json:"joints"`
	Pulls  []*pullData `json:"pulls"`
}

type jointData struct {
	Key    string     `json:"key"`
	Title  string     `json:"title"`
	Passes []passData `json:"passes"`
	Bolts  []boltData `json:"bolts"`
}

type passData struct {
	Key  fact.Pass `json:"key"`
	Name string    `json:"name"`
	// Window is what the torque must lie between, Turn what the turn must.
	Window *window `json:"window,omitempty"`
	Turn   *window `json:"turn,omitempty"`
}

// A window is two limits in a unit; Factor is what one of it is in the base unit.
type window struct {
	Least  *float64 `json:"least"`
	Most   *float64 `json:"most"`
	Factor float64  `json:"factor"`
	Text   string   `json:"text"`
}

type boltData struct {
	Place string `json:"place"`
	Order int    `json:"order"`
}

type pullData struct {
	Entry   string    `json:"entry"`
	Joint   string    `json:"joint"`
	Pass    fact.Pass `json:"pass"`
	Place   string    `json:"place"`
	Point   string    `json:"point"`
	Time    string    `json:"time"`
	Spoken  string    `json:"spoken"`
	By      string    `json:"by"`
	Mark    markData  `json:"mark"`
	Void    bool      `json:"void,omitempty"`
	Odd     []odd     `json:"odd,omitempty"`
	Samples samples   `json:"samples"`
	// Curve is the turn that was computed for the samples of tightening, in
	// thousandths of a degree.
	Curve    *curve    `json:"curve,omitempty"`
	Features []feature `json:"features"`
	// Snug and Origin are the turns that are counted from; nil where they cannot be
	// told.
	Snug   *float64 `json:"snug"`
	Origin *float64 `json:"origin"`
	// Why is why there is no turn, no snug point and no elastic origin.
	Why struct {
		Turn   string `json:"turn,omitempty"`
		Snug   string `json:"snug,omitempty"`
		Origin string `json:"origin,omitempty"`
	} `json:"why"`

	pass    plan.Pass
	found   trace.Features
	last    bool // the one that counts
	finding []int
	own     int // how many of Odd the trace itself tells; they come first
}

type markData struct {
	Symbol string `json:"symbol"`
	Word   string `json:"word"`
	Class  string `json:"class"`
}

type odd struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// samples are those of the book. Tick is in nanoseconds.
type samples struct {
	Tick   int64   `json:"tick"`
	Times  series  `json:"times"`
	Torque channel `json:"torque"`
	Angle  channel `json:"angle"`
}

type channel struct {
	Unit     string  `json:"unit"`
	Factor   float64 `json:"factor"`
	Exponent int32   `json:"exponent"`
	series
}

// A series is exact integers: the first and then each one's difference from the one
// before it, or all of them as text where JavaScript cannot add them exactly.
type series struct {
	Steps []int64  `json:"steps,omitempty"`
	Text  []string `json:"text,omitempty"`
}

type curve struct {
	Samples series `json:"samples"`
	Turns   series `json:"turns"`
}

// A feature is a value with what it is shown with. X is a turn, Y a torque of the
// trace; Sample is −1 where it has no place in time.
type feature struct {
	Name   string   `json:"name"`
	Letter string   `json:"letter,omitempty"`
	Text   string   `json:"text,omitempty"`
	Why    string   `json:"why,omitempty"`
	X      *float64 `json:"x,omitempty"`
	Y      *float64 `json:"y,omitempty"`
	Around float64  `json:"around,omitempty"` // standard uncertainty of X
	Sample int      `json:"sample"`
}

// exactly is as far as JavaScript adds and takes off integers exactly: sums stay
// within ±2^53 (ECMA-262, Number.MAX_SAFE_INTEGER).
const exactly = 1 << 52

func seriesOf(values []int64) series {
	s := series{Steps: make([]int64, len(values))}
	last := int64(0)
	for i, v := range values {
		if v > exactly || v < -exactly {
			s = series{Text: make([]string, len(values))}
			for k, w := range values {
				s.Text[k] = strconv.FormatInt(w, 10)
			}
			return s
		}
		s.Steps[i], last = v-last, v
	}
	return s
}

func channelOf(s trace.Series) channel {
	if len(s.Values) == 0 {
		return channel{Factor: 1}
	}
	return channel{Unit: s.Unit.String(), Factor: s.Unit.Factor().InexactFloat64(), Exponent: s.Exponent, series: seriesOf(s.Values)}
}

func windowOf(l quantity.Limits) *window {
	if l.IsZero() {
		return nil
	}
	w := &window{Factor: l.Unit().Factor().InexactFloat64(), Text: l.String()}
	for _, side := range []struct {
		from quantity.Quantity
		to   **float64
	}{{l.Least, &w.Least}, {l.Most, &w.Most}} {
		if !side.from.IsZero() {
			v := side.from.Value.InexactFloat64() * side.from.Unit.Factor().InexactFloat64() / w.Factor
			*side.to = &v
		}
	}
	return w
}

func jointOf(j *plan.Joint) jointData {
	d := jointData{Key: j.Key, Title: j.Title}
	for i, b := range j.Bolts {
		d.Bolts = append(d.Bolts, boltData{b.Key, i + 1})
	}
	for _, p := range j.Passes {
		one := passData{Key: p.Key, Name: p.Name}
		switch {
		case p.ByAngle():
			one.Window, one.Turn = windowOf(p.Watch), windowOf(p.Limits)
		case p.ByStretch():
		default:
			one.Window = windowOf(p.Limits)
		}
		d.Passes = append(d.Passes, one)
	}
	return d
}

// gathering makes the pulls of a build.
type gathering struct {
	in      Input
	last    map[fact.Point]quantity.Quantity // the last torque of each bolt so far
	without int
	unread  []string
}

// pulls gives the pulls that have a trace: those of the plan's joints in the order of
// the plan and of time.
func (g *gathering) pulls() []*pullData {
	var list []*pullData
	for _, js := range g.in.State.Joints {
		before := len(list)
		for _, ps := range js.Passes {
			from := len(list)
			for _, c := range ps.Cells {
				for _, r := range c.Readings {
					if p := g.reading(js, ps.Pass, c, r); p != nil {
						list = append(list, p)
					}
				}
			}
			for _, e := range g.in.Entries {
				i, ok := e.Body.(fact.Interrupted)
				if !ok || i.Pass != ps.Pass.Key || i.Point == "" || string(i.Point) != string(js.Joint.Point(i.Point.Place())) {
					continue
				}
				if p := g.interrupted(js, ps.Pass, e, i); p != nil {
					list = append(list, p)
				}
			}
			findOdd(list[from:])
		}
		for _, p := range list[before:] {
			for n, f := range g.in.State.Findings {
				if f.Point == fact.Point(p.Point) && slices.ContainsFunc(f.Entries, func(r fact.Ref) bool { return r.String() == p.Entry }) {
					p.finding = append(p.finding, n)
					if f.Status == judge.Open || f.Status == judge.ForReview {
						p.Odd = append(p.Odd, odd{string(f.Kind), f.Text})
					}
				}
			}
		}
	}
	return list
}

func (g *gathering) reading(js *judge.JointState, pass plan.Pass, c *judge.Cell, r judge.Judged) *pullData {
	point := c.Point
	known := trace.Known{Last: g.last[point]}
	if r.Void == nil && r.Reading.Value.Dimension() == quantity.Torque {
		g.last[point] = r.Reading.Value
	}
	if r.Reading.Trace == (fact.Trace{}) {
		if r.Reading.Value.Dimension() == quantity.Torque || !r.Reading.Angle.IsZero() {
			g.without++
		}
		return nil
	}
	m := mark.Verdict(r.Verdict)
	if r.Void != nil {
		m = mark.TakenBack
	}
	p := &pullData{Spoken: r.Reading.Spoken(), By: r.Reading.Instrument.Name, Mark: markOf(m), Void: r.Void != nil}
	if last, ok := c.Last(); ok {
		p.last = last.Entry.Ref == r.Entry.Ref
	}
	return g.fill(p, js, pass, r.Entry, point, r.Reading.Trace, known)
}

func (g *gathering) interrupted(js *judge.JointState, pass plan.Pass, e fact.Entry, i fact.Interrupted) *pullData {
	p := &pullData{Spoken: "no reading: " + i.Because, By: i.Instrument.Name, Mark: markOf(interruptedMark)}
	return g.fill(p, js, pass, e, i.Point, i.Trace, trace.Known{Last: g.last[i.Point]})
}

// interruptedMark is a pull that came to no end that anyone saw.
var interruptedMark = mark.Mark{Symbol: "◌", Word: "interrupted", Letter: "I", Colour: mark.Purple}

func (g *gathering) fill(p *pullData, js *judge.JointState, pass plan.Pass, e fact.Entry, point fact.Point, name fact.Trace, known trace.Known) *pullData {
	p.Entry, p.Joint, p.Pass, p.Point, p.Place, p.pass = e.Ref.String(), js.Joint.Key, pass.Key, string(point), point.Place(), pass
	p.Time = e.Time.In(g.in.zone()).Format(time.DateTime)
	t, err := g.in.Trace(name)
	if err == nil && pass.Target.Dimension() == quantity.Torque {
		known.Target = pass.Target
	}
	var c trace.Curve
	if err == nil {
		p.found, c, err = trace.ReadCurve(t, known)
	}
	if err != nil {
		g.unread = append(g.unread, fmt.Sprintf("%s, %s, %s: %s", p.Point, pass.Name, p.Entry, firstLine(err)))
		return nil
	}
	p.Samples = samples{Tick: t.Tick.Nanoseconds(), Times: seriesOf(t.Times), Torque: channelOf(t.Torque), Angle: channelOf(t.Angle)}
	if len(c.Samples) > 0 {
		p.Curve = curveOf(c)
	} else {
		p.Why.Turn = p.found.Turned.Why()
	}
	p.Snug, p.Why.Snug = told(p.found.Snug.Turn)
	p.Origin, p.Why.Origin = told(p.found.Origin)
	p.Features = features(p.found)
	return p
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

func curveOf(c trace.Curve) *curve {
	at, turns := make([]int64, len(c.Samples)), make([]int64, len(c.Turns))
	for i, s := range c.Samples {
		at[i], turns[i] = int64(s), int64(math.Round(c.Turns[i]*1000))
	}
	return &curve{seriesOf(at), seriesOf(turns)}
}

func told(v trace.Value) (*float64, string) {
	if !v.Told() {
		return nil, v.Why()
	}
	n := v.Number()
	return &n, ""
}

func markOf(m mark.Mark) markData { return markData{m.Symbol, m.Word, class(m.Colour)} }

// findOdd looks for what stands out among the pulls of one pass. A bolt's company are
// the pulls that count of the others.
func findOdd(pass []*pullData) {
	for _, p := range pass {
		if p.Void {
			continue
		}
		stage := trace.Stage{
			Turns:    p.pass.Kind == plan.Stage,
			MayYield: p.pass.ByAngle() || p.pass.ByStretch(),
		}
		for _, o := range pass {
			if o.last && o.Place != p.Place {
				stage.Neighbours = append(stage.Neighbours, o.found)
			}
		}
		for _, f := range trace.Find(p.found, stage) {
			p.Odd = append(p.Odd, odd{string(f.Kind), f.Text})
		}
		p.own = len(p.Odd)
	}
}

// features are what is read from a trace, in the order in which an engineer asks.
func features(f trace.Features) []feature {
	unit := f.Unit.String()
	list := []feature{
		valued("peak torque", f.Peak, unit).at("P", f.PeakTurn, f.Peak, f.PeakSample),
		valued("final torque", f.Final, unit).at("F", f.Turned, f.Final, f.FinalSample),
		valued("turned, flex taken out", f.Turned, "°"),
		valued("snug point, turn", f.Snug.Turn, "°").at("S", f.Snug.Turn, f.Snug.Torque, f.Snug.Sample),
		valued("snug point, torque", f.Snug.Torque, unit),
		valued("elastic origin, turn", f.Origin, "°").at("O", f.Origin, f.Zero, -1),
		valued("beyond the snug point", f.BeyondSnug, "°"),
		valued("beyond the elastic origin", f.BeyondOrigin, "°"),
		valued("stiffness of the linear zone", f.Stiffness, unit+" per degree"),
		valued("linear zone from", f.LinearFrom, "°"),
		valued("linear zone to", f.LinearTo, "°"),
		valued("gradient at the end, share of the linear zone's", f.EndGradient, ""),
		valued("yield, turn", f.Yield.Turn, "°").at("Y", f.Yield.Turn, f.Yield.Torque, f.Yield.Sample),
		valued("yield, torque", f.Yield.Torque, unit),
		valued("breakaway torque", f.Breakaway, unit),
		valued("relaxation, share of the last pull", f.Relaxation, ""),
		valued("prevailing torque", f.Prevailing, unit),
		valued("energy", f.Energy, "J"),
		valued("mean speed of turning", f.Speed, "°/s"),
		valued("flex of wrench and socket", f.Flex, "° per "+unit),
		valued("turned back", f.EasedBack, "°"),
		valued("torque at rest", f.Zero, unit),
		valued("noise", f.Noise, unit),
	}
	return append(list,
		feature{Name: "strokes", Text: strconv.Itoa(f.Strokes), Sample: -1},
		feature{Name: "sudden falls of torque", Text: strconv.Itoa(f.Slips), Sample: -1})
}

func valued(name string, v trace.Value, unit string) feature {
	f := feature{Name: name, Why: v.Why(), Sample: -1}
	if v.Told() {
		f.Text = strings.TrimSpace(v.String() + " " + unit)
		if strings.HasPrefix(unit, "°") {
			f.Text = v.String() + unit
			if v.Uncertainty() != 0 {
				f.Text = "(" + v.String() + ")" + unit
			}
		}
	}
	return f
}

// at gives a feature its place on the curve.
func (f feature) at(letter string, turn, torque trace.Value, sample int) feature {
	if f.Why != "" {
		return f
	}
	f.Letter, f.Sample, f.Around = letter, sample, turn.Uncertainty()
	f.X, _ = told(turn)
	f.Y, _ = told(torque)
	return f
}

var errNothing = errors.New("no page without a plan and what was recorded")
