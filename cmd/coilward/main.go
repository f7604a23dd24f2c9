// Command coilward watches a fleet of refrigerated machines.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// Exit statuses.
const (
	statusOK     = 0
	statusFailed = 1
	statusUsage  = 2
)

// streams are where a command reads and writes.
type streams struct {
	in  io.Reader
	out io.Writer
	err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := run(ctx, os.Args[1:], &streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(status)
}
