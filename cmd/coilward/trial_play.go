package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"coilward/alerts"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/detect"
	"coilward/detect/kin"
)

// player replays a stretch of the history through several pipelines at once,
// reading it once: each run does what a replay does with its fleet. Runs whose
// fleets differ only in what concerns alerts may share their models.
type player struct {
	store    past
	fleets   [][]*fleet.Fleet // of each models' runs; the models take the first
	base     *fleet.Fleet     // in use; what stood when the models were kept is told under it
	machines map[string]bool  // whose readings are replayed; nil: all
	learn    learning
	from, to collector.Millis // what is said from ≤ at < to is of interest
	shards   int
	kinds    []*kin.Version  // what was known of kinds
	lines    []*bufio.Writer // the findings' lines of the runs; fewer: not wanted of the others

	at atomic.Int64 // pipeline time reached, for progress
}

// play is a [trial.Play].
func (p *player) play(ctx context.Context, takes []trial.Take) error {
	runs, first := make([]*pipeline, len(p.fleets)), 0
	for i, fleets := range p.fleets {
		var err error
		if runs[i], err = p.pipeline(fleets, first, takes[first:first+len(fleets)]); err != nil {
			return err
		}
		first += len(fleets)
	}
	g, ctx := errgroup.WithContext(ctx)
	for _, r := range runs {
		g.Go(func() error { return r.models.Run(ctx) })
	}
	flush := func() error {
		for _, r := range runs {
			if err := r.models.Flush(ctx); err != nil {
				return err
			}
		}
		return nil
	}
	g.Go(func() error {
		any := false
		defer func() {
			for _, r := range runs {
				r.models.Close()
			}
		}()
		err := p.store.Arrived(ctx, p.machines, p.learn.from, p.to, func(e *history.Entry) error {
			any = true
			for _, r := range runs {
				p.learn.feed(r.models, e)
			}
			if runs[0].models.Waiting() < 1024 {
				return nil
			}
			p.at.Store(int64(e.Received))
			return flush()
		})
		if err != nil {
			return err
		}
		if any {
			for _, r := range runs {
				r.models.Tick(p.to)
			}
		}
		return flush()
	})
	return g.Wait()
}

// pipeline makes the models of some runs and the alert queue of each; first is the
// number of the first run.
func (p *player) pipeline(fleets []*fleet.Fleet, first int, takes []trial.Take) (*pipeline, error) {
	desks := make([]said, len(fleets))
	for i, f := range fleets {
		queue, err := p.queue(f)
		if err != nil {
			return nil, err
		}
		desks[i] = deskOf(queue, func(c *alerts.Change) error {
			if err := p.print(first+i, c); err != nil {
				return err
			}
			return takes[i](c)
		})
	}
	pipe := newPipeline(pipelineOptions{
		Fleet: fleets[0], Library: knowing(p.kinds), Shards: p.shards,
		Said: func(ctx context.Context, upTo collector.Millis, findings []detect.Finding) error {
			for _, desk := range desks {
				if err := desk(ctx, upTo, findings); err != nil {
					return err
				}
			}
			return nil
		},
	})
	return pipe, p.learn.restore(pipe, p.machines)
}

// print writes the line of a finding within the stretch, where lines are wanted.
func (p *player) print(run int, c *alerts.Change) error {
	if run >= len(p.lines) || c.Report == nil || c.At < p.from || c.At >= p.to {
		return nil
	}
	line, err := json.Marshal(c.Report)
	if err != nil {
		return fmt.Errorf("a finding cannot be written as JSON: %w", err)
	}
	_, err = p.lines[run].Write(append(line, '\n'))
	return err
}

// done is the share that is replayed, 0 to 1.
func (p *player) done() float64 {
	at := collector.Millis(p.at.Load())
	begin := max(p.learn.from, firstReceived(p.store))
	if at <= begin || p.to <= begin {
		return 0
	}
	return float64(at-begin) / float64(p.to-begin)
}
