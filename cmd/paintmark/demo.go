package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/plan"
	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/demo"
	"paintmark/cmd/paintmark/internal/screen"
	"paintmark/device/simulated"
	"paintmark/log/book"
	"paintmark/log/shelf"
	"paintmark/testdata"
)

const (
	demoBuild = "exercise-1"
	demoPlan  = "plans/vee-six.toml"
)

func demoCommand() *cli.Command {
	return &cli.Command{
		Name:    "demo",
		Summary: "builds an invented engine with simulated instruments",
		About: `The instruments sit on pseudo-terminals and speak like hardware; everything from
their bytes to the verdict is the program as it is used for real. The builder
makes some honest mistakes. The engine and all figures are invented. At the end
it says what was found, where the book and the sheet are, and what to try on
them.`,
		Examples: []cli.Example{
			{Line: "paintmark demo", Does: "in a new folder for temporary files"},
			{Line: "paintmark demo --into demo-shelf", Does: "in a folder of your own, which must not be there yet"},
		},
		Flags: []cli.Flag{
			{Name: "into", Kind: cli.String, Value: "DIR", Help: "the folder to make and work in", Complete: cli.Folders},
			{Name: "pace", Kind: cli.Duration, Value: "TIME", Default: "100ms", Help: "how long the builder takes from one act to the next"},
			{Name: "lines", Help: "print lines, also at a terminal"},
			stationFlag,
		},
		Run: runDemo,
	}
}

func runDemo(ctx context.Context, c *cli.Call) error {
	dir, err := demoFolder(c.String("into"))
	if err != nil {
		return err
	}
	stage, err := newDemoStage(c, dir)
	if err != nil {
		return err
	}
	defer stage.close()
	if _, err := fmt.Fprintf(c.Out, "An invented engine, invented figures, simulated instruments on real pseudo-terminals.\nEverything is kept in %s\n\n", dir); err != nil {
		return err
	}
	state, err := stage.play(ctx, c)
	if err != nil {
		return err
	}
	return stage.report(c, state)
}

func demoFolder(into string) (string, error) {
	if into == "" {
		return os.MkdirTemp("", "paintmark-demo-")
	}
	if err := os.MkdirAll(filepath.Dir(into), 0o755); err != nil {
		return "", err
	}
	err := os.Mkdir(into, 0o755)
	if errors.Is(err, fs.ErrExist) {
		return "", cli.WithHint(cli.Usagef("%s is there already", into), "name a folder that is not there yet")
	}
	if err != nil {
		return "", err
	}
	return filepath.Abs(into)
}

// A demoStage is the shelf, the instruments and the builder of a demonstration.
type demoStage struct {
	shelf   *shelf.Shelf
	book    *book.Book
	wrench  *simulated.Port
	gauge   *simulated.Port
	builder *demo.Builder
}

func newDemoStage(c *cli.Call, dir string) (*demoStage, error) {
	for _, folder := range []string{"plans", "profiles"} {
		if err := copyExamples(dir, folder); err != nil {
			return nil, err
		}
	}
	s, err := shelf.Open(dir)
	if err != nil {
		return nil, err
	}
	stage := &demoStage{shelf: s, builder: &demo.Builder{Clock: demo.NewClock()}}
	ok := false
	defer func() {
		if !ok {
			stage.close()
		}
	}()
	if stage.wrench, err = simulated.NewPort(filepath.Join(dir, "ports", "wrench-a")); err != nil {
		return nil, err
	}
	if stage.gauge, err = simulated.NewPort(filepath.Join(dir, "ports", "gauge-1")); err != nil {
		return nil, err
	}
	if err := os.WriteFile(s.Instruments(), []byte(demoInstruments(stage.wrench.Path(), stage.gauge.Path())), 0o644); err != nil {
		return nil, err
	}
	if stage.builder.Wrench, err = demo.Wrench(stage.wrench, quantity.PoundForceFoot, 1); err != nil {
		return nil, err
	}
	if stage.builder.Gauge, err = demo.Gauge(stage.gauge, quantity.Inch, 2); err != nil {
		return nil, err
	}
	if stage.book, err = stage.open(c); err != nil {
		return nil, err
	}
	ok = true
	return stage, nil
}

// open opens the build, with the demonstration's own clock.
func (d *demoStage) open(c *cli.Call) (*book.Book, error) {
	text, err := testdata.Files.ReadFile(demoPlan)
	if err != nil {
		return nil, err
	}
	if _, err := plan.Parse(demoPlan, text); err != nil {
		return nil, err
	}
	o, err := writer(c, d.builder.Clock.Now)
	if err != nil {
		return nil, err
	}
	path, err := d.shelf.Book(demoBuild)
	if err != nil {
		return nil, err
	}
	b, _, err := book.Create(path, o, fact.Opening{
		Build: demoBuild, Plan: string(text), PlanName: filepath.Base(demoPlan), Program: version(),
		Identity: []fact.Identity{{Name: "engine number", Value: "invented-1"}, {Name: "customer", Value: "nobody"}},
	})
	return b, err
}

