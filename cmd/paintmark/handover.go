package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/log/book"
)

// What the commands have in common that write a build as a file to hand over.

// A handover is what can be had of a book, and how it was verified.
type handover struct {
	report  book.Report
	entries []fact.Entry
	state   *judge.State
	// summary is what verifying said, in words.
	summary string
}

// salvaged reads and verifies all that can be had of a book.
func salvaged(b *book.Book) (*handover, error) {
	report, entries, err := book.Salvage(b.Path())
	if err != nil {
		return nil, err
	}
	p, err := judge.PlanOf(entries)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", b.Path(), err), report.Err())
	}
	h := &handover{report, entries, judge.Judge(p, entries), fmt.Sprintf("sound: %s, each as it was recorded", count(report.Entries, "entry", "entries"))}
	if err := report.Err(); err != nil {
		h.summary = err.Error()
	}
	return h, nil
}

// handOver writes what write writes to the file that --to names, or to name, and
// says where. A book that is not sound, and findings that are not settled, are
// its exit.
func (h *handover) handOver(c *cli.Call, name string, write func(io.Writer) error) error {
	var text bytes.Buffer
	if err := write(&text); err != nil {
		return err
	}
	to := c.String("to")
	if to == "" {
		to = name
	}
	var err error
	if to == "-" {
		_, err = c.Out.Write(text.Bytes())
	} else if err = writeFile(to, text.Bytes()); err == nil {
		_, err = fmt.Fprintln(c.Out, to)
	}
	switch {
	case err != nil:
		return err
	case !h.report.Sound():
		return cli.Fail(cli.Damaged, nil)
	}
	return findingsExit(h.state)
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
