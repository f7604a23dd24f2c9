package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/term"

	"coilward/collector"
)

// replayCommand is the command line of replay.
type replayCommand struct {
	Fleet    string    `required:"" placeholder:"FILE" type:"path" help:"Fleet file: sites, machines, limits."`
	Settings string    `placeholder:"FILE" type:"path" help:"Settings laid over the fleet file, as settings export writes them."`
	History  string    `placeholder:"DIR" type:"path" help:"Replay the readings stored in this folder, the history in the daemon's data_dir; it must not be in use."`
	From     time.Time `placeholder:"TIME" help:"With --history: print what was found from this time on, such as 2026-07-01T00:00:00Z. What came before is still learned from."`
	To       time.Time `placeholder:"TIME" help:"With --history: stop at this time."`
	Kinds    string    `placeholder:"FILE" type:"path" help:"With files: what is known of kinds, as kinds export and kinds learn write it. A history has it in the ledger beside it."`
	Files    []string  `arg:"" optional:"" name:"file" help:"Recorded messages, a line of JSON each; .gz is unpacked, - is standard input. Taken in the order given."`
}

// Help is the longer text.
func (replayCommand) Help() string {
	return `Runs what the daemon runs, on recorded messages, as fast as it can and in event time, and prints each change of each finding as a line of JSON. Bad lines are told on standard error and passed over. The exit status is 0, 1 when no message could be read, 2 for bad arguments.

Example:
  coilward replay --fleet fleet.yaml july.ndjson.gz > findings.ndjson
  coilward replay --fleet fleet.yaml --history /var/lib/coilward/history --from 2026-07-03T00:00:00Z --to 2026-07-04T00:00:00Z`
}

func (c *replayCommand) run(ctx context.Context, s *streams) int {
	usage := func(format string, args ...any) int {
		fmt.Fprintf(s.err, "coilward replay: "+format+"\n", args...)
		return statusUsage
	}
	f, ok := readFleet(c.Fleet, s)
	if !ok {
		return statusUsage
	}
	if f, ok = c.laid(f, s); !ok {
		return statusUsage
	}
	r := &replay{fleet: f, stdin: s.in, out: bufio.NewWriterSize(s.out, 64<<10), errors: s.err}
	if c.Kinds != "" {
		var err error
		if r.kinds, err = readKinds(c.Kinds); err != nil {
			return usage("%v", err)
		}
	}
	var total int64
	work := func(ctx context.Context) error { return r.files(ctx, c.Files) }
	switch {
	case c.History != "" && c.Kinds != "":
		return usage("--kinds goes with files: a history has what was known of kinds in the ledger beside it")
	case c.History != "":
		if len(c.Files) > 0 {
			return usage("name either --history or files, not both")
		}
		// A folder that is no history must not become one.
		if _, err := os.Stat(filepath.Join(c.History, "blocks")); err != nil {
			return usage("%s holds no history; name the folder history in the daemon's data_dir", c.History)
		}
		from, to := collector.Millis(0), collector.Millis(1<<62)
		if !c.From.IsZero() {
			from = collector.MillisOf(c.From)
		}
		if !c.To.IsZero() {
			to = collector.MillisOf(c.To)
			r.upTo = to
		}
		if from >= to {
			return usage("--from must be before --to")
		}
		work = func(ctx context.Context) error { return r.stored(ctx, c.History, from, to) }
	case len(c.Files) == 0:
		return usage("name the files with the recorded messages, or - for standard input")
	case !c.From.IsZero() || !c.To.IsZero():
		return usage("--from and --to go with --history")
	}
	for _, name := range c.Files {
		if name == "-" {
			total = -1 << 62
			continue
		}
		info, err := os.Stat(name)
		if err == nil && info.IsDir() {
			err = fmt.Errorf("%s is a folder; name the files in it", name)
		}
		if err != nil {
			return usage("%v", err)
		}
		total += info.Size()
	}
	stop := func() {}
	if terminal, ok := s.err.(*os.File); ok && term.IsTerminal(int(terminal.Fd())) {
		watch, cancel := context.WithCancel(ctx)
		over := make(chan struct{})
		go func() { defer close(over); r.progress(watch, terminal, total) }()
		stop = func() { cancel(); <-over }
	}
	err := work(ctx)
	stop()
	if flushed := r.out.Flush(); err == nil {
		err = flushed
	}
	r.summary()
	switch {
	case ctx.Err() != nil:
		fmt.Fprintln(s.err, "coilward replay: interrupted")
		return statusFailed
	case err != nil:
		fmt.Fprintf(s.err, "coilward replay: %v\n", err)
		return statusFailed
	case r.read == 0:
		fmt.Fprintln(s.err, "coilward replay: no message could be read")
		return statusFailed
	}
	return statusOK
}
