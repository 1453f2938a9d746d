package learn

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/profile"
)

// An instrument is an invented one, made at random: how it writes a number,
// what stands around it, how its frames end and its line is set.
type instrument struct {
	line     device.Settings
	unit     quantity.Unit
	unitText string // in the frame; "" for none
	code     bool   // unitText is no unit's name
	decimals int32
	capacity float64
	negative bool // it measures both ways as a rule
	number   numbering
	comma    bool
	prefix   string
	glue     string // between number and unit
	middle   string // between unit and status
	status   []string
	unsteady bool // the status varies
	counter  int  // digits of a counter in front, 0 for none
	angle    bool // a second number behind the first
	strange  bool // two hexadecimal digits behind all, by no rule that is known
	sum      string
	start    string
	end      string
	tail     string // "sum": the check stands behind the end
	framing  string
	stream   bool
	period   time.Duration

	count int
}

// A numbering writes a value's digits, and says by a regular expression what it
// could write at all.
type numbering struct {
	name  string
	write func(v decimal.Decimal, k int32) string
	form  func(k int32) string
}

func point(k int32) string {
	if k == 0 {
		return ""
	}
	return fmt.Sprintf(`[.,]\d{%d}`, k)
}

func signOf(v decimal.Decimal, plus string) string {
	if v.Sign() < 0 {
		return "-"
	}
	return plus
}

func float(v decimal.Decimal) float64 { f, _ := v.Float64(); return f }

