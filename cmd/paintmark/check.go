package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/screen"
	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
)

func checkCommand() *cli.Command {
	return &cli.Command{
		Name:    "check",
		Summary: "reads an instrument for a minute, and says how well it is understood",
		About: `Before the work, or after a profile was changed: how many frames were understood and
why the others were not, how fast they come and with what gaps, how many are missing
by the instrument's own count, and what it said. It records no reading, and sends
only what the profile says. An instrument that does not send all the time has to be
used meanwhile: press its button, or make a few pulls. It ends with --for, at the
end of a recording, or when it is interrupted.`,
		Examples: []cli.Example{
			{Line: "paintmark check wrench-a", Does: "an instrument of the shop's list"},
			{Line: "paintmark check --at serial:/dev/ttyUSB0 --profile testdata/profiles/wrench-line.toml --for 30s", Does: "one that is not in the list"},
			{Line: "paintmark check --at replay:testdata/recordings/wrench-line.rec --profile testdata/profiles/wrench-line.toml --fast", Does: "a recording"},
		},
		Args: []cli.Arg{{Name: "instrument", Help: "its name in the shop's list", Optional: true, Complete: completeInstruments}},
		Flags: append(slices.Clone(atFlags),
			cli.Flag{Name: "for", Kind: cli.Duration, Value: "TIME", Default: "1m", Help: "how long"}),
		JSON: true,
		Run:  check,
	}
}

func check(ctx context.Context, c *cli.Call) (err error) {
	i, err := toCheck(c)
	if err != nil {
		return err
	}
	t := newTally(i.profile, time.Now())
	i.transport = &heardTransport{i.transport, t.heard}
	limited, cancel := context.WithTimeout(ctx, c.Duration("for"))
	defer cancel()
	a := i.attach(ctx, attach.Options{}).Adapter
	show, end := liveLine(c, t)
	err = tallyAll(limited, a, t, show)
	end()
	now := time.Now()
	if closed := a.Close(); closed != nil {
		return closed
	}
	// What was still being put together, to be told as one, is told now.
	rest := tallyAll(context.WithoutCancel(ctx), a, t, func() {})
	if err == nil && !errors.Is(rest, device.ErrClosed) {
		err = rest
	}
	if ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
		err = nil
	}
	r := t.result(now)
	r.Instrument, r.Address, r.Profile = i.Name, i.Address, i.Instrument.Profile
	var written error
	if c.JSON() {
		written = json.NewEncoder(c.Out).Encode(r)
	} else {
		written = r.print(c.Out)
	}
	switch {
	case written != nil:
		return errors.Join(err, written)
	case err == nil:
		return r.failure(i.transport.Address())
	}
	return err
}

// toCheck is the instrument that the command names.
func toCheck(c *cli.Call) (chosen, error) {
	from, name := sources{in: c.In, fast: c.Bool("fast")}, c.Arg("instrument")
	switch at := c.String("at"); {
	case at != "" && name != "":
		return chosen{}, cli.Usagef("--at is for an instrument that is not in the list, and %s is a name of it", name)
	case at != "":
		return chooseAt(c, from)
	case name == "":
		return chosen{}, cli.WithHint(cli.Usagef("which instrument?"), "name one of the shop's list, or one that is not in it with --at and --profile")
	}
	s, err := openShelf(c)
	if err != nil {
		return chosen{}, err
	}
	list, err := chooseOf(s, from, []string{name})
	if err != nil {
		return chosen{}, err
	}
	return list[0], nil
}

// redraw is how often the live line is drawn at least.
const redraw = 250 * time.Millisecond

// tallyAll takes what an adapter tells until ctx is done or its source ends.
func tallyAll(ctx context.Context, a device.Adapter, t *tally, show func()) error {
	for {
		step, cancel := context.WithTimeout(ctx, redraw)
		e, err := a.Next(step)
		cancel()
		switch {
		case err == nil:
			t.event(e)
			if e.Kind == device.Ended {
				return e.Err
			}
		case ctx.Err() != nil:
			return ctx.Err()
		case !errors.Is(err, context.DeadlineExceeded):
			return err
		}
		show()
	}
}

