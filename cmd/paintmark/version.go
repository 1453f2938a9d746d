package main

import (
	"context"
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"paintmark/cmd/paintmark/internal/cli"
)

func versionCommand() *cli.Command {
	return &cli.Command{
		Name:    "version",
		Summary: "says which version of the program this is",
		Examples: []cli.Example{
			{Line: "paintmark version", Does: "for a report of a fault"},
			{Line: "paintmark version --json", Does: "for a program that reads it"},
		},
		JSON: true,
		Run: func(_ context.Context, c *cli.Call) error {
			v := struct {
				Version  string `json:"version"`
				Go       string `json:"go"`
				Platform string `json:"platform"`
			}{version(), runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH}
			if c.JSON() {
				return json.NewEncoder(c.Out).Encode(v)
			}
			_, err := fmt.Fprintf(c.Out, "paintmark %s (%s, %s)\n", v.Version, v.Go, v.Platform)
			return err
		},
	}
}

// version is that of the module, which the go command takes from the version
// control system; "unknown" in a build without one.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "unknown"
	}
	return info.Main.Version
}
