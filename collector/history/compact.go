package history

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"coilward/collector"
)

// How much one call of Compact does.
const (
	stepReadings  = 8192 // read, and the rest of a block
	stepSummaries = 1024 // days of machines dropped
)

// Retain does all that is due with age; see Compact.
func (s *Store) Retain(ctx context.Context, now collector.Millis) error {
	for {
		if more, err := s.Compact(ctx, now); err != nil || !more {
			return err
		}
	}
}

// Compact does a step of what is due with age, a few milliseconds' work, and
// reports whether there is more. Readings of the days, in UTC, that lie more
// than Options.RetainDays before the day of now, by when they were received,
// become summaries; summaries that lie more than Options.SummaryDays before it
// are dropped. A reading is always in one of the two, a crash at any moment
// included.
//
// Nothing gets older than a day after the newest reading: what is there of a
// fleet that was switched off for a season stays, and a clock that runs years
// ahead costs nothing.
func (s *Store) Compact(ctx context.Context, now collector.Millis) (more bool, err error) {
	if s.o.ReadOnly {
		return false, ErrReadOnly
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	if s.ended {
		return false, ErrClosed
	}
	if usage, err := s.fs.GetDiskUsage(s.o.Dir); err == nil && usage.AvailBytes < s.o.MinFree/2 {
		return false, ErrFull // the database does not survive a full disk
	}
	today := s.today(now)
	if err := s.advance(today); err != nil {
		return false, fmt.Errorf("history: summing up old days: %w", err)
	}
	if more, err := s.sumUp(); err != nil {
		return false, fmt.Errorf("history: summing up old days: %w", err)
	} else if more {
		return true, nil
	}
	if s.o.SummaryDays > 0 && today > uint32(s.o.SummaryDays) {
		if more, err = s.dropSummaries(today - uint32(s.o.SummaryDays)); err != nil {
			return false, fmt.Errorf("history: dropping old summaries: %w", err)
		}
	}
	if more {
		return true, nil
	}
	return false, s.settleDown()
}

// settleDown puts what the database holds on the disk. Until then a crash undoes
// steps, the last first, and they are done again.
func (s *Store) settleDown() error {
	if !s.dirty {
		return nil
	}
	if err := s.db.Flush(); err != nil {
		return fmt.Errorf("history: putting summaries on the disk: %w", err)
	}
	s.dirty = false
	return nil
}

// today returns the day that ages are counted from.
func (s *Store) today(now collector.Millis) uint32 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	newest := collector.Millis(0)
	for machine, p := range s.spans {
		if machine != collector.Pipeline { // it notes that nobody listened
			newest = max(newest, p.LastReceived)
		}
	}
	for _, p := range s.summaries {
		newest = max(newest, p.LastAt)
	}
	return hourOf(min(now, newest+dayMillis)) / hoursADay
}

// advance moves the first day whose readings are kept.
func (s *Store) advance(today uint32) error {
	if s.o.RetainDays <= 0 || today <= uint32(s.o.RetainDays) || today-uint32(s.o.RetainDays) <= s.cutoff {
		return nil
	}
	cutoff := today - uint32(s.o.RetainDays)
	sets, err := s.sets(s.db)
	if err != nil {
		return err
	}
	if err := s.db.Set([]byte{cutoffKey}, binary.BigEndian.AppendUint32(nil, cutoff), pebble.NoSync); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cutoff = cutoff
	s.oldest = oldestOf(sets, cutoff, s.flushed)
	return nil
}

// sumUp turns the next old blocks of one machine into summaries, and reports
// whether there were any. What is read, what is written and what is deleted is
// one batch of the database, so there is no moment at which a reading is in
// blocks and summaries, or in neither.
func (s *Store) sumUp() (more bool, err error) {
	blocks, after, err := s.oldBlocks()
	if err != nil {
		return false, err
	}
	if len(blocks) == 0 {
		s.passAt = nil
		return false, s.dropSpans()
	}
	batch := s.db.NewBatch()
	defer func() { _ = batch.Close() }()
	f := s.fold(blocks[0].machine)
	if err := f.blocks(blocks); err != nil {
		return false, err
	}
	if err := f.put(batch); err != nil {
		return false, err
	}
	for i := range blocks {
		if err := deleteBlock(batch, &blocks[i]); err != nil {
			return false, err
		}
	}
	if err := s.countSummed(batch, blocks); err != nil {
		return false, err
	}
	if err := batch.Commit(pebble.NoSync); err != nil {
		return false, err
	}
	f.done()
	s.passAt, s.dirty = after, true
	return true, nil
}

