package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf8"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/device"
	"paintmark/device/ble"
)

func nearbyCommand() *cli.Command {
	return &cli.Command{
		Name:    "nearby",
		Summary: "lists what is in reach over Bluetooth LE, or what one instrument offers",
		About: `Without an address it listens and lists whatever tells of itself, the strongest
signal first. With an address it connects and lists the characteristics: which of
them notify, as those do that carry readings, which can be written to, and whether
one describes itself, so that it needs no profile. It sends them nothing. The
connection is ended again if it was not there before.

The address in front of each line is what goes into the list of instruments or
behind --at. Where what is sent has a characteristic of its own, name it behind a
plus sign, as in ble:AA:BB:CC:DD:EE:FF/fff0/fff1+fff2.

This is for Linux. A Bluetooth instrument with a serial port profile is a serial
port on every system, once the system has bound it: see paintmark ports.`,
		Examples: []cli.Example{
			{Line: "paintmark nearby", Does: "what is in reach now"},
			{Line: "paintmark nearby --for 20s --adapter hci1", Does: "listens longer, with another adapter of this computer"},
			{Line: "paintmark nearby ble:AA:BB:CC:DD:EE:FF", Does: "what this instrument offers"},
		},
		Args: []cli.Arg{{Name: "address", Optional: true, Help: "the instrument to ask what it offers"}},
		Flags: []cli.Flag{
			{Name: "for", Kind: cli.Duration, Value: "TIME", Default: "5s", Help: "how long to listen, or to look for the address"},
			{Name: "adapter", Kind: cli.String, Value: "NAME", Help: "the Bluetooth adapter of this computer, as in hci0; the first that is on if not given"},
		},
		JSON: true,
		Run:  nearby,
	}
}

func nearby(ctx context.Context, c *cli.Call) error {
	limit := c.Duration("for")
	if limit <= 0 {
		return cli.Usagef("--for %s: there is nothing to hear in that", limit)
	}
	o := ble.Options{Adapter: c.String("adapter")}
	if text := c.Arg("address"); text != "" {
		o.Search = limit
		return offered(ctx, c, text, o)
	}
	listening, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	list, err := ble.Scan(listening, o)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		return cli.Fail(cli.Instrument, err)
	case c.JSON():
		return json.NewEncoder(c.Out).Encode(nearbyRows(list))
	}
	return printNearby(c.Out, list, limit)
}

// offered answers what one instrument offers.
func offered(ctx context.Context, c *cli.Call, text string, o ble.Options) error {
	const hint = "one is written as in ble:AA:BB:CC:DD:EE:FF; paintmark nearby lists those in reach"
	address, err := device.ParseAddress(text)
	if err != nil {
		return cli.WithHint(cli.Fail(cli.Usage, err), hint)
	}
	if address.Transport != ble.Name {
		return cli.WithHint(cli.Usagef("%s is not reached over Bluetooth LE", address), hint)
	}
	t, err := ble.New(address.Place, o)
	if err != nil {
		return cli.Fail(cli.Usage, err)
	}
	list, err := t.Inspect(ctx)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		return cli.Fail(cli.Instrument, err)
	case c.JSON():
		return json.NewEncoder(c.Out).Encode(offeredRows(list))
	}
	return printOffered(c.Out, list)
}

// nearbyRow and offeredRow are the JSON output; JSON.md describes them.
type nearbyRow struct {
	Address   string   `json:"address"`
	Name      string   `json:"name"`
	Signal    int      `json:"signal_dbm,omitempty"`
	Services  []string `json:"services"`
	Connected bool     `json:"connected"`
}

type offeredRow struct {
	Address        string `json:"address"`
	Service        string `json:"service"`
	Characteristic string `json:"characteristic"`
	Notifies       bool   `json:"notifies"`
	Written        bool   `json:"written"`
	Format         string `json:"format,omitempty"`
	Profile        string `json:"profile,omitempty"`
	Unreadable     string `json:"unreadable,omitempty"`
}

func nearbyRows(list []ble.Found) []nearbyRow {
	rows := make([]nearbyRow, len(list))
	for i, f := range list {
		rows[i] = nearbyRow{f.Address.String(), f.Name, f.RSSI, uuidTexts(f.Services), f.Connected}
	}
	return rows
}

func uuidTexts(list []ble.UUID) []string {
	texts := make([]string, len(list))
	for i, u := range list {
		texts[i] = u.String()
	}
	return texts
}

func offeredRows(list []ble.Characteristic) []offeredRow {
	rows := make([]offeredRow, len(list))
	for i, ch := range list {
		rows[i] = offeredRow{Address: ch.Address.String(), Service: ch.Service.String(), Characteristic: ch.UUID.String(), Notifies: ch.Notifies, Written: ch.Writes}
		switch {
		case ch.FormatErr == nil:
			rows[i].Format = ch.Format.String()
			rows[i].Profile, _ = ch.Format.Profile(ble.SelfDescribed) // where a profile can say it
		case !errors.Is(ch.FormatErr, ble.ErrNoFormat):
			rows[i].Unreadable = ch.FormatErr.Error()
		}
	}
	return rows
}

func printNearby(to io.Writer, list []ble.Found, limit time.Duration) error {
	if len(list) == 0 {
		_, err := fmt.Fprintf(to, "Nothing was heard in %s.\n", limit)
		return err
	}
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	for _, f := range list {
		signal, state := "", ""
		if f.RSSI != 0 {
			signal = fmt.Sprintf("%d dBm", f.RSSI)
		}
		if f.Connected {
			state = "connected"
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", f.Address, printable(f.Name), signal, state, strings.Join(uuidTexts(f.Services), " "))
	}
	return w.Flush()
}

func printOffered(to io.Writer, list []ble.Characteristic) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(to, "It has no characteristic that notifies or can be written to.")
		return err
	}
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	for _, ch := range list {
		does := "can be written to"
		switch {
		case ch.Notifies && ch.Writes:
			does = "notifies, can be written to"
		case ch.Notifies:
			does = "notifies"
		}
		says := ""
		switch {
		case ch.FormatErr == nil:
			says = "describes itself: " + ch.Format.String()
			if _, err := ch.Format.Profile(ble.SelfDescribed); err != nil {
				says += "; needs a profile all the same: " + err.Error()
			}
		case !errors.Is(ch.FormatErr, ble.ErrNoFormat):
			says = printable(ch.FormatErr.Error())
		case ch.Notifies:
			says = "needs a profile"
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\n", ch.Address, does, says)
	}
	return w.Flush()
}

// printable makes of a text from the air one that stays in its place of the line.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return utf8.RuneError
		}
		return r
	}, text)
}
