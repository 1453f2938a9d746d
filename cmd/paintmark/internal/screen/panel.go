package screen

import (
	"fmt"
	"strings"
	"time"

	"paintmark/calc/judge"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/mark"
)

// From how many rows on there is room for letters several lines high: of what
// is next, and of the banner too.
const (
	rowsForNext   = 18
	rowsForBanner = 22
	rowsForMargin = 26
)

// A banner is what the last thing that happened looks like from afar.
type banner struct {
	colour mark.Colour
	// words say it, the first that fits in big letters.
	words []string
	// text says all of it in one line.
	text string
	// strips are lines below it that want attention of their own.
	strips []strip
	// lost is the instrument that it says is lost.
	lost string
	// gauge is where a pull that goes on stands; nil where there is none.
	gauge *gauge
}

// A strip is one line on a ground of its own.
type strip struct {
	colour mark.Colour
	text   string
}

// bannerOf is what an event changes the banner to; nil if it leaves it. What
// was heard and not counted, or not saved, takes the last verdict away, so that
// none is taken for the verdict of a pull that has none.
func bannerOf(e bench.Event) *banner {
	attention := func(word, text string, shorter ...string) *banner {
		return &banner{colour: mark.Purple, words: append([]string{word}, shorter...), text: warn + " " + word + "   " + text}
	}
	alarm := func(word, text string, shorter ...string) *banner {
		return &banner{colour: mark.Vermilion, words: append([]string{word}, shorter...), text: warn + " " + word + "   " + text}
	}
	marked := func(m mark.Mark, text string) *banner {
		word := strings.ToUpper(m.Word)
		return &banner{colour: m.Colour, words: []string{word}, text: m.Symbol + " " + word + "   " + text}
	}
	switch e.Kind {
	case bench.Pulling:
		return pullingBanner(e)
	case bench.CutOff:
		return alarm("INTERRUPTED", fmt.Sprintf("a pull at %s: %s", e.Task.Point, e.Text), "CUT OFF")
	case bench.Read:
		return readingBanner(e)
	case bench.Confirmed:
		return marked(mark.Confirmed, string(e.Task.Point)+": "+e.Task.Name)
	case bench.Skipped:
		return marked(mark.Skipped, fmt.Sprintf("%s, %s: %s", e.Task.Point, e.Task.Name, e.Text))
	case bench.Voided:
		return marked(mark.TakenBack, fmt.Sprintf("%s at %s: %s", e.Entry, e.Task.Point, e.Text))
	case bench.NotCounted:
		return attention("NOT COUNTED", spoken(e.Value)+": "+e.Text, "UNCOUNTED")
	case bench.Unreadable:
		return attention("UNREADABLE", e.Instrument+": "+e.Text)
	case bench.Unfinished:
		return attention("UNFINISHED", e.Instrument+": "+e.Text)
	case bench.Zeroed:
		return &banner{colour: mark.Green, words: []string{"ZERO"}, text: good + " ZERO   " + e.Instrument + ": " + e.Text}
	case bench.Refused:
		return attention("NOT DONE", e.Text)
	case bench.Lost:
		b := alarm("LOST", fmt.Sprintf("%s, which is looked for: %s", e.Instrument, why(e.Err)))
		b.lost = e.Instrument
		return b
	case bench.Found:
		return &banner{colour: mark.Green, words: []string{"FOUND"}, text: good + " FOUND   " + e.Instrument}
	case bench.NotSaved:
		return alarm("NOT SAVED", e.Text+": "+why(e.Err))
	case bench.Saved:
		return &banner{colour: mark.Green, words: []string{"SAVED"}, text: good + " SAVED"}
	case bench.GivenUp:
		return alarm("GIVEN UP", e.Text+": "+why(e.Err))
	}
	return nil
}

