package history

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/cockroachdb/pebble/v2"

	"coilward/collector"
)

// fold sums up readings of one machine into its summaries. Nothing is changed
// before put. It is used with flushMu held.
type fold struct {
	s       *Store
	machine string
	days    map[uint32]*foldDay
	added   uint64 // readings
	known   uint64 // there already
	span    Span   // of the summaries, once put
}

// foldDay is a day that is being added to.
type foldDay struct {
	stored summaryDay
	fresh  summaryDay
}

func (s *Store) fold(machine string) *fold {
	return &fold{s: s, machine: machine, days: map[uint32]*foldDay{}}
}

// take adds a reading, unless one of the same five seconds was summed up before
// the fold was begun.
func (f *fold) take(r *collector.Reading) error {
	if r.At < 0 {
		return nil // before 1970: there is no such machine
	}
	day := hourOf(r.At) / hoursADay
	d := f.days[day]
	if d == nil {
		d = &foldDay{stored: summaryDay{day: day}, fresh: summaryDay{day: day}}
		if err := f.s.storedDay(f.s.db, f.machine, &d.stored); err != nil {
			return err
		}
		f.days[day] = d
	}
	start := summaryStart(r.At)
	i, there := slices.BinarySearchFunc(d.stored.rows, start, func(m Summary, at collector.Millis) int { return int(m.Start - at) })
	if there && d.stored.rows[i].slots.has(slotOf(r.At)) {
		f.known++
		return nil
	}
	d.fresh.find(f.machine, start).take(r)
	f.added++
	return nil
}

// storedDay reads a day as it is stored; it is empty where nothing is.
func (s *Store) storedDay(db pebble.Reader, machine string, d *summaryDay) error {
	p, ok, err := get(db, appendDayKey(nil, summaryKey, d.day, machine))
	if err == nil && ok {
		err = d.unmarshal(machine, p)
	}
	return wrapDay(machine, d.day, err)
}

// wrapDay says of which summaries an error is; nil stays nil.
func wrapDay(machine string, day uint32, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("history: summaries of machine %q, %s: %w", machine, (collector.Millis(day) * dayMillis).Time().Format(time.DateOnly), err)
}

// get returns a copy of a value; ok is false where there is none.
func get(db pebble.Reader, key []byte) (value []byte, ok bool, err error) {
	p, closer, err := db.Get(key)
	if errors.Is(err, pebble.ErrNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, err
	}
	return slices.Clone(p), true, closer.Close()
}

// put writes the days that changed, and what is noted about all summaries. The
// span is known before they are there: who reads meanwhile only looks in vain.
func (f *fold) put(batch *pebble.Batch) error {
	if f.added == 0 {
		return nil
	}
	f.span = f.s.summarised(f.machine)
	for _, day := range slices.Sorted(maps.Keys(f.days)) {
		d := f.days[day]
		if len(d.fresh.rows) == 0 {
			continue
		}
		for i := range d.fresh.rows {
			m := &d.fresh.rows[i]
			d.stored.find(f.machine, m.Start).merge(m)
			if f.span.LastAt == 0 {
				f.span.FirstAt = m.Start
			}
			f.span.FirstAt, f.span.LastAt, f.span.Site = min(f.span.FirstAt, m.Start), max(f.span.LastAt, m.End()-1), m.Site
		}
		if err := batch.Set(appendDayKey(nil, summaryKey, day, f.machine), d.stored.marshal(nil), nil); err != nil {
			return err
		}
	}
	f.s.mu.Lock()
	f.s.summaries[f.machine] = f.span
	f.s.mu.Unlock()
	return errors.Join(
		batch.Set(append([]byte{summarisedKey}, f.machine...), f.span.marshal(), nil),
		batch.Set([]byte{totalKey}, binary.AppendUvarint(nil, f.s.total+f.added), nil),
	)
}

// done tells the store what was put, once the batch is in the database.
func (f *fold) done() {
	f.s.mu.Lock()
	defer f.s.mu.Unlock()
	f.s.total += f.added
}

// AppendOld sums up readings that are older than readings are kept, as those of
// a backfill are, without keeping them. They may be in any order. It returns how
// many were added, and how many fell on five seconds of which there is a reading
// in the summaries already, and were passed over.
//
// What was added is there whole or not at all after a crash, and for good once
// Flush has returned. Let the readings of a quarter of an hour come in one call:
// of machines that send several in five seconds, some would be passed over
// otherwise.
func (s *Store) AppendOld(ctx context.Context, machine string, readings []collector.Reading) (added, known int, err error) {
	if s.o.ReadOnly {
		return 0, 0, ErrReadOnly
	}
	if err := checkMachine(machine); err != nil {
		return 0, 0, err
	}
	readings = slices.Clone(readings)
	slices.SortStableFunc(readings, func(a, b collector.Reading) int { return int(a.At - b.At) })
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	if s.ended {
		return 0, 0, ErrClosed
	}
	if usage, err := s.fs.GetDiskUsage(s.o.Dir); err == nil && usage.AvailBytes < s.o.MinFree {
		return 0, 0, ErrFull
	}
	f := s.fold(machine)
	var once dedup
	for i := range readings {
		r := &readings[i]
		if r.Machine != machine {
			return 0, 0, fmt.Errorf("history: a reading of %q among those of %q", r.Machine, machine)
		}
		r.Extra = slices.Clone(r.Extra)
		if !once.strip(r) {
			f.known++
			continue
		}
		if err := f.take(r); err != nil {
			return 0, 0, err
		}
	}
	batch := s.db.NewBatch()
	defer func() { _ = batch.Close() }()
	if err := f.put(batch); err != nil {
		return 0, 0, err
	}
	if err := batch.Commit(pebble.NoSync); err != nil {
		return 0, 0, fmt.Errorf("history: writing summaries: %w", err)
	}
	f.done()
	s.dirty = true
	return int(f.added), int(f.known), nil
}

// Flush puts what AppendOld took on the disk.
func (s *Store) Flush() error {
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	if s.ended {
		return ErrClosed
	}
	return s.settleDown()
}

// summarised returns the span of a machine's summaries; an empty one if there
// are none.
func (s *Store) summarised(machine string) Span {
	s.mu.RLock()
	defer s.mu.RUnlock()
	span := s.summaries[machine]
	span.Machine = machine
	return span
}
