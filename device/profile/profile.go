// Package profile is how one kind of instrument talks, as a text file says it:
// how its line is set, where in the stream of bytes a frame ends, and what a
// frame means. FORMAT.md describes the file.
//
// A profile works in two steps that know nothing of each other. A [Framer] cuts
// bytes into frames, whatever pieces they arrive in. [Profile.Decode] turns one
// frame into a sample, or says why it is none:
//
//	framer := p.NewFramer()
//	framer.Feed(bytes, now)
//	for {
//		frame, ok := framer.Next()
//		if !ok {
//			break
//		}
//		sample, err := p.Decode(frame)
//		…
//	}
//
// A [Reader] does both, and what needs more than one frame: torque and angle that
// come apart, and the instrument's own count.
//
// What is not exactly what the profile describes never becomes a reading: a
// line must match its pattern from end to end. A profile does not change once
// it is parsed; any number of instruments may share it.
package profile

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"paintmark/calc/document"
	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/pull"
)

// Bounds of what a profile may ask for.
const (
	// MaxFrame is the longest frame in bytes that a profile may set.
	MaxFrame = 1 << 16
	// DefaultFrame is the longest frame where a profile sets none.
	DefaultFrame = 256
	// MaxPattern is the longest pattern in bytes.
	MaxPattern = 2000
)

// A Profile is how one kind of instrument talks.
type Profile struct {
	// Name is the profile's own name.
	Name string
	// Note is what its writer has to say about it.
	Note string
	// Line is how a serial line must be set for it.
	Line device.Settings
	// Talk is what is sent to it.
	Talk Talk
	// Pull is how its stream of torque is cut into pulls; nil where each frame is a
	// reading.
	Pull *pull.Settings

	framing framing
	reading reading
}

// The file as it is written; FORMAT.md describes it.
type (
	fileForm struct {
		Name    string      `toml:"name"`
		Note    string      `toml:"note"`
		Line    lineForm    `toml:"line"`
		Framing framingForm `toml:"framing"`
		Check   checkForm   `toml:"check"`
		Reading readingForm `toml:"reading"`
		Field   fieldsForm  `toml:"field"`
		Talk    talkForm    `toml:"talk"`
		Pull    pullForm    `toml:"pull"`
		Modbus  modbusForm  `toml:"modbus"`
	}
	lineForm struct {
		Baud     int     `toml:"baud"`
		DataBits int     `toml:"data_bits"`
		Parity   string  `toml:"parity"`
		StopBits float64 `toml:"stop_bits"`
		DTR      bool    `toml:"dtr"`
		RTS      bool    `toml:"rts"`
	}
	framingForm struct {
		Kind    string `toml:"kind"`
		Ending  string `toml:"ending"`
		Longest int    `toml:"longest"`
		First   string `toml:"first"`
		Start   string `toml:"start"`
		End     string `toml:"end"`
		Tail    int    `toml:"tail"`
		Escape  string `toml:"escape"`
		Flip    string `toml:"escape_xor"`
		Length  int    `toml:"length"`
		Gap     string `toml:"gap"`
		Coding  string `toml:"coding"`
	}
	readingForm struct {
		Kind       string            `toml:"kind"`
		Pattern    string            `toml:"pattern"`
		Length     int               `toml:"length"`
		Ignore     string            `toml:"ignore"`
		Decimal    string            `toml:"decimal"`
		Unit       string            `toml:"unit"`
		AngleUnit  string            `toml:"angle_unit"`
		PairFirst  string            `toml:"pair_first"`
		PairWithin string            `toml:"pair_within"`
		Units      map[string]string `toml:"units"`
		Status     map[string]string `toml:"status"`
	}
)

// Parse reads a profile. The name is that of its file, for messages only. The
// error, of type document.Faults, tells all that is wrong with it, by line and
// column.
func Parse(name string, text []byte) (*Profile, error) {
	var form fileForm
	file, err := document.Decode(name, text, &form)
	if err != nil {
		return nil, err
	}
	r := reader{file, &form.Field}
	p := &Profile{Name: form.Name, Note: form.Note}
	if strings.TrimSpace(form.Name) == "" {
		file.Fault("name", `"name" is missing or empty`, `add name = "…"`)
	}
	p.Line = r.line(form.Line)
	if file.Has("modbus") {
		p.framing = r.modbus(form.Modbus)
	} else {
		p.framing = r.framing(form.Framing, r.check(form.Check))
	}
	p.reading = r.reading(form.Reading, p.framing.registers)
	p.Talk = r.talk(form.Talk, &p.framing)
	p.Pull = r.pull(form.Pull)
	if err := file.Err(); err != nil {
		return nil, err
	}
	return p, nil
}

