package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/collector/intake"
	"coilward/detect"
	"coilward/detect/kin"
)

// replay runs recorded messages through the pipeline in event time.
type replay struct {
	fleet  *fleet.Fleet
	stdin  io.Reader
	out    *bufio.Writer
	errors io.Writer
	decode intake.DecoderOptions
	shards int
	kinds  []*kin.Version // what is known of kinds
	ending func()         // called when all is fed and before the models end; may be nil

	pipe    *pipeline
	bad     int // lines
	read    int // messages
	refused [collector.NumReasons]uint64
	started bool
	upTo    collector.Millis // time goes on to here after the last reading stored

	// For the progress line.
	bytes    atomic.Int64
	messages atomic.Int64
	now      atomic.Int64 // Millis
}

// mostBadLines is how many bad lines are told one by one.
const mostBadLines = 10_000

// begin makes the pipeline; findings go to r.out from then on.
func (r *replay) begin(tell func(*alerts.Change) error) {
	queue := alerts.New(alerts.Options{Fleet: r.fleet})
	desk := deskOf(queue, tell)
	r.pipe = newPipeline(pipelineOptions{
		Fleet: r.fleet, Library: knowing(r.kinds), Shards: r.shards,
		Said: func(ctx context.Context, upTo collector.Millis, findings []detect.Finding) error {
			if err := desk(ctx, upTo, findings); err != nil {
				return err
			}
			return r.out.Flush()
		},
	})
}

// print writes the line of a change that has one.
func (r *replay) print(c *alerts.Change) error {
	if c.Kind != alerts.Reported || c.Report == nil {
		return nil
	}
	line, err := json.Marshal(c.Report)
	if err != nil {
		return fmt.Errorf("a finding cannot be written as JSON: %w", err)
	}
	_, err = r.out.Write(append(line, '\n'))
	return err
}

// files replays recordings in the order given. The error is about the run as a
// whole; what is wrong with a line is told on r.errors and counted.
func (r *replay) files(ctx context.Context, names []string) error {
	r.begin(r.print)
	g, ctx := errgroup.WithContext(ctx)
	parsers := max(1, runtime.GOMAXPROCS(0))
	toParse, inOrder := make(chan *chunk, parsers), make(chan *chunk, 2*parsers+2)
	g.Go(func() error {
		defer close(toParse)
		defer close(inOrder)
		for _, name := range names {
			if err := r.file(ctx, name, toParse, inOrder); err != nil {
				return err
			}
		}
		return nil
	})
	for range parsers {
		p := newParser(r.decode)
		g.Go(func() error { return p.run(ctx, toParse) })
	}
	g.Go(func() error { return r.pipe.models.Run(ctx) })
	g.Go(func() error {
		defer r.pipe.models.Close()
		for {
			var c *chunk
			var ok bool
			select {
			case c, ok = <-inOrder:
			case <-ctx.Done():
				return ctx.Err()
			}
			if !ok {
				break
			}
			select {
			case <-c.done:
			case <-ctx.Done():
				return ctx.Err()
			}
			if err := r.take(ctx, c); err != nil {
				return err
			}
		}
		if !r.started {
			return nil
		}
		r.pipe.models.End()
		if r.ending != nil {
			r.ending()
		}
		return r.pipe.models.Flush(ctx)
	})
	return g.Wait()
}

func (r *replay) file(ctx context.Context, name string, toParse, inOrder chan<- *chunk) error {
	in, done, err := openRecording(name, r.stdin, &r.bytes)
	if err != nil {
		return err
	}
	defer done()
	return readChunks(ctx, nameOf(name), in, toParse, inOrder)
}

func nameOf(file string) string {
	if file == "-" {
		return "standard input"
	}
	return file
}

// goesOn reports whether the messages behind message i bear its time out: a
// recording may leave out years, a clock that is wrong is wrong alone.
func (c *chunk) goesOn(i int) bool {
	const witnesses = 3
	if i+witnesses >= len(c.messages) {
		return false
	}
	for _, m := range c.messages[i+1 : i+1+witnesses] {
		if d := m.received.Sub(c.messages[i].received); d < -time.Hour || d > 24*time.Hour {
			return false
		}
	}
	return true
}

