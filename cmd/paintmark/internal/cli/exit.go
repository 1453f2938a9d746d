package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
)

// A Code is what the program's exit says. The numbers are part of the interface
// and are never used again for something else.
type Code int

// The exit codes.
const (
	Done        Code = 0
	Failed      Code = 1
	Usage       Code = 2
	Findings    Code = 3
	Instrument  Code = 4
	Damaged     Code = 5
	Locked      Code = 6
	Interrupted Code = 130
)

// codes is the table that ends every help text.
var codes = []struct {
	code    Code
	meaning string
}{
	{Done, "done and nothing to report"},
	{Failed, "the program failed"},
	{Usage, "wrong use"},
	{Findings, "the work was judged and findings are open"},
	{Instrument, "an instrument could not be read"},
	{Damaged, "a book is damaged or was changed"},
	{Locked, "a book is locked"},
	{Interrupted, "interrupted"},
}

// String is what the code means.
func (c Code) String() string {
	for _, row := range codes {
		if row.code == c {
			return row.meaning
		}
	}
	return fmt.Sprintf("exit code %d", int(c))
}

// coded is an error with its exit code.
type coded struct {
	error // never nil
	code  Code
	quiet bool
}

func (c *coded) Unwrap() error { return c.error }

// Fail gives err an exit code, which it keeps when it is wrapped. With a nil err
// nothing is printed and the code says it all; Fail(Done, nil) is nil.
func Fail(code Code, err error) error {
	switch {
	case err != nil && code == Done:
		return &coded{error: err, code: Failed}
	case err != nil:
		return &coded{error: err, code: code}
	case code == Done:
		return nil
	default:
		return &coded{error: errors.New(code.String()), code: code, quiet: true}
	}
}

// Usagef is an error of the person who typed the command. Its hint names the
// command's help, unless it has another.
func Usagef(format string, args ...any) error {
	return Fail(Usage, fmt.Errorf(format, args...))
}

type hinted struct {
	error
	hint string
}

func (h *hinted) Unwrap() error    { return h.error }
func (h *hinted) HintText() string { return h.hint }

// WithHint gives err a line that says what to do.
func WithHint(err error, hint string) error { return &hinted{err, hint} }

// code is the one place where an error becomes an exit code: the code the error
// carries, else the interruption it came from, else what the program's own
// table says, else Failed.
func (p *Program) code(ctx context.Context, err error) Code {
	if err == nil {
		return Done
	}
	if c, ok := errors.AsType[*coded](err); ok {
		return c.code
	}
	if ctx.Err() != nil && (errors.Is(err, context.Canceled) || errors.Is(err, context.Cause(ctx))) {
		return Interrupted
	}
	if p.Code != nil {
		if code := p.Code(err); code != Done {
			return code
		}
	}
	return Failed
}

// report prints err: a line, and what to do about it.
func (p *Program) report(w io.Writer, name string, code Code, err error) {
	if err == nil {
		return
	}
	if err == context.Canceled { // one that is wrapped has more to say
		err = errors.New(Interrupted.String())
	}
	for _, part := range parts(err) {
		for line := range strings.Lines(part.text) {
			_, _ = fmt.Fprintf(w, "%s: %s\n", p.Name, strings.TrimRight(line, "\n"))
		}
		if part.hint == "" && code == Usage {
			part.hint = strings.Join(strings.Fields(p.Name+" "+name+" --help"), " ") + " says how it is used"
		}
		for line := range strings.Lines(part.hint) {
			_, _ = fmt.Fprintf(w, "hint: %s\n", strings.TrimRight(line, "\n"))
		}
	}
}

type part struct{ text, hint string }

// parts takes an error that is a list apart. A list is told from an error that
// wraps two others by its text, which is the texts of its parts, one a line. What
// was wrapped around the list is put before each part; a hint that was put
// around it ends it.
func parts(err error) []part {
	var outer string
	for e := err; e != nil; e = errors.Unwrap(e) {
		if c, ok := e.(*coded); ok && c.quiet {
			return nil
		}
		if h, ok := e.(interface{ HintText() string }); ok && outer == "" {
			outer = h.HintText()
		}
		list, ok := e.(interface{ Unwrap() []error })
		if !ok {
			continue
		}
		var texts []string
		for _, each := range list.Unwrap() {
			texts = append(texts, each.Error())
		}
		around, ok := strings.CutSuffix(err.Error(), e.Error())
		if !ok || strings.Join(texts, "\n") != e.Error() {
			break
		}
		var all []part
		for _, each := range list.Unwrap() {
			for _, inner := range parts(each) {
				all = append(all, part{around + inner.text, inner.hint})
			}
		}
		if len(all) > 0 && outer != "" {
			all[len(all)-1].hint = strings.TrimSpace(all[len(all)-1].hint + "\n" + outer)
		}
		return all
	}
	return []part{{err.Error(), hintOf(err)}}
}

// hintOf finds the outermost hint that is not empty.
func hintOf(err error) string {
	if h, ok := err.(interface{ HintText() string }); ok && h.HintText() != "" {
		return h.HintText()
	}
	switch e := err.(type) {
	case interface{ Unwrap() error }:
		if inner := e.Unwrap(); inner != nil {
			return hintOf(inner)
		}
	case interface{ Unwrap() []error }:
		for _, inner := range e.Unwrap() {
			if hint := hintOf(inner); hint != "" {
				return hint
			}
		}
	}
	return ""
}
