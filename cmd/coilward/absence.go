package main

import (
	"context"
	"time"

	"coilward/collector"
)

// shortAbsence is how long the daemon may have been away without a note of it:
// well below what a machine is given before it is called silent.
const shortAbsence = 5 * time.Minute

// noteAbsence tells the models, and the history for replays, that nobody
// listened since the daemon last did. Machines may have spoken meanwhile, to a
// broker that did not keep it or to nobody: they get their time to be heard
// before they are called silent. Called once the models know the history and
// before the first message.
func (d *daemon) noteAbsence(ctx context.Context) error {
	from, err := d.ledger.Newest(ctx)
	if err != nil {
		return err
	}
	from = max(from, d.pipe.models.At(), d.gate.received)
	now := collector.MillisOf(d.clock.Now())
	if from == 0 || now.Sub(from) <= shortAbsence {
		return nil
	}
	note := []collector.Reading{collector.Absence(from, now)}
	seq := uint64(0)
	if err := d.history.Append(ctx, note); err == nil {
		seq = d.history.LastSeq()
	} else if ctx.Err() != nil {
		return err
	} else {
		d.log.Warn().Err(err).Msg("the time away cannot be noted in the history; a replay may call machines silent in it")
	}
	d.log.Info().Time("from", from.Time()).Time("until", now.Time()).Msg("nobody listened for a while; no machine is called silent for it")
	d.gate.received = max(d.gate.received, now)
	d.feeding.Lock()
	defer d.feeding.Unlock()
	d.pipe.models.Feed(seq, &note[0])
	return d.pipe.models.Flush(ctx)
}