func copyExamples(dir, folder string) error {
	if err := os.MkdirAll(filepath.Join(dir, folder), 0o755); err != nil {
		return err
	}
	files, err := testdata.Files.ReadDir(folder)
	if err != nil {
		return err
	}
	for _, f := range files {
		text, err := testdata.Files.ReadFile(folder + "/" + f.Name())
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, folder, f.Name()), text, 0o644)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func demoInstruments(wrench, gauge string) string {
	return fmt.Sprintf(`# The instruments of the demonstration. They are simulated and their ports are
# gone when it has ended; every figure is invented.

[[instrument]]
name       = "wrench-a"
address    = %q
profile    = "wrench-line"
measures   = "torque"
least      = "10 lbf·ft"
most       = "150 lbf·ft"
calibrated = 2026-03-02
note       = "simulated"

[[instrument]]
name     = "gauge-1"
address  = %q
profile  = "indicator-line"
measures = "length"
note     = "simulated"
`, "serial:"+wrench, "serial:"+gauge)
}

func (d *demoStage) close() {
	for _, p := range []*simulated.Port{d.wrench, d.gauge} {
		if p != nil {
			_ = p.Close()
		}
	}
}

// play runs one sitting with the scripted builder.
func (d *demoStage) play(ctx context.Context, c *cli.Call) (*judge.State, error) {
	chosen, err := chooseOf(d.shelf, sources{}, nil)
	if err != nil {
		return nil, err
	}
	instruments := attachAll(ctx, chosen, d.builder.Clock.Now)
	show, finish := d.screen(c)
	d.builder.Pace = c.Duration("pace")
	commands, see := d.builder.Start(3)
	session := &bench.Session{
		Build: demoBuild, Book: d.book, Instruments: instruments, Commands: commands,
		Show: func(e bench.Event) { show(e); see(e) },
		Now:  d.builder.Clock.Now, Final: final, Retry: 500 * time.Millisecond,
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	built := make(chan error, 1)
	go func() {
		err := d.builder.Run(ctx)
		if err != nil {
			cancel()
		}
		built <- err
	}()
	state, err := session.Run(ctx)
	cancel()
	if failed := <-built; failed != nil && !errors.Is(failed, context.Canceled) {
		err = failed
	}
	finish()
	return state, err
}

// screen draws at a terminal what the builder would see, and prints lines elsewhere.
func (d *demoStage) screen(c *cli.Call) (show func(bench.Event), finish func()) {
	out := c.OutFile()
	d.builder.Tell = func(text string) { _, _ = fmt.Fprintln(c.Out, "          "+text) }
	if c.Bool("lines") || !screen.IsTerminal(out) || c.Env("TERM") == "dumb" {
		return screen.Plain(c.Out, time.Local), func() {}
	}
	t := screen.NewTerminal(out, screen.Size(out), time.Local)
	d.builder.Tell = t.Say
	ended := onResize(t.Redraw)
	return t.Show, func() {
		ended()
		t.Close()
	}
}

// report says what was found and what to try.
func (d *demoStage) report(c *cli.Call, state *judge.State) error {
	if _, err := fmt.Fprintln(c.Out); err != nil {
		return err
	}
	if err := printState(c.Out, demoBuild, state, d.builder.Clock.Now()); err != nil {
		return err
	}
	h, err := salvaged(d.book)
	if err != nil {
		return err
	}
	var page bytes.Buffer
	if err := h.sheet(&page, d.book, d.builder.Clock.Now()); err != nil {
		return err
	}
	sheetFile := filepath.Join(d.shelf.Dir(), demoBuild+".html")
	if err := writeFile(sheetFile, page.Bytes()); err != nil {
		return err
	}
	run := programWords()
	_, err = fmt.Fprintf(c.Out, `
The book is   %s
The sheet is  %s

Try:
  export PAINTMARK_SHELF=%s
  %[4]s recheck %[5]s
  %[4]s review %[5]s --verdict low --verdict relaxed
  %[4]s verify %[5]s
  %[4]s attest %[5]s head-right/3 "62 lbf·ft"
  %[4]s record %[5]s --at typed:keyboard
`, d.book.Path(), sheetFile, d.shelf.Dir(), run, demoBuild)
	return err
}

// programWords is how the program was started, so that what is printed can be
// typed: "go run" leaves no program behind.
func programWords() string {
	if path, err := os.Executable(); err == nil && strings.Contains(path, "go-build") {
		return "go run ./cmd/paintmark"
	}
	return "paintmark"
}
