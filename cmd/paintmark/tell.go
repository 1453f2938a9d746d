package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/quantity"
	"paintmark/cmd/paintmark/internal/answer"
	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
)

func tellCommand() *cli.Command {
	return &cli.Command{
		Name:    "tell",
		Summary: "tells an instrument to set itself to zero, or to another unit",
		About: `It sends, once, the bytes that the profile has for that under [talk], says what was
sent, and shows the first value that comes afterwards, so that it is seen to have
worked. Nothing may hang on an instrument that is set to zero. While record has the
instrument, press z there instead.`,
		Examples: []cli.Example{
			{Line: "paintmark tell wrench-a zero", Does: "an instrument of the shop's list"},
			{Line: "paintmark tell wrench-a unit N·m", Does: "and its unit"},
			{Line: "paintmark tell --at serial:/dev/ttyUSB0 --profile testdata/profiles/indicator-asked.toml zero", Does: "one that is not in the list"},
		},
		Args: []cli.Arg{{Name: "words", Many: true, Complete: completeInstruments,
			Help: "an instrument of the list, unless there is --at; then zero, or unit and the unit"}},
		Flags: append(slices.Clone(atFlags[:2]),
			cli.Flag{Name: "for", Kind: cli.Duration, Value: "TIME", Default: "5s", Help: "how long to wait for the instrument, and for its value"}),
		JSON: true,
		Run:  runTell,
	}
}

// An order is what an instrument is told.
type order struct {
	words string // "zero", "unit mm"
	unit  quantity.Unit
	bytes []byte
}

// orderOf reads what is to be told, from the words behind the instrument.
func orderOf(words []string, p *profile.Profile) (order, error) {
	usage := func(format string, args ...any) (order, error) {
		return order{}, cli.WithHint(cli.Usagef(format, args...), "it is told zero, or unit and the unit, as in unit mm")
	}
	o := order{words: strings.Join(words, " ")}
	switch {
	case len(words) == 1 && words[0] == "zero":
		if o.bytes = p.Talk.Zero; len(o.bytes) == 0 {
			return o, cannotTell(p, "no bytes that set it to zero", "add zero to [talk]")
		}
	case len(words) == 2 && words[0] == "unit":
		unit, err := quantity.ParseUnit(words[1])
		if err != nil {
			return order{}, cli.Fail(cli.Usage, err)
		}
		o.unit, o.bytes = unit, p.Talk.Units[unit]
		if len(o.bytes) == 0 {
			hint := "add it to [talk.units]"
			if len(p.Talk.Units) > 0 {
				var known []string
				for _, u := range slices.Sorted(maps.Keys(p.Talk.Units)) {
					known = append(known, u.String())
				}
				hint += "; it has " + strings.Join(known, ", ")
			}
			return o, cannotTell(p, "no bytes that set the unit "+unit.String(), hint)
		}
	case len(words) == 0:
		return usage("what is it to be told?")
	default:
		return usage("%q is nothing that it can be told", o.words)
	}
	return o, nil
}

func cannotTell(p *profile.Profile, what, hint string) error {
	return cli.WithHint(cli.Usagef("profile %s has %s", p.Name, what), hint+" of the profile, as the instrument's manual says")
}

// toTell is the instrument, and the words behind it.
func toTell(c *cli.Call) (chosen, []string, error) {
	words := c.Args("words")
	if c.String("at") != "" {
		i, err := chooseAt(c, sources{})
		return i, words, err
	}
	s, err := openShelf(c)
	if err != nil {
		return chosen{}, nil, err
	}
	all, err := chooseOf(s, sources{}, words[:1])
	if err != nil {
		return chosen{}, nil, err
	}
	return all[0], words[1:], nil
}

// toldAnswer is the JSON form; JSON.md describes it.
type toldAnswer struct {
	Instrument string           `json:"instrument"`
	Address    string           `json:"address"`
	Told       string           `json:"told"`
	Sent       []byte           `json:"sent"`
	Value      *answer.Quantity `json:"value,omitempty"`
}

func runTell(ctx context.Context, c *cli.Call) (err error) {
	i, words, err := toTell(c)
	if err != nil {
		return err
	}
	if i.profile == nil {
		return cli.Usagef("%s describes itself, and so nothing is known that it could be told", i.Name)
	}
	o, err := orderOf(words, i.profile)
	if err != nil {
		return err
	}
	a := i.attach(ctx, attach.Options{}).Adapter
	defer func() { err = errors.Join(err, a.Close()) }()
	t := &telling{Call: c, to: i, order: o}
	if err := t.send(ctx, a); err != nil {
		return err
	}
	err = t.hear(ctx, a)
	if c.JSON() {
		shown := toldAnswer{i.Name, i.Address, o.words, o.bytes, nil}
		if t.heard {
			shown.Value = answer.Of(t.value)
		}
		err = errors.Join(json.NewEncoder(c.Out).Encode(shown), err)
	}
	return err
}

// telling is one order on its way.
type telling struct {
	*cli.Call
	to    chosen
	order order
	sent  time.Time
	value quantity.Quantity
	heard bool
}

// send tells the instrument. That it is not there is said at once.
func (t *telling) send(ctx context.Context, a device.Adapter) error {
	ctx, cancel := context.WithTimeout(ctx, t.Duration("for"))
	defer cancel()
	told := make(chan error, 1)
	go func() {
		told <- a.(device.Teller).Tell(ctx, t.order.bytes)
		cancel()
	}()
	var lost error
	for {
		e, err := a.Next(ctx)
		if err != nil {
			break
		}
		if e.Kind == device.Lost {
			lost = e.Err
			cancel()
		}
	}
	err := <-told
	switch {
	case err != nil && lost != nil:
		return lost
	case errors.Is(err, context.DeadlineExceeded):
		return &device.Error{Address: t.to.transport.Address(), Err: fmt.Errorf("nothing could be said to it within %v", t.Duration("for")),
			Hint: "is it busy with a reply that does not come?"}
	case err != nil:
		return err
	}
	t.sent = time.Now()
	if !t.JSON() {
		_, err = fmt.Fprintf(t.Out, "sent %s %s to %s\n", spacedHex(t.order.bytes), strconv.QuoteToASCII(string(t.order.bytes)), t.name())
	}
	return err
}

func (t *telling) name() string {
	if t.to.Name == t.to.Address {
		return t.to.Name
	}
	return t.to.Name + ", " + t.to.Address
}

// hear shows the first value that comes afterwards. After another unit was set,
// values in the one before may still be on their way.
func (t *telling) hear(ctx context.Context, a device.Adapter) error {
	limited, cancel := context.WithTimeout(ctx, t.Duration("for"))
	defer cancel()
	for {
		e, err := a.Next(limited)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			return t.unheard()
		case e.Kind == device.Lost:
			return e.Err
		case e.Kind != device.Sampled || e.Sample.Time.Before(t.sent):
			continue
		}
		t.heard, t.value = true, e.Sample.Value
		if t.order.unit != quantity.NoUnit && t.value.Unit != t.order.unit {
			continue
		}
		return t.print("it shows %s\n", t.value)
	}
}

// unheard is what is said when nothing came that shows the order done.
func (t *telling) unheard() error {
	if t.heard {
		return cli.Fail(cli.Instrument, fmt.Errorf("%s: it was told %s, and still shows %s", t.to.transport.Address(), t.order.words, t.value))
	}
	return t.print("no value came within %v: look at its display\n", t.Duration("for"))
}

func (t *telling) print(format string, args ...any) error {
	if t.JSON() {
		return nil
	}
	_, err := fmt.Fprintf(t.Out, format, args...)
	return err
}
