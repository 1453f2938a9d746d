package learn

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"paintmark/device/profile"
)

// A cut is one way of cutting bytes into frames.
type cut struct {
	kind       string // "lines", "marks", "length", "silence"
	start, end []byte
	tail       int
	length     int
	gap        time.Duration
	longest    int
	checked    bool // only with a check
	either     bool // CR or LF
}

// mostFrames is how many frames are looked at.
const mostFrames = 12000

// A frame is what one cut makes of the bytes.
type frame struct {
	raw, body []byte
	pull      int
	number    int  // in their order
	first     bool // of its pull, so that its beginning may be missing
	at        time.Duration
	tokens    [2][]token // by decimal mark
	have      [2]bool
}

// table is the cut as the table [framing].
func (c *cut) table() string {
	var b strings.Builder
	line := func(key, value string) { fmt.Fprintf(&b, "%-8s = %s\n", key, value) }
	line("kind", quoteTOML(c.kind))
	switch c.kind {
	case "lines":
		line("ending", c.ending())
	case "marks":
		line("start", bytesTOML(c.start))
		line("end", bytesTOML(c.end))
		if c.tail > 0 {
			line("tail", fmt.Sprint(c.tail))
		}
	case "length":
		line("start", bytesTOML(c.start))
		line("length", fmt.Sprint(c.length))
	case "silence":
		line("gap", quoteTOML(fmt.Sprintf("%d ms", c.gap.Milliseconds())))
	}
	if c.longest > 0 {
		line("longest", fmt.Sprint(c.longest))
	}
	return b.String()
}

func (c *cut) ending() string {
	if c.either {
		return `"either"`
	}
	switch string(c.end) {
	case "\r\n":
		return `"crlf"`
	case "\r":
		return `"cr"`
	case "\n":
		return `"lf"`
	}
	return bytesTOML(c.end)
}

// words are the cut in words.
func (c *cut) words() string {
	switch c.kind {
	case "lines":
		if c.either {
			return "each ends in CR or LF"
		}
		return "each ends in " + nameBytes(c.end)
	case "marks":
		text := "between " + nameBytes(c.start) + " and " + nameBytes(c.end)
		if c.tail > 0 {
			text += fmt.Sprintf(", and %d bytes behind it", c.tail)
		}
		return text
	case "length":
		return fmt.Sprintf("%d bytes each, beginning with %s", c.length, nameBytes(c.start))
	}
	return fmt.Sprintf("ended by silence of %d ms", c.gap.Milliseconds())
}

var names = map[byte]string{0: "NUL", 1: "SOH", 2: "STX", 3: "ETX", 4: "EOT", 5: "ENQ", '\n': "LF", '\r': "CR", 0x17: "ETB", 0x1b: "ESC"}

func nameBytes(b []byte) string {
	var words []string
	for _, c := range b {
		switch name, ok := names[c]; {
		case ok:
			words = append(words, name)
		case c > ' ' && c <= '~':
			words = append(words, fmt.Sprintf("%q", string(rune(c))))
		default:
			words = append(words, fmt.Sprintf("%02X", c))
		}
	}
	return strings.Join(words, " ")
}

// bytesTOML writes bytes as a profile does.
func bytesTOML(b []byte) string {
	var items []string
	for _, c := range b {
		if c > ' ' && c <= '~' && c != '"' && c != '\'' {
			items = append(items, fmt.Sprintf(`"%c"`, c))
		} else {
			items = append(items, fmt.Sprintf("%02X", c))
		}
	}
	return "'" + strings.Join(items, " ") + "'"
}

