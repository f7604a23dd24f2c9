package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
)

// importCommand is the command line of import.
type importCommand struct {
	Config string   `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file: it names the data folder, and the fleet file that says where a machine is."`
	Rate   int      `default:"20000" placeholder:"N" help:"Most rows a second while a daemon uses the data folder."`
	Files  []string `arg:"" name:"file" help:"CSV files (RFC 4180); .gz is unpacked, - is standard input. Taken in the order given."`

	clock func() time.Time `kong:"-"` // the one on the wall if nil
	batch int              `kong:"-"` // rows given away at once; as fits if 0
}

// Help is the longer text.
func (importCommand) Help() string {
	return `Adds old readings to the history, while the daemon runs or not. The first row names the columns: time (RFC 3339, or Unix seconds) and machine, then any of site, status, extra, and the channels, in the units of the channel table. An empty field is no value. Rows that are bad are told with their line and left out; the others are kept.

Values that are stored already are passed over: after an interruption give the same files again. Rows older than retain_days become quarter-hour summaries at once, those older than summary_days are left out; a row that falls on five seconds of which a summary has a reading counts as there already.

A daemon that runs is given a few rows at a time and most of the time to itself. Where none runs, rows newer than all that is stored are taken as if they had come in when they were measured, so models learn from them and trials can be made on them: sort the rows by time, over all machines, and import before the daemon has stored anything. Other rows are shown on the strips only.

Example:
  coilward import --config /etc/coilward/coilward.yaml 2024.csv.gz 2025.csv.gz`
}

func (c *importCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		fmt.Fprintf(s.err, "coilward import: %v\n", err)
		return status
	}
	if c.Rate < 1 {
		return fail(statusUsage, fmt.Errorf("--rate %d must be at least 1", c.Rate))
	}
	conf, err := readConfig(c.Config)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	f, ok := readFleet(conf.FleetFile, s)
	if !ok {
		return statusUsage
	}
	if c.clock == nil {
		c.clock = time.Now
	}
	in := &importer{fleet: f, errors: s.err, now: collector.MillisOf(c.clock()), held: map[string]collector.Millis{}}
	in.oldest = dayBefore(in.now, conf.History.SummaryDays)
	finish, err := in.open(ctx, conf, c.Rate)
	if err != nil {
		return fail(statusFailed, err)
	}
	if c.batch > 0 {
		in.most = c.batch
	}
	stop := in.watch(s.err, sizeOf(c.Files))
	for _, name := range c.Files {
		if err = in.file(ctx, name, s.in); err != nil {
			break
		}
	}
	if err == nil {
		err = in.flush(ctx, true)
	}
	stop()
	if err = errors.Join(err, finish(ctx)); ctx.Err() != nil {
		err = errors.New("interrupted; what was taken is kept, give the same files again to go on")
	}
	fmt.Fprintf(s.err, "%d %s added, %d of them summed up, %d there already, %d too old, %d bad\n", in.Added+in.Summed, plural(in.Added+in.Summed, "row"), in.Summed, in.Known, in.tooOld, in.bad)
	switch {
	case err != nil:
		return fail(statusFailed, err)
	case in.Added+in.Summed+in.Known == 0:
		return fail(statusFailed, errors.New("no row could be read"))
	}
	return statusOK
}

// importer reads rows and gives them away in batches.
type importer struct {
	fleet  *fleet.Fleet
	errors io.Writer
	now    collector.Millis
	oldest collector.Millis // rows before it would be deleted at once
	keep   func(ctx context.Context, rows []collector.Reading) (kept, error)
	most   int // rows given away at once

	rows []collector.Reading
	full int                         // rows at which to give some away
	held map[string]collector.Millis // by machine, the newest quarter of an hour among rows
	kept
	bad    int
	tooOld int

	read atomic.Int64 // bytes of the files
	told atomic.Int64 // rows given away
}

// open chooses who keeps the rows: the daemon that uses the data folder, or this
// process. finish must be called once all are given away.
func (in *importer) open(ctx context.Context, conf *config, rate int) (finish func(context.Context) error, err error) {
	if d := findDaemon(ctx, conf.DataDir); d != nil {
		in.most = remoteRows
		in.keep = paced(rate, remoteShare, d.keep)
		return func(ctx context.Context) error { defer d.close(); return d.flush(ctx) }, nil
	}
	store, err := history.Open(conf.historyOptions(zerolog.Nop()))
	if err != nil {
		return nil, fmt.Errorf("%w\nif a daemon runs, it takes no orders: stop it for the import, or start it again with the data_dir's name shorter", err)
	}
	k := keeper{store: store, retainDays: conf.History.RetainDays, now: in.now, append: appendAsMeasured(store)}
	in.most, in.keep = localRows, k.keep
	return func(context.Context) error { return errors.Join(store.Flush(), store.Settle(), store.Close()) }, nil
}