// liveLine draws one line over and over where standard error is a terminal.
func liveLine(c *cli.Call, t *tally) (show, end func()) {
	to, _ := c.Err.(*os.File)
	if !screen.IsTerminal(to) || c.JSON() || c.Env("TERM") == "dumb" {
		return func() {}, func() {}
	}
	drawn := time.Time{}
	show = func() {
		if now := time.Now(); now.Sub(drawn) >= redraw/2 {
			drawn = now
			_, _ = fmt.Fprintf(to, "\r\x1b[K%s", t.line(now))
		}
	}
	return show, func() { _, _ = fmt.Fprint(to, "\r\x1b[K") }
}

// mostGaps bounds the memory that gaps take; those beyond count for the longest
// alone.
const mostGaps = 1 << 20

// A tally counts what comes of an instrument.
type tally struct {
	profile *profile.Profile // nil where the instrument describes itself
	began   time.Time

	mutex    sync.Mutex // of what the reading goroutine writes
	bytes    int
	lastByte time.Time

	good, bad       int
	missing         uint64
	reasons         map[string]*reason
	gaps            []time.Duration
	longest         time.Duration
	lastGood        time.Time
	last            device.Sample
	identity        string
	spans           []*span
	status          map[string]int
	losses, silence int
	lost            error // why it is not there now
	unfinished      error // of what stayed the beginning of a frame
	ended           bool
}

// A reason is why frames were not understood.
type reason struct {
	kind, hint string
	count      int
	raw        []byte // of the first
}

// A span is from the least to the most value in one unit.
type span struct{ least, most quantity.Quantity }

func newTally(p *profile.Profile, began time.Time) *tally {
	return &tally{profile: p, began: began, reasons: map[string]*reason{}, status: map[string]int{}}
}

// heard counts bytes, on the goroutine that reads them.
func (t *tally) heard(p []byte, at time.Time) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	t.bytes += len(p)
	t.lastByte = at
}

func (t *tally) event(e device.Event) {
	if e.Identity != "" {
		t.identity = e.Identity
	}
	switch e.Kind {
	case device.Sampled:
		t.sample(e.Sample)
	case device.Rejected:
		t.rejected(e)
	case device.Lost:
		if t.lost == nil && t.good+t.bad > 0 {
			t.losses++
		}
		t.lost, t.lastGood = e.Err, time.Time{} // an absence is no gap
	case device.Found:
		t.lost = nil
	case device.Quiet:
		t.silence++
	case device.Unfinished:
		t.unfinished = e.Err
	case device.Ended:
		t.ended = true
	}
}

func (t *tally) sample(s device.Sample) {
	t.good++
	t.last = s
	if !t.lastGood.IsZero() {
		gap := max(0, s.Time.Sub(t.lastGood))
		t.longest = max(t.longest, gap)
		if len(t.gaps) < mostGaps {
			t.gaps = append(t.gaps, gap)
		}
	}
	t.lastGood = s.Time
	for _, word := range s.Status {
		t.status[word]++
	}
	t.value(s.Value)
	if !s.Angle.IsZero() {
		t.value(s.Angle)
	}
}

func (t *tally) value(q quantity.Quantity) {
	for _, s := range t.spans {
		if s.least.Unit == q.Unit {
			if q.Value.LessThan(s.least.Value) {
				s.least = q
			}
			if q.Value.GreaterThan(s.most.Value) {
				s.most = q
			}
			return
		}
	}
	t.spans = append(t.spans, &span{q, q})
}

func (t *tally) rejected(e device.Event) {
	n := max(1, e.Pieces)
	t.bad += n
	if r, ok := errors.AsType[*profile.Rejection](e.Err); ok {
		t.bad -= r.Beside
		if t.missing += r.Missing; r.Missing > 0 && r.Beside == n {
			return
		}
	}
	why := e.Err.Error()
	if placed, ok := errors.AsType[*device.Error](e.Err); ok {
		why = placed.Err.Error()
	}
	kind := reasonKind(why)
	if t.reasons[kind] == nil {
		t.reasons[kind] = &reason{kind: kind, hint: hintOf(e.Err), raw: e.Raw}
	}
	t.reasons[kind].count += n
}

func hintOf(err error) string {
	if h, ok := errors.AsType[interface {
		error
		HintText() string
	}](err); ok {
		return h.HintText()
	}
	return ""
}

var (
	ofMany   = regexp.MustCompile(`^\d+ pieces, \d+ bytes, within .*?; the first: `)
	ownBytes = regexp.MustCompile(`^"(?:\\.|[^"\\])*"…?:? `)
	sums     = regexp.MustCompile(`^check: want .*`)
	figures  = regexp.MustCompile(`(count|angle of|stays at) -?\d[\d.]*`)
)

