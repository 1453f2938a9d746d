package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/device"
	"paintmark/device/learn"
	"paintmark/device/replay"
	"paintmark/device/serialport"
	"paintmark/device/typed"
)

func learnCommand() *cli.Command {
	return &cli.Command{
		Name:    "learn",
		Summary: "finds out how an instrument talks, and writes a profile of it",
		About: `Make a few pulls, or press the instrument's button, and type each time what its
display showed: "88.4 Nm", or the number alone. Pulls of different sizes tell most,
and one or two the other way. An empty line or "skip" tells nothing of a pull,
"done" ends early.

It only listens, at the usual rates and parities in turn until text comes; nothing is
sent to the instrument unless --ask says what. The profile says in comments how sure
each part is. Read it before you rely on it, and check the instrument with it.`,
		Examples: []cli.Example{
			{Line: "paintmark learn serial:/dev/ttyUSB0 --out wrench.toml", Does: "five pulls, and a profile"},
			{Line: "paintmark learn serial:usb=BENCH-0042 --baud 4800 --bits 7 --parity even --out gauge.toml", Does: "where the line's setting is known"},
			{Line: `paintmark learn serial:/dev/ttyUSB0 --ask '"?" 0D' --out gauge.toml`, Does: "an instrument that answers when it is asked"},
			{Line: `paintmark learn --from pulls.rec --shown "88.4 Nm" --shown "65.2 Nm" --shown "-12.0 Nm"`, Does: "from a recording that listen has kept"},
		},
		Args: []cli.Arg{{Name: "address", Optional: true, Help: "where the instrument is, as paintmark ports shows it"}},
		Flags: []cli.Flag{
			{Name: "out", Kind: cli.String, Value: "FILE", Default: "learnt.toml", Help: "the profile, a new file", Complete: cli.Files},
			{Name: "pulls", Kind: cli.Int, Value: "N", Default: "5", Help: "how many pulls to ask for"},
			{Name: "baud", Kind: cli.Int, Value: "RATE", Help: "bits a second, where they are known; others are not tried then"},
			{Name: "bits", Kind: cli.Int, Value: "N", Default: "8", Help: "data bits, 5 to 8"},
			{Name: "parity", Kind: cli.String, Value: "PARITY", Default: "none", Help: "the parity", OneOf: []string{"none", "odd", "even", "mark", "space"}},
			{Name: "stop", Kind: cli.String, Value: "N", Default: "1", Help: "stop bits", OneOf: []string{"1", "1.5", "2"}},
			{Name: "ask", Kind: cli.String, Value: "BYTES", Help: `bytes to send before each value, as in '"?" 0D'`},
			{Name: "from", Kind: cli.String, Value: "FILE", Help: "learn from a recording", Complete: cli.Files},
			{Name: "shown", Kind: cli.Strings, Value: "VALUE", Help: "with --from: what the display showed, in its order"},
		},
		JSON: true,
		Run:  learnFrom,
	}
}

func learnFrom(ctx context.Context, c *cli.Call) error {
	out := c.String("out")
	if _, err := os.Lstat(out); !errors.Is(err, fs.ErrNotExist) {
		if err == nil {
			err = fmt.Errorf("%s is there already", out)
		}
		return cli.WithHint(cli.Fail(cli.Usage, err), "name another file with --out")
	}
	line, fixed, err := learnLine(c)
	if err != nil {
		return err
	}
	options := learn.Options{Name: strings.TrimSuffix(filepath.Base(out), filepath.Ext(out))}
	if text := c.String("ask"); c.Set("ask") {
		if options.Request, err = bytesOf(text); err != nil {
			return err
		}
	}
	var heard []learn.Heard
	switch from := c.String("from"); {
	case from != "" && c.Arg("address") != "":
		return cli.Usagef("an address and --from: it is learnt from one of them")
	case from != "" && c.Set("ask"):
		return cli.Usagef("--ask and --from: a recording is not asked")
	case from == "" && len(c.Strings("shown")) > 0:
		return cli.Usagef("--shown is for --from: of an instrument it is asked after each pull")
	case from != "":
		if !fixed {
			line = device.Settings{}
		}
		if heard, err = recorded(from, line, c.Strings("shown")); err != nil {
			return err
		}
	case c.Arg("address") == "":
		return cli.Usagef("which instrument? name its address, or a recording with --from")
	default:
		if c.Int("pulls") < 1 || c.Int("pulls") > 100 {
			return cli.Usagef("%d pulls cannot be: from 1 to 100", c.Int("pulls"))
		}
		if heard, err = learnLive(ctx, c, line, fixed, options.Request); err != nil {
			return err
		}
	}
	return tellLearnt(c, learn.Learn(heard, options), out)
}

