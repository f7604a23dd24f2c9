package main

import (
	"context"
	"errors"
	"iter"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/board"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/detect"
	"coilward/detect/shard"
)

// boardModels shows the models to the board.
type boardModels struct{ d *daemon }

// Views yields every machine that was heard, once. The fleet file's others have
// models too, which know nothing.
func (b boardModels) Views() iter.Seq[detect.View] {
	return func(yield func(detect.View) bool) {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		views, err := b.d.pipe.models.Views(ctx)
		if err != nil {
			return // stopping
		}
		for _, v := range views {
			if v.LastHeard != 0 && !yield(v) {
				return
			}
		}
	}
}

// View returns one machine's; ok is false where it was never heard.
func (b boardModels) View(machine string) (detect.View, bool) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	v, ok, err := b.d.pipe.models.View(ctx, machine)
	return v, ok && err == nil && v.LastHeard != 0
}

// learnFor is how much of the past a model is given before its trace begins.
const learnFor = 4 * 24 * time.Hour

// Trace works out what the model said of itself, by running a fresh one over the
// machine's history.
func (b boardModels) Trace(ctx context.Context, machine string, from, to time.Time) ([]detect.TracePoint, error) {
	spec, ok := b.d.fleet.Load().Machine(machine)
	if !ok {
		spec = &fleet.Machine{ID: machine, Unlisted: true}
	}
	var out []detect.TracePoint
	since := collector.MillisOf(from)
	t := shard.NewTracer(spec, b.d.library.Load(), func(p detect.TracePoint) {
		if p.At >= since {
			out = append(out, p)
		}
	})
	err := b.d.history.Arrivals(ctx, machine, collector.MillisOf(from.Add(-learnFor)), collector.MillisOf(to), func(e *history.Entry) error {
		t.Take(&e.Reading)
		return nil
	})
	t.End()
	return out, err
}

// boardHistory shows the stored readings to the board.
type boardHistory struct {
	store *history.Store
	log   zerolog.Logger
}

var errEnough = errors.New("enough")

// Readings yields a machine's readings, oldest first.
func (h boardHistory) Readings(ctx context.Context, machine string, from, to time.Time) iter.Seq2[*collector.Reading, error] {
	return func(yield func(*collector.Reading, error) bool) {
		err := h.store.Range(ctx, machine, collector.MillisOf(from), collector.MillisOf(to)+1, func(e *history.Entry) error {
			if !yield(&e.Reading, nil) {
				return errEnough
			}
			return nil
		})
		if err != nil && !errors.Is(err, errEnough) {
			yield(nil, err)
		}
	}
}

// Spreads yields what a machine's readings were summed up to, oldest first.
func (h boardHistory) Spreads(ctx context.Context, machine string, from, to time.Time) iter.Seq2[*board.Spread, error] {
	return func(yield func(*board.Spread, error) bool) {
		var s board.Spread
		err := h.store.Summaries(ctx, machine, collector.MillisOf(from), collector.MillisOf(to)+1, func(m *history.Summary) error {
			s = board.Spread{From: m.Start.Time(), To: m.End().Time(), Has: m.Has}
			for c := range m.Has.All {
				f := &m.Channel[c]
				s.Channel[c] = board.Figures{Count: f.Count, Min: f.Min, Max: f.Max, Mean: f.Mean()}
			}
			if !yield(&s, nil) {
				return errEnough
			}
			return nil
		})
		if err != nil && !errors.Is(err, errEnough) {
			yield(nil, err)
		}
	}
}

var _ board.Older = boardHistory{}