// filled is a regular expression for a number filled up to a width with blanks.
func filled(width int, tail string, signs string, tailLength int) string {
	var list []string
	for n := 1; n+tailLength <= width; n++ {
		for _, s := range strings.Split(signs, "|") {
			if room := width - n - tailLength - len(strings.ReplaceAll(s, `\`, "")); room >= 0 {
				list = append(list, fmt.Sprintf(` {%d}%s\d{%d}%s`, room, s, n, tail))
			}
		}
	}
	return "(?:" + strings.Join(list, "|") + ")"
}

var numberings = []numbering{
	{"signed, zeros", func(v decimal.Decimal, k int32) string {
		return signOf(v, "+") + fmt.Sprintf("%0*s", int(5+k), v.Abs().StringFixed(k))
	}, func(k int32) string { return fmt.Sprintf(`[+-]\d{%d}`, 5-boolK(k)) + point(k) }},
	{"zeros, minus takes a place", func(v decimal.Decimal, k int32) string {
		return fmt.Sprintf("%0*.*f", int(6+k), int(k), float(v))
	}, func(k int32) string { n := 6 - boolK(k); return fmt.Sprintf(`(?:\d{%d}|-\d{%d})`, n, n-1) + point(k) }},
	{"blanks", func(v decimal.Decimal, k int32) string { return fmt.Sprintf("%9s", v.StringFixed(k)) },
		func(k int32) string { return filled(9, point(k), "|-", int(k+boolK(k))) }},
	{"signed, blanks", func(v decimal.Decimal, k int32) string {
		return fmt.Sprintf("%9s", signOf(v, "+")+v.Abs().StringFixed(k))
	}, func(k int32) string { return filled(9, point(k), `\+|-`, int(k+boolK(k))) }},
	{"sign, blanks, digits", func(v decimal.Decimal, k int32) string {
		return signOf(v, "+") + fmt.Sprintf("%7s", v.Abs().StringFixed(k))
	}, func(k int32) string { return `[+-]` + filled(7, point(k), "", int(k+boolK(k))) }},
	{"as needed", func(v decimal.Decimal, k int32) string { return v.StringFixed(k) },
		func(k int32) string { return `-?\d{1,6}` + point(k) }},
	{"signed, as needed", func(v decimal.Decimal, k int32) string { return signOf(v, "+") + v.Abs().StringFixed(k) },
		func(k int32) string { return `[+-]\d{1,6}` + point(k) }},
	{"implied point, signed", func(v decimal.Decimal, k int32) string {
		return signOf(v, "+") + fmt.Sprintf("%06s", v.Abs().Shift(k).StringFixed(0))
	}, func(int32) string { return `[+-]\d{6}` }},
	{"implied point", func(v decimal.Decimal, k int32) string {
		return signOf(v, "") + fmt.Sprintf("%06s", v.Abs().Shift(k).StringFixed(0))
	}, func(int32) string { return `-?\d{6}` }},
	{"exponent", func(v decimal.Decimal, k int32) string { return fmt.Sprintf("%+.5E", float(v)) },
		func(int32) string { return `[+-]\d[.,]\d{5}E[+-]\d{2}` }},
	{"sign behind", func(v decimal.Decimal, k int32) string {
		return fmt.Sprintf("%0*s", int(5+k), v.Abs().StringFixed(k)) + signOf(v, "+")
	}, func(k int32) string { return fmt.Sprintf(`\d{%d}`, 5-boolK(k)) + point(k) + "[+-]" }},
	{"blank or minus, zeros", func(v decimal.Decimal, k int32) string {
		return signOf(v, " ") + fmt.Sprintf("%0*s", int(5+k), v.Abs().StringFixed(k))
	}, func(k int32) string { return fmt.Sprintf(`[ -]\d{%d}`, 5-boolK(k)) + point(k) }},
	{"blanks behind", func(v decimal.Decimal, k int32) string {
		return fmt.Sprintf("%-9s", signOf(v, "+")+v.Abs().StringFixed(k))
	}, func(k int32) string {
		var list []string
		for n := 1; n+int(k+boolK(k))+1 <= 9; n++ {
			list = append(list, fmt.Sprintf(`[+-]\d{%d}%s {%d}`, n, point(k), 8-n-int(k+boolK(k))))
		}
		return "(?:" + strings.Join(list, "|") + ")"
	}},
}

func boolK(k int32) int32 {
	if k > 0 {
		return 1
	}
	return 0
}

func pick[T any](r *rand.Rand, list ...T) T { return list[r.IntN(len(list))] }

// invent makes an instrument that writes text.
func invent(r *rand.Rand) *instrument {
	i := &instrument{line: device.DefaultSettings(), number: numberings[r.IntN(len(numberings))]}
	i.line.Baud = pick(r, 1200, 2400, 4800, 9600, 9600, 9600, 19200, 38400, 57600, 115200)
	switch r.IntN(5) {
	case 0:
		i.line.DataBits, i.line.Parity = 7, pick(r, "even", "odd")
	case 1:
		i.line.Parity = pick(r, "even", "odd")
	}
	switch r.IntN(3) {
	case 0: // a length
		i.unit, i.decimals, i.capacity, i.negative = quantity.Millimetre, pick[int32](r, 2, 3), pick(r, 12.0, 25, 50), true
		i.unitText = pick(r, "mm", "MM", " mm")
		if r.IntN(4) == 0 {
			i.unit, i.decimals, i.capacity, i.unitText = quantity.Inch, 4, 2, pick(r, "in", "IN", `"`)
		}
	default:
		i.unit, i.decimals, i.capacity = quantity.NewtonMetre, pick[int32](r, 1, 1, 2), pick(r, 100.0, 200, 340)
		i.unitText = pick(r, "Nm", "N.m", "NM", " Nm", "N-m")
		switch r.IntN(4) {
		case 0:
			i.unit, i.capacity, i.unitText = quantity.PoundForceFoot, pick(r, 75.0, 150, 250), pick(r, "ft-lb", "FTLB", " lbf.ft", "ft lb"[:2]+"lb")
		case 1:
			i.unit, i.capacity, i.unitText, i.decimals = quantity.PoundForceInch, 600, pick(r, "in-lb", "inlb"), pick[int32](r, 0, 1)
		}
		i.negative = r.IntN(4) == 0
	}
	switch r.IntN(4) {
	case 0:
		i.unitText = ""
	case 1:
		i.unitText, i.code = pick(r, "1", "A", "U2", "N"), true
		i.glue = pick(r, ",", " ", ";")
	default:
		if !strings.HasPrefix(i.unitText, " ") {
			i.glue = pick(r, "", " ", ",", ";")
		}
	}
	i.comma = r.IntN(5) == 0
	if i.comma && i.glue == "," {
		i.glue = ";"
	}
	i.prefix = pick(r, "", "", "", "T=", "ST,", "$", "N1 ", "PK:", "#A ")
	if r.IntN(3) == 0 {
		i.status = pick(r, []string{"OK", "OL", "LB"}, []string{"0", "1", "2"}, []string{"G", "L", "H"}, []string{"PASS", "FAIL"})
		i.middle = pick(r, " ", ",", ";")
		i.unsteady = r.IntN(2) == 0
	}
	if r.IntN(5) == 0 {
		i.counter = 2 + r.IntN(3)
		i.count = r.IntN(90)
	}
	i.angle = r.IntN(6) == 0
	i.framing = pick(r, "lines", "lines", "lines", "marks", "marks", "silence", "length")
	switch i.framing {
	case "lines":
		i.end = pick(r, "\r\n", "\r\n", "\r", "\n", "\n\r", "\x03", ";\r\n", "\r\r\n", "\x00")
	case "marks":
		i.start, i.end = "\x02", pick(r, "\x03", "\x03\r\n", "\r", "\r\n")
	case "length":
		i.start = pick(r, "\x01", "\x02", "$", "\xaa"[:0]+"!")
		i.stream = true
		for !i.fixed() {
			i.number = numberings[r.IntN(len(numberings))]
		}
	}
	if r.IntN(3) == 0 {
		i.sum = pick(r, "xor", "sum8", "lrc", "crc16 modbus", "crc16 xmodem", "crc16 ibm-3740", "crc16 kermit", "crc8 smbus", "crc8 maxim")
		if strings.HasPrefix(i.end, "\x03") && i.framing == "marks" {
			i.tail = pick(r, "", "sum")
		}
	} else if r.IntN(8) == 0 {
		i.strange = true
	}
	i.stream = i.stream || r.IntN(3) == 0
	i.period = time.Duration(60+r.IntN(190)) * time.Millisecond
	return i
}

// fixed tells whether every number has the same width.
func (i *instrument) fixed() bool {
	a := i.number.write(decimal.NewFromFloat(1), i.decimals)
	b := i.number.write(decimal.NewFromFloat(-100), i.decimals)
	return len(a) == len(b)
}

// body is what a frame says between its marks, without its check.
func (i *instrument) text(v decimal.Decimal, status string, angle, strange int) string {
	n := i.number.write(v, i.decimals)
	if i.comma {
		n = strings.ReplaceAll(n, ".", ",")
	}
	text := i.prefix
	if i.counter > 0 {
		text += fmt.Sprintf("%0*d ", i.counter, i.count%int(math.Pow10(i.counter)))
	}
	text += n + i.glue + i.unitText
	if i.angle {
		text += fmt.Sprintf(";%5.1f", float64(angle)/10)
	}
	if len(i.status) > 0 {
		text += i.middle + status
	}
	if i.strange {
		text += fmt.Sprintf("*%02X", strange)
	}
	return text
}

// form is a regular expression for all texts that the instrument may send.
func (i *instrument) form() *regexp.Regexp {
	x := regexp.QuoteMeta(i.prefix)
	if i.counter > 0 {
		x += fmt.Sprintf(`\d{%d} `, i.counter)
	}
	x += i.number.form(i.decimals) + regexp.QuoteMeta(i.glue+i.unitText)
	if i.angle {
		x += `;[ \d]{3}\.\d`
	}
	if len(i.status) > 0 {
		x += regexp.QuoteMeta(i.middle) + "(?:" + strings.Join(i.status, "|") + ")"
	}
	if i.strange {
		x += `\*[0-9A-F]{2}`
	}
	return regexp.MustCompile(`\A(?:` + x + `)\z`)
}

// sums gives the check of data as the instrument sends it.
func (i *instrument) sums(data string) string {
	kind, name, _ := strings.Cut(i.sum, " ")
	for _, s := range summings() {
		if s.kind == kind && s.name == name {
			return fmt.Sprintf("%0*X", 2*s.width, s.of([]byte(data)))
		}
	}
	return ""
}

// around puts marks and check around a text.
func (i *instrument) around(text string) []byte {
	switch {
	case i.sum == "":
		return []byte(i.start + text + i.end)
	case i.tail != "":
		end := i.end[:1]
		raw := i.sums(text + end)
		if len(raw) == 2 && strings.HasPrefix(i.prefix, "T") { // as one byte, where it does not look like a mark
			var b byte
			_, _ = fmt.Sscanf(raw, "%02X", &b)
			return []byte(i.start + text + end + string([]byte{b}) + i.end[1:])
		}
		return []byte(i.start + text + end + raw + i.end[1:])
	}
	text += "*"
	return []byte(i.start + text + i.sums(text) + i.end)
}

func (i *instrument) frame(r *rand.Rand, v decimal.Decimal, status string) []byte {
	raw := i.around(i.text(v, status, r.IntN(1800), r.IntN(256)))
	i.count++
	return raw
}

// valid tells whether bytes are a frame that the instrument could send.
func (i *instrument) valid(raw []byte) bool {
	text, ok := strings.CutPrefix(string(raw), i.start)
	if !ok {
		return false
	}
	if i.sum != "" && i.tail == "" {
		star := strings.LastIndex(text, "*")
		return star >= 0 && string(i.around(text[:star])) == string(raw) && i.form().MatchString(text[:star])
	}
	if i.tail != "" {
		etx := strings.Index(text, i.end[:1])
		return etx >= 0 && string(i.around(text[:etx])) == string(raw) && i.form().MatchString(text[:etx])
	}
	text, ok = strings.CutSuffix(text, i.end)
	return ok && i.form().MatchString(text)
}

func (i *instrument) usual() string {
	if len(i.status) == 0 {
		return ""
	}
	return i.status[0]
}

// value is one that a pull may reach.
func (i *instrument) value(r *rand.Rand, targets []float64) decimal.Decimal {
	v := pick(r, targets...) * (1 + 0.04*r.NormFloat64())
	if i.negative && r.IntN(3) == 0 {
		v = -v
	}
	return decimal.NewFromFloat(v).Round(i.decimals)
}

// describe is the instrument in a line.
func (i *instrument) describe() string {
	return fmt.Sprintf("%s, %s, %s %q %q, sum %q tail %q, stream %v, status %v (varies %v), counter %d, angle %v, strange %v, as in %q",
		Words(i.line), i.number.name, i.framing, i.start, i.end, i.sum, i.tail, i.stream, i.status, i.unsteady, i.counter, i.angle, i.strange,
		i.around(i.text(decimal.NewFromFloat(33.9).Round(i.decimals), i.usual(), 335, 0x5c)))
}

// hear is what a receiver set to line hears of bytes.
func hear(r *rand.Rand, sent, line device.Settings, data []byte) []byte {
	w := &wire{}
	sent.Baud = int(float64(sent.Baud) * (1 + 0.008*(2*r.Float64()-1)))
	idle := pick(r, 0.0, 0.0, 0.5, 1.3)
	w.send(sent, data, func() float64 { return idle })
	return w.receive(line)
}

// pieces are bytes as an adapter hands them over.
func pieces(r *rand.Rand, at time.Duration, b []byte) (list []Chunk) {
	for len(b) > 0 {
		n := min(len(b), 1+r.IntN(24))
		list = append(list, Chunk{at, b[:n]})
		b = b[n:]
		at += time.Duration(r.IntN(8)) * time.Millisecond
	}
	return list
}

// A session is one at which the user makes pulls.
type session struct {
	*instrument
	random  *rand.Rand
	now     time.Duration
	targets []float64
	opened  bool
}

// pull makes one and gives what is heard, and what the display shows.
func (s *session) pull(line device.Settings) Heard {
	v := s.value(s.random, s.targets)
	status := s.usual()
	if s.unsteady && s.random.IntN(4) == 0 {
		status = pick(s.random, s.status...)
	}
	shown := v.StringFixed(s.decimals) + " " + s.unit.String()
	if s.random.IntN(10) == 0 {
		shown = strings.Replace(shown, ".", ",", 1)
	}
	h := Heard{Line: line, Shown: []string{shown}}
	s.now += 4 * time.Second
	hear := func(data []byte) {
		h.Chunks = append(h.Chunks, pieces(s.random, s.now, hear(s.random, s.line, line, data))...)
	}
	if !s.opened && s.random.IntN(3) == 0 { // garbage when the port is opened
		h.Chunks = append(h.Chunks, Chunk{s.now, pick(s.random, []byte{0}, []byte{0xFF, 0}, []byte("\x00\xfe\x80"), []byte{0xF8})})
		s.now += time.Second
	}
	if !s.stream {
		if !s.opened && s.random.IntN(4) == 0 { // the rest of a frame
			raw := s.frame(s.random, s.value(s.random, s.targets), s.usual())
			hear(raw[s.random.IntN(len(raw)):])
			s.now += time.Second
		}
		hear(s.frame(s.random, v, status))
		s.opened = true
		return h
	}
	n := 12 + s.random.IntN(20)
	for k := range n {
		at := v
		if k < n-4 { // on the way up
			at = v.Mul(decimal.NewFromFloat(math.Min(1, (float64(k)+s.random.Float64())/float64(n-4)))).Round(s.decimals)
		}
		raw := s.frame(s.random, at, status)
		if k == 0 && !s.opened {
			raw = raw[s.random.IntN(len(raw)):]
		}
		hear(raw)
		s.now += s.period
	}
	s.opened = true
	return h
}

// listen does what the program does: it tries settings until what comes is text,
// and then takes five pulls. It gives how many pulls were needed for the setting.
func (s *session) listen(g *Guesser) (heard []Heard, tries int) {
	line := device.DefaultSettings()
	for tries = 0; tries < 40; tries++ {
		h := s.pull(line)
		if Sensible(h) {
			heard = append(heard, h)
			break
		}
		h.Shown = nil
		heard = append(heard, h)
		line = g.Guess(heard)[0]
		s.opened = false
	}
	for range 4 {
		heard = append(heard, s.pull(line))
	}
	return heard, tries
}

// A reading is what a profile makes of one frame alone.
type reading struct {
	q      quantity.Quantity
	status []string
	raw    string
	ok     bool
}

// reads gives frames to a profile, with silence between, and what it makes of
// each.
func reads(p *profile.Profile, r *rand.Rand, sent, line device.Settings, frames [][]byte) []reading {
	out := make([]reading, len(frames))
	reader := p.NewReader()
	at := time.Duration(0)
	for n, raw := range frames {
		at += 5 * time.Second
		reader.Feed(hear(r, sent, line, raw), moment(at))
		reader.Elapse(moment(at + 4*time.Second))
		for {
			o, ok := reader.Next()
			if !ok {
				break
			}
			if o.Err == nil {
				out[n] = reading{o.Sample.Value, o.Sample.Status, string(o.Raw), true}
			}
		}
	}
	return out
}
