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
	"paintmark/calc/quantity"
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
	{Name: "profile", Kind: cli.String, Value: "FILE", Help: "how the instrument at --at talks; not needed over Bluetooth LE if it describes itself", Complete: cli.Files},
	{Name: "fast", Help: "play a recording without waiting"},
}

// sources is what transports need beside an address.
type sources struct {
	in    io.Reader    // what is typed
	cable *typed.Cable // what an instrument types; nil where none can
	fast  bool         // recordings are played without waiting
}

// A chosen is an instrument that a command is to read.
type chosen struct {
	fact.Instrument
	transport device.Transport
	profile   *profile.Profile   // nil where it describes itself
	measures  quantity.Dimension // none where the list does not say
}

// attach starts to read it.
func (i chosen) attach(ctx context.Context, o attach.Options) bench.Instrument {
	// The sitting ends its adapters itself, so that nothing they heard is lost.
	o.Describe = ble.Describe
	a := attach.Attach(context.WithoutCancel(ctx), i.transport, i.profile, o)
	b := bench.Instrument{Instrument: i.Instrument, Adapter: a, Measures: i.measures}
	if i.profile != nil {
		b.Zero, b.Pull = i.profile.Talk.Zero, i.profile.Pull
	}
	return b
}

// attachAll starts to read several.
func attachAll(ctx context.Context, all []chosen, now func() time.Time) []bench.Instrument {
	attached := make([]bench.Instrument, len(all))
	for n, i := range all {
		attached[n] = i.attach(ctx, attach.Options{Now: now})
	}
	return attached
}

// choose gives the instruments that --at or --with name, or all of the list. All
// of it is checked, and no port is touched.
func choose(c *cli.Call, from sources) ([]chosen, error) {
	if c.String("at") != "" {
		if len(c.Strings("with")) > 0 {
			return nil, cli.Usagef("--at is for an instrument that is not in the list, --with for those that are")
		}
		i, err := chooseAt(c, from)
		if err != nil {
			return nil, err
		}
		return []chosen{i}, nil
	}
	s, err := openShelf(c)
	if err != nil {
		return nil, err
	}
	return chooseOf(s, from, c.Strings("with"))
}

// chooseAt is the instrument that --at and --profile describe.
func chooseAt(c *cli.Call, from sources) (chosen, error) {
	address, err := device.ParseAddress(c.String("at"))
	if err != nil {
		return chosen{}, cli.Fail(cli.Usage, err)
	}
	var p *profile.Profile
	name := ble.SelfDescribed
	switch file := c.String("profile"); {
	case file != "":
		if p, err = readProfile(file); err != nil {
			return chosen{}, err
		}
	case address.Transport == typed.Name:
		p = typed.Profile()
	case address.Transport == ble.Name:
	default:
		return chosen{}, cli.Usagef("how does the instrument at %s talk? name its profile with --profile", address)
	}
	t, err := transport(from, address, p)
	if err != nil {
		return chosen{}, err
	}
	if p != nil {
		name = p.Name
	}
	info := fact.Instrument{Name: address.String(), Address: address.String(), Profile: name}
	return chosen{Instrument: info, transport: t, profile: p}, nil
}

// chooseOf gives instruments of the shop's list: those named, or all.
func chooseOf(s *shelf.Shelf, from sources, names []string) ([]chosen, error) {
	list, err := readRack(s)
	if err != nil {
		return nil, err
	}
	wanted := list.Instruments
	if len(names) > 0 {
		wanted = nil
		for _, name := range names {
			i, err := list.Find(name)
			if err != nil {
				return nil, cli.Fail(cli.Usage, err)
			}
			wanted = append(wanted, i)
		}
	}
	if len(wanted) == 0 {
		return nil, cli.WithHint(cli.Usagef("%s names no instrument", list.Path), "add one, as README.md shows")
	}
	all := make([]chosen, len(wanted))
	for n, i := range wanted {
		p, err := list.ProfileOf(i)
		if err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		t, err := transport(from, i.Address, p)
		if err != nil {
			return nil, err
		}
		all[n] = chosen{i.Fact(), t, p, i.Measures}
	}
	return all, nil
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

func transport(from sources, a device.Address, p *profile.Profile) (device.Transport, error) {
	switch a.Transport {
	case serialport.Name:
		t, err := serialport.New(a.Place, p.Line)
		if err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		return t, nil
	case ble.Name:
		t, err := ble.New(a.Place, ble.Options{Silence: hung(p)})
		if err != nil {
			return nil, cli.Fail(cli.Usage, err)
		}
		return t, nil
	case replay.Name:
		return replay.New(a.Place, replay.Options{Fast: from.fast}), nil
	case typed.Name:
		switch {
		case a.Place == typed.Place && from.cable != nil:
			return from.cable, nil
		case from.in != nil:
			return typed.New(a.Place, from.in), nil
		}
		return nil, cli.WithHint(cli.Usagef("what is typed at %s is no instrument of the list", a),
			"press m to state a value; an instrument whose cable types has the address typed:cable")
	}
	return nil, cli.WithHint(cli.Usagef("%q is no transport", a.Transport),
		fmt.Sprintf("the transports are %s, %s, %s and %s", serialport.Name, ble.Name, replay.Name, typed.Name))
}

// Over Bluetooth LE nobody tells of an instrument that hangs and keeps its
// connection. One that sends all the time is connected anew when it has been
// quiet for so many times what its profile allows, and for so long.
const (
	hungTimes = 3
	hungLeast = 10 * time.Second
)

// hung is after how long without a word an instrument hangs; zero if never.
func hung(p *profile.Profile) time.Duration {
	if p == nil || p.Talk.Quiet == 0 || p.Talk.Asks() {
		return 0
	}
	return max(hungTimes*p.Talk.Quiet, hungLeast)
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
					_, err = transport(sources{cable: typed.NewCable()}, i.Address, p)
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
		rows[n] = instrumentRow{i.Name, i.Address.String(), i.Fact().Profile, i.Measures.String(), answer.LimitsOf(i.Range), i.Calibrated, i.Due, i.Note}
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
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", i.Name, i.Address, i.Fact().Profile, i.Measures, i.Range, dates)
	}
	return w.Flush()
}
