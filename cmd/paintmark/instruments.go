package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"text/tabwriter"
	"time"

	"paintmark/calc/fact"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/bench"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/ble"
	"paintmark/device/profile"
	"paintmark/device/rack"
	"paintmark/device/replay"
	"paintmark/device/serialport"
	"paintmark/device/typed"
	"paintmark/log/shelf"
)

// isInstrument tells whether an error is about an instrument.
func isInstrument(err error) bool {
	_, ok := errors.AsType[*device.Error](err)
	return ok
}

var withFlag = cli.Flag{Name: "with", Kind: cli.Strings, Value: "NAME",
	Help: "only this instrument of the shop's list", Complete: completeInstruments}

var atFlags = []cli.Flag{
	{Name: "at", Kind: cli.String, Value: "ADDRESS", Help: "an instrument that is not in the list, as in serial:/dev/ttyUSB0, ble:AA:BB:CC:DD:EE:FF, replay:FILE or typed:keyboard"},
	{Name: "profile", Kind: cli.String, Value: "FILE", Help: "how the instrument at --at talks", Complete: cli.Files},
	{Name: "fast", Help: "play a recording without waiting"},
}

// sources is what transports need beside an address.
type sources struct {
	in   io.Reader // what is typed
	fast bool      // recordings are played without waiting
}

// attachAll attaches the instruments that the flags name, or all of the list.
func attachAll(ctx context.Context, c *cli.Call, now func() time.Time) ([]bench.Instrument, error) {
	from := sources{in: c.In, fast: c.Bool("fast")}
	if c.String("at") != "" {
		if len(c.Strings("with")) > 0 {
			return nil, cli.Usagef("--at is for an instrument that is not in the list, --with for those that are")
		}
		i, err := attachAt(ctx, c, from, now)
		if err != nil {
			return nil, err
		}
		return []bench.Instrument{i}, nil
	}
	s, err := openShelf(c)
	if err != nil {
		return nil, err
	}
	return attachList(ctx, from, s, c.Strings("with"), now)
}

// attachAt attaches the instrument that --at and --profile describe.
func attachAt(ctx context.Context, c *cli.Call, from sources, now func() time.Time) (bench.Instrument, error) {
	address, err := device.ParseAddress(c.String("at"))
	if err != nil {
		return bench.Instrument{}, cli.Fail(cli.Usage, err)
	}
	var p *profile.Profile
	switch file := c.String("profile"); {
	case file != "":
		if p, err = readProfile(file); err != nil {
			return bench.Instrument{}, err
		}
	case address.Transport == typed.Name:
		p = typed.Profile()
	default:
		return bench.Instrument{}, cli.Usagef("how does the instrument at %s talk? name its profile with --profile", address)
	}
	info := fact.Instrument{Name: address.String(), Address: address.String(), Profile: p.Name}
	return attachOne(ctx, from, info, address, p, now)
}

// readProfile reads and checks the profile that a flag names.
func readProfile(file string) (*profile.Profile, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, cli.Fail(cli.Usage, err)
	}
	p, err := profile.Parse(file, text)
	if err != nil {
		return nil, cli.Fail(cli.Usage, err)
	}
	return p, nil
}

// attachOne starts to read one instrument.
func attachOne(ctx context.Context, from sources, info fact.Instrument, a device.Address, p *profile.Profile, now func() time.Time) (bench.Instrument, error) {
	t, err := transport(from, a, p)
	if err != nil {
		return bench.Instrument{}, err
	}
	// The sitting ends its adapters itself, so that nothing they heard is lost.
	ctx = context.WithoutCancel(ctx)
	return bench.Instrument{Instrument: info, Adapter: attach.Attach(ctx, t, p, attach.Options{Now: now})}, nil
}

func transport(from sources, a device.Address, p *profile.Profile) (device.Transport, error) {
	switch a.Transport {
	case serialport.Name:
		t, err := serialport.New(a.Place, p.Line)
		if err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		return t, nil
	case ble.Name:
		t, err := ble.New(a.Place, ble.Options{})
		if err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		return t, nil
	case replay.Name:
		return replay.New(a.Place, replay.Options{Fast: from.fast}), nil
	case typed.Name:
		return typed.New(a.Place, from.in), nil
	}
	return nil, cli.WithHint(cli.Usagef("%q is no transport", a.Transport),
		fmt.Sprintf("the transports are %s, %s, %s and %s", serialport.Name, ble.Name, replay.Name, typed.Name))
}

