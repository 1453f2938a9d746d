package main

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/ble"
	"paintmark/device/profile"
	"paintmark/device/replay"
	"paintmark/device/typed"
)

func listenCommand() *cli.Command {
	return &cli.Command{
		Name:    "listen",
		Summary: "shows what comes from an instrument, and what a profile makes of it",
		About: `For writing a profile, and for finding out why an instrument is not understood.
It records no reading, and sends nothing, unless --talk is given: then what the
profile says under [talk], as for an instrument that has to be asked. Without --profile the line is set by
--baud, --bits, --parity and --stop, and the bytes are shown as they come; a
Bluetooth LE instrument that describes itself is understood all the same. It ends
with --for, at the end of a recording, or when it is interrupted.`,
		Examples: []cli.Example{
			{Line: "paintmark listen serial:/dev/ttyUSB0 --baud 4800 --bits 7 --parity even", Does: "the bytes, as hex and text with times"},
			{Line: "paintmark listen serial:usb=BENCH-0042 --profile testdata/profiles/wrench-line.toml --for 30s", Does: "and what the profile makes of them"},
			{Line: "paintmark listen serial:/dev/ttyUSB0 --capture pulls.rec", Does: "and keeps them as a recording, for tests and reports"},
		},
		Args: []cli.Arg{{Name: "address", Help: "where the instrument is, as paintmark ports shows it"}},
		Flags: []cli.Flag{
			{Name: "profile", Kind: cli.String, Value: "FILE", Help: "how the instrument talks", Complete: cli.Files},
			{Name: "baud", Kind: cli.Int, Value: "RATE", Default: "9600", Help: "bits a second"},
			{Name: "bits", Kind: cli.Int, Value: "N", Default: "8", Help: "data bits, 5 to 8"},
			{Name: "parity", Kind: cli.String, Value: "PARITY", Default: "none", Help: "the parity", OneOf: []string{"none", "odd", "even", "mark", "space"}},
			{Name: "stop", Kind: cli.String, Value: "N", Default: "1", Help: "stop bits", OneOf: []string{"1", "1.5", "2"}},
			{Name: "capture", Kind: cli.String, Value: "FILE", Help: "keep the bytes as a recording in a new file", Complete: cli.Files},
			{Name: "for", Kind: cli.Duration, Value: "TIME", Help: "how long to listen"},
			{Name: "talk", Help: "send what the profile says is to be sent"},
			{Name: "fast", Help: "play a recording without waiting"},
		},
		JSON: true,
		Run:  listen,
	}
}

func listen(ctx context.Context, c *cli.Call) (err error) {
	p, err := listenProfile(c)
	if err != nil {
		return err
	}
	address, err := device.ParseAddress(c.Arg("address"))
	if err != nil {
		return cli.Fail(cli.Usage, err)
	}
	t, err := transport(sources{in: c.In, fast: c.Bool("fast")}, address, p)
	if err != nil {
		return err
	}
	if file := c.String("capture"); file != "" {
		f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return cli.Fail(cli.Usage, err)
		}
		recorder := replay.NewRecorder(f, time.Now)
		t = recorder.Transport(t)
		defer func() { err = errors.Join(err, recorder.Err(), f.Close()) }()
	}
	if limit := c.Duration("for"); limit > 0 {
		limited, cancel := context.WithTimeout(ctx, limit)
		defer cancel()
		ctx = limited
	}
	ear := &ear{to: c.Out, json: c.JSON(), began: time.Now(), decoded: c.String("profile") != ""}
	if c.Bool("talk") && !ear.decoded {
		return cli.Usagef("--talk sends what a profile says: name it with --profile")
	}
	o := attach.Options{Mute: !c.Bool("talk")}
	if address.Transport == ble.Name && !ear.decoded {
		p, o.Describe = nil, ear.describe
	}
	a := attach.Attach(context.WithoutCancel(ctx), &heardTransport{t, func(p []byte, _ time.Time) { ear.chunk(p) }}, p, o)
	defer func() { err = errors.Join(err, a.Close()) }()
	for {
		e, err := a.Next(ctx)
		switch {
		case errors.Is(err, context.DeadlineExceeded):
			return ear.end()
		case err != nil:
			return err
		}
		ear.event(e)
		if e.Kind == device.Ended {
			return errors.Join(e.Err, ear.end())
		}
	}
}

