package main

import (
	"context"
	"encoding/json"
	"fmt"
	"text/tabwriter"
	"time"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/log/book"
)

func shelfCommand() *cli.Command {
	return &cli.Command{
		Name:    "shelf",
		Summary: "lists the builds on the shelf and how far each is",
		Examples: []cli.Example{
			{Line: "paintmark shelf", Does: "the shop's shelf"},
			{Line: "paintmark shelf --shelf /media/archive", Does: "another one"},
		},
		JSON: true,
		Run: func(ctx context.Context, c *cli.Call) error {
			s, err := openShelf(c)
			if err != nil {
				return err
			}
			names, err := s.Builds()
			if err != nil {
				return err
			}
			rows := make([]shelfRow, 0, len(names))
			var worst error
			for _, name := range names {
				row, err := shelfRowOf(ctx, s.Book, name)
				if err != nil && worst == nil {
					worst = cli.Fail(exitCode(err), nil)
				}
				rows = append(rows, row)
			}
			if c.JSON() {
				err = json.NewEncoder(c.Out).Encode(rows)
			} else {
				err = printShelf(c, s.Dir(), rows)
			}
			if err == nil {
				err = worst
			}
			return err
		},
	}
}

type shelfRow struct {
	Build     string     `json:"build"`
	Plan      string     `json:"plan,omitempty"`
	Opened    *time.Time `json:"opened,omitempty"`
	Readings  int        `json:"readings"`
	Unsettled int        `json:"unsettled"`
	Complete  bool       `json:"complete"`
	Error     string     `json:"error,omitempty"`
}

// shelfRowOf reads one build. One that cannot be read is a row all the same.
func shelfRowOf(ctx context.Context, where func(string) (string, error), name string) (shelfRow, error) {
	row := shelfRow{Build: name}
	path, err := where(name)
	if err != nil {
		row.Error = err.Error()
		return row, err
	}
	b, err := book.Open(path, book.Options{})
	if err != nil {
		row.Error = err.Error()
		return row, err
	}
	_, state, err := judged(ctx, b)
	if err != nil {
		row.Error = err.Error()
		return row, err
	}
	opened := state.Opened.Time
	row.Plan, row.Opened, row.Readings, row.Unsettled, row.Complete = state.Plan.Title, &opened, state.Readings, state.Unsettled(), state.Complete()
	return row, nil
}

func printShelf(c *cli.Call, dir string, rows []shelfRow) error {
	if len(rows) == 0 {
		_, err := fmt.Fprintf(c.Out, "No build is on the shelf %s.\n", dir)
		return err
	}
	w := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		if r.Error != "" {
			_, _ = fmt.Fprintf(w, "%s\tcannot be read: %s\n", r.Build, r.Error)
			continue
		}
		state := "in work"
		if r.Complete {
			state = "complete"
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%d readings\t%s\t%d unsettled\n", r.Build, r.Opened.In(time.Local).Format("2006-01-02"), r.Plan, r.Readings, state, r.Unsettled)
	}
	return w.Flush()
}