func readingBanner(e bench.Event) *banner {
	r := e.Reading
	m := mark.Verdict(r.Verdict)
	if r.Early && r.Verdict.Good() {
		m = mark.Early // it does not count, whatever it showed
	}
	word := strings.ToUpper(m.Word)
	text := fmt.Sprintf("%s %s   %s   %s", m.Symbol, word, e.Task.Point, r.Reading.Spoken())
	text += judgedWords(r, e.Task)
	if e.Task.Pass != "" {
		text += "   " + e.Task.Name
	}
	if r.Reading.Attested {
		text += "   " + mark.Attested.Symbol + " " + strings.ToUpper(mark.Attested.Word)
	}
	if len(r.Reading.Status) > 0 {
		text += "   [" + strings.Join(r.Reading.Status, ", ") + "]"
	}
	b := &banner{colour: m.Colour, words: []string{word + " " + bigNumber(r), word}, text: text}
	for _, f := range e.Findings {
		if !ownVerdict(f, r.Verdict) {
			s := mark.Status(f.Status)
			b.strips = append(b.strips, strip{s.Colour, fmt.Sprintf("%s %s: %s", s.Symbol, strings.ToUpper(string(f.Kind)), f.Text)})
		}
	}
	return b
}

// bigNumber is the figure of a reading that its verdict is about.
func bigNumber(r judge.Judged) string {
	switch {
	case r.Verdict == judge.LowTorque || r.Verdict == judge.HighTorque:
		return r.Reading.Value.Number()
	case !r.Turned.IsZero():
		return inDegrees(r.Turned)
	case !r.Stretch.IsZero():
		return r.Stretch.Number()
	case r.Reading.Value.IsZero() && !r.Reading.Angle.IsZero():
		return inDegrees(r.Reading.Angle)
	default:
		return r.Reading.Value.Number()
	}
}

// inDegrees is an angle's figure; its sign tells it from a torque.
func inDegrees(q quantity.Quantity) string {
	if q.Unit == quantity.Degree {
		return q.String()
	}
	return q.Number()
}

// maxStrips is how many strips are shown; the record above has all.
const maxStrips = 2

func (b *banner) lines(columns, rows int) []string {
	var lines []string
	if rows >= rowsForBanner {
		for _, word := range b.words {
			letters := big(word)
			if letters == nil || width(letters[0]) > columns {
				continue
			}
			if rows >= rowsForMargin {
				lines = append(lines, ground(b.colour, "", columns))
			}
			margin := min(1, columns-width(letters[0]))
			for _, l := range letters {
				lines = append(lines, ground(b.colour, strings.Repeat(" ", margin)+l, columns))
			}
			break
		}
	}
	lines = append(lines, ground(b.colour, " "+clean(b.text), columns))
	if b.gauge != nil {
		lines = append(lines, ground(b.colour, b.gauge.line(columns), columns))
	}
	for i, s := range b.strips {
		if i < maxStrips {
			lines = append(lines, ground(s.colour, " "+clean(s.text), columns))
		}
	}
	return lines
}

// ground writes a text on a coloured ground, over the whole width.
func ground(c mark.Colour, text string, columns int) string {
	return fmt.Sprintf("\x1b[1;38;5;%d;48;5;%dm%s", c.Ink().Index, c.Index, fit(text, columns))
}

// panel is what stands below the record.
func (t *Terminal) panel(columns, rows int) []string {
	var lines []string
	if t.banner != nil {
		lines = t.banner.lines(columns, rows)
	}
	for _, name := range t.lost {
		if t.banner != nil && t.banner.lost == name {
			continue
		}
		lines = append(lines, ground(mark.Vermilion, clean(fmt.Sprintf(" %s LOST   %s, which is looked for", warn, name)), columns))
	}
	for _, h := range t.heard {
		if h.Quiet {
			lines = append(lines, ground(mark.Purple, clean(fmt.Sprintf(" %s QUIET   %s: %s", warn, h.Instrument, lastValue(t.clock, h.Last))), columns))
		}
	}
	if rows >= rowsForNext {
		if letters := nextLetters(t.last, t.zone, columns); letters != nil {
			lines = append(lines, letters...)
		}
	}
	if t.turned {
		lines = append(lines, bold+reverse+fit(" "+t.caption(), columns))
	} else {
		lines = append(lines, bold+clipTo(" "+t.caption(), columns))
	}
	if t.prompt != nil {
		lines = append(lines, bold+lastColumns(clean(" "+t.prompt.question+" "+string(t.prompt.text)), columns-1))
	} else {
		keys := keysHelp
		if len(t.zeroes()) > 0 {
			keys = keysWithZero
		}
		if ages := t.ages(); ages != "" && rows >= rowsForNext {
			lines = append(lines, dim+clipTo(ages, columns))
		}
		lines = append(lines, dim+clipTo(" "+keys, columns))
	}
	return lines[max(0, len(lines)-max(1, rows-1)):]
}

