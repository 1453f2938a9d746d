package main

import (
	"context"
	"io"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/trace"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/page"
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
			h, err := salvaged(b)
			if err != nil {
				return err
			}
			return h.handOver(c, b.Build()+"-traces.html", func(w io.Writer) error {
				return page.Write(w, page.Input{
					State: h.state, Entries: h.entries, Build: b.Build(), Verified: h.report.Sound(), Summary: h.summary,
					Printed: time.Now(), Version: version(), TimeZone: time.Local,
					Trace: func(t fact.Trace) (*trace.Trace, error) { return b.Trace(ctx, t) },
				})
			})
		},
	}
}
