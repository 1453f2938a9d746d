package main

import "paintmark/cmd/paintmark/internal/cli"

// program is all that paintmark can do. A command stands in a file of its own
// and becomes one by its line here.
func program() *cli.Program {
	return &cli.Program{
		Name:    "paintmark",
		Summary: "records the assembly of engines, bolt by bolt",
		About: `It reads digital torque wrenches and indicators while an engine is assembled,
compares each pull with the plan at once, says what is next, and keeps all that
the instruments said in one book for each engine.`,
		Examples: []cli.Example{
			{Line: "paintmark version", Does: "says which version this is"},
		},
		Flags: []cli.Flag{{
			Name: "shelf", Kind: cli.String, Value: "DIR", Env: "PAINTMARK_SHELF", Complete: cli.Folders,
			Help: "the folder of the books",
		}},
		Commands: []*cli.Command{
			completionCommand(),
			versionCommand(),
		},
	}
}