// completeInstruments offers the names of the shop's list.
func completeInstruments(_ context.Context, c *cli.Call, _ string) cli.Completion {
	s, err := openShelf(c)
	if err != nil {
		return cli.Completion{}
	}
	list, err := rack.Open(s.Instruments())
	if err != nil {
		return cli.Completion{}
	}
	var words []string
	for _, i := range list.Instruments {
		words = append(words, i.Name+"\t"+i.Note)
	}
	return cli.Completion{Words: words}
}

// readRack reads the shop's list of instruments.
func readRack(s *shelf.Shelf) (*rack.Rack, error) {
	list, err := rack.Open(s.Instruments())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, cli.WithHint(cli.Usagef("there is no list of instruments at %s", s.Instruments()),
			"write one, as README.md shows, or name an instrument with --at and --profile")
	}
	if err != nil {
		return nil, cli.Fail(cli.Usage, err)
	}
	return list, nil
}

// attachList attaches instruments of the shop's list: those named, or all.
func attachList(ctx context.Context, from sources, s *shelf.Shelf, names []string, now func() time.Time) ([]bench.Instrument, error) {
	list, err := readRack(s)
	if err != nil {
		return nil, err
	}
	chosen := list.Instruments
	if len(names) > 0 {
		chosen = nil
		for _, name := range names {
			i, err := list.Find(name)
			if err != nil {
				return nil, cli.Fail(cli.Usage, err)
			}
			chosen = append(chosen, i)
		}
	}
	if len(chosen) == 0 {
		return nil, cli.WithHint(cli.Usagef("%s names no instrument", list.Path), "add one, as README.md shows")
	}
	// All of it is checked before the first port is touched.
	profiles := make([]*profile.Profile, len(chosen))
	for n, i := range chosen {
		if profiles[n], err = list.ProfileOf(i); err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		if _, err := transport(from, i.Address, profiles[n]); err != nil {
			return nil, err
		}
	}
	attached := make([]bench.Instrument, len(chosen))
	for n, i := range chosen {
		if attached[n], err = attachOne(ctx, from, i.Fact(), i.Address, profiles[n], now); err != nil {
			return nil, err
		}
		attached[n].Measures = i.Measures
	}
	return attached, nil
}

func instrumentsCommand() *cli.Command {
	return &cli.Command{
		Name:    "instruments",
		Summary: "shows the shop's list of instruments, or what is wrong with it",
		About: `The list is instruments.toml on the shelf. Each instrument has a short name, an
address, a profile that says how it talks, what it measures, and its range and
dates of calibration as known.`,
		Examples: []cli.Example{
			{Line: "paintmark instruments", Does: "the shop's list"},
			{Line: "paintmark instruments --shelf testdata/shelf", Does: "the worked list"},
		},
		JSON: true,
		Run: func(_ context.Context, c *cli.Call) error {
			s, err := openShelf(c)
			if err != nil {
				return err
			}
			list, err := readRack(s)
			if err != nil {
				return err
			}
			var wrong []error
			for _, i := range list.Instruments {
				p, err := list.ProfileOf(i)
				if err == nil {
					_, err = transport(sources{}, i.Address, p)
				}
				if err != nil {
					wrong = append(wrong, err)
				}
			}
			if c.JSON() {
				err = json.NewEncoder(c.Out).Encode(instrumentRows(list))
			} else {
				err = printInstruments(c.Out, list)
			}
			if err == nil && len(wrong) > 0 {
				err = cli.Fail(cli.Usage, errors.Join(wrong...))
			}
			return err
		},
	}
}

type instrumentRow struct {
	Name       string         `json:"name"`
	Address    string         `json:"address"`
	Profile    string         `json:"profile"`
	Measures   string         `json:"measures"`
	Range      *answer.Limits `json:"range,omitempty"`
	Calibrated string         `json:"calibrated,omitempty"`
	Due        string         `json:"due,omitempty"`
	Note       string         `json:"note,omitempty"`
}

func instrumentRows(list *rack.Rack) []instrumentRow {
	rows := make([]instrumentRow, len(list.Instruments))
	for n, i := range list.Instruments {
		rows[n] = instrumentRow{i.Name, i.Address.String(), i.Profile, i.Measures.String(), answer.LimitsOf(i.Range), i.Calibrated, i.Due, i.Note}
	}
	return rows
}

func printInstruments(to io.Writer, list *rack.Rack) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	for _, i := range list.Instruments {
		dates := "calibration not known"
		if i.Calibrated != "" {
			dates = "calibrated " + i.Calibrated
		}
		if i.Due != "" {
			dates += ", due " + i.Due
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", i.Name, i.Address, i.Profile, i.Measures, i.Range, dates)
	}
	return w.Flush()
}
