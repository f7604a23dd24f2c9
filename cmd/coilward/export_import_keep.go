package main

import (
	"context"
	"slices"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/history"
)

// kept says what became of imported rows.
type kept struct {
	Added  int // as readings
	Summed int // into summaries, being older than readings are kept
	Known  int // there already
}

func (k *kept) add(o kept) {
	k.Added += o.Added
	k.Summed += o.Summed
	k.Known += o.Known
}

// keeper puts imported rows into a history.
type keeper struct {
	store      *history.Store
	retainDays int              // as the history's
	now        collector.Millis // on the wall

	// append stores readings that are young enough to be kept, giving them the
	// time at which they came in.
	append func(ctx context.Context, readings []collector.Reading) error
}

// dayBefore returns the beginning of the day, in UTC, that lies so many days before
// that of now; 0, which is before all, for 0 days.
func dayBefore(now collector.Millis, days int) collector.Millis {
	const day = collector.Millis(24 * 3_600_000)
	if days <= 0 {
		return 0
	}
	return (now/day - collector.Millis(days)) * day
}

// keep stores the rows that are not there yet.
func (k *keeper) keep(ctx context.Context, rows []collector.Reading) (out kept, err error) {
	rows, out.Known, err = k.strip(ctx, rows)
	if err != nil {
		return out, err
	}
	oldest := dayBefore(k.now, k.retainDays)
	old := map[string][]collector.Reading{}
	rows = slices.DeleteFunc(rows, func(r collector.Reading) bool {
		if r.At < oldest {
			old[r.Machine] = append(old[r.Machine], r)
		}
		return r.At < oldest
	})
	for machine, readings := range old {
		added, known, err := k.store.AppendOld(ctx, machine, readings)
		if err != nil {
			return out, err
		}
		out.Summed += added
		out.Known += known
	}
	if len(rows) > 0 {
		if err := k.append(ctx, rows); err != nil {
			return out, err
		}
		out.Added += len(rows)
	}
	return out, nil
}

// appendAsMeasured returns the append of a history that nothing else is added to:
// what is newer than all that is stored counts as having come in when it was
// measured, so that models learn from it.
func appendAsMeasured(store *history.Store) func(context.Context, []collector.Reading) error {
	newest := collector.Millis(0)
	for _, m := range store.Machines() {
		newest = max(newest, m.LastReceived)
	}
	hour := func(m collector.Millis) collector.Millis { return m / collector.Millis(time.Hour.Milliseconds()) }
	return func(ctx context.Context, rows []collector.Reading) error {
		for len(rows) > 0 {
			// What came in within one hour is stored together.
			n := 0
			for n < len(rows) {
				received := max(newest, rows[n].At)
				if n > 0 && hour(received) != hour(newest) {
					break
				}
				newest, rows[n].Received = received, received
				n++
			}
			if err := store.Append(ctx, rows[:n]); err != nil {
				return err
			}
			rows = rows[n:]
		}
		return nil
	}
}

// strip takes away what is stored already, or came before in these rows: of
// values for one machine, instant and channel, the first counts.
func (k *keeper) strip(ctx context.Context, rows []collector.Reading) (fresh []collector.Reading, known int, err error) {
	type bounds struct{ first, last collector.Millis }
	machines := map[string]bounds{}
	for i := range rows {
		r := &rows[i]
		b, ok := machines[r.Machine]
		if !ok {
			b = bounds{r.At, r.At}
		}
		machines[r.Machine] = bounds{min(b.first, r.At), max(b.last, r.At)}
	}
	type place struct {
		machine string
		at      collector.Millis
	}
	type held struct {
		has    collector.ChannelSet
		status [3]bool
		extra  string
	}
	there := map[place]*held{}
	for machine, b := range machines {
		err := k.store.Range(ctx, machine, b.first, b.last+1, func(e *history.Entry) error {
			p := place{machine, e.At}
			h := there[p]
			if h == nil {
				h = &held{}
				there[p] = h
			}
			h.has |= e.Has
			h.status[e.Status] = true
			for _, x := range e.Extra {
				h.extra += "\x00" + x.Name + "\x00"
			}
			return nil
		})
		if err != nil {
			return nil, 0, err
		}
	}
	fresh = slices.DeleteFunc(rows, func(r collector.Reading) bool {
		h := there[place{r.Machine, r.At}]
		stored := h != nil && (r.Status != collector.NoStatus && h.status[r.Status] || r.Status == collector.NoStatus && r.Has&^h.has == 0 &&
			!slices.ContainsFunc(r.Extra, func(x collector.Extra) bool { return !strings.Contains(h.extra, "\x00"+x.Name+"\x00") }))
		if stored {
			known++
			return true
		}
		if h == nil {
			h = &held{}
			there[place{r.Machine, r.At}] = h
		}
		h.has |= r.Has
		h.status[r.Status] = true
		for _, x := range r.Extra {
			h.extra += "\x00" + x.Name + "\x00"
		}
		return false
	})
	return fresh, known, nil
}
