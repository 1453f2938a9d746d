package pull

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// tick is the unit of a trace's times.
const tick = time.Microsecond

type state uint8

const (
	idle    state = iota
	pulling       // in a stroke
	between       // after a stroke that did not reach the aim
)

// A Cutter cuts the samples of one wrench. It is for one goroutine.
type Cutter struct {
	settings Settings
	aim      Aim // of the next pull
	still    still
	lead     []Sample
	first    Sample // of all: the units
	least    float64
	last     time.Time
	events   []Event

	// The pull that goes on.
	state     state
	goal      Aim
	sign      float64
	begins    float64 // the torque, beyond the zero, at which a stroke begins
	pull      *Pull
	told      int
	toldAt    time.Time
	announced bool
	stroke    Stroke
	top       float64   // of the stroke, beyond the zero
	low       int       // the sample at which the torque let go, -1 while it has not
	lowAt     time.Time // when
	over      time.Time // when the last stroke was over
}

// New makes a cutter.
func New(s Settings) *Cutter { return &Cutter{settings: s.filled(), low: -1} }

// Aim sets what the next pull is to reach.
func (c *Cutter) Aim(a Aim) { c.aim = a }

// ErrUnits means that a sample has other units than those before it.
var ErrUnits = errors.New("the wrench has changed its unit")

// Feed takes the next sample and gives what it tells. Samples come in the order
// of their times; it fails, and takes nothing, for one that is no torque, or has
// another unit than those before or more digits than can be kept.
func (c *Cutter) Feed(s Sample) ([]Event, error) {
	if err := c.check(s); err != nil {
		return nil, err
	}
	if c.first.Time.IsZero() {
		c.first = s
		if least, err := c.settings.Least.In(s.Torque.Unit, mostDigits); err == nil {
			c.least = least.Value.InexactFloat64()
		}
	}
	c.events = c.events[:0]
	if s.Time.Before(c.last) {
		s.Time = c.last
	}
	c.last = s.Time
	raw := s.Torque.Value.InexactFloat64()
	if c.state == idle {
		c.rest(s, raw)
	} else {
		c.goOn(s, raw)
	}
	return c.events, nil
}

// mostDigits is how many digits surely fit a scaled integer.
const mostDigits = 18

func (c *Cutter) check(s Sample) error {
	if d := s.Torque.Dimension(); d != quantity.Torque {
		return fmt.Errorf("%s is no torque", s.Torque)
	}
	if !c.first.Time.IsZero() && (s.Torque.Unit != c.first.Torque.Unit || s.Angle.Unit != c.first.Angle.Unit) {
		return ErrUnits
	}
	for _, q := range []quantity.Quantity{s.Torque, s.Angle} {
		if q.Value.NumDigits() > mostDigits/2 || q.Decimals() > mostDigits/2 {
			return fmt.Errorf("%s has more digits than a trace keeps", q)
		}
	}
	return nil
}

// rest takes a sample while nothing is pulled.
func (c *Cutter) rest(s Sample, raw float64) {
	begins := c.threshold(c.aim, s)
	zero := max(-begins, min(begins, c.still.zero))
	beyond := raw - zero
	if math.Abs(beyond) < begins {
		c.still.add(raw)
		c.lead = append(c.lead, s)
		for s.Time.Sub(c.lead[0].Time) > c.settings.Lead {
			c.lead = c.lead[1:]
		}
		return
	}
	c.state, c.goal, c.begins, c.sign = pulling, c.aim, begins, math.Copysign(1, beyond)
	c.told, c.announced, c.low = 0, false, -1
	c.pull = &Pull{Snug: c.aim.Snug, Zero: zero, Noise: c.still.noise}
	c.pull.Trace.Tick = tick
	c.pull.Trace.Torque.Unit, c.pull.Trace.Angle.Unit = s.Torque.Unit, s.Angle.Unit
	c.pull.Began = s.Time
	if len(c.lead) > 0 {
		c.pull.Began = c.lead[0].Time
	}
	c.toldAt = c.pull.Began
	for _, before := range c.lead {
		c.keep(before)
	}
	c.lead = c.lead[:0]
	c.keep(s)
	c.newStroke(beyond)
}

// threshold is the torque beyond the zero at which a stroke begins.
func (c *Cutter) threshold(aim Aim, s Sample) float64 {
	step := math.Pow10(-int(s.Torque.Decimals()))
	return max(c.settings.Begin*aim.Torque, c.least, c.settings.Noises*max(c.still.noise, step))
}