// oldBlocks returns blocks of one machine whose readings are too old to be
// kept, and the key to look from the next time.
func (s *Store) oldBlocks() (blocks []machineBlock, after []byte, err error) {
	from := s.passAt
	if from == nil {
		from = dayPrefix(blockKey, 0)
	}
	after = from
	if s.cutoff == 0 || string(from) >= string(dayPrefix(blockKey, s.cutoff)) {
		return nil, after, nil
	}
	n := uint64(0)
	err = s.scan(s.db, from, dayPrefix(blockKey, s.cutoff), func(key []byte, value func() ([]byte, error)) error {
		_, machine, hour, first, ok := parseKey(key)
		if !ok || first > s.flushed {
			return nil
		}
		if len(blocks) > 0 && (n >= stepReadings || string(machine) != blocks[0].machine || hour/hoursADay != blocks[0].hour/hoursADay) {
			return errEnough
		}
		after = append(slices.Clone(key), 0)
		p, err := value()
		if err != nil {
			return err
		}
		b := machineBlock{string(machine), block{hour: hour, first: first}}
		p = slices.Clone(p)
		if _, err = b.check(p, b.machine); err == nil {
			err = b.unmarshal(p)
		}
		if err != nil {
			// It stays, as everything does that may still be saved.
			s.o.Log.Error().Err(err).Str("machine", b.machine).Uint32("hour", hour).Msg("history: damaged readings are not summed up")
			return nil
		}
		blocks = append(blocks, b)
		n += b.count
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return blocks, after, err
}

var errEnough = errors.New("enough")

// blocks takes the readings of blocks, each once.
func (f *fold) blocks(blocks []machineBlock) error {
	if f.machine == collector.Pipeline {
		return nil // notes for replays, which need the readings
	}
	var entries []Entry
	for i := range blocks {
		err := blocks[i].each(f.machine, func(e *Entry) error { entries = append(entries, *e); return nil })
		if err != nil {
			return err
		}
	}
	slices.SortStableFunc(entries, func(a, b Entry) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Seq, b.Seq)) })
	var once dedup
	for i := range entries {
		if !once.strip(&entries[i].Reading) {
			continue
		}
		if err := f.take(&entries[i].Reading); err != nil {
			return err
		}
	}
	return nil
}

func deleteBlock(batch *pebble.Batch, b *machineBlock) error {
	days, err := b.lateDays(b.machine)
	if err != nil {
		return err
	}
	for _, day := range days {
		if err := batch.Delete(appendPlace(appendDayKey(nil, lateKey, day, b.machine), b.hour, b.first), nil); err != nil {
			return err
		}
	}
	return batch.Delete(appendPlace(appendDayKey(nil, blockKey, b.hour/hoursADay, b.machine), b.hour, b.first), nil)
}

// countSummed notes with the sets what of them is in summaries, and forgets the
// oldest sets of which all is.
func (s *Store) countSummed(batch *pebble.Batch, blocks []machineBlock) error {
	sets, err := s.sets(s.db)
	if err != nil {
		return err
	}
	changed := map[int]bool{}
	for i := range blocks {
		n, found := slices.BinarySearchFunc(sets, blocks[i].first, func(b blockSet, first uint64) int { return cmp.Compare(b.first, first) })
		if !found {
			n--
		}
		if n < 0 || blocks[i].first > sets[n].last {
			return fmt.Errorf("reading %d is in no set of blocks; check the history with verify", blocks[i].first)
		}
		sets[n].summed += blocks[i].count
		changed[n] = true
	}
	gone := 0
	for gone < len(sets) && sets[gone].summed >= sets[gone].count() {
		if err := batch.Delete(seqKey(setKey, sets[gone].first), nil); err != nil {
			return err
		}
		gone++
	}
	for n := range changed {
		if n < gone {
			continue
		}
		if err := batch.Set(seqKey(setKey, sets[n].first), sets[n].marshal(), nil); err != nil {
			return err
		}
	}
	return nil
}
