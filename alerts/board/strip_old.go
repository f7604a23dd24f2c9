package board

import (
	"context"
	"fmt"
	"iter"
	"math"
	"time"

	"coilward/collector"
)

// Older is a History that has, of readings too old to be kept, what they were
// summed up to.
type Older interface {
	// Spreads yields a machine's stretches that overlap [from, to], oldest first.
	// No reading of Readings is in one. The spread is only valid until the next
	// one is asked for.
	Spreads(ctx context.Context, machine string, from, to time.Time) iter.Seq2[*Spread, error]
}

// Spread is what is left of the readings of a stretch of time.
type Spread struct {
	From, To time.Time
	Has      collector.ChannelSet
	Channel  [collector.NumChannels]Figures // of what Has holds, in the units of the channel table
}

// Figures are what the values of a channel were between; of a state the mean is
// the share of readings in which it was so.
type Figures struct {
	Count          int
	Min, Max, Mean float64
}

// readOld adds what is summed up of the frame, if the history has such.
func (rec *record) readOld(ctx context.Context, h History, machine string, r Reader) error {
	older, ok := h.(Older)
	if !ok {
		return nil
	}
	for s, err := range older.Spreads(ctx, machine, rec.from, rec.to) {
		if err != nil {
			return fmt.Errorf("old history of %s: %w", machine, err)
		}
		for c := range s.Has.All {
			f := &s.Channel[c]
			switch c {
			case collector.Door:
				rec.door.addShare(rec.frame, s.From, s.To, f.Mean)
			case collector.CompressorCall:
				rec.call.addShare(rec.frame, s.From, s.To, f.Mean)
			default:
				if rec.channels[c] == nil {
					rec.channels[c] = newEnvelope()
				}
				rec.channels[c].addSpread(rec.frame, s.From, s.To, f.Count, r.scaled(c, f.Min), r.scaled(c, f.Max), r.scaled(c, f.Mean))
			}
		}
		rec.readings++
		rec.summed = true
		rec.gap = max(rec.gap, 1+int(math.Ceil(float64(3*s.To.Sub(s.From))/float64(rec.width()))))
	}
	return nil
}

// addSpread adds values of which only count, range and mean are known to all
// columns of their stretch.
func (e *envelope) addSpread(f frame, from, to time.Time, count int, lo, hi, mean float64) {
	if count == 0 || math.IsNaN(lo+hi+mean) || math.IsInf(lo, 0) || math.IsInf(hi, 0) {
		return
	}
	if from.Before(f.from) {
		from = f.from
	}
	if !to.Before(f.to) {
		to = f.to.Add(1)
	}
	first, ok := f.column(from)
	if !ok || !from.Before(to) {
		return
	}
	last, _ := f.column(to.Add(-1))
	for i := first; i <= last; i++ {
		if math.IsNaN(e.lo[i]) {
			e.lo[i], e.hi[i], e.last[i] = lo, hi, mean
		}
		e.lo[i], e.hi[i] = min(e.lo[i], lo), max(e.hi[i], hi)
		e.sum[i] += mean * float64(count)
		e.in[i] += count
	}
	e.n += count
}

// addShare counts a share of each part of [from, to) as so.
func (d *duty) addShare(f frame, from, to time.Time, share float64) {
	var all duty
	all.add(f, from, to, true)
	for i := range columns {
		d.known[i] += all.known[i]
		d.so[i] += time.Duration(share * float64(all.known[i]))
	}
}