// reasonKind is what a reason has in common with others like it: without the bytes
// and the figures of the one frame.
func reasonKind(reason string) string {
	reason = ofMany.ReplaceAllString(reason, "")
	reason = ownBytes.ReplaceAllString(reason, "")
	reason = sums.ReplaceAllString(reason, "its check is wrong")
	return figures.ReplaceAllString(reason, "$1 …")
}

// line is what the live line says.
func (t *tally) line(now time.Time) string {
	t.mutex.Lock()
	bytes, lastByte := t.bytes, t.lastByte
	t.mutex.Unlock()
	words := fmt.Sprintf("%3.0f s  %d understood, %d not", now.Sub(t.began).Seconds(), t.good, t.bad)
	switch {
	case t.lost != nil:
		words += "  it is not there"
	case bytes == 0:
		words += "  nothing came yet: press its button, or make a pull"
	default:
		if t.good > 0 {
			words += "  last " + shownValue(t.last.Value)
		}
		words += fmt.Sprintf("  %.1f s ago", max(0, now.Sub(lastByte).Seconds()))
	}
	return words
}

func shownValue(q quantity.Quantity) string {
	if q.IsZero() {
		return q.Number() + " without a unit"
	}
	return q.String()
}

// quantile is the p-quantile of n values in rising order, by linear interpolation
// between those next to it:
//
//	h = (n − 1)·p
//	q = x[⌊h⌋] + (h − ⌊h⌋)·(x[⌊h⌋+1] − x[⌊h⌋])
//
// with x counted from 0; p lies between 0 and 1. The median is p = 1/2. It is 0
// of no values. A single wild value moves it by no more than to its neighbour.
// Source: Hyndman and Fan, Sample Quantiles in Statistical Packages, 1996,
// definition 7 (from memory).
func quantile(rising []time.Duration, p float64) time.Duration {
	if len(rising) == 0 {
		return 0
	}
	h := float64(len(rising)-1) * p
	low := int(h)
	high := min(low+1, len(rising)-1)
	return rising[low] + time.Duration(math.Round((h-float64(low))*float64(rising[high]-rising[low])))
}

// Common practice: a hand presses no button more often than this for long, and
// does not keep time within a tenth.
const (
	handGap  = 500 * time.Millisecond
	handTime = 0.1
	// fast and even are how many gaps it takes to tell.
	fast, even = 4, 9
)

// streams tells whether frames with these gaps, in rising order, were sent by the
// instrument itself: they come faster than a hand presses a button, or evenly:
//
//	median < handGap,  or  Q3 − Q1 < handTime·median
//
// by quartiles, so that pauses between bursts say nothing.
func streams(rising []time.Duration) bool {
	median := quantile(rising, 0.5)
	spread := quantile(rising, 0.75) - quantile(rising, 0.25)
	return len(rising) >= fast && median < handGap ||
		len(rising) >= even && spread.Seconds() < handTime*median.Seconds()
}

// pauseTimes is by how many medians a gap is more than the rhythm of a stream.
const pauseTimes = 3

// A checkAnswer is what a check found; JSON.md describes it.
type checkAnswer struct {
	Instrument string        `json:"instrument"`
	Address    string        `json:"address"`
	Profile    string        `json:"profile"`
	Identity   string        `json:"identity,omitempty"`
	Seconds    float64       `json:"seconds"`
	Bytes      int           `json:"bytes"`
	Understood int           `json:"understood"`
	Rejected   int           `json:"rejected"`
	Missing    uint64        `json:"missing"`
	AtLeast    bool          `json:"missing_at_least,omitempty"`
	Reasons    []checkReason `json:"reasons,omitempty"`
	Sends      string        `json:"sends,omitempty"`
	Rate       float64       `json:"frames_per_second,omitempty"`
	ByteRate   float64       `json:"bytes_per_second"`
	MedianGap  float64       `json:"median_gap,omitempty"`
	LongestGap float64       `json:"longest_gap,omitempty"`
	Pauses     int           `json:"pauses,omitempty"`
	Values     []checkSpan   `json:"values,omitempty"`
	Status     []checkStatus `json:"status,omitempty"`
	Age        *float64      `json:"age,omitempty"`
	Losses     int           `json:"losses,omitempty"`
	Quiet      int           `json:"quiet,omitempty"`
	Verdict    string        `json:"verdict"`
	lost       error
	hint       string
}

