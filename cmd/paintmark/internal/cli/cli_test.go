package cli_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/cmd/paintmark/internal/cli"
)

// The test binary is the sample program too, when it is called by that name.
func TestMain(m *testing.M) {
	if strings.TrimSuffix(filepath.Base(os.Args[0]), ".exe") == "sample" {
		os.Exit(cli.Main(context.Background(), sample(nil), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

var (
	errLocked  = errors.New("in use by another program")
	errDamaged = errors.New("entry 17 was altered")
)

// sample is a program with all that the package offers.
func sample(env map[string]string) *cli.Program {
	state := &cli.Command{
		Name:     "state",
		Summary:  "says how far a build is",
		About:    "It reads the book of the build and says which pulls are done, which are open, and what is next.\n\nNothing is written.",
		Examples: []cli.Example{{Line: "sample state v8-017", Does: "one build"}},
		Args: []cli.Arg{
			{Name: "build", Help: "the build's name", Complete: builds},
			{Name: "point", Help: "only these points", Optional: true, Many: true, Complete: points},
		},
		Flags: []cli.Flag{
			{Name: "wait", Kind: cli.Duration, Value: "TIME", Default: "30s", Help: "how long to wait"},
			{Name: "most", Kind: cli.Int, Value: "N", Default: "3", Help: "how many to show"},
			{Name: "only", Kind: cli.Strings, Value: "TEXT", Help: "what to show"},
			{Name: "paper", Kind: cli.String, Value: "SIZE", OneOf: []string{"a4", "letter"}, Help: "the paper"},
			{Name: "from", Kind: cli.String, Value: "FILE", Help: "a file", Complete: cli.Files},
		},
		JSON: true,
		Run: func(_ context.Context, c *cli.Call) error {
			_, err := fmt.Fprintf(c.Out, "build=%q points=%q wait=%v most=%d only=%q paper=%q json=%v shelf=%q/%v\n", c.Arg("build"),
				c.Args("point"), c.Duration("wait"), c.Int("most"), c.Strings("only"), c.String("paper"), c.JSON(),
				c.String("shelf"), c.Set("shelf"))
			return err
		},
	}
	check := &cli.Command{
		Name:     "check",
		Summary:  "checks a plan",
		Examples: []cli.Example{{Line: "sample plan check v8.toml", Does: "says what is wrong with it"}},
		Args:     []cli.Arg{{Name: "file", Help: "the plan", Complete: cli.Files}},
		Run: func(_ context.Context, c *cli.Call) error {
			_, err := fmt.Fprintf(c.Out, "checked %s\n", c.Arg("file"))
			return err
		},
	}
	fail := &cli.Command{
		Name:     "fail",
		Summary:  "fails in the way that is asked for",
		Examples: []cli.Example{{Line: "sample fail locked", Does: "fails"}},
		Args:     []cli.Arg{{Name: "how", Help: "in which way"}},
		Run:      func(ctx context.Context, c *cli.Call) error { return failure(ctx, c.Arg("how")) },
	}
	return &cli.Program{
		Name:     "sample",
		Summary:  "is a program for tests",
		Examples: []cli.Example{{Line: "sample state v8-017 | head", Does: "says how far it is"}},
		Flags: []cli.Flag{{Name: "shelf", Kind: cli.String, Value: "DIR", Env: "SAMPLE_SHELF", Help: "the folder of the books",
			Complete: cli.Folders}},
		Commands: []*cli.Command{
			state,
			{Name: "plan", Summary: "works on plans", Commands: []*cli.Command{check}},
			fail,
		},
		Env: func(name string) string { return env[name] },
		Code: func(err error) cli.Code {
			switch {
			case errors.Is(err, errDamaged):
				return cli.Damaged
			case errors.Is(err, errLocked):
				return cli.Locked
			default:
				return cli.Done
			}
		},
	}
}

func builds(_ context.Context, c *cli.Call, _ string) cli.Completion {
	if shelf := c.String("shelf"); shelf != "" {
		return cli.Completion{Words: []string{"on-" + filepath.Base(shelf)}}
	}
	return cli.Completion{Words: []string{"v8-017\tinch", "v8-018\tmetric", "two words", "usb:A5INVENT"}}
}

func points(_ context.Context, c *cli.Call, _ string) cli.Completion {
	return cli.Completion{Words: []string{c.Arg("build") + "/7", c.Arg("build") + "/8"}}
}

type fault struct{ text, hint string }

func (f fault) Error() string    { return f.text }
func (f fault) HintText() string { return f.hint }

// childExit is like the error of a child process, whose code must not become ours.
type childExit struct{}

func (childExit) Error() string { return "the child ended" }
func (childExit) ExitCode() int { return 6 }

func failure(ctx context.Context, how string) error {
	faults := document.Faults{
		{File: "v8.toml", Line: 3, Column: 9, Problem: "no unit", Hint: `write "65 lbf·ft"`},
		{File: "v8.toml", Line: 7, Column: 1, Problem: "unknown key"},
	}
	switch how {
	case "plain":
		return errors.New("the disk is full")
	case "hinted":
		return fmt.Errorf("reading: %w", fault{"no such port", "paintmark ports lists them"})
	case "with-hint":
		return fmt.Errorf("saving: %w", cli.WithHint(errors.New("the disk is full"), "make room\nor take another shelf"))
	case "findings":
		return cli.Fail(cli.Findings, nil)
	case "findings-and-more":
		return errors.Join(cli.Fail(cli.Findings, nil), errors.New("the sheet could not be written"))
	case "done":
		return cli.Fail(cli.Done, nil)
	case "done-with-error":
		return cli.Fail(cli.Done, errors.New("half done"))
	case "instrument":
		return fmt.Errorf("at the bench: %w", cli.Fail(cli.Instrument, errors.New("silent for 30s")))
	case "locked":
		return fmt.Errorf("book v8: %w", errLocked)
	case "damaged":
		return fmt.Errorf("%w: %w", errDamaged, fault{"its sum is wrong", "paintmark verify v8"})
	case "faults":
		return faults
	case "faults-wrapped":
		return cli.Fail(cli.Usage, cli.WithHint(fmt.Errorf("plan: %w", faults), "nothing was opened"))
	case "joined":
		return errors.Join(errors.New("first"), errors.Join(errors.New("second"), fault{"third", "mend it"}))
	case "usage":
		return cli.Usagef("no build %q", "v9")
	case "child":
		return fmt.Errorf("starting: %w", childExit{})
	case "interrupted":
		return ctx.Err()
	case "interrupted-wrapped":
		return fmt.Errorf("recording head/7: %w", context.Cause(ctx))
	case "interrupted-at-damage":
		return fmt.Errorf("%w: %w", cli.Fail(cli.Damaged, errDamaged), ctx.Err())
	case "two-lines":
		return errors.New("one\ntwo")
	case "panic":
		panic("impossible")
	default:
		return cli.Usagef("unknown way")
	}
}

func run(ctx context.Context, p *cli.Program, args ...string) (stdout, stderr string, exit int) {
	var out, errs bytes.Buffer
	exit = cli.Main(ctx, p, args, strings.NewReader(""), &out, &errs)
	return out.String(), errs.String(), exit
}

func TestSampleIsDeclaredWell(t *testing.T) {
	require.NoError(t, sample(nil).Check())
}

// What the library gets wrong is listed in the comments: flags behind arguments,
// negative numbers, commas, octal numbers, values that look like flags.
func TestWords(t *testing.T) {
	const plain = `points=[] wait=30s most=3 only=[] paper="" json=false shelf=""/false` + "\n"
	for _, row := range []struct {
		args string // fields; '_' stands for a space in one
		out  string
	}{
		{"state v8", `build="v8" ` + plain},
		{"state v8 --json", `build="v8" points=[] wait=30s most=3 only=[] paper="" json=true shelf=""/false` + "\n"},
		{"state v8 head/7 --most 4 head/8 --wait=5m", `build="v8" points=["head/7" "head/8"] wait=5m0s most=4 only=[] paper="" json=false shelf=""/false` + "\n"},
		{"--shelf a state v8", `build="v8" points=[] wait=30s most=3 only=[] paper="" json=false shelf="a"/true` + "\n"},
		{"--shelf a state v8 --shelf=b", `build="v8" points=[] wait=30s most=3 only=[] paper="" json=false shelf="b"/true` + "\n"},
		{"state -0.5 -.5 -5_N·m -", `build="-0.5" points=["-.5" "-5 N·m" "-"] wait=30s most=3 only=[] paper="" json=false shelf=""/false` + "\n"},
		{"state v8 --most -2", `build="v8" points=[] wait=30s most=-2 only=[] paper="" json=false shelf=""/false` + "\n"},
		{"state v8 --most 010", `build="v8" points=[] wait=30s most=10 only=[] paper="" json=false shelf=""/false` + "\n"},
		{"state -- --json -x --", `build="--json" points=["-x" "--"] wait=30s most=3 only=[] paper="" json=false shelf=""/false` + "\n"},
		{"state --json -- v8", `build="v8" points=[] wait=30s most=3 only=[] paper="" json=true shelf=""/false` + "\n"},
		{"state v8 --only a,b --only=_c_ --only=", `build="v8" points=[] wait=30s most=3 only=["a,b" " c " ""] paper="" json=false shelf=""/false` + "\n"},
		{"state v8 --only=--json", `build="v8" points=[] wait=30s most=3 only=["--json"] paper="" json=false shelf=""/false` + "\n"},
		{"state v8 --only=a=b", `build="v8" points=[] wait=30s most=3 only=["a=b"] paper="" json=false shelf=""/false` + "\n"},
		{"state v8 --json=false --paper a4", `build="v8" points=[] wait=30s most=3 only=[] paper="a4" json=false shelf=""/false` + "\n"},
		{"state help", `build="help" ` + plain},
		{"state plan check", `build="plan" points=["check"] wait=30s most=3 only=[] paper="" json=false shelf=""/false` + "\n"},
		{"plan check v8.toml", "checked v8.toml\n"},
		{"plan --shelf a check v8.toml", "checked v8.toml\n"},
		{"plan check -- -v8.toml", "checked -v8.toml\n"},
		{"fail done", ""},
	} {
		t.Run(row.args, func(t *testing.T) {
			out, errs, exit := run(t.Context(), sample(nil), fields(row.args)...)
			require.Empty(t, errs)
			require.Equal(t, row.out, out)
			require.Equal(t, 0, exit)
		})
	}
}

func fields(text string) []string {
	words := strings.Fields(text)
	for i := range words {
		words[i] = strings.ReplaceAll(words[i], "_", " ")
	}
	return words
}

func TestWrongUse(t *testing.T) {
	const stateHelp = "hint: sample state --help says how it is used\n"
	for _, row := range []struct{ args, errs string }{
		{"stat", "sample: unknown command \"stat\"\nhint: did you mean \"state\"?\n"},
		{"zzzzzz", "sample: unknown command \"zzzzzz\"\nhint: sample --help says how it is used\n"},
		{"zzzzzz --help", "sample: unknown command \"zzzzzz\"\nhint: sample --help says how it is used\n"},
		{"help zzzzzz", "sample: unknown command \"zzzzzz\"\nhint: sample --help says how it is used\n"},
		{"plan chek", "sample: plan: unknown command \"chek\"\nhint: did you mean \"check\"?\n"},
		{"--json state v8", "sample: unknown flag --json\nhint: the flags of a command stand behind it\n"},
		{"--state", "sample: unknown flag --state\nhint: did you mean \"sample state\"?\n"},
		{"state v8 --jsn", "sample: state: unknown flag --jsn\nhint: did you mean --json?\n"},
		{"state v8 -json", "sample: state: unknown flag -json\nhint: did you mean --json?\n"},
		{"state v8 ---json", "sample: state: unknown flag ---json\nhint: did you mean --json?\n"},
		{"state v8 --mosst=3", "sample: state: unknown flag --mosst\nhint: did you mean --most?\n"},
		{"state v8 --zzzzzzzzz", "sample: state: unknown flag --zzzzzzzzz\n" + stateHelp},
		{"state v8 --most", "sample: state: flag --most needs a value\n" + stateHelp},
		{"state v8 --paper --json", "sample: state: flag --paper needs a value, before --json\nhint: write --paper=--json if that is the value\n"},
		{"state v8 --paper -- x", "sample: state: flag --paper needs a value, before --\nhint: write --paper=-- if that is the value\n"},
		{"state v8 --most 0x10", "sample: state: --most: \"0x10\" is not a whole number\n" + stateHelp},
		{"state v8 --most 99999999999999999999", "sample: state: --most: \"99999999999999999999\" is not a whole number\n" + stateHelp},
		{"state v8 --wait 5", "sample: state: --wait: \"5\" is not a length of time such as 30s, 5m or 1h30m\n" + stateHelp},
		{"state v8 --paper a3", "sample: state: --paper: \"a3\" is none of a4, letter\n" + stateHelp},
		{"state v8 --json=perhaps", "sample: state: --json: \"perhaps\" is neither true nor false\n" + stateHelp},
		{"state", "sample: state: BUILD is missing\n" + stateHelp},
		{"plan check a b", "sample: plan: check: unexpected argument \"b\"\nhint: sample plan check --help says how it is used\n"},
		{"fail usage", "sample: no build \"v9\"\nhint: sample fail --help says how it is used\n"},
	} {
		t.Run(row.args, func(t *testing.T) {
			out, errs, exit := run(t.Context(), sample(nil), fields(row.args)...)
			require.Empty(t, out)
			require.Equal(t, row.errs, errs)
			require.Equal(t, 2, exit)
		})
	}
}

func TestErrorsAndCodes(t *testing.T) {
	interrupted, cancel := context.WithCancelCause(t.Context())
	cancel(errors.New("interrupt signal received"))
	for _, row := range []struct {
		ctx  context.Context
		how  string
		code cli.Code
		errs string
	}{
		{nil, "plain", cli.Failed, "sample: the disk is full\n"},
		{nil, "hinted", cli.Failed, "sample: reading: no such port\nhint: paintmark ports lists them\n"},
		{nil, "with-hint", cli.Failed, "sample: saving: the disk is full\nhint: make room\nhint: or take another shelf\n"},
		{nil, "findings", cli.Findings, ""},
		{nil, "findings-and-more", cli.Findings, "sample: the sheet could not be written\n"},
		{nil, "done-with-error", cli.Failed, "sample: half done\n"},
		{nil, "instrument", cli.Instrument, "sample: at the bench: silent for 30s\n"},
		{nil, "locked", cli.Locked, "sample: book v8: in use by another program\n"},
		{nil, "damaged", cli.Damaged, "sample: entry 17 was altered: its sum is wrong\nhint: paintmark verify v8\n"},
		{nil, "faults", cli.Failed, "sample: v8.toml:3:9: no unit\nhint: write \"65 lbf·ft\"\nsample: v8.toml:7:1: unknown key\n"},
		{nil, "faults-wrapped", cli.Usage, "sample: plan: v8.toml:3:9: no unit\nhint: write \"65 lbf·ft\"\n" +
			"sample: plan: v8.toml:7:1: unknown key\nhint: nothing was opened\n"},
		{nil, "joined", cli.Failed, "sample: first\nsample: second\nsample: third\nhint: mend it\n"},
		{nil, "child", cli.Failed, "sample: starting: the child ended\n"},
		{nil, "two-lines", cli.Failed, "sample: one\nsample: two\n"},
		{interrupted, "interrupted", cli.Interrupted, "sample: interrupted\n"},
		{interrupted, "interrupted-wrapped", cli.Interrupted, "sample: recording head/7: interrupt signal received\n"},
		{interrupted, "interrupted-at-damage", cli.Damaged, "sample: entry 17 was altered: context canceled\n"},
		{interrupted, "plain", cli.Failed, "sample: the disk is full\n"},
	} {
		t.Run(row.how, func(t *testing.T) {
			ctx := row.ctx
			if ctx == nil {
				ctx = t.Context()
			}
			out, errs, exit := run(ctx, sample(nil), "fail", row.how)
			require.Empty(t, out)
			require.Equal(t, row.errs, errs)
			require.Equal(t, row.code, cli.Code(exit))
		})
	}
}

// Go's own code for a panic is 2, which here means wrong use.
func TestPanicIsAFailureOfTheProgram(t *testing.T) {
	out, errs, exit := run(t.Context(), sample(nil), "fail", "panic")
	require.Empty(t, out)
	require.Contains(t, errs, "cli_test.failure", "the stack is there")
	require.True(t, strings.HasSuffix(errs, "sample: a fault of the program itself: impossible\n"+
		"hint: please report it with what stands above\n"), errs)
	require.Equal(t, 1, exit)
}

func TestEnvironmentGivesFlags(t *testing.T) {
	out, _, exit := run(t.Context(), sample(map[string]string{"SAMPLE_SHELF": "b c,d"}), "state", "v8")
	require.Contains(t, out, `shelf="b c,d"/true`)
	require.Equal(t, 0, exit)

	out, _, _ = run(t.Context(), sample(map[string]string{"SAMPLE_SHELF": "b"}), "state", "v8", "--shelf", "a")
	require.Contains(t, out, `shelf="a"/true`)

	p := sample(map[string]string{"SAMPLE_MOST": "many"})
	p.Commands[0].Flags[1].Env = "SAMPLE_MOST"
	_, errs, exit := run(t.Context(), p, "state", "v8")
	require.Equal(t, "sample: state: variable SAMPLE_MOST: \"many\" is not a whole number\nhint: sample state --help says how it is used\n", errs)
	require.Equal(t, 2, exit)
}

const exitCodes = `Exit codes:
  0     done and nothing to report
  1     the program failed
  2     wrong use
  3     the work was judged and findings are open
  4     an instrument could not be read
  5     a book is damaged or was changed
  6     a book is locked
  130   interrupted
`

const stateHelpText = `Examples:
  sample state v8-017
      one build

Usage:
  sample state [flags] BUILD [POINT…]

sample state says how far a build is.

It reads the book of the build and says which pulls are done, which are open,
and what is next.

Nothing is written.

Arguments:
  BUILD   the build's name
  POINT   only these points

Flags:
  --wait TIME    how long to wait, 30s if not given
  --most N       how many to show, 3 if not given
  --only TEXT    what to show; may be given again
  --paper SIZE   the paper: a4, letter
  --from FILE    a file
  --json         answer in JSON
  --shelf DIR    the folder of the books (also by the variable SAMPLE_SHELF)
  --help         this text

` + exitCodes

const sampleHelpText = `Examples:
  sample state v8-017 | head
      says how far it is

Usage:
  sample COMMAND

sample is a program for tests.

Commands:
  state        says how far a build is
  plan check   checks a plan
  fail         fails in the way that is asked for

Flags:
  --shelf DIR   the folder of the books (also by the variable SAMPLE_SHELF)
  --help        this text

` + exitCodes

func TestHelpIsAnAnswer(t *testing.T) {
	for _, row := range []struct{ args, out string }{
		{"--help", sampleHelpText},
		{"-h", sampleHelpText},
		{"help", sampleHelpText},
		{"state --help", stateHelpText},
		{"help state", stateHelpText},
		{"--help state", stateHelpText},
		{"state v8 --no-such-flag --most x -h", stateHelpText},
	} {
		t.Run(row.args, func(t *testing.T) {
			out, errs, exit := run(t.Context(), sample(nil), fields(row.args)...)
			require.Empty(t, errs)
			require.Equal(t, row.out, out)
			require.Equal(t, 0, exit)
		})
	}
	out, _, _ := run(t.Context(), sample(nil), "plan", "--help")
	require.Contains(t, out, "Usage:\n  sample plan COMMAND\n")
	require.Contains(t, out, "Commands:\n  check   checks a plan\n")

	out, _, _ = run(t.Context(), sample(nil), "state", "--", "--help")
	require.Contains(t, out, `build="--help"`)
}

func TestNoCommandShowsThemAll(t *testing.T) {
	out, errs, exit := run(t.Context(), sample(nil))
	require.Empty(t, out)
	require.Equal(t, sampleHelpText+"\nsample: which command?\nhint: sample --help says how it is used\n", errs)
	require.Equal(t, 2, exit)

	_, errs, exit = run(t.Context(), sample(nil), "plan")
	require.Contains(t, errs, "Commands:\n  check")
	require.Contains(t, errs, "\nsample: plan: which command?\nhint: sample plan --help says how it is used\n")
	require.Equal(t, 2, exit)
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

// An answer that did not arrive is no success.
func TestAnswerThatCannotBeWritten(t *testing.T) {
	p := sample(nil)
	p.Commands[0].Run = func(_ context.Context, c *cli.Call) error {
		_, _ = io.WriteString(c.Out, "an answer")
		return nil
	}
	for _, args := range []string{"state v8", "--help"} {
		var errs bytes.Buffer
		exit := cli.Main(t.Context(), p, strings.Fields(args), nil, fullDisk{}, &errs)
		require.Equal(t, 1, exit)
		require.Contains(t, errs.String(), "no space left on device")
	}
}

func TestOutFile(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	var got []*os.File
	p := sample(nil)
	p.Commands[0].Run = func(_ context.Context, c *cli.Call) error {
		got = append(got, c.OutFile())
		return nil
	}
	require.Equal(t, 0, cli.Main(t.Context(), p, []string{"state", "v8"}, nil, file, io.Discard))
	require.Equal(t, 0, cli.Main(t.Context(), p, []string{"state", "v8"}, nil, io.Discard, io.Discard))
	require.Equal(t, []*os.File{file, nil}, got)
}

// A flag or argument that was never declared is a slip in the command's code.
func TestUndeclaredNamesPanic(t *testing.T) {
	for name, ask := range map[string]func(*cli.Call){
		"flag":       func(c *cli.Call) { c.Bool("jsn") },
		"other kind": func(c *cli.Call) { c.String("most") },
		"argument":   func(c *cli.Call) { c.Arg("bild") },
	} {
		p := sample(nil)
		var said any
		p.Commands[0].Run = func(_ context.Context, c *cli.Call) error {
			defer func() { said = recover() }()
			ask(c)
			return nil
		}
		_, _, exit := run(t.Context(), p, "state", "v8")
		require.Equal(t, 0, exit)
		require.Contains(t, fmt.Sprint(said), `cli: command "state" declares no`, name)
	}
}

// The command gets the context of the call.
func TestContextReachesTheCommand(t *testing.T) {
	type key struct{}
	ctx := context.WithValue(t.Context(), key{}, "here")
	ctx, cancel := context.WithTimeout(ctx, time.Hour)
	defer cancel()
	p := sample(nil)
	var got any
	p.Commands[0].Run = func(ctx context.Context, _ *cli.Call) error { got = ctx.Value(key{}); return nil }
	_, _, exit := run(ctx, p, "state", "v8")
	require.Equal(t, 0, exit)
	require.Equal(t, "here", got)
}

func TestCheckFindsSlips(t *testing.T) {
	for want, spoil := range map[string]func(*cli.Program){
		`state: no summary`:                                        func(p *cli.Program) { p.Commands[0].Summary = "" },
		`state: no example`:                                        func(p *cli.Program) { p.Commands[0].Examples = nil },
		`state: has either Run or commands of its own`:             func(p *cli.Program) { p.Commands[0].Run = nil },
		`state: flag --shelf stands twice`:                         func(p *cli.Program) { p.Commands[0].Flags[4].Name = "shelf" },
		`state: flag --most has the default "x"`:                   func(p *cli.Program) { p.Commands[0].Flags[1].Default = "x" },
		`state: argument build has no help`:                        func(p *cli.Program) { p.Commands[0].Args[0].Help = "" },
		`state: argument point can never be told from the one`:     func(p *cli.Program) { p.Commands[0].Args[0].Many = true },
		`plan check: example "sample plan chek": plan: unknown`:    func(p *cli.Program) { p.Commands[1].Commands[0].Examples[0].Line = "sample plan chek" },
		`state: example "other state v8" does not call sample`:     func(p *cli.Program) { p.Commands[0].Examples[0].Line = "other state v8" },
		`help: the name is taken`:                                  func(p *cli.Program) { p.Commands[0].Name = "help" },
		`command "state" stands twice or has no name`:              func(p *cli.Program) { p.Commands[2].Name = "state" },
		`state: flag --most has a kind that does not go with a va`: func(p *cli.Program) { p.Commands[0].Flags[1].Kind = cli.Bool },
		`state: flag --x needs help and a name of more than one`:   func(p *cli.Program) { p.Commands[0].Flags[3].Name = "x" },
	} {
		p := sample(nil)
		spoil(p)
		err := p.Check()
		require.Error(t, err, want)
		require.Contains(t, err.Error(), want)
	}
}
