//go:build linux || darwin

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/device/simulated"
	"paintmark/log/book"
)

// The real program over real terminals: the instrument sits on one
// pseudo-terminal, the builder at another.

// newBuild opens a build of a plan on a new shelf, with a wrench plugged in.
func newBuild(t testing.TB, planName string, identity ...string) (dir, path string, wrench *simulated.Port) {
	t.Helper()
	dir = t.TempDir()
	args := []string{"open", "b1", "--plan", filepath.Join("..", "..", "testdata", "plans", planName)}
	for _, i := range identity {
		args = append(args, "--identity", i)
	}
	run(t, dir, args...)
	wrench, err := simulated.NewPort(filepath.Join(dir, "ports", "wrench"))
	require.NoError(t, err)
	t.Cleanup(func() { _ = wrench.Close() })
	return dir, filepath.Join(dir, "b1.book"), wrench
}

func command(t testing.TB, dir string, args ...string) *exec.Cmd {
	c := exec.CommandContext(t.Context(), "paintmark", args...)
	c.Env = append(os.Environ(), "PAINTMARK_SHELF="+dir, "PAINTMARK_STATION=bench-1", "TZ=UTC", "TERM=xterm-256color")
	return c
}

// run runs the program; findings are no failure.
func run(t testing.TB, dir string, args ...string) string {
	t.Helper()
	c := command(t, dir, args...)
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	if err := c.Run(); c.ProcessState.ExitCode() != 3 {
		require.NoError(t, err, errs.String())
	}
	return out.String()
}

func recordArgs(wrench *simulated.Port, more ...string) []string {
	return append([]string{"record", "b1", "--at", "serial:" + wrench.Path(),
		"--profile", filepath.Join("..", "..", "testdata", "profiles", "wrench-line.toml")}, more...)
}

// A screenOf gathers what a program writes to its terminal.
type screenOf struct {
	terminal *os.File
	mutex    sync.Mutex
	text     strings.Builder
	changed  chan struct{}
}