func (c *Cutter) newStroke(beyond float64) {
	c.state, c.low = pulling, -1
	n := c.pull.Trace.Len() - 1
	c.stroke, c.top = Stroke{From: n, Peak: n}, c.sign*beyond
}

// goOn takes a sample while a pull goes on.
func (c *Cutter) goOn(s Sample, raw float64) {
	beyond := raw - c.pull.Zero
	if c.sign*beyond <= -c.begins { // the other way: another pull
		c.endStroke(c.pull.Trace.Len())
		c.finish(c.ending())
		c.rest(s, raw)
		return
	}
	c.keep(s)
	switch {
	case c.state == pulling:
		c.pulled(s, c.sign*beyond)
	case c.sign*beyond >= c.begins:
		c.newStroke(beyond)
	case s.Time.Sub(c.over) >= c.settings.Pause:
		c.finish(c.ending())
		return
	}
	switch {
	case c.state == idle:
	case c.pull.Trace.Len() >= MostSamples:
		c.endStroke(c.pull.Trace.Len())
		c.finish(TooLong)
	case s.Time.Sub(c.toldAt) >= c.settings.Chunk && c.isPull(s.Time):
		c.tell(s.Time)
	}
}

// pulled takes a sample of a stroke.
func (c *Cutter) pulled(s Sample, beyond float64) {
	n := c.pull.Trace.Len()
	if beyond > c.top {
		c.top, c.stroke.Peak = beyond, n-1
	}
	if beyond >= max(c.begins/2, c.settings.Let*c.top) {
		c.low = -1
		return
	}
	if c.low < 0 {
		c.low, c.lowAt = n-1, s.Time
	}
	if s.Time.Sub(c.lowAt) < c.settings.Hold {
		return
	}
	c.endStroke(c.low)
	c.over = c.lowAt
	switch {
	case !c.isPull(c.lowAt):
		c.finish(LetGo)
	case c.reached():
		c.finish(Reached)
	default:
		c.state = between
	}
}

func (c *Cutter) endStroke(at int) {
	if c.state != pulling {
		return
	}
	c.stroke.To = at
	c.pull.Strokes = append(c.pull.Strokes, c.stroke)
	c.state = between
}

// isPull tells whether what goes on has lasted too long, or has gone too far, for
// a bump.
func (c *Cutter) isPull(now time.Time) bool {
	if c.announced || len(c.pull.Strokes) > 1 || c.reached() {
		return true
	}
	from := c.stroke.From
	if len(c.pull.Strokes) > 0 {
		from = c.pull.Strokes[0].From
	}
	began := c.pull.Began.Add(time.Duration(c.pull.Trace.Times[from]) * tick)
	return now.Sub(began) >= c.settings.Bump
}

// reached tells whether the strokes so far reach the goal.
func (c *Cutter) reached() bool {
	strokes := c.pull.Strokes
	if c.state == pulling {
		open := c.stroke
		open.To = c.pull.Trace.Len()
		strokes = append(slices.Clip(strokes), open)
	}
	switch {
	case c.sign < 0:
		return false
	case c.goal.Angle > 0:
		series := c.pull.Trace.Angle
		return len(series.Values) > 0 && trace.Series{Exponent: series.Exponent, Values: []int64{turned(&c.pull.Trace, strokes, c.goal.Snug)}}.Float(0) >= c.goal.Angle
	case c.goal.Torque > 0:
		for _, s := range strokes {
			if c.pull.Trace.Torque.Float(s.Peak) >= c.goal.Torque {
				return true
			}
		}
	}
	return false
}

// turned is the angle turned in the strokes of a trace, in steps of its angle: of
// each stroke, its largest angle less that of the sample before it came to the
// snug torque. What the wrench turns back between them does not count.
func turned(t *trace.Trace, strokes []Stroke, snug float64) (sum int64) {
	for _, s := range strokes {
		begin := s.From
		for snug > 0 && begin < s.To && t.Torque.Float(begin) < snug {
			begin++
		}
		from, most := t.Angle.Values[max(0, begin-1)], int64(0)
		for _, v := range t.Angle.Values[begin:s.To] {
			most = max(most, v-from)
		}
		sum += most
	}
	return sum
}

// Turned is the angle turned in the pull's strokes, exactly; the zero Quantity
// where the wrench gives none.
func (p *Pull) Turned() quantity.Quantity {
	if !p.Trace.HasAngle() {
		return quantity.Quantity{}
	}
	return quantity.New(decimal.New(turned(&p.Trace, p.Strokes, p.Snug), p.Trace.Angle.Exponent), p.Trace.Angle.Unit)
}

