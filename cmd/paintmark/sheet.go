package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"paintmark/calc/judge"
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
			page, unsettled, sound, err := makeSheet(b, time.Now())
			if err != nil {
				return err
			}
			to := c.String("to")
			if to == "" {
				to = b.Build() + ".html"
			}
			if to == "-" {
				_, err = c.Out.Write(page)
			} else if err = writeFile(to, page); err == nil {
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

// makeSheet verifies a book and makes its sheet of what can be had of it.
func makeSheet(b *book.Book, now time.Time) (page []byte, unsettled int, sound bool, err error) {
	report, entries, err := book.Salvage(b.Path())
	if err != nil {
		return nil, 0, false, err
	}
	p, err := judge.PlanOf(entries)
	if err != nil {
		return nil, 0, false, errors.Join(fmt.Errorf("%s: %w", b.Path(), err), report.Err())
	}
	state := judge.Judge(p, entries)
	in := sheet.Input{State: state, Build: b.Build(), Verified: report.Sound(), Printed: now, Version: version(), TimeZone: time.Local}
	for _, e := range report.Ends {
		in.Heads = append(in.Heads, sheet.Head{Station: e.Ref.Station, Number: e.Ref.Number, Hash: e.Hash})
	}
	if err := report.Err(); err != nil {
		in.Summary = err.Error()
	} else {
		in.Summary = fmt.Sprintf("sound: %s, each as it was recorded", count(report.Entries, "entry", "entries"))
	}
	var buffer bytes.Buffer
	err = sheet.Write(&buffer, in)
	return buffer.Bytes(), state.Unsettled(), report.Sound(), err
}

// writeFile replaces a file as a whole or not at all.
func writeFile(path string, content []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
	return err
}
