package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"coilward/alerts"
	"coilward/alerts/notify"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/detect"
)

// player replays a stretch of the history twice, reading it once: what a replay
// does, for the fleet file in use and for the proposed one.
type player struct {
	store     *history.Store
	now, with *fleet.Fleet
	machines  map[string]bool  // whose readings are replayed; nil: all
	learn     collector.Millis // readings from here on are replayed
	from, to  collector.Millis // what is said from ≤ at < to is of interest
	shards    int
	lines     [2]*bufio.Writer // the findings' lines of both runs; nil: not wanted

	at atomic.Int64 // pipeline time reached, for progress
}

// play is a [trial.Play].
func (p *player) play(ctx context.Context, now, with trial.Take) error {
	g, ctx := errgroup.WithContext(ctx)
	runs := [2]*pipeline{p.pipeline(0, p.now, now), p.pipeline(1, p.with, with)}
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
		err := p.store.Arrived(ctx, p.machines, p.learn, p.to, func(e *history.Entry) error {
			any = true
			for _, r := range runs {
				r.models.Feed(e.Seq, &e.Reading)
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

// pipeline makes the pipeline of one run.
func (p *player) pipeline(run int, f *fleet.Fleet, take trial.Take) *pipeline {
	queue := alerts.New(alerts.Options{Fleet: f})
	return newPipeline(pipelineOptions{
		Fleet: f, Library: detect.NewLibrary(), Shards: p.shards,
		Said: deskOf(queue, func(c *alerts.Change) error {
			if err := p.print(run, c); err != nil {
				return err
			}
			return take(c)
		}),
	})
}

// print writes the line of a finding within the stretch, where lines are wanted.
func (p *player) print(run int, c *alerts.Change) error {
	if p.lines[run] == nil || c.Report == nil || c.At < p.from || c.At >= p.to {
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
	begin := p.learn
	for _, m := range p.store.Machines() {
		if begin == 0 || m.FirstReceived < begin && p.learn == 0 {
			begin = m.FirstReceived
		}
	}
	if at <= begin || p.to <= begin {
		return 0
	}
	return float64(at-begin) / float64(p.to-begin)
}

// whoIsTold says who would be told of a change: one message a person, however many
// ways there are to reach them, when it goes out.
func whoIsTold(s *notify.Settings, f *fleet.Fleet) func(alerts.Change) []trial.Told {
	if len(s.People) == 0 {
		s = somebody()
	}
	team := notify.NewTeam(notify.TeamOptions{Settings: s, Machine: func(id string) *fleet.Machine {
		m, _ := f.Machine(id)
		return m
	}, Place: func(site string) notify.Place { return notify.Place{Name: site} }})
	sent := map[string]bool{} // by the key that makes the ledger send once
	return func(c alerts.Change) []trial.Told {
		var out []trial.Told
		for _, m := range team.Tell(c) {
			again := sent[m.Key]
			sent[m.Key] = true
			if again || len(out) > 0 && out[len(out)-1].Person == m.Person {
				continue
			}
			out = append(out, trial.Told{Person: m.Person, Told: alerts.Told{At: m.Due, Alert: m.Alert, Priority: m.Priority}})
		}
		return out
	}
}