// Highest is the highest torque of the pull's strokes, exactly.
func (p *Pull) Highest() quantity.Quantity {
	t := p.Trace.Torque
	return quantity.New(decimal.New(t.Values[p.Peak()], t.Exponent), t.Unit)
}

// Lowest is the lowest torque of the pull, exactly: how far it was turned back.
func (p *Pull) Lowest() quantity.Quantity {
	t := p.Trace.Torque
	return quantity.New(decimal.New(slices.Min(t.Values), t.Exponent), t.Unit)
}

// Going is the pull that goes on, nil while there is none. Its last stroke may
// still be missing.
func (c *Cutter) Going() *Pull { return c.pull }

// ending is why a pull is over that nothing else ended.
func (c *Cutter) ending() End {
	if c.reached() {
		return Reached
	}
	return LetGo
}

// Elapse tells that no sample has come up to now: a wrench that has fallen silent
// ends its pull.
func (c *Cutter) Elapse(now time.Time) []Event {
	c.events = c.events[:0]
	if c.state != idle && now.Sub(c.last) >= c.settings.Pause {
		c.cut()
	}
	return c.events
}

// Lost tells that the wrench is gone, or that nothing more is wanted of it.
func (c *Cutter) Lost() []Event {
	c.events = c.events[:0]
	if c.state != idle {
		c.cut()
	}
	c.still = still{}
	c.lead, c.first = nil, Sample{}
	return c.events
}

// cut ends the pull that goes on: in a stroke it was interrupted.
func (c *Cutter) cut() {
	end := Cut
	if c.state == between {
		end = c.ending()
	}
	c.endStroke(c.pull.Trace.Len())
	c.finish(end)
}

// finish tells the end of the pull.
func (c *Cutter) finish(end End) {
	kind := Over
	if end != Cut && !c.isPull(c.last) {
		kind = Bumped
	}
	if c.sign < 0 && (end == LetGo || end == Reached) {
		end = Loosened
	}
	p := c.pull
	p.End, p.Ended = end, c.last
	if kind == Over && !c.announced {
		c.tell(c.last)
	}
	c.events = append(c.events, Event{kind, p})
	c.state, c.pull = idle, nil
}

// tell tells how far the pull has come, if that was not told yet.
func (c *Cutter) tell(now time.Time) {
	n := c.pull.Trace.Len()
	if c.told == n {
		return
	}
	kind := Went
	if !c.announced {
		kind = Began
	}
	c.events = append(c.events, Event{kind, c.pull})
	c.announced, c.told, c.toldAt = true, n, now
}

// keep puts a sample into the pull's trace.
func (c *Cutter) keep(s Sample) {
	t := &c.pull.Trace
	t.Times = append(t.Times, int64(s.Time.Sub(c.pull.Began)/tick))
	put(&t.Torque, s.Torque.Value)
	if !s.Angle.IsZero() {
		put(&t.Angle, s.Angle.Value)
	}
}

// put appends a value exactly; a value with more decimals than those before it
// gives them all as many.
func put(to *trace.Series, d decimal.Decimal) {
	v, exponent := d.CoefficientInt64(), d.Exponent()
	if len(to.Values) == 0 {
		to.Exponent = exponent
	}
	for ; to.Exponent > exponent; to.Exponent-- {
		for i := range to.Values {
			to.Values[i] *= 10
		}
	}
	for ; exponent > to.Exponent; exponent-- {
		v *= 10
	}
	to.Values = append(to.Values, v)
}

// still is what the wrench shows when nothing is pulled: its zero is the median of
// the last samples and its noise their median absolute deviation, times 1.4826 to
// be the standard deviation of a normal distribution.
type still struct {
	last        [128]float64
	n           int
	zero, noise float64
}

// every is after how many samples the zero and the noise are found anew.
const every = 16

func (s *still) add(v float64) {
	s.last[s.n%len(s.last)] = v
	if s.n++; s.n%every != 0 {
		return
	}
	var room [len(s.last)]float64
	sorted := room[:copy(room[:], s.last[:min(s.n, len(s.last))])]
	slices.Sort(sorted)
	s.zero = sorted[len(sorted)/2]
	for i, v := range sorted {
		sorted[i] = math.Abs(v - s.zero)
	}
	slices.Sort(sorted)
	s.noise = 1.4826 * sorted[len(sorted)/2]
}