type checkReason struct {
	Reason string `json:"reason"`
	Count  int    `json:"count"`
	First  []byte `json:"first"`
}

type checkSpan struct {
	Least *answer.Quantity `json:"least"`
	Most  *answer.Quantity `json:"most"`
}

// String is "least to most unit".
func (s checkSpan) String() string {
	text := s.Least.Value
	if s.Most.Value != text {
		text += " to " + s.Most.Value
	}
	switch s.Least.Unit {
	case "":
		return text + " without a unit"
	case quantity.Degree.String():
		return text + s.Least.Unit
	}
	return text + " " + s.Least.Unit
}

type checkStatus struct {
	Word  string `json:"word"`
	Count int    `json:"count"`
}

// How an instrument sends.
const (
	sendsAsked  = "asked"
	sendsStream = "streaming"
	sendsEach   = "each pull or press"
)

// result sums up what came until now.
func (t *tally) result(now time.Time) *checkAnswer {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	if t.ended || t.lastByte.After(now) { // a recording has a time of its own
		now = t.lastByte
	}
	r := &checkAnswer{
		Identity: t.identity, Bytes: t.bytes, Understood: t.good, Rejected: t.bad, Missing: t.missing,
		Losses: t.losses, Quiet: t.silence, lost: t.lost,
	}
	elapsed := now.Sub(t.began)
	if t.bytes == 0 && t.ended {
		elapsed = 0
	}
	r.Seconds = rounded(elapsed)
	if elapsed > 0 {
		r.ByteRate = math.Round(float64(t.bytes)/elapsed.Seconds()*10) / 10
	}
	if t.bytes > 0 && !t.ended {
		age := rounded(now.Sub(t.lastByte))
		r.Age = &age
	}
	t.rhythm(r)
	for _, why := range t.reasons {
		r.Reasons = append(r.Reasons, checkReason{why.kind, why.count, why.raw})
	}
	slices.SortFunc(r.Reasons, func(a, b checkReason) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), strings.Compare(a.Reason, b.Reason))
	})
	if len(r.Reasons) > 0 {
		r.hint = t.reasons[r.Reasons[0].Reason].hint
	}
	if r.hint == "" && t.unfinished != nil {
		r.hint = hintOf(t.unfinished)
	}
	for _, s := range t.spans {
		r.Values = append(r.Values, checkSpan{bare(s.least), bare(s.most)})
	}
	for word, n := range t.status {
		r.Status = append(r.Status, checkStatus{word, n})
	}
	slices.SortFunc(r.Status, func(a, b checkStatus) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), strings.Compare(a.Word, b.Word))
	})
	r.Verdict = r.verdict()
	return r
}

// bare is a quantity that may have no unit.
func bare(q quantity.Quantity) *answer.Quantity {
	return &answer.Quantity{Value: q.Number(), Unit: q.Unit.String()}
}

func rounded(d time.Duration) float64 { return math.Round(max(0, d).Seconds()*1000) / 1000 }

// rhythm is how and how fast frames came.
func (t *tally) rhythm(r *checkAnswer) {
	rising := slices.Clone(t.gaps)
	slices.Sort(rising)
	median := quantile(rising, 0.5)
	switch {
	case t.good == 0:
		return
	case t.profile != nil && t.profile.Talk.Asks():
		r.Sends = sendsAsked
	case t.profile != nil && len(t.profile.Talk.Begin) > 0 || streams(rising):
		r.Sends = sendsStream
	default:
		r.Sends = sendsEach
	}
	if len(rising) == 0 {
		return
	}
	r.MedianGap, r.LongestGap = rounded(median), rounded(t.longest)
	if r.Sends == sendsEach {
		return
	}
	if median > 0 {
		r.Rate = math.Round(10/median.Seconds()) / 10
	}
	for _, gap := range rising {
		if median > 0 && gap > pauseTimes*median {
			r.Pauses++
		}
	}
}

func (r *checkAnswer) verdict() string {
	switch {
	case r.Understood == 0 && r.Bytes == 0 && r.lost != nil:
		return "it is not there"
	case r.Understood == 0 && r.Bytes == 0:
		return "nothing came"
	case r.Understood == 0:
		return count(r.Bytes, "byte", "bytes") + " came, and nothing was understood"
	}
	words := fmt.Sprintf("understood: %d of %s", r.Understood, count(r.Understood+r.Rejected, "frame", "frames"))
	if r.Sends == sendsEach {
		words += ", each at a pull or a press of its button"
	}
	if r.Missing > 0 {
		words += fmt.Sprintf(", and %d missing by its own count", r.Missing)
	}
	switch {
	case r.lost != nil:
		words += "; it is not there now"
	case r.Losses > 0:
		words += "; lost " + count(r.Losses, "time", "times") + ", and found again"
	}
	return words
}

