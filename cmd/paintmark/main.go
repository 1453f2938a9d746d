// Command paintmark records how an engine is assembled: what the instruments
// said of every bolt and valve, whether it was right, and what comes next.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"paintmark/cmd/paintmark/internal/cli"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second interrupt ends the program at once
	os.Exit(cli.Main(ctx, program(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
