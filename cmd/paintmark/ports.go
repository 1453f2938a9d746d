package main

import (
	"context"
	"encoding/json"
	"fmt"
	"text/tabwriter"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/device/serialport"
)

func portsCommand() *cli.Command {
	return &cli.Command{
		Name:    "ports",
		Summary: "lists the serial ports, without disturbing any of them",
		About: `The address is what goes into the list of instruments. That of a USB cable is its
serial number where it has one, so that the instrument is found again in whatever
socket it is plugged. Bluetooth wrenches with a serial port profile are listed
once the system has bound them to a port.`,
		Examples: []cli.Example{
			{Line: "paintmark ports", Does: "also while a build is being recorded"},
		},
		JSON: true,
		Run: func(ctx context.Context, c *cli.Call) error {
			list, err := serialport.List(ctx)
			if err != nil {
				return cli.Fail(cli.Instrument, err)
			}
			if c.JSON() {
				rows := make([]port, len(list))
				for i, p := range list {
					rows[i] = port{p.Address.String(), p.Path, p.Serial, p.Product, p.VendorID, p.ProductID, p.HeldBy}
				}
				return json.NewEncoder(c.Out).Encode(rows)
			}
			if len(list) == 0 {
				_, err := fmt.Fprintln(c.Out, "No serial port is there.")
				return err
			}
			w := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
			for _, p := range list {
				held := ""
				if p.HeldBy != "" {
					held = "in use by " + p.HeldBy
				}
				_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", p.Address, p.Path, p.Product, held)
			}
			return w.Flush()
		},
	}
}

type port struct {
	Address   string `json:"address"`
	Path      string `json:"path"`
	Serial    string `json:"serial"`
	Product   string `json:"product"`
	VendorID  string `json:"vendor_id"`
	ProductID string `json:"product_id"`
	HeldBy    string `json:"held_by"`
}