// take feeds the messages of a chunk.
func (r *replay) take(ctx context.Context, c *chunk) error {
	for i := range c.messages {
		m := &c.messages[i]
		if r.started && m.received.Sub(r.pipe.received) > longestGap && !c.goesOn(i) {
			c.problems = append(c.problems, lineProblem{m.line, fmt.Sprintf(
				`"received" is %s, more than %d days after the message before; it is taken for a wrong time`,
				m.received.Time().Format(time.RFC3339), int(longestGap.Hours()/24))})
			c.read--
			continue
		}
		r.started = true
		received := r.pipe.stamp(m.received)
		readings := c.readings[m.from:m.to]
		for j := range readings {
			if readings[j].Status != collector.NoStatus {
				readings[j].At = received
			}
			readings[j].Received = received
		}
		r.pipe.admit(readings)
	}
	for _, p := range c.problems {
		if r.bad++; r.bad <= mostBadLines {
			fmt.Fprintf(r.errors, "%s:%d: %s\n", c.file, p.line, p.text)
		} else if r.bad == mostBadLines+1 {
			fmt.Fprintf(r.errors, "%s:%d: and more bad lines, which are only counted from here on\n", c.file, p.line)
		}
	}
	r.read += c.read
	for why, n := range c.refused {
		r.refused[why] += n
	}
	r.messages.Store(int64(r.read))
	r.now.Store(int64(r.pipe.received))
	if !r.started {
		return nil
	}
	return r.pipe.models.Flush(ctx)
}

// summary tells what was read and what was refused.
func (r *replay) summary() {
	if r.bad > 0 {
		fmt.Fprintf(r.errors, "%d bad %s passed over, %d %s read\n", r.bad, plural(r.bad, "line"), r.read, plural(r.read, "message"))
	}
	for why := range collector.Reason(collector.NumReasons) {
		n := r.refused[why]
		if r.pipe != nil {
			n += r.pipe.admission.Counts()[why]
		}
		if why == collector.NoReason || n == 0 {
			continue
		}
		what := "refused"
		if why.Repaired() {
			what = "put right"
		}
		fmt.Fprintf(r.errors, "%d %s: %s\n", n, what, why)
	}
}

func plural(n int, one string) string {
	if n == 1 {
		return one
	}
	return one + "s"
}

// progress keeps a line on the terminal up to date until ctx ends.
func (r *replay) progress(ctx context.Context, terminal *os.File, total int64) {
	start := time.Now()
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			fmt.Fprint(terminal, "\r\x1b[K")
			return
		case <-tick.C:
		}
		n, now := r.messages.Load(), collector.Millis(r.now.Load())
		share := ""
		if total > 0 {
			share = fmt.Sprintf("%3.0f %%  ", 100*float64(r.bytes.Load())/float64(total))
		}
		fmt.Fprintf(terminal, "\r\x1b[K%s%s  %d messages, %.0f a second",
			share, now.Time().Format("2006-01-02 15:04"), n, float64(n)/time.Since(start).Seconds())
	}
}

// stored replays a history: all of it up to the pipeline time to, since models
// must learn, printing what was said from from on. The readings were admitted
// when they were stored. What was known of kinds is in the ledger beside it.
func (r *replay) stored(ctx context.Context, dir string, from, to collector.Millis) error {
	store, err := history.Open(history.Options{Dir: dir, Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer store.Close()
	if r.kinds, err = storedKinds(ctx, filepath.Dir(dir)); err != nil {
		return err
	}
	r.begin(func(c *alerts.Change) error {
		if c.At < from || c.At >= to {
			return nil
		}
		return r.print(c)
	})
	g, ctx := errgroup.WithContext(ctx)
	models := r.pipe.models
	g.Go(func() error { return models.Run(ctx) })
	g.Go(func() error {
		defer models.Close()
		var last collector.Millis
		err := store.Since(ctx, 0, func(e *history.Entry) error {
			if e.Received >= to {
				return errEnough
			}
			r.read++
			last = e.Received
			models.Feed(e.Seq, &e.Reading)
			if models.Waiting() < 1024 {
				return nil
			}
			r.messages.Store(int64(r.read))
			r.now.Store(int64(last))
			return models.Flush(ctx)
		})
		if err != nil && !errors.Is(err, errEnough) {
			return err
		}
		if r.read > 0 {
			// Time goes on to the end asked for, where it was recorded so far.
			models.Tick(min(to, max(last, r.upTo)))
		}
		return models.Flush(ctx)
	})
	return g.Wait()
}
