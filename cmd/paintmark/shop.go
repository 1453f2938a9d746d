package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/log/book"
	"paintmark/log/shelf"
)

// What the commands have in common: the shelf, a build's book, who writes.

var stationFlag = cli.Flag{
	Name: "station", Kind: cli.String, Value: "NAME", Env: "PAINTMARK_STATION",
	Help: "the name under which this bench writes; the computer's name if not given",
}

var becauseFlag = cli.Flag{Name: "because", Kind: cli.String, Value: "TEXT", Help: "the reason, which is kept"}

var buildArg = cli.Arg{Name: "build", Help: "the build's name", Complete: completeBuilds}

func completeBuilds(_ context.Context, c *cli.Call, _ string) cli.Completion {
	s, err := openShelf(c)
	if err != nil {
		return cli.Completion{}
	}
	builds, err := s.Builds()
	if err != nil {
		return cli.Completion{}
	}
	return cli.Completion{Words: builds}
}

// completePoints offers the points of the build that was named before.
func completePoints(ctx context.Context, c *cli.Call, _ string) cli.Completion {
	b, err := openBook(c, false)
	if err != nil {
		return cli.Completion{}
	}
	entries, err := b.Entries(ctx)
	if err != nil {
		return cli.Completion{}
	}
	p, err := judge.PlanOf(entries)
	if err != nil {
		return cli.Completion{}
	}
	var words []string
	for _, j := range p.Joints {
		for _, s := range j.Steps {
			words = append(words, string(j.Point(s.Key))+"\t"+s.Text)
		}
		for _, b := range j.Bolts {
			words = append(words, string(j.Point(b.Key)))
		}
	}
	return cli.Completion{Words: words}
}

// openShelf opens the folder of books: the flag's, the environment's, or
// "paintmark" in the home folder.
func openShelf(c *cli.Call) (*shelf.Shelf, error) {
	dir := c.String("shelf")
	if dir == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			return nil, cli.WithHint(fmt.Errorf("there is no home folder to keep the shelf in: %w", err), "name the folder with --shelf")
		}
		dir = filepath.Join(home, "paintmark")
	}
	return shelf.Open(dir)
}

// openBook opens the book of the build that the command names, to write to it
// or only to read.
func openBook(c *cli.Call, write bool) (*book.Book, error) {
	s, err := openShelf(c)
	if err != nil {
		return nil, err
	}
	path, err := s.Book(c.Arg("build"))
	if err != nil {
		return nil, cli.Fail(cli.Usage, err)
	}
	var o book.Options
	if write {
		if o, err = writer(c, time.Now); err != nil {
			return nil, err
		}
	}
	return book.Open(path, o)
}

// writer is who writes, from a new session on.
func writer(c *cli.Call, now func() time.Time) (book.Options, error) {
	station := c.String("station")
	if station == "" {
		host, err := os.Hostname()
		if err != nil {
			return book.Options{}, cli.WithHint(fmt.Errorf("the computer's name cannot be told: %w", err), "name the bench with --station")
		}
		host, _, _ = strings.Cut(host, ".")
		station = host
	}
	start := now()
	return book.Options{Station: station, Session: start.UTC().Format("20060102T150405.000Z"), Start: start, Now: now}, nil
}

// judged reads a build's book and judges it.
func judged(ctx context.Context, b *book.Book) ([]fact.Entry, *judge.State, error) {
	entries, err := b.Entries(ctx)
	if err != nil {
		return nil, nil, err
	}
	p, err := judge.PlanOf(entries)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", b.Path(), err)
	}
	return entries, judge.Judge(p, entries), nil
}

// readBuild opens, reads and judges the build that the command names.
func readBuild(ctx context.Context, c *cli.Call) (*book.Book, []fact.Entry, *judge.State, error) {
	b, err := openBook(c, false)
	if err != nil {
		return nil, nil, nil, err
	}
	entries, state, err := judged(ctx, b)
	return b, entries, state, err
}

// findingsExit is the exit of a command that judged a build.
func findingsExit(s *judge.State) error {
	if s.Unsettled() > 0 {
		return cli.Fail(cli.Findings, nil)
	}
	return nil
}

// count is a number with what it counts: "1 entry", "2 entries".
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// exitCode is the one table from errors to exit codes.
func exitCode(err error) cli.Code {
	switch {
	case errors.Is(err, book.ErrUnsound), errors.Is(err, book.ErrNewer):
		return cli.Damaged
	case errors.Is(err, book.ErrLocked):
		return cli.Locked
	case isInstrument(err):
		return cli.Instrument
	case errors.Is(err, book.ErrMissing), errors.Is(err, book.ErrExists):
		return cli.Usage
	}
	return cli.Done
}