// reader turns the file's form into a profile and gathers faults on the way.
type reader struct {
	file   *document.File
	fields *fieldsForm
}

// word takes a value that must be one of a few words; the first is used where
// the file gives none.
func (r reader) word(path, value string, words ...string) string {
	if !r.file.Has(path) {
		return words[0]
	}
	if !slices.Contains(words, value) {
		r.file.Fault(path, fmt.Sprintf("%q is not known here", value), "it is one of "+strings.Join(words, ", "))
	}
	return value
}

func (r reader) line(form lineForm) device.Settings {
	s := device.DefaultSettings()
	if r.file.Has("line.baud") {
		s.Baud = form.Baud
		if s.Baud < 50 || s.Baud > 4_000_000 {
			r.file.Fault("line.baud", fmt.Sprintf("%d is no baud rate", s.Baud), "common ones are 1200, 2400, 4800, 9600, 19200, 38400, 57600 and 115200")
		}
	}
	if r.file.Has("line.data_bits") {
		s.DataBits = form.DataBits
		if s.DataBits < 5 || s.DataBits > 8 {
			r.file.Fault("line.data_bits", fmt.Sprintf("%d data bits do not exist", s.DataBits), "it is 7 or 8 as a rule")
		}
	}
	s.Parity = r.word("line.parity", form.Parity, "none", "odd", "even", "mark", "space")
	if r.file.Has("line.stop_bits") {
		s.StopBits = strconv.FormatFloat(form.StopBits, 'f', -1, 64)
		if !slices.Contains([]string{"1", "1.5", "2"}, s.StopBits) {
			r.file.Fault("line.stop_bits", fmt.Sprintf("%s stop bits do not exist", s.StopBits), "it is 1, 1.5 or 2")
		}
	}
	if r.file.Has("line.dtr") {
		s.DTR = form.DTR
	}
	if r.file.Has("line.rts") {
		s.RTS = form.RTS
	}
	return s
}

func (r reader) unit(path, text string) quantity.Unit {
	u, err := quantity.ParseUnit(text)
	if err != nil {
		r.file.Fault(path, err.Error(), `units are written as in "N·m", "lbf·ft", "mm" or "in"`)
	}
	return u
}

// pattern compiles a pattern that must match a line from end to end.
func (r reader) pattern(path, text string) *regexp.Regexp {
	if len(text) > MaxPattern {
		r.file.Fault(path, fmt.Sprintf("a pattern of %d bytes is more than the %d that are read", len(text), MaxPattern), "")
		return nil
	}
	// Compiled alone first, so that a stray bracket cannot pair with those around it.
	_, err := regexp.Compile(text)
	var whole *regexp.Regexp
	if err == nil {
		whole, err = regexp.Compile(`\A(?:` + text + `)\z`)
	}
	if err != nil {
		r.file.Fault(path, "no regular expression: "+strings.TrimPrefix(err.Error(), "error parsing regexp: "),
			"the syntax is RE2's; write the pattern in single quotes, so that backslashes stay as they are")
	}
	return whole
}

func (r reader) groups(d *reading) {
	const path = "reading.pattern"
	for _, name := range d.pattern.SubexpNames() {
		if name != "" && !slices.Contains(fieldNames, name) {
			hint := "the groups are " + strings.Join(fieldNames, ", ")
			if best := document.Nearest(name, fieldNames); best != "" {
				hint = fmt.Sprintf("did you mean %q?", best)
			}
			r.file.Fault(path, fmt.Sprintf("a group is named %q", name), hint)
		}
	}
}

// ErrIgnored is what Decode returns for a frame that the profile says is none.
var ErrIgnored = errors.New("not a reading, as the profile says")

// A Rejection says why bytes made no reading.
type Rejection struct {
	Reason, Hint string
	// Beside is 1 where the bytes make a reading all the same, which follows, and
	// of many put together how many do; and Missing is how many frames are missing
	// before it, by the instrument's own count.
	Beside  int
	Missing uint64
}

// Error is the reason.
func (r *Rejection) Error() string { return r.Reason }

// HintText is what to do about it.
func (r *Rejection) HintText() string { return r.Hint }
