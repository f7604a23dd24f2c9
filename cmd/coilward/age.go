package main

import (
	"context"
	"errors"
	"time"

	"coilward/collector"
	"coilward/collector/history"
)

const (
	ageEvery = time.Hour
	ageShare = 0.2 // of the time that may be spent on old days while there are any
)

// age sums up readings that are too old to be kept, in the background: a step of
// some milliseconds, then a pause in which everything else has the disk.
func (d *daemon) age(ctx context.Context) error {
	timer := time.NewTimer(time.Minute)
	defer timer.Stop()
	steps := 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		began := time.Now()
		more, err := d.history.Compact(ctx, collector.MillisOf(d.clock.Now()))
		took := time.Since(began)
		switch {
		case err == nil && more:
			steps++
			timer.Reset(max(time.Millisecond, pauseAfter(took, ageShare)))
			continue
		case err != nil && ctx.Err() == nil && !errors.Is(err, history.ErrClosed):
			d.log.Error().Err(err).Msg("old days cannot be summed up; tried again in an hour, nothing is lost by that")
		case steps > 0:
			st := d.history.Stats()
			d.log.Info().Int("steps", steps).Uint64("readings_in_summaries", st.Summarised).Uint64("summary_bytes", st.SummaryBytes).Uint64("block_bytes", st.BlockBytes).Msg("old days are summed up")
		}
		steps = 0
		timer.Reset(ageEvery)
	}
}

// pauseAfter returns how long to do nothing after work that took so long, for the
// work to take only that share of the time.
func pauseAfter(took time.Duration, share float64) time.Duration {
	return time.Duration(float64(took) * (1/share - 1))
}
