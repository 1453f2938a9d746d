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
			{Line: "paintmark demo", Does: "builds an invented engine with simulated instruments"},
			{Line: `paintmark open 2117 --plan vee-six.toml --identity "engine number=E-2117" --identity "customer=Demonstration"`, Does: "opens a build"},
			{Line: "paintmark record 2117", Does: "reads the instruments and says what is next"},
			{Line: "paintmark recheck 2117", Does: "lists the bolts to go over again"},
			{Line: "paintmark sheet 2117", Does: "writes the build sheet"},
		},
		Flags: []cli.Flag{{
			Name: "shelf", Kind: cli.String, Value: "DIR", Env: "PAINTMARK_SHELF", Complete: cli.Folders,
			Help: "the folder of the books; paintmark in the home folder if not given",
		}},
		Code: exitCode,
		Commands: []*cli.Command{
			demoCommand(),
			planCommand(),
			instrumentsCommand(),
			portsCommand(),
			nearbyCommand(),
			listenCommand(),
			learnCommand(),
			checkCommand(),
			tellCommand(),
			openCommand(),
			recordCommand(),
			stateCommand(),
			recheckCommand(),
			reviewCommand(),
			sheetCommand(),
			pageCommand(),
			verifyCommand(),
			shelfCommand(),
			attestCommand(),
			confirmCommand(),
			skipCommand(),
			voidCommand(),
			replanCommand(),
			acceptCommand(),
			sendbackCommand(),
			completionCommand(),
			versionCommand(),
		},
	}
}