// ages says how long ago each instrument was last heard; empty where none is known.
func (t *Terminal) ages() string {
	var words []string
	for _, h := range t.heard {
		age := "not yet"
		if !h.Last.IsZero() {
			age = bench.Age(t.clock.Sub(h.Last))
		}
		words = append(words, h.Instrument+" "+age)
	}
	if words == nil {
		return ""
	}
	return clean(" heard: " + strings.Join(words, ", "))
}

// zeroes are the instruments that can be set to zero.
func (t *Terminal) zeroes() (names []string) {
	for _, h := range t.heard {
		if h.Zeroes {
			names = append(names, h.Instrument)
		}
	}
	return names
}

// caption is what is next in words.
func (t *Terminal) caption() string {
	if t.last.Paused {
		return "PAUSED: what instruments say is not counted until space is pressed"
	}
	return clean(nextWords(t.last, t.zone))
}

// nextLetters is what is next in big letters: the place as a badge, and its
// target. Where all of it is too wide, less is shown; nil if nothing fits.
func nextLetters(e bench.Event, zone *time.Location, columns int) []string {
	for _, form := range nextForms(e, zone) {
		badge, rest := big(form.badge), big(form.text)
		across := 0 // of the badge, with its margins
		if badge != nil {
			across = width(badge[0]) + 2
		}
		total := 1 + across
		if rest != nil {
			total += 3 + width(rest[0])
		}
		if total > columns || badge == nil && rest == nil {
			continue
		}
		// A half line above and below sets the badge off.
		lines := []string{" " + strings.Repeat("▄", across)}
		for i := range max(len(badge), len(rest)) {
			line := " "
			if badge != nil {
				line += reverse + " " + badge[i] + " " + reset
			}
			if rest != nil {
				line += bold + strings.Repeat(" ", 3) + rest[i]
			}
			lines = append(lines, line)
		}
		return append(lines, " "+strings.Repeat("▀", across))
	}
	return nil
}

// A nextForm is one way of saying what is next in big letters.
type nextForm struct{ badge, text string }

func nextForms(e bench.Event, zone *time.Location) []nextForm {
	task := e.Task
	switch {
	case e.Kind == bench.Complete:
		return []nextForm{{"", "DONE"}}
	case e.Paused:
		return []nextForm{{"", "PAUSED"}}
	case e.Kind == bench.Waiting:
		at := task.NotBefore.In(zone)
		if whole := at.Truncate(time.Minute); whole.Before(at) {
			at = whole.Add(time.Minute)
		}
		return []nextForm{{"", "WAIT " + at.Format("15:04")}, {"", at.Format("15:04")}}
	case e.Kind != bench.Next:
		return nil
	case task.Kind == judge.Confirm:
		return []nextForm{{task.Place, "?"}, {"", "CONFIRM ?"}}
	case task.Kind == judge.Measure:
		return []nextForm{{task.Place, ""}, {"", "MEASURE"}}
	}
	return []nextForm{{task.Place, aimWords(task)}, {task.Place, aimNumber(task)}, {task.Place, ""}}
}

// aimWords is the target in big letters: a stretch is told from a length by its
// sign, and so is what is left of an angle from the whole of it.
func aimWords(task judge.Task) string {
	if !task.Left.IsZero() {
		return "+" + task.Left.String()
	}
	if task.Target.Dimension() == quantity.Length {
		return "+" + task.Target.String()
	}
	return task.Target.String()
}

func aimNumber(task judge.Task) string {
	if !task.Left.IsZero() {
		return "+" + task.Left.Number()
	}
	return task.Target.Number()
}