func startAtTerminal(t testing.TB, c *exec.Cmd) *screenOf {
	t.Helper()
	terminal, err := pty.StartWithSize(c, &pty.Winsize{Rows: 30, Cols: 100})
	require.NoError(t, err)
	s := &screenOf{terminal: terminal, changed: make(chan struct{}, 1)}
	go func() {
		buffer := make([]byte, 4096)
		for {
			n, err := terminal.Read(buffer)
			s.mutex.Lock()
			s.text.Write(buffer[:n])
			s.mutex.Unlock()
			select {
			case s.changed <- struct{}{}:
			default:
			}
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { _ = terminal.Close() })
	return s
}

// expect waits until the screen has shown a text since the last call, and
// forgets what came up to it.
func (s *screenOf) expect(t testing.TB, want string) {
	t.Helper()
	limit := time.After(20 * time.Second)
	for {
		s.mutex.Lock()
		text := s.text.String()
		if i := strings.Index(text, want); i >= 0 {
			s.text.Reset()
			s.text.WriteString(text[i+len(want):])
			s.mutex.Unlock()
			return
		}
		s.mutex.Unlock()
		select {
		case <-s.changed:
		case <-limit:
			require.Fail(t, "never shown", "%q in %q", want, text)
		}
	}
}

func (s *screenOf) press(t testing.TB, keys string) {
	t.Helper()
	_, err := io.WriteString(s.terminal, keys)
	require.NoError(t, err)
}

// The main job, as a builder does it: prepare with keys and by hand, pull, be
// told, make a mistake good, be interrupted, go on. The plan is in pound-force
// feet, the wrench shows newton metres: 25 lbf·ft ± 4 % is 24 to 26 lbf·ft, and
// with 1 lbf·ft = 1.3558179483314004 N·m (exact by definition, GNU units 2.22)
// that is 32.5396… to 35.2513… N·m.
func TestABuilderAtTheStand(t *testing.T) {
	dir, path, wrench := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	pull := func(line string) {
		_, err := fmt.Fprintf(wrench, "%s\r\n", line)
		require.NoError(t, err)
	}
	c := command(t, dir, recordArgs(wrench)...)
	s := startAtTerminal(t, c)
	s.expect(t, "CONFIRM head-left/faces")
	// A pull before the joint is prepared is not counted, and not lost.
	pull("+0033.9 Nm OK")
	s.expect(t, "not counted")
	s.press(t, "y")
	s.expect(t, "CONFIRM head-left/threads")
	s.press(t, "y")
	s.expect(t, "MEASURE head-left/dowel-front")
	s.press(t, "m")
	s.press(t, "0.305\r")
	s.expect(t, "attested")
	s.expect(t, "NEXT head-left/4")
	pull("+0032.6 Nm OK")
	s.expect(t, "within    head-left/4")
	s.expect(t, "NEXT head-left/5")
	pull("+0032.5 Nm OK")
	s.expect(t, "low       head-left/5")
	pull("+0035.2 Nm OK")
	s.expect(t, "within    head-left/5")
	s.expect(t, "NEXT head-left/3")
	pull("+0035.3 Nm OK")
	s.expect(t, "high      head-left/3")
	// Garbage on the line is shown and is no reading.
	pull("+00X5.3 Nm OK")
	s.expect(t, "unreadable")
	s.press(t, "q")
	require.Error(t, c.Wait())
	require.Equal(t, 3, c.ProcessState.ExitCode())

	// The sitting goes on where it was.
	c = command(t, dir, recordArgs(wrench)...)
	s = startAtTerminal(t, c)
	s.expect(t, "NEXT head-left/3 again, it was high")
	pull("+0033.9 Nm OK")
	s.expect(t, "NEXT head-left/6")
	s.press(t, "v")
	s.press(t, "socket slipped\r")
	s.expect(t, "taken back")
	s.expect(t, "NEXT head-left/3")
	s.press(t, "\x03")
	require.Error(t, c.Wait())
	require.Equal(t, 130, c.ProcessState.ExitCode())

	b, err := book.Open(path, book.Options{})
	require.NoError(t, err)
	entries, err := b.Entries(t.Context())
	require.NoError(t, err)
	p, err := judge.PlanOf(entries)
	require.NoError(t, err)
	state := judge.Judge(p, entries)
	js, _ := state.Joint("head-left")
	stage, _ := js.Pass("stage-1")
	verdicts := map[string][]judge.Verdict{}
	for _, cell := range stage.Cells {
		for _, r := range cell.Readings {
			verdicts[cell.Place] = append(verdicts[cell.Place], r.Verdict)
			require.Equal(t, string(r.Verdict), r.Reading.Told)
			require.False(t, r.Reading.Attested)
			require.Contains(t, string(r.Reading.Raw), "Nm OK")
		}
	}
	require.Equal(t, map[string][]judge.Verdict{
		"4": {judge.Within}, "5": {judge.Low, judge.Within}, "3": {judge.High, judge.Within},
	}, verdicts)
	require.Equal(t, 1, state.Attested)
	require.Equal(t, 1, state.Voided)
	var notes []string
	for _, n := range state.Notes {
		notes = append(notes, n.Body.(fact.Note).What)
	}
	require.Contains(t, notes, fact.NotAssigned)
	require.Contains(t, notes, fact.Unreadable)
	report, err := book.Verify(path)
	require.NoError(t, err)
	require.True(t, report.Sound(), "%v", report.Faults)
}

// An unplugged wrench ends nothing: the program says so, waits, and finds it
// again.
// A wrench whose cable types as a keyboard does shares the terminal with the keys.
func TestAWrenchThatTypes(t *testing.T) {
	dir, path, _ := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	c := command(t, dir, "record", "b1", "--at", "typed:cable")
	s := startAtTerminal(t, c)
	for _, step := range []string{"faces", "threads"} {
		s.expect(t, "CONFIRM head-left/"+step)
		s.press(t, "y")
	}
	s.expect(t, "MEASURE head-left/dowel-front")
	s.press(t, "0.305 in\r")
	s.expect(t, "NEXT head-left/4")
	s.press(t, "p")
	s.expect(t, "which point?")
	s.press(t, "34.1 Nm\r") // pulled while a question is open
	s.expect(t, "within    head-left/4")
	s.press(t, "\x1b")
	s.expect(t, "NEXT head-left/5")
	s.press(t, "q")
	require.NoError(t, c.Wait())

	b, err := book.Open(path, book.Options{})
	require.NoError(t, err)
	entries, err := b.Entries(t.Context())
	require.NoError(t, err)
	var read []string
	for _, e := range entries {
		if r, ok := e.Body.(fact.Reading); ok {
			require.False(t, r.Attested)
			read = append(read, fmt.Sprintf("%s %s %s", r.Point, r.Value, r.Instrument.Name))
		}
	}
	require.Equal(t, []string{"head-left/dowel-front 0.305 in typed:cable", "head-left/4 34.1 N·m typed:cable"}, read)
}

func TestAWrenchIsUnpluggedAndFoundAgain(t *testing.T) {
	dir, _, wrench := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	run(t, dir, "confirm", "b1", "head-left/faces")
	run(t, dir, "confirm", "b1", "head-left/threads")
	run(t, dir, "attest", "b1", "head-left/dowel-front", "0.305")
	c := command(t, dir, recordArgs(wrench)...)
	s := startAtTerminal(t, c)
	s.expect(t, "NEXT head-left/4")
	_, err := io.WriteString(wrench, "+0033.9 Nm OK\r\n")
	require.NoError(t, err)
	s.expect(t, "NEXT head-left/5")
	require.NoError(t, wrench.Unplug())
	s.expect(t, "lost")
	require.NoError(t, wrench.Plug())
	s.expect(t, "found")
	_, err = io.WriteString(wrench, "+0033.9 Nm OK\r\n")
	require.NoError(t, err)
	s.expect(t, "NEXT head-left/3")
	s.press(t, "q")
	require.NoError(t, c.Wait())
}

// A book that another program holds has its own error and exit code, for reading
// and for writing, and is left as it is.
func TestABookThatIsLocked(t *testing.T) {
	dir, path, _ := newBuild(t, "straight-six.toml", "engine number=1")
	held, err := os.Open(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, held.Close()) }()
	require.NoError(t, unix.Flock(int(held.Fd()), unix.LOCK_EX))
	for _, args := range [][]string{{"state", "b1"}, {"confirm", "b1", "main-caps/shells"}} {
		c := command(t, dir, args...)
		out, err := c.CombinedOutput()
		require.Error(t, err)
		require.Equal(t, 6, c.ProcessState.ExitCode(), "%s", out)
		require.Contains(t, string(out), "b1.book: the book is in use by another program\nhint: wait until the other program is done")
	}
	require.NoError(t, unix.Flock(int(held.Fd()), unix.LOCK_UN))
	require.Contains(t, run(t, dir, "verify", "b1"), "b1 is sound: 1 entry, each as it was recorded")
}