// failure is the error of an instrument of which nothing was understood.
func (r *checkAnswer) failure(at device.Address) error {
	if r.Understood > 0 {
		return nil
	}
	if r.Bytes == 0 && r.lost != nil {
		return cli.Fail(cli.Instrument, r.lost)
	}
	hint := "is it switched on, its cable whole, and the address the right one? One that sends at each pull or press has to be used meanwhile"
	if r.Bytes > 0 {
		if hint = r.hint; hint == "" {
			hint = "is its line, or its framing, another than the profile says?"
		}
		hint += "\npaintmark listen " + at.String() + " shows the bytes"
	}
	return cli.WithHint(cli.Fail(cli.Instrument, &device.Error{Address: at, Err: errors.New(r.Verdict)}), hint)
}

// mostReasons is how many reasons are printed.
const mostReasons = 5

func (r *checkAnswer) print(to io.Writer) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	row := func(name, format string, args ...any) {
		_, _ = fmt.Fprintf(w, "%s\t%s\n", name, fmt.Sprintf(format, args...))
	}
	who := r.Instrument
	if r.Address != r.Instrument {
		who += " at " + r.Address
	}
	row("instrument", "%s", who)
	row("profile", "%s", r.Profile)
	if r.Identity != "" {
		row("identity", "%s", r.Identity)
	}
	row("checked", "%s, %s, %.1f a second", seconds(r.Seconds), count(r.Bytes, "byte", "bytes"), r.ByteRate)
	row("frames", "%d understood, %d not", r.Understood, r.Rejected)
	for _, why := range r.Reasons[:min(mostReasons, len(r.Reasons))] {
		row("", "%d: %s, as %s", why.Count, why.Reason, quoted(why.First))
	}
	if more := len(r.Reasons) - mostReasons; more > 0 {
		row("", "and %s", count(more, "reason more", "reasons more"))
	}
	switch r.Sends {
	case sendsEach:
		row("sends", "at each pull or press of its button: %d came", r.Understood)
	case "":
	default:
		rate := ""
		if r.Rate > 0 {
			rate = fmt.Sprintf(", %.1f frames a second", r.Rate)
		}
		row("sends", "%s%s", map[string]string{sendsAsked: "when asked", sendsStream: "all the time"}[r.Sends], rate)
	}
	if r.LongestGap > 0 || r.MedianGap > 0 {
		gaps := fmt.Sprintf("median %s, longest %s", seconds(r.MedianGap), seconds(r.LongestGap))
		if r.Pauses > 0 {
			gaps += fmt.Sprintf("; %d longer than %d medians", r.Pauses, pauseTimes)
		}
		row("gaps", "%s", gaps)
	}
	if r.Missing > 0 {
		row("missing", "%d by its own count", r.Missing)
	}
	for n, s := range r.Values {
		name := "values"
		if n > 0 {
			name = ""
		}
		row(name, "%s", s)
	}
	if len(r.Status) > 0 {
		var words []string
		for _, s := range r.Status {
			words = append(words, fmt.Sprintf("%s %d", s.Word, s.Count))
		}
		row("status", "%s", strings.Join(words, ", "))
	}
	if r.Age != nil {
		row("last", "%s before the end", seconds(*r.Age))
	}
	if r.Losses > 0 {
		row("lost", "%s", count(r.Losses, "time", "times"))
	}
	if r.Quiet > 0 {
		row("quiet", "%s", count(r.Quiet, "time", "times"))
	}
	row("verdict", "%s", r.Verdict)
	return w.Flush()
}

// quoted is the beginning of bytes in one short piece of a line.
func quoted(p []byte) string {
	const most = 24
	if len(p) > most {
		return fmt.Sprintf("%q…", p[:most])
	}
	return fmt.Sprintf("%q", p)
}

// seconds is a time of three figures or so.
func seconds(s float64) string {
	switch {
	case s >= 10:
		return fmt.Sprintf("%.0f s", s)
	case s >= 1:
		return fmt.Sprintf("%.2f s", s)
	}
	return fmt.Sprintf("%.0f ms", s*1000)
}