const (
	localRows   = 20_000
	remoteRows  = 5_000
	remoteShare = 0.25 // of the time that the daemon spends on an import at most
)

// paced calls keep with pauses: no more rows a second than rate, and no more than
// a share of the time at work.
func paced(rate int, share float64, keep func(context.Context, []collector.Reading) (kept, error)) func(context.Context, []collector.Reading) (kept, error) {
	return func(ctx context.Context, rows []collector.Reading) (kept, error) {
		began := time.Now()
		out, err := keep(ctx, rows)
		took := time.Since(began)
		least := time.Duration(float64(len(rows)) / float64(rate) * float64(time.Second))
		timer := time.NewTimer(max(pauseAfter(took, share), least-took))
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			err = errors.Join(err, ctx.Err())
		}
		return out, err
	}
}

// file imports one file. What is wrong with a row is told; the error is about the
// file or the store.
func (in *importer) file(ctx context.Context, name string, stdin io.Reader) error {
	src, done, err := openRecording(name, stdin, &in.read)
	if err != nil {
		return err
	}
	defer done()
	r := csv.NewReader(src)
	r.ReuseRecord = true
	names, err := r.Read()
	if err != nil {
		return fmt.Errorf("%s:1: the names of the columns cannot be read: %w", nameOf(name), err)
	}
	columns, err := columnsOf(names)
	if err != nil {
		return fmt.Errorf("%s:1: %w", nameOf(name), err)
	}
	for {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		var parse *csv.ParseError
		var row collector.Reading
		line := 0
		switch {
		case errors.As(err, &parse):
			line, err = parse.Line, parse.Err
			if errors.Is(err, csv.ErrFieldCount) {
				err = fmt.Errorf("%d fields, the first row names %d columns", len(fields), len(columns))
			}
		case err != nil:
			return errors.Join(fmt.Errorf("%s: %w", nameOf(name), err), in.flush(ctx, true))
		default:
			line, _ = r.FieldPos(0)
			row, err = in.row(columns, fields)
		}
		if old := tooOldError(0); errors.As(err, &old) {
			if in.tooOld++; in.tooOld == 1 {
				fmt.Fprintf(in.errors, "%s:%d: %v\n", nameOf(name), line, err)
			}
			continue
		}
		if err != nil {
			if in.bad++; in.bad <= mostBadLines {
				fmt.Fprintf(in.errors, "%s:%d: %v\n", nameOf(name), line, err)
			}
			continue
		}
		in.rows = append(in.rows, row)
		in.held[row.Machine] = max(in.held[row.Machine], row.At-row.At%history.SummaryMillis)
		if len(in.rows) >= max(in.most, in.full) {
			if err := in.flush(ctx, false); err != nil {
				return err
			}
		}
	}
}

// flush gives the rows away. Unless it is the end, the newest quarter of an hour
// of each machine waits for what else is of it: it is summed up whole.
func (in *importer) flush(ctx context.Context, end bool) error {
	give, wait := in.rows, []collector.Reading(nil)
	if !end && len(in.rows) < 8*in.most {
		give = nil
		for i := range in.rows {
			if r := &in.rows[i]; r.At >= in.held[r.Machine] {
				wait = append(wait, *r)
			} else {
				give = append(give, *r)
			}
		}
	}
	if 2*len(give) < in.most && !end {
		in.full = 2 * len(in.rows) // hardly anything would go: gather more
		return nil
	}
	in.full = 0
	clear(in.held)
	for i := range wait {
		r := &wait[i]
		in.held[r.Machine] = max(in.held[r.Machine], r.At-r.At%history.SummaryMillis)
	}
	in.rows = wait
	for chunk := range slices.Chunk(give, 2*in.most) {
		out, err := in.keep(ctx, chunk)
		in.kept.add(out)
		in.told.Add(int64(len(chunk)))
		if err != nil {
			return err
		}
	}
	return nil
}

// sizeOf returns how many bytes the files have together; 0 when that cannot be
// known.
func sizeOf(files []string) (n int64) {
	for _, name := range files {
		info, err := os.Stat(name)
		if err != nil || !info.Mode().IsRegular() {
			return 0
		}
		n += info.Size()
	}
	return n
}