// toldEvent is what these tests read of the JSON output.
type toldEvent struct {
	Event   string
	Reading *struct {
		Entry string
		Value struct{ Value string }
	}
}

// An instrument that is not there is said to be lost and waited for; a sitting
// that was left without it says so at its end.
func TestAnInstrumentThatIsNotThere(t *testing.T) {
	dir, _, wrench := newBuild(t, "straight-six.toml", "engine number=1")
	require.NoError(t, wrench.Unplug())
	c := command(t, dir, recordArgs(wrench)...)
	out, err := c.StdoutPipe()
	require.NoError(t, err)
	in, err := c.StdinPipe()
	require.NoError(t, err)
	var errs bytes.Buffer
	c.Stderr = &errs
	require.NoError(t, c.Start())
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if strings.Contains(lines.Text(), "lost") {
			break
		}
	}
	require.Contains(t, lines.Text(), "not attached. Looking for it")
	_, err = io.WriteString(in, "quit\n")
	require.NoError(t, err)
	require.Error(t, c.Wait())
	require.Equal(t, 4, c.ProcessState.ExitCode())
	require.Contains(t, errs.String(), "paintmark: serial:"+wrench.Path()+": not attached")
}

// Nothing that was told as recorded is ever lost: the program is killed dozens
// of times in mid-recording, at any moment.
func TestNothingToldIsLostWhenTheProgramIsKilled(t *testing.T) {
	const rounds = 30
	dir, path, wrench := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	run(t, dir, "confirm", "b1", "head-left/faces")
	run(t, dir, "confirm", "b1", "head-left/threads")
	run(t, dir, "attest", "b1", "head-left/dowel-front", "0.305")
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	told := map[string]string{} // entry to value
	for range rounds {
		c := command(t, dir, recordArgs(wrench, "--json")...)
		out, err := c.StdoutPipe()
		require.NoError(t, err)
		in, err := c.StdinPipe()
		require.NoError(t, err)
		require.NoError(t, c.Start())
		lines := bufio.NewScanner(out)
		require.True(t, lines.Scan())
		done, stop := make(chan struct{}), make(chan struct{})
		go func() { // pulls, all of them low, so that there is always a next one
			defer close(done)
			for i := 0; ; i++ {
				if _, err := fmt.Fprintf(wrench, "+%04d.%d Nm OK\r\n", 1+i/10%20, i%10); err != nil {
					return
				}
				select {
				case <-stop:
					return
				case <-time.After(time.Millisecond):
				}
			}
		}()
		kill := 1 + random.IntN(12) // readings
		for kill > 0 && lines.Scan() {
			var e toldEvent
			require.NoError(t, json.Unmarshal(lines.Bytes(), &e))
			if e.Event == "reading" {
				told[e.Reading.Entry] = e.Reading.Value.Value
				kill--
			}
		}
		time.Sleep(time.Duration(random.IntN(4000)) * time.Microsecond)
		require.NoError(t, c.Process.Kill())
		for lines.Scan() {
			var e toldEvent
			if json.Unmarshal(lines.Bytes(), &e) == nil && e.Event == "reading" {
				told[e.Reading.Entry] = e.Reading.Value.Value
			}
		}
		require.Error(t, c.Wait())
		close(stop)
		require.NoError(t, wrench.Unplug())
		<-done
		require.NoError(t, wrench.Plug())
		_ = in.Close()

		report, err := book.Verify(path)
		require.NoError(t, err)
		require.True(t, report.Sound(), "%v", report.Faults)
	}
	b, err := book.Open(path, book.Options{})
	require.NoError(t, err)
	entries, err := b.Entries(t.Context())
	require.NoError(t, err)
	kept := map[string]string{}
	for _, e := range entries {
		if r, ok := e.Body.(fact.Reading); ok {
			kept[e.Ref.String()] = r.Value.Number()
		}
	}
	require.GreaterOrEqual(t, len(told), rounds)
	for entry, value := range told {
		require.Equal(t, value, kept[entry], entry)
	}
	t.Logf("%d readings told and all %d kept over %d kills", len(told), len(kept), rounds)
}
