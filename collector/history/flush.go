package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/cockroachdb/pebble/v2"
)

func compareStrings(a, b string) int { return strings.Compare(a, b) }

func (s *Store) wakeFlush() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// flushLoop puts complete sets into blocks until the store is closed.
func (s *Store) flushLoop() {
	var retry <-chan time.Time
	for {
		select {
		case <-s.stop:
			return
		case <-s.wake:
		case <-retry:
		}
		retry = nil
		if err := s.flushClosing(); err != nil {
			s.o.Log.Error().Err(err).Msg("history: an hour stays in the log for now")
			retry = time.After(flushRetry)
		}
	}
}

// Settle returns when all hours that are over are in blocks.
func (s *Store) Settle() error { return s.flushClosing() }

func (s *Store) flushClosing() error {
	for {
		if more, err := s.flushOldest(); err != nil || !more {
			return err
		}
	}
}

// flushOldest puts the oldest complete set into blocks and reports whether
// there was one.
func (s *Store) flushOldest() (bool, error) {
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	s.mu.RLock()
	var set *openSet
	if len(s.closing) > 0 {
		set = s.closing[0]
	}
	s.mu.RUnlock()
	if set == nil {
		return false, nil
	}
	return true, s.flush(set)
}

// flush puts a complete set, which nobody changes any more, into blocks.
func (s *Store) flush(set *openSet) error {
	if usage, err := s.fs.GetDiskUsage(s.o.Dir); err == nil && usage.AvailBytes < s.o.MinFree/2 {
		return ErrFull // the database does not survive a full disk; the log does
	}
	w := blockWriter{db: s.db, batch: s.db.NewBatch()}
	defer func() { _ = w.batch.Close() }()
	for _, machine := range slices.Sorted(maps.Keys(set.machines)) {
		for i := range set.machines[machine].blocks {
			if err := w.block(machine, &set.machines[machine].blocks[i]); err != nil {
				return err
			}
		}
		s.mu.RLock()
		p := s.spans[machine]
		var span Span
		if p != nil {
			span = *p
		}
		s.mu.RUnlock()
		if p != nil {
			if err := w.batch.Set(append([]byte{machineKey}, machine...), span.marshal(), nil); err != nil {
				return err
			}
		}
	}
	mark := binary.BigEndian.AppendUint64(nil, set.last)
	kept := blockSet{first: set.first, last: set.last, firstDay: set.firstDay, lastDay: set.lastDay}
	err := errors.Join(
		w.batch.Set(seqKey(setKey, set.first), kept.marshal(), nil),
		w.batch.Set([]byte{flushedKey}, mark, nil),
		w.commit(),
	)
	if err == nil {
		err = s.db.Flush()
	}
	if err != nil {
		return fmt.Errorf("history: writing blocks: %w", err)
	}
	s.mu.Lock()
	s.flushed = set.last
	s.closing = s.closing[1:]
	s.mu.Unlock()
	for _, name := range set.segments {
		if err := s.fs.Remove(s.fs.PathJoin(s.logDir, name)); err != nil {
			s.o.Log.Warn().Err(err).Msg("history: a log that is no longer needed stays until the next start")
		}
	}
	return nil
}

// blockWriter gathers blocks into batches of a few megabytes.
type blockWriter struct {
	db    *pebble.DB
	batch *pebble.Batch
	key   []byte
	value []byte
}

func (w *blockWriter) block(machine string, b *block) error {
	w.key = appendPlace(appendDayKey(w.key[:0], blockKey, b.hour/hoursADay, machine), b.hour, b.first)
	w.value = b.marshal(w.value[:0])
	if err := w.batch.Set(w.key, w.value, nil); err != nil {
		return err
	}
	days, err := b.lateDays(machine)
	if err != nil {
		return err
	}
	for _, day := range days {
		w.key = appendPlace(appendDayKey(w.key[:0], lateKey, day, machine), b.hour, b.first)
		if err := w.batch.Set(w.key, nil, nil); err != nil {
			return err
		}
	}
	if w.batch.Len() < 2<<20 {
		return nil
	}
	return w.commit()
}

func (w *blockWriter) commit() error {
	if err := w.batch.Commit(pebble.NoSync); err != nil {
		return err
	}
	w.batch = w.db.NewBatch()
	return nil
}

// sweep removes blocks of a set that was on the way into the database when the
// last process ended: its readings are still in the log.
func (s *Store) sweep() error {
	if s.open.count == 0 {
		return nil
	}
	batch := s.db.NewBatch()
	from, to := dayPrefix(blockKey, s.open.firstDay), dayPrefix(blockKey, s.open.lastDay+1)
	err := s.scan(s.db, from, to, func(key []byte, _ func() ([]byte, error)) error {
		if _, _, _, first, ok := parseKey(key); ok && first > s.flushed {
			return batch.Delete(key, nil)
		}
		return nil
	})
	if err != nil {
		return errors.Join(err, batch.Close())
	}
	return errors.Join(batch.Commit(pebble.NoSync), batch.Close())
}

// scan goes through the keys in [from, to).
func (s *Store) scan(db pebble.Reader, from, to []byte, each func(key []byte, value func() ([]byte, error)) error) error {
	it, err := db.NewIter(&pebble.IterOptions{LowerBound: from, UpperBound: to})
	if err != nil {
		return err
	}
	for ok := it.First(); ok; ok = it.Next() {
		if err := each(it.Key(), it.ValueAndErr); err != nil {
			return errors.Join(err, it.Close())
		}
	}
	return errors.Join(it.Error(), it.Close())
}