// learnLine is the line's setting as the flags say it, and whether they do.
func learnLine(c *cli.Call) (line device.Settings, fixed bool, err error) {
	line = device.DefaultSettings()
	fixed = c.Set("baud")
	if !fixed {
		for _, flag := range []string{"bits", "parity", "stop"} {
			if c.Set(flag) {
				return line, false, cli.Usagef("--%s without --baud: a setting is given as a whole, or found", flag)
			}
		}
		return line, false, nil
	}
	line.Baud, line.DataBits, line.Parity, line.StopBits = c.Int("baud"), c.Int("bits"), c.String("parity"), c.String("stop")
	if _, err := serialport.New("any", line); err != nil {
		return line, true, cli.Fail(cli.Usage, err)
	}
	return line, true, nil
}

// bytesOf reads bytes as a recording writes them.
func bytesOf(text string) ([]byte, error) {
	bad := func() error {
		return cli.WithHint(cli.Usagef("--ask %q: these are no bytes", text), `they are written as in '"READ?" 0D 0A': text in quotes, and hexadecimal digits, two for each byte`)
	}
	if strings.ContainsAny(text, "\r\n#") {
		return nil, bad()
	}
	chunk, err := replay.NewReader("--ask", strings.NewReader(replay.Header+"\n0 "+text+"\n")).Next()
	if err != nil || len(chunk.Bytes) > 16 {
		return nil, bad()
	}
	return chunk.Bytes, nil
}

// recorded is what a recording holds.
func recorded(file string, line device.Settings, shown []string) ([]learn.Heard, error) {
	if len(shown) == 0 {
		return nil, cli.Usagef("what did the display show? give each value with --shown, in their order")
	}
	for _, text := range shown {
		if _, err := learn.ParseShown(text); err != nil {
			return nil, cli.Fail(cli.Usage, fmt.Errorf("--shown: %w", err))
		}
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, cli.Fail(cli.Usage, err)
	}
	defer func() { _ = f.Close() }()
	h := learn.Heard{Line: line, Shown: shown}
	for r := replay.NewReader(file, f); ; {
		chunk, err := r.Next()
		if err == io.EOF {
			return []learn.Heard{h}, nil
		}
		if err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		h.Chunks = append(h.Chunks, learn.Chunk{At: chunk.At, Bytes: chunk.Bytes})
	}
}

// A listener gathers what comes from one address while the line is set in one
// way after another.
type listener struct {
	transport func(device.Settings) (device.Transport, error)
	began     time.Time

	link   device.Link
	done   chan struct{} // closed when the link's reading has ended
	mutex  sync.Mutex
	chunks []learn.Chunk
	bytes  int
	err    error
}

// mostWaiting is how many bytes of one pull are kept.
const mostWaiting = 4 * learn.MaxHeard