// quoteTOML writes a text as a basic string.
func quoteTOML(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range text {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// moment is a time on the clock that framers are run by.
func moment(at time.Duration) time.Time { return time.Unix(0, 0).Add(at) }

// stillness is longer than any gap that ends a frame.
const stillness = 11 * time.Second

// play feeds a take to a framer and gives what it made of each pull.
func play(t *take, framer profile.Framer, frame func(pull int, f profile.Frame)) {
	offset := time.Duration(0)
	drain := func(n int) {
		for {
			f, ok := framer.Next()
			if !ok {
				return
			}
			frame(n, f)
		}
	}
	patient, _ := framer.(profile.Patient)
	for n, p := range t.pulls {
		for _, c := range p.chunks {
			framer.Feed(c.Bytes, moment(c.At+offset))
			drain(n)
		}
		if patient != nil && len(p.chunks) > 0 {
			// Nothing more came in this pull.
			patient.Elapse(moment(p.chunks[len(p.chunks)-1].At + offset + stillness))
			offset += stillness
			drain(n)
		}
	}
}

// frames cuts a take. lost is how many bytes are in no frame.
func (c *cut) frames(t *take) (list []*frame, lost int) {
	text := "name = \"cut\"\n[framing]\n" + c.table() + "[reading]\npattern = '(?s:(?P<value>.*))'\n"
	p, err := profile.Parse("cut", []byte(text))
	if err != nil {
		return nil, t.size()
	}
	lastPull := -1
	framer := p.NewFramer()
	play(t, framer, func(n int, f profile.Frame) {
		first := n != lastPull
		lastPull = n
		if f.Err != nil || len(list) >= mostFrames {
			lost += len(f.Raw)
			return
		}
		list = append(list, &frame{number: len(list), raw: bytes.Clone(f.Raw), body: bytes.Clone(f.Body), pull: n, first: first, at: f.Time.Sub(moment(0))})
	})
	return list, lost + len(framer.Rest())
}

func control(b byte) bool { return b < ' ' && b != '\t' && b != 0x1b || b == 0x7f }

// opens tells whether a control byte opens a frame rather than ends one.
func opens(b byte) bool { return b == 1 || b == 2 }

// cuts are the ways in which a take of text may be cut, the plainest first.
func cuts(t *take) (list []*cut) {
	type run struct {
		bytes       string
		first, last bool // of its pull
	}
	counts := map[string]int{} // of runs of control bytes between texts
	starts, ends := map[string]int{}, map[string]int{}
	tails := map[string]int{} // "start end distance"
	for _, p := range t.pulls {
		data := p.bytes()
		for i := 0; i < len(data); {
			if !control(data[i]) {
				i++
				continue
			}
			j := i
			for j < len(data) && control(data[j]) {
				j++
			}
			r := run{string(data[i:min(j, i+8)]), i == 0, j == len(data)}
			switch {
			case r.first && r.last:
			case r.first:
				starts[r.bytes]++
			case r.last:
				ends[r.bytes]++
			default:
				counts[r.bytes]++
			}
			i = j
		}
		tail(data, tails)
	}
	add := func(c *cut) {
		c.longest = 0
		if !slices.ContainsFunc(list, func(o *cut) bool { return o.table() == c.table() }) {
			list = append(list, c)
		}
	}
	// Frames between marks.
	for _, start := range []byte{1, 2} {
		for _, end := range [][]byte{{3, '\r', '\n'}, {3, '\r'}, {3, '\n'}, {3}, {4}, {0x17}, {'\r', '\n'}, {'\r'}, {'\n'}} {
			for n := range 9 {
				if tails[tailKey([]byte{start}, end, n)] > 0 {
					add(&cut{kind: "marks", start: []byte{start}, end: end, tail: n})
				}
			}
		}
	}
	// A start of frames that are each heard alone, before an ending.
	for _, s := range slices.Sorted(maps.Keys(starts)) {
		for _, e := range slices.Sorted(maps.Keys(ends)) {
			if s != e && !strings.Contains(e, s) && (counts[e+s] > 0 || starts[s] >= 2) {
				add(&cut{kind: "marks", start: []byte(s), end: []byte(e)})
			}
		}
	}
	// Lines.
	var endings []string
	for _, of := range []map[string]int{counts, ends} {
		for r := range of {
			if i := strings.IndexFunc(r, func(c rune) bool { return opens(byte(c)) }); i >= 0 {
				r = r[:i]
			}
			endings = append(endings, r)
			if half := len(r) / 2; half > 0 && r[:half] == r[half:] {
				endings = append(endings, r[:half])
			}
		}
	}
	for _, usual := range []string{"\r\n", "\r", "\n"} {
		if slices.ContainsFunc(endings, func(e string) bool { return strings.Contains(e, usual) }) {
			endings = append(endings, usual)
		}
	}
	slices.SortFunc(endings, func(a, b string) int {
		if len(a) != len(b) {
			return len(b) - len(a)
		}
		return strings.Compare(a, b)
	})
	bursts := t.bursts()
	// An ending with a character of text before it, where a check stands before that.
	for _, e := range slices.Compact(endings) {
		if c, ok := before(bursts, e); ok && e != "" {
			add(&cut{kind: "lines", end: []byte(string(c) + e), checked: true})
		}
	}
	if ends["\r"]+counts["\r"] > 0 && ends["\n"]+counts["\n"] > 0 {
		add(&cut{kind: "lines", end: []byte("\n"), either: true})
	}
	for _, e := range slices.Compact(endings) {
		if e != "" && len(e) <= 4 && endsBursts(bursts, e) {
			add(&cut{kind: "lines", end: []byte(e)})
		}
	}
	// Endings that are text.
	for _, e := range []byte(`;#>|!*/&@$?:`) {
		every := len(t.pulls) > 0 && endsBursts(bursts, string(e))
		for _, p := range t.pulls {
			every = every && bytes.IndexByte(p.bytes(), e) >= 0
		}
		if every {
			add(&cut{kind: "lines", end: []byte{e}})
		}
	}
	marked := slices.ContainsFunc(list, func(c *cut) bool { return control(c.end[len(c.end)-1]) })
	if !marked {
		list = append(list, periodic(t)...)
	}
	return append(list, gaps(t)...)
}

// bursts are the bytes that came without a longer silence between them.
func (t *take) bursts() (list [][]byte) {
	const silence = 30 * time.Millisecond
	for _, p := range t.pulls {
		for i, c := range p.chunks {
			if n := len(list); n > 0 && i > 0 && c.At-p.chunks[i-1].At < silence && len(list[n-1]) < 4096 {
				list[n-1] = append(list[n-1], c.Bytes...)
			} else {
				list = append(list, slices.Clone(c.Bytes))
			}
		}
	}
	return list
}

// endsBursts tells whether bytes end what comes rather than begin it.
func endsBursts(bursts [][]byte, e string) bool {
	begin, end, within := 0, 0, 0
	for _, b := range bursts {
		begin += boolInt(bytes.HasPrefix(b, []byte(e)))
		end += boolInt(bytes.HasSuffix(b, []byte(e)))
		within += bytes.Count(b, []byte(e))
	}
	return end >= begin && (2*end >= len(bursts) || within > 3*len(bursts))
}

// before is the character of text that always stands before an ending.
func before(bursts [][]byte, e string) (c byte, ok bool) {
	for _, b := range bursts {
		for rest := b; ; {
			i := bytes.Index(rest, []byte(e))
			if i < 0 || e == "" {
				break
			}
			if i > 0 {
				if last := rest[i-1]; ok && last != c || control(last) || alphanumeric(last) || last == ' ' {
					return 0, false
				}
				c, ok = rest[i-1], true
			}
			rest = rest[i+len(e):]
		}
	}
	return c, ok
}

func tailKey(start, end []byte, n int) string { return fmt.Sprintf("%x %x %d", start, end, n) }

// tail counts how many bytes stand between an end mark and the next start, or
// the last byte of the pull.
func tail(data []byte, tails map[string]int) {
	for _, start := range []byte{1, 2} {
		for _, end := range [][]byte{{3, '\r', '\n'}, {3, '\r'}, {3, '\n'}, {3}, {4}, {0x17}, {'\r', '\n'}, {'\r'}, {'\n'}} {
			for i := bytes.IndexByte(data, start); i >= 0; {
				e := bytes.Index(data[i:], end)
				if e < 0 {
					break
				}
				e += i + len(end)
				next := bytes.IndexByte(data[e:], start)
				n := len(data) - e
				if next >= 0 && next < n {
					n = next
				}
				if n <= 8 {
					tails[tailKey([]byte{start}, end, n)]++
				}
				if next < 0 {
					break
				}
				i = e + next
			}
		}
	}
}

// gaps are the silences that may end a frame: those between the times at which
// chunks came.
func gaps(t *take) (list []*cut) {
	var all []time.Duration
	for _, p := range t.pulls {
		for i := 1; i < len(p.chunks); i++ {
			if d := p.chunks[i].At - p.chunks[i-1].At; d > 0 {
				all = append(all, d)
			}
		}
	}
	slices.Sort(all)
	add := func(d time.Duration) {
		d = min(max(d.Round(time.Millisecond), 5*time.Millisecond), 2*time.Second)
		if !slices.ContainsFunc(list, func(c *cut) bool { return c.gap == d }) {
			list = append(list, &cut{kind: "silence", gap: d})
		}
	}
	// Where they jump most.
	type jump struct {
		at    time.Duration
		ratio float64
	}
	var jumps []jump
	for i := 1; i < len(all); i++ {
		if r := float64(all[i]) / float64(all[i-1]); r >= 1.8 && all[i] >= 20*time.Millisecond {
			middle := time.Duration(float64(all[i-1]) * math.Sqrt(r))
			jumps = append(jumps, jump{max(middle, min(20*time.Millisecond, all[i]*2/3)), r})
		}
	}
	slices.SortFunc(jumps, func(a, b jump) int { return int(1000 * (b.ratio - a.ratio)) })
	for _, j := range jumps[:min(2, len(jumps))] {
		add(j.at)
	}
	most := 20 * time.Millisecond
	if len(all) > 0 {
		most = 3 * all[len(all)-1]
	}
	add(max(30*time.Millisecond, most))
	return list
}

// periodic are the cuts into frames of one length that begin alike. Where bursts
// begin, frames do.
func periodic(t *take) (list []*cut) {
	var data []byte
	var at []int // where bursts begin
	for _, b := range t.bursts() {
		at = append(at, len(data))
		data = append(data, b[:min(len(b), 2048)]...)
		if len(data) > 16<<10 {
			break
		}
	}
	type found struct {
		length int
		score  float64
	}
	var all []found
	for n := 4; n <= 128 && n*3 <= len(data); n++ {
		same, whole := 0, 0
		for k := range at {
			end := len(data)
			if k+1 < len(at) {
				end = at[k+1]
			}
			whole += boolInt((end-at[k])%n == 0)
		}
		if whole < len(at)-1-len(at)/10 {
			continue
		}
		for i := n; i < len(data); i++ {
			same += boolInt(data[i] == data[i-n])
		}
		if score := float64(same) / float64(len(data)-n); score >= 0.3 {
			all = append(all, found{n, score})
		}
	}
	slices.SortStableFunc(all, func(a, b found) int {
		// A multiple of a length is as good: the shortest of about the same.
		if d := a.score - b.score; math.Abs(d) > 0.08 {
			return int(math.Copysign(1, -d))
		}
		return a.length - b.length
	})
	for _, f := range all[:min(3, len(all))] {
		if start := commonStart(data, at, f.length); len(start) > 0 {
			list = append(list, &cut{kind: "length", start: start, length: f.length})
		}
	}
	return list
}

// commonStart are the bytes with which frames of a length begin.
func commonStart(data []byte, at []int, length int) []byte {
	var frames [][]byte
	for n, i := range at {
		end := len(data)
		if n+1 < len(at) {
			end = at[n+1]
		}
		for ; i+length <= end; i += length {
			frames = append(frames, data[i:i+length])
		}
	}
	if len(frames) < 3 {
		return nil
	}
	most := map[string]int{}
	for size := 1; size <= 4 && size < length; size++ {
		for _, f := range frames {
			most[string(f[:size])]++
		}
	}
	var start []byte
	for _, text := range slices.Sorted(maps.Keys(most)) {
		if last := text[len(text)-1]; len(text) > 1 && last >= ' ' && last <= '~' && last != text[0] {
			continue // it may be a part of what is said
		}
		if len(text) > len(start) && most[text]*10 >= 8*len(frames) && (len(start) == 0 || strings.HasPrefix(text, string(start))) {
			start = []byte(text)
		}
	}
	if len(start) == 0 || alphanumeric(start[0]) || sign(start[0]) || start[0] == ' ' {
		return nil
	}
	return start
}

func alphanumeric(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z'
}
