package main

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/log/book"
)

func verifyCommand() *cli.Command {
	return &cli.Command{
		Name:    "verify",
		Summary: "proves that a book is as it was recorded, or says what is not",
		About: `Every entry is checked against the chain of hashes and against the witness file
beside the book. The last hash of each station stands for all its entries: if it
is the one printed on the sheet, the record is the one that was signed.`,
		Examples: []cli.Example{
			{Line: "paintmark verify 2117", Does: "one book"},
			{Line: "paintmark verify --file /media/handover/2117.book", Does: "a book that is not on the shelf"},
			{Line: "paintmark verify 2117 --renew-witness", Does: "after a handover without the witness; the book says so ever after"},
		},
		Args: []cli.Arg{{Name: "build", Help: "the build's name", Complete: completeBuilds, Optional: true}},
		Flags: []cli.Flag{
			{Name: "file", Kind: cli.String, Value: "FILE", Help: "a book anywhere, instead of a build on the shelf", Complete: cli.Files},
			{Name: "renew-witness", Help: "write the witness of a whole book anew, and note that in the book"},
			stationFlag,
		},
		JSON: true,
		Run: func(ctx context.Context, c *cli.Call) error {
			path := c.String("file")
			switch {
			case (path == "") == (c.Arg("build") == ""):
				return cli.Usagef("which book? name a build, or a file with --file")
			case path == "":
				s, err := openShelf(c)
				if err != nil {
					return err
				}
				if path, err = s.Book(c.Arg("build")); err != nil {
					return cli.Fail(cli.Usage, err)
				}
			}
			if c.Bool("renew-witness") {
				o, err := writer(c, time.Now)
				if err != nil {
					return err
				}
				if _, err := book.Renew(ctx, path, o); err != nil {
					return err
				}
			}
			report, err := book.Verify(path)
			if err != nil {
				return err
			}
			if c.JSON() {
				err = json.NewEncoder(c.Out).Encode(verifyOf(report))
			} else {
				err = printReport(c.Out, report)
			}
			if err == nil && !report.Sound() {
				err = cli.Fail(cli.Damaged, nil)
			}
			return err
		},
	}
}

type verified struct {
	Build     string        `json:"build"`
	File      string        `json:"file"`
	Sound     bool          `json:"sound"`
	Entries   int           `json:"entries"`
	Intact    int           `json:"intact"`
	Recovered int           `json:"recovered"`
	Traces    int           `json:"traces"`
	Whole     int           `json:"traces_intact"`
	Ends      []verifiedEnd `json:"ends"`
	Faults    []fault       `json:"faults"`
	Notes     []string      `json:"notes"`
}

type verifiedEnd struct {
	Entry string `json:"entry"`
	Hash  string `json:"hash"`
}

type fault struct {
	Entry string `json:"entry,omitempty"`
	Point string `json:"point,omitempty"`
	Kind  string `json:"kind"`
	Text  string `json:"text"`
}

func verifyOf(r book.Report) verified {
	v := verified{Build: r.Build, File: r.Path, Sound: r.Sound(), Entries: r.Entries, Intact: r.Intact, Recovered: r.Recovered,
		Traces: r.Traces, Whole: r.TracesIntact,
		Ends: []verifiedEnd{}, Faults: []fault{}, Notes: append([]string{}, r.Notes...)}
	for _, e := range r.Ends {
		v.Ends = append(v.Ends, verifiedEnd{e.Ref.String(), hex.EncodeToString(e.Hash[:])})
	}
	for _, f := range r.Faults {
		made := fault{Point: string(f.Point), Kind: string(f.Kind), Text: f.Text}
		if !f.Ref.IsZero() {
			made.Entry = f.Ref.String()
		}
		v.Faults = append(v.Faults, made)
	}
	return v
}

func printReport(to io.Writer, r book.Report) error {
	say := func(format string, args ...any) error { _, err := fmt.Fprintf(to, format+"\n", args...); return err }
	name := r.Build
	if name == "" {
		name = r.Path
	}
	var err error
	if r.Sound() {
		with := ""
		if r.Traces > 0 {
			with = " and " + count(r.Traces, "trace of a pull", "traces of pulls")
		}
		err = say("%s is sound: %s%s, each as it was recorded", name, count(r.Entries, "entry", "entries"), with)
	} else {
		err = say("%s is NOT SOUND: of %s %d intact, and %d more could be had from elsewhere in the file", name, count(r.Entries, "entry", "entries"), r.Intact, r.Recovered)
	}
	if err == nil && r.Traces > r.TracesIntact {
		err = say("  of %s %d intact", count(r.Traces, "trace", "traces"), r.TracesIntact)
	}
	for _, f := range r.Faults {
		if err == nil {
			err = say("  %s", f)
		}
	}
	for _, n := range r.Notes {
		if err == nil {
			err = say("  note: %s", n)
		}
	}
	for _, e := range r.Ends {
		if err == nil {
			err = say("  last entry %s  %s", e.Ref, hex.EncodeToString(e.Hash[:]))
		}
	}
	return err
}
