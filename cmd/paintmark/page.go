package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/trace"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/page"
	"paintmark/log/book"
)

func pageCommand() *cli.Command {
	return &cli.Command{
		Name:    "page",
		Summary: "writes the trace page, every pull as a curve to look at and print",
		About: `The page is one HTML file that is opened from disk and needs no network: the
findings, the joint, the curves of each pass, what is read from each of them and
what cannot be told. It has in it the samples as the book keeps them. The book is
verified first; a book that is not sound gets a page that says so.`,
		Examples: []cli.Example{
			{Line: "paintmark page 2117", Does: "writes 2117-traces.html here"},
			{Line: "paintmark page 2117 --to handover/2117-traces.html", Does: "writes it elsewhere; - is standard output"},
		},
		Args:  []cli.Arg{buildArg},
		Flags: []cli.Flag{{Name: "to", Kind: cli.String, Value: "FILE", Help: "the file; BUILD-traces.html if not given", Complete: cli.Files}},
		Run: func(ctx context.Context, c *cli.Call) error {
			b, err := openBook(c, false)
			if err != nil {
				return err
			}
			text, unsettled, sound, err := makePage(ctx, b, time.Now())
			if err != nil {
				return err
			}
			to := c.String("to")
			if to == "" {
				to = b.Build() + "-traces.html"
			}
			if to == "-" {
				_, err = c.Out.Write(text)
			} else if err = writeFile(to, text); err == nil {
				_, err = fmt.Fprintln(c.Out, to)
			}
			switch {
			case err != nil:
				return err
			case !sound:
				return cli.Fail(cli.Damaged, nil)
			case unsettled > 0:
				return cli.Fail(cli.Findings, nil)
			}
			return nil
		},
	}
}

// makePage verifies a book and makes its trace page of what can be had of it.
func makePage(ctx context.Context, b *book.Book, now time.Time) (text []byte, unsettled int, sound bool, err error) {
	report, entries, err := book.Salvage(b.Path())
	if err != nil {
		return nil, 0, false, err
	}
	p, err := judge.PlanOf(entries)
	if err != nil {
		return nil, 0, false, errors.Join(fmt.Errorf("%s: %w", b.Path(), err), report.Err())
	}
	state := judge.Judge(p, entries)
	in := page.Input{
		State: state, Entries: entries, Build: b.Build(), Verified: report.Sound(), Printed: now, Version: version(), TimeZone: time.Local,
		Trace: func(t fact.Trace) (*trace.Trace, error) { return b.Trace(ctx, t) },
	}
	if err := report.Err(); err != nil {
		in.Summary = err.Error()
	} else {
		in.Summary = fmt.Sprintf("sound: %s, each as it was recorded", count(report.Entries, "entry", "entries"))
	}
	var buffer bytes.Buffer
	err = page.Write(&buffer, in)
	return buffer.Bytes(), state.Unsettled(), report.Sound(), err
}
