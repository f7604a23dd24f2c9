// Command coilward watches a fleet of refrigerated machines.
package main

import (
	"context"
	"fmt"
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

// problems tells what is wrong with a command, a line for each thing.
func (s *streams) problems(command string, err error) {
	for _, e := range apart(err) {
		fmt.Fprintf(s.err, "coilward %s: %v\n", command, e)
	}
}

// failed tells the problems, if there are any, and returns the exit status.
func (s *streams) failed(command string, err error) int {
	if err == nil {
		return statusOK
	}
	s.problems(command, err)
	return statusFailed
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := run(ctx, os.Args[1:], &streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(status)
}