// listenProfile is the profile of --profile, or one that only sets the line.
func listenProfile(c *cli.Call) (*profile.Profile, error) {
	file := c.String("profile")
	if file == "" {
		p := typed.Profile()
		p.Line = device.DefaultSettings()
		p.Line.Baud, p.Line.DataBits, p.Line.Parity, p.Line.StopBits = c.Int("baud"), c.Int("bits"), c.String("parity"), c.String("stop")
		return p, nil
	}
	for _, flag := range []string{"baud", "bits", "parity", "stop"} {
		if c.Set(flag) {
			return nil, cli.Usagef("--%s and --profile: the profile says how the line is set", flag)
		}
	}
	return readProfile(file)
}

// An ear prints what is heard: bytes from the goroutine that reads, events from
// the one that waits for them.
type ear struct {
	to    io.Writer
	json  bool
	began time.Time

	mutex                   sync.Mutex
	decoded                 bool // events of a profile are told, not only losses
	bytes, samples, rejects int
	lost                    error // why the instrument is not there now
	hint                    string
	err                     error
}

// heardLine is a line of the JSON output; JSON.md describes it.
type heardLine struct {
	Event  string           `json:"event"`
	T      float64          `json:"t"`
	Raw    []byte           `json:"raw,omitempty"`
	Text   string           `json:"text,omitempty"`
	Value  *answer.Quantity `json:"value,omitempty"`
	Angle  *answer.Quantity `json:"angle,omitempty"`
	Status []string         `json:"status,omitempty"`
	Pieces int              `json:"pieces,omitempty"`
	Bytes  int              `json:"bytes,omitempty"`
	Age    *float64         `json:"age,omitempty"`
	Hint   string           `json:"hint,omitempty"`
}

const bytesInLine = 16

// describe takes what the instrument says of itself; where it says nothing, its
// bytes are shown alone.
func (e *ear) describe(link device.Link) (*profile.Profile, error) {
	p, err := ble.Describe(link)
	if err != nil {
		p = typed.Profile()
	}
	e.mutex.Lock()
	defer e.mutex.Unlock()
	e.decoded = err == nil
	return p, nil
}

// chunk prints bytes that came at once.
func (e *ear) chunk(p []byte) {
	at := time.Since(e.began).Seconds()
	e.mutex.Lock()
	defer e.mutex.Unlock()
	e.bytes += len(p)
	if e.json {
		e.encode(heardLine{Event: "bytes", T: at, Raw: p})
		return
	}
	for len(p) > 0 {
		n := min(bytesInLine, len(p))
		e.print("%9.3f  %-*s  %s\n", at, 3*bytesInLine-1, spacedHex(p[:n]), strconv.QuoteToASCII(string(p[:n])))
		p = p[n:]
	}
}

func spacedHex(p []byte) string {
	text := strings.ToUpper(hex.EncodeToString(p))
	var b strings.Builder
	for i := 0; i < len(text); i += 2 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(text[i : i+2])
	}
	return b.String()
}

