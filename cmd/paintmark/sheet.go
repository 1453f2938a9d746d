package main

import (
	"context"
	"io"
	"time"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/sheet"
	"paintmark/log/book"
)

func sheetCommand() *cli.Command {
	return &cli.Command{
		Name:    "sheet",
		Summary: "writes the build sheet, one file to read, print and sign",
		About: `The sheet is one HTML file that needs no network and prints on A4 and Letter.
The book is verified first; a book that is not sound gets a sheet that says so.`,
		Examples: []cli.Example{
			{Line: "paintmark sheet 2117", Does: "writes 2117.html here"},
			{Line: "paintmark sheet 2117 --to handover/2117.html", Does: "writes it elsewhere; - is standard output"},
		},
		Args:  []cli.Arg{buildArg},
		Flags: []cli.Flag{{Name: "to", Kind: cli.String, Value: "FILE", Help: "the file; BUILD.html if not given", Complete: cli.Files}},
		Run: func(_ context.Context, c *cli.Call) error {
			b, err := openBook(c, false)
			if err != nil {
				return err
			}
			h, err := salvaged(b)
			if err != nil {
				return err
			}
			return h.handOver(c, b.Build()+".html", func(w io.Writer) error { return h.sheet(w, b, time.Now()) })
		},
	}
}

// sheet writes the build sheet.
func (h *handover) sheet(w io.Writer, b *book.Book, now time.Time) error {
	in := sheet.Input{State: h.state, Build: b.Build(), Verified: h.report.Sound(), Summary: h.summary, Printed: now, Version: version(), TimeZone: time.Local}
	for _, e := range h.report.Ends {
		in.Heads = append(in.Heads, sheet.Head{Station: e.Ref.Station, Number: e.Ref.Number, Hash: e.Hash})
	}
	return sheet.Write(w, in)
}