// open opens the link anew.
func (l *listener) open(ctx context.Context, line device.Settings) error {
	if err := l.close(); err != nil {
		return err
	}
	t, err := l.transport(line)
	if err != nil {
		return err
	}
	link, err := t.Open(ctx)
	if err != nil {
		return err
	}
	done := make(chan struct{})
	l.link, l.done, l.err = link, done, nil
	go func() {
		defer close(done)
		buffer := make([]byte, 4096)
		for {
			n, err := link.Read(buffer)
			l.mutex.Lock()
			if n > 0 && l.bytes < mostWaiting {
				l.bytes += n
				l.chunks = append(l.chunks, learn.Chunk{At: time.Since(l.began), Bytes: slices.Clone(buffer[:n])})
			}
			if err != nil {
				l.err = err
			}
			l.mutex.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return nil
}

func (l *listener) close() error {
	if l.link == nil {
		return nil
	}
	err := l.link.Close()
	<-l.done
	l.link = nil
	return err
}

// take gives what has come since the last call, and why nothing more comes.
func (l *listener) take() ([]learn.Chunk, error) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	chunks := l.chunks
	l.chunks, l.bytes = nil, 0
	if errors.Is(l.err, device.ErrClosed) {
		return chunks, nil
	}
	return chunks, l.err
}

// How long is waited: for an instrument that sends by itself, for what is still on
// its way when the user has typed, and for an answer.
const (
	waitStream = time.Second
	waitRest   = 250 * time.Millisecond
	waitAnswer = time.Second
	waitMore   = 50 * time.Millisecond
)

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// learnLive guides the user through the pulls.
func learnLive(ctx context.Context, c *cli.Call, line device.Settings, fixed bool, request []byte) (heard []learn.Heard, err error) {
	address, err := device.ParseAddress(c.Arg("address"))
	if err != nil {
		return nil, cli.Fail(cli.Usage, err)
	}
	if address.Transport == replay.Name {
		return nil, cli.Usagef("a recording is learnt from with --from %s, and --shown for each value", address.Place)
	}
	if address.Transport == typed.Name {
		return nil, cli.Usagef("what is typed needs no profile")
	}
	l := &listener{began: time.Now(), transport: func(s device.Settings) (device.Transport, error) {
		p := typed.Profile()
		p.Line = s
		return transport(sources{in: c.In}, address, p)
	}}
	defer func() { err = errors.Join(err, l.close()) }()
	if err := l.open(ctx, line); err != nil {
		return nil, err
	}
	s := &lesson{
		listener: l, say: c.Err, line: line, request: request, guesser: learn.NewGuesser(),
		search: !fixed && address.Transport == serialport.Name, lined: address.Transport == serialport.Name,
		typed: typedLines(ctx, c.In),
	}
	err = s.pulls(ctx, c.Int("pulls"))
	return s.heard, err
}

// A lesson is the pulls that an instrument is learnt from.
type lesson struct {
	*listener
	say     io.Writer
	line    device.Settings
	request []byte
	guesser *learn.Guesser
	search  bool // the line's setting is not known
	lined   bool // there is a line
	typed   <-chan string
	heard   []learn.Heard
}

func (s *lesson) printf(format string, args ...any) {
	_, _ = fmt.Fprintf(s.say, format+"\n", args...)
}

// typedLines are the lines of a reader, until it ends.
func typedLines(ctx context.Context, in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for in := bufio.NewScanner(in); in.Scan(); {
			select {
			case lines <- in.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return lines
}

func (s *lesson) of(chunks []learn.Chunk, shown ...string) learn.Heard {
	h := learn.Heard{Shown: shown, Chunks: chunks}
	if s.lined {
		h.Line = s.line
	}
	return h
}

// stream looks for the setting of an instrument that sends by itself or is
// asked, without the user's help.
func (s *lesson) stream(ctx context.Context) error {
	if s.request == nil {
		s.printf("listening to %s", learn.Words(s.line))
	}
	for {
		chunks, err := s.listen(ctx, waitStream)
		if err != nil || len(chunks) == 0 && s.request == nil {
			return err
		}
		h := s.of(chunks)
		s.heard = append(s.heard, h)
		if learn.Sensible(h) {
			s.search = false
			s.printf("text comes at %s", learn.Words(s.line))
			return nil
		}
		if !s.another() {
			return nil
		}
		s.printf("no text at this setting; trying %s", learn.Words(s.line))
		if err := s.open(ctx, s.line); err != nil {
			return err
		}
	}
}

// another takes the next setting, false where all were tried.
func (s *lesson) another() bool {
	next := s.guesser.Guess(s.heard)
	if len(next) > 0 {
		s.line = next[0]
	}
	return len(next) > 0
}

// listen asks, where there is something to ask with, and gives what comes in a
// time.
func (s *lesson) listen(ctx context.Context, d time.Duration) ([]learn.Chunk, error) {
	if s.request != nil {
		if _, err := s.link.Write(s.request); err != nil {
			return nil, err
		}
	}
	for began := time.Now(); time.Since(began) < d; {
		if err := pause(ctx, waitMore); err != nil {
			return nil, err
		}
		if s.request != nil && s.settled() {
			break
		}
	}
	return s.take()
}

// settled tells whether an answer has come, and nothing more after it.
func (l *listener) settled() bool {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	n := len(l.chunks)
	return l.err != nil || n > 0 && time.Since(l.began)-l.chunks[n-1].At >= waitRest
}

func (s *lesson) pulls(ctx context.Context, many int) error {
	if s.search {
		if err := s.stream(ctx); err != nil {
			return err
		}
	}
	for n := 1; n <= many; {
		switch {
		case s.request != nil:
			s.printf("value %d of %d: hold it, type what the display shows, and press Enter; then it is asked for", n, many)
		case n == 1:
			s.printf("pull %d of %d: make it or press the button, then type what the display showed and press Enter", n, many)
		default:
			s.printf("pull %d of %d", n, many)
		}
		text, ok, err := s.answer(ctx)
		if err != nil || !ok {
			return err
		}
		wait := waitRest
		if s.request != nil {
			wait = waitAnswer
		}
		chunks, err := s.listen(ctx, wait)
		if err != nil {
			return err
		}
		h := s.of(chunks)
		switch {
		case len(chunks) == 0:
			s.printf("nothing was heard: is the instrument on, does it send, and is it at this port? Once more:")
			continue
		case s.search && !learn.Sensible(h):
			s.heard = append(s.heard, h)
			was := s.line
			if !s.another() {
				s.printf("no usual setting of the line makes text of it; where it is known, give it with --baud")
				return nil
			}
			s.printf("%s came, and no text at %s; now at %s. Once more:", count(size(chunks), "byte", "bytes"), learn.Words(was), learn.Words(s.line))
			if err := s.open(ctx, s.line); err != nil {
				return err
			}
			continue
		}
		s.search = false
		if text != "" {
			h.Shown = []string{text}
			n++
		}
		s.heard = append(s.heard, h)
		s.printf("heard %s", count(size(chunks), "byte", "bytes"))
	}
	return nil
}

func size(chunks []learn.Chunk) (n int) {
	for _, c := range chunks {
		n += len(c.Bytes)
	}
	return n
}

// answer is what the user types of a display: empty to tell nothing. It is not
// ok at the end.
func (s *lesson) answer(ctx context.Context) (text string, ok bool, err error) {
	for {
		select {
		case <-ctx.Done():
			return "", false, ctx.Err()
		case text, ok = <-s.typed:
		}
		switch text = strings.TrimSpace(text); {
		case !ok || strings.EqualFold(text, "done"):
			return "", false, nil
		case text == "" || strings.EqualFold(text, "skip"):
			return "", true, nil
		}
		_, err := learn.ParseShown(text)
		if err == nil {
			return text, true, nil
		}
		var hint interface{ HintText() string }
		s.printf("%v", err)
		if errors.As(err, &hint) {
			s.printf("hint: %s", hint.HintText())
		}
	}
}

// learntAnswer is the answer in JSON; JSON.md describes it.
type learntAnswer struct {
	File       string         `json:"file"`
	Profile    string         `json:"profile"`
	Reproduced bool           `json:"reproduced"`
	Read       []learntRead   `json:"read"`
	Beliefs    []learntBelief `json:"beliefs"`
}

type learntRead struct {
	Shown string `json:"shown"`
	Read  string `json:"read,omitempty"`
}

type learntBelief struct {
	Part  string `json:"part"`
	Sure  string `json:"sure"`
	Value string `json:"value"`
	Why   string `json:"why"`
}

// tellLearnt writes the profile and says what it rests on.
func tellLearnt(c *cli.Call, r learn.Result, out string) error {
	if r.Profile == "" {
		return cli.WithHint(cli.Fail(cli.Instrument, errors.New("nothing was learnt: "+r.Why)),
			"listen shows what comes; with --capture it keeps it, and learn --from may try again")
	}
	f, err := os.OpenFile(out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return cli.Fail(cli.Usage, err)
	}
	_, err = f.WriteString(r.Profile)
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if c.JSON() {
		a := learntAnswer{File: out, Profile: r.Profile, Reproduced: r.Reproduced(), Read: []learntRead{}}
		for _, x := range r.Reads {
			a.Read = append(a.Read, learntRead(x))
		}
		for _, b := range r.Beliefs {
			a.Beliefs = append(a.Beliefs, learntBelief{string(b.Part), b.Sure.String(), b.Value, b.Why})
		}
		err = json.NewEncoder(c.Out).Encode(a)
	} else {
		err = printLearnt(c, r, out)
	}
	if err == nil && !r.Reproduced() {
		return cli.WithHint(cli.Fail(cli.Instrument, errors.New("the profile does not read all that was shown")),
			"make more pulls, or mend the profile by hand; its format is in device/profile/FORMAT.md")
	}
	return err
}

func printLearnt(c *cli.Call, r learn.Result, out string) error {
	w := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintln(w, "PART\tSURE\tWHAT")
	for _, b := range r.Beliefs {
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\n", b.Part, b.Sure, b.Value)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, _ = fmt.Fprintln(w, "\nSHOWN\tREAD")
	for _, x := range r.Reads {
		read := x.Read
		if read == "" {
			read = "not read"
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\n", x.Shown, read)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	address := c.Arg("address")
	if address == "" {
		address = replay.Name + ":" + c.String("from")
	}
	_, err := fmt.Fprintf(c.Out, `
The profile is in %s; its comments say why. Read it, then try it with values that were
not shown yet, of all sizes and both ways, before a reading of it counts:
    paintmark check --at %s --profile %s
    paintmark listen %[2]s --profile %[1]s
`, out, address, out)
	return err
}
