package main

import (
	"context"
	"io"

	"paintmark/cmd/paintmark/internal/cli"
)

func completionCommand() *cli.Command {
	return &cli.Command{
		Name:    "completion",
		Summary: "prints the script that lets a shell complete commands and names",
		About: `Load the script in the shell's start-up file. Behind the Tab key are then the
commands, their flags, and the names of builds, points and files.`,
		Examples: []cli.Example{
			{Line: "source <(paintmark completion bash)", Does: "in ~/.bashrc; zsh in ~/.zshrc likewise"},
			{Line: "paintmark completion fish | source", Does: "in ~/.config/fish/config.fish"},
		},
		Args: []cli.Arg{{Name: "shell", Help: "the shell", OneOf: cli.Shells}},
		Run: func(_ context.Context, c *cli.Call) error {
			script, err := cli.CompletionScript(c.Arg("shell"), "paintmark")
			if err != nil {
				return err
			}
			_, err = io.WriteString(c.Out, script)
			return err
		},
	}
}
