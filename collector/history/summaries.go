package history

import (
	"context"

	"coilward/collector"
)

// Summaries yields the summaries of a machine that overlap from ≤ t < to, in
// order. A summary is the callee's until it returns. An error of each ends the
// reading and is returned.
func (s *Store) Summaries(ctx context.Context, machine string, from, to collector.Millis, each func(*Summary) error) error {
	return s.Read(ctx, machine, from, to, each, nil)
}

// Read yields what there is of a machine at from ≤ t < to, of both ages, in
// order of time: summaries, of the stretches that overlap, and readings, as
// Range does. No reading is in both. Around the age at which readings are summed
// up, and where readings came late, both can be there of the same minutes. One of
// the functions may be nil.
func (s *Store) Read(ctx context.Context, machine string, from, to collector.Millis, summary func(*Summary) error, reading func(*Entry) error) error {
	if from >= to {
		return nil
	}
	v := s.view()
	days, err := v.summaryDays(machine, from, to, summary != nil)
	var blocks []block
	if err == nil && reading != nil {
		blocks, err = v.measured(machine, from, to)
	}
	if err = v.close(err); err != nil {
		return err
	}
	// upTo yields the summaries that begin before a time.
	var rows []Summary
	upTo := func(at collector.Millis) error {
		for {
			for len(rows) > 0 && rows[0].Start < at {
				m := &rows[0]
				rows = rows[1:]
				if m.End() <= from {
					continue
				}
				if err := summary(m); err != nil {
					return err
				}
			}
			if len(rows) > 0 || len(days) == 0 || collector.Millis(days[0].day)*dayMillis >= at {
				return ctx.Err()
			}
			d := summaryDay{day: days[0].day}
			if err := d.unmarshal(machine, days[0].value); err != nil {
				return wrapDay(machine, d.day, err)
			}
			rows, days = d.rows, days[1:]
		}
	}
	if reading != nil {
		err := rangeBlocks(ctx, machine, blocks, from, to, func(e *Entry) error {
			if err := upTo(e.At + 1); err != nil {
				return err
			}
			return reading(e)
		})
		if err != nil {
			return err
		}
	}
	return upTo(to)
}

// storedSummaries is a day of summaries as it is stored.
type storedSummaries struct {
	day   uint32
	value []byte
}

// summaryDays returns the days of a machine's summaries that overlap
// from ≤ t < to.
func (v *view) summaryDays(machine string, from, to collector.Millis, wanted bool) ([]storedSummaries, error) {
	span := v.s.summarised(machine)
	if !wanted || span.LastAt == 0 {
		return nil, nil
	}
	var all []storedSummaries
	last := hourOf(min(to-1, span.LastAt)) / hoursADay
	for day := hourOf(max(from, span.FirstAt)) / hoursADay; day <= last; day++ {
		p, ok, err := get(v.db, appendDayKey(nil, summaryKey, day, machine))
		if err != nil {
			return nil, wrapDay(machine, day, err)
		}
		if ok {
			all = append(all, storedSummaries{day, p})
		}
	}
	return all, nil
}