func (e *ear) event(v device.Event) {
	at := time.Since(e.began).Seconds()
	e.mutex.Lock()
	defer e.mutex.Unlock()
	reason := ""
	if v.Err != nil {
		reason = v.Err.Error()
	}
	line := heardLine{Event: v.Kind.String(), T: at, Text: reason}
	switch v.Kind {
	case device.Lost:
		e.lost = v.Err
	case device.Sampled:
		e.samples++
		line.Value, line.Angle, line.Status, line.Raw = answer.Of(v.Sample.Value), answer.Of(v.Sample.Angle), v.Sample.Status, v.Sample.Raw
	case device.Rejected:
		e.rejects += max(1, v.Pieces)
		line.Raw, line.Pieces, line.Bytes = v.Raw, v.Pieces, v.Bytes
	case device.Unfinished:
		line.Raw = v.Raw
	case device.Quiet, device.Resumed:
		if !v.Since.IsZero() {
			age := v.Time.Sub(v.Since).Seconds()
			line.Age = &age
		}
	case device.Found:
		line.Text, e.lost = v.Identity, nil
	}
	told := v.Kind == device.Lost || v.Kind == device.Found || v.Kind == device.Ended
	if !e.decoded && !told {
		return
	}
	var hinted interface{ HintText() string }
	if v.Err != nil && errors.As(v.Err, &hinted) && hinted.HintText() != e.hint {
		e.hint = hinted.HintText()
		line.Hint = e.hint
	}
	if e.json {
		e.encode(line)
		return
	}
	switch v.Kind {
	case device.Sampled:
		words := v.Sample.Value.String()
		if v.Sample.Value.IsZero() {
			words = v.Sample.Value.Number() + " without a unit"
		}
		if !v.Sample.Angle.IsZero() {
			words += ", " + v.Sample.Angle.String()
		}
		if len(v.Sample.Status) > 0 {
			words += "  [" + strings.Join(v.Sample.Status, ", ") + "]"
		}
		e.print("%9.3f  = %s\n", at, words)
	default:
		if line.Age != nil {
			line.Text = strings.TrimPrefix(fmt.Sprintf("%s; the last good frame before came %.1f s ago", line.Text, *line.Age), "; ")
		}
		e.print("%9.3f  %s: %s\n", at, v.Kind, line.Text)
	}
	if line.Hint != "" {
		e.print("%11shint: %s\n", "", line.Hint)
	}
}

// end says what was heard in all. That an instrument was never there is an error.
func (e *ear) end() error {
	e.mutex.Lock()
	defer e.mutex.Unlock()
	switch {
	case e.json:
	case e.decoded:
		e.print("%s, %s, %d rejected\n", count(e.bytes, "byte", "bytes"), count(e.samples, "value", "values"), e.rejects)
	default:
		e.print("%s\n", count(e.bytes, "byte", "bytes"))
	}
	if e.err == nil && e.bytes == 0 && e.lost != nil {
		return cli.Fail(cli.Instrument, e.lost)
	}
	return e.err
}

func (e *ear) print(format string, args ...any) {
	if _, err := fmt.Fprintf(e.to, format, args...); e.err == nil {
		e.err = err
	}
}

func (e *ear) encode(l heardLine) {
	if err := json.NewEncoder(e.to).Encode(l); e.err == nil {
		e.err = err
	}
}

// heardTransport tells what its links read, and when it came.
type heardTransport struct {
	device.Transport
	heard func(p []byte, at time.Time)
}

// Attested implements device.Attesting.
func (t *heardTransport) Attested() bool {
	a, ok := t.Transport.(device.Attesting)
	return ok && a.Attested()
}

func (t *heardTransport) Open(ctx context.Context) (device.Link, error) {
	link, err := t.Transport.Open(ctx)
	if err != nil {
		return nil, err
	}
	l := &heardLink{Link: link, heard: t.heard}
	if p, ok := link.(device.Packeted); ok {
		return &heardPackets{l, p}, nil
	}
	return l, nil
}

// heardLink is as the link that it tells of.
type heardLink struct {
	device.Link
	heard func(p []byte, at time.Time)
	at    time.Time
}

type heardPackets struct {
	*heardLink
	device.Packeted
}

func (l *heardLink) Read(p []byte) (int, error) {
	n, err := l.Link.Read(p)
	if n > 0 {
		l.at = time.Now()
		if s, ok := l.Link.(device.Stamped); ok {
			l.at = s.Stamp()
		}
		l.heard(p[:n], l.at)
	}
	return n, err
}

// Unwrap implements device.Wrapping.
func (l *heardLink) Unwrap() device.Link { return l.Link }

// Stamp implements device.Stamped.
func (l *heardLink) Stamp() time.Time { return l.at }

// Unpaced implements device.Unpaced.
func (l *heardLink) Unpaced() bool {
	u, ok := l.Link.(device.Unpaced)
	return ok && u.Unpaced()
}
