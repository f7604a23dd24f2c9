package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/detect"
	"coilward/detect/shard"
)

// next takes readings that are on disk to the models.
func (d *daemon) next(ctx context.Context, readings []collector.Reading, last uint64) error {
	defer d.gate.set(func() { d.gate.stored = false })
	d.feeding.Lock()
	defer d.feeding.Unlock()
	d.pipe.feed(readings, last)
	return d.pipe.models.Flush(ctx)
}

// said takes what the models said to the ledger. It does not give up: a finding
// that is not on disk is not passed.
func (d *daemon) said(ctx context.Context, upTo collector.Millis, findings []detect.Finding) error {
	d.untouched.take(upTo, findings)
	for wait := 100 * time.Millisecond; ; wait = min(2*wait, 10*time.Second) {
		_, err := d.desk.Apply(ctx, findings...)
		if err == nil {
			_, err = d.desk.Advance(ctx, upTo)
		}
		if err == nil {
			if d.failing.Swap(nil) != nil {
				d.log.Info().Msg("findings can be kept again")
			}
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if d.failing.Swap(&err) == nil {
			d.log.Error().Err(err).Msg("findings cannot be kept; trying until it works, alerts are late meanwhile")
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
	}
}

// stored yields the history to the models.
func (d *daemon) stored(ctx context.Context, after uint64, each func(uint64, *collector.Reading) error) error {
	return d.history.Since(ctx, after, func(e *history.Entry) error { return each(e.Seq, &e.Reading) })
}

// run works until ctx ends, then drains the stages in their order.
func (d *daemon) run(ctx context.Context) error {
	g, all := errgroup.WithContext(context.WithoutCancel(ctx))
	screens, closeScreens := context.WithCancel(all)
	g.Go(func() error { return d.pipe.models.Run(all) })
	g.Go(func() error { return d.board.Run(screens, d.opened) })
	g.Go(func() error { return d.notify.Run(screens) })
	g.Go(func() error { return d.admin(screens) })
	g.Go(func() error { return d.trials.work(screens) })
	if d.dispatch != nil {
		g.Go(func() error { return d.dispatch.Run(screens) })
	}
	if d.config.Metrics.Listen != "" {
		g.Go(func() error { return d.serveProbes(screens, d.probed) })
	}
	if d.influx != nil {
		g.Go(func() error { return d.influx.Run(screens) })
	}
	g.Go(func() error {
		defer closeScreens()
		defer d.pipe.models.Close()
		return d.flow(ctx, all)
	})
	err := g.Wait()
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		err = nil
	}
	return errors.Join(err, d.close())
}

// flow runs the stages from the brokers to the models. Once ctx ends each stops
// when the one before it has.
func (d *daemon) flow(ctx, all context.Context) error {
	wanted, stop := context.WithCancel(all)
	defer stop()
	defer context.AfterFunc(ctx, stop)()
	err := d.pipe.models.Recover(wanted, d.stored)
	if err != nil {
		if wanted.Err() != nil {
			return nil // stopped before it was back: the next start goes on
		}
		return err
	}
	if err := d.noteAbsence(wanted); err != nil {
		if wanted.Err() != nil {
			return nil
		}
		return err
	}
	d.recovered.Store(true)
	d.log.Info().Uint64("readings", d.history.LastSeq()).Msg("models know the whole history; taking messages")

	stages, err := d.stages(wanted, all)
	if err != nil {
		return err
	}
	return stages.Wait()
}

// stages starts the brokers, the intake and the clock's ticks.
func (d *daemon) stages(wanted, all context.Context) (*errgroup.Group, error) {
	g, failed := errgroup.WithContext(all)
	sources, stopSources := context.WithCancel(failed)
	context.AfterFunc(wanted, stopSources)
	rest, stopRest := context.WithCancel(failed)

	g.Go(func() error { return d.intake.Run(rest) })
	g.Go(func() error { return d.ticks(rest) })
	g.Go(func() error { return d.chores(rest) })
	g.Go(func() error { return d.age(rest) })
	g.Go(func() error {
		defer stopRest()
		defer stopSources()
		var in errgroup.Group
		if d.broker != nil {
			in.Go(func() error { defer stopSources(); return d.broker.Run(sources) })
		}
		if d.client != nil {
			in.Go(func() error { defer stopSources(); return d.client.Run(sources) })
		}
		if d.ready != nil {
			d.ready()
		}
		return in.Wait()
	})
	return g, nil
}

// ticks ends the epochs as the clock passes them.
func (d *daemon) ticks(ctx context.Context) error {
	for {
		now := collector.MillisOf(d.clock.Now())
		at := shard.Floor(now)
		if err := d.gate.pass(ctx, at); err != nil {
			return nil
		}
		d.feeding.Lock()
		d.pipe.models.Start(at)
		d.pipe.models.Tick(at)
		err := d.pipe.models.Flush(ctx)
		d.feeding.Unlock()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		step := time.Duration(float64(time.Second) / d.clock.Speed())
		timer := time.NewTimer(max(step, 20*time.Millisecond))
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return nil
		}
	}
}

// chores are what is done now and then: reading changed files, asking the next
// person.
func (d *daemon) chores(ctx context.Context) error {
	minute := time.NewTicker(time.Minute)
	defer minute.Stop()
	files := time.NewTicker(5 * time.Second)
	defer files.Stop()
	hangup, stop := hangups()
	defer stop()
	fleetFile, peopleFile := watch(d.config.FleetFile), watch(d.config.Notify.PeopleFile)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-hangup:
			d.reload(ctx)
			fleetFile.changed()
			d.reloadPeople()
			peopleFile.changed()
		case <-files.C:
			if fleetFile.changed() {
				d.reload(ctx)
			}
			if peopleFile.changed() {
				d.reloadPeople()
			}
			d.settingsDue(ctx)
		case <-minute.C:
			d.kindsDue(ctx)
			now := d.clock.Now()
			open := d.desk.Alerts()
			messages := append(d.team.Escalate(open, now), d.team.Summary(open, now)...)
			if err := d.ledger.Put(ctx, messages...); err != nil && ctx.Err() == nil {
				d.log.Error().Err(err).Msg("messages to people cannot be kept; tried again in a minute")
			} else if len(messages) > 0 {
				d.notify.Wake()
			}
		}
	}
}

// runCommand is the command line of run.
type runCommand struct {
	Config string `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file."`
}

// Help is the longer text.
func (runCommand) Help() string {
	return `Takes messages over MQTT, keeps a model of every machine, shows the fleet on the board and tells people what must be done.

Example:
  coilward check --config /etc/coilward/coilward.yaml
  coilward run --config /etc/coilward/coilward.yaml

The fleet file and the people file are read again when they change, or on SIGHUP; one with errors is refused and the old one stays in use. SIGTERM or Ctrl-C stops it; nothing that was acknowledged to a machine is lost, not even by kill -9.`
}

func (c *runCommand) run(ctx context.Context, s *streams) int {
	conf, err := readConfig(c.Config)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	f, ok := readFleet(conf.FleetFile, s)
	if !ok {
		return statusUsage
	}
	log := newLog(conf.Log, s.err)
	d, err := newDaemon(ctx, conf, f, wallClock{}, log)
	if err != nil {
		fmt.Fprintf(s.err, "coilward run: %v\n", err)
		return statusFailed
	}
	if err := d.run(ctx); err != nil {
		fmt.Fprintf(s.err, "coilward run: %v\n", err)
		return statusFailed
	}
	log.Info().Msg("stopped")
	return statusOK
}
