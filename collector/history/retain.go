package history

import (
	"context"
	"errors"
	"fmt"

	"github.com/cockroachdb/pebble/v2"

	"coilward/collector"
)

// Retain drops whole days, in UTC, that lie more than Options.RetainDays before
// the day of now, by when their readings were received. Call it every hour or
// so; it costs little when there is nothing to drop.
func (s *Store) Retain(ctx context.Context, now collector.Millis) error {
	if s.o.ReadOnly {
		return ErrReadOnly
	}
	today := hourOf(now) / hoursADay
	if s.o.RetainDays <= 0 || today <= uint32(s.o.RetainDays) {
		return nil
	}
	cutoff := today - uint32(s.o.RetainDays) // the first day that is kept
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	batch := s.db.NewBatch()
	defer func() { _ = batch.Close() }()

	sets, err := s.sets(s.db)
	if err != nil {
		return err
	}
	s.mu.RLock()
	oldest := s.flushed + 1
	s.mu.RUnlock()
	for i := len(sets) - 1; i >= 0; i-- {
		if sets[i].lastDay >= cutoff {
			oldest = sets[i].first
		} else if err := batch.Delete(seqKey(setKey, sets[i].first), nil); err != nil {
			return err
		}
	}
	if err := batch.DeleteRange(dayPrefix(blockKey, 0), dayPrefix(blockKey, cutoff), nil); err != nil {
		return err
	}
	err = s.scan(s.db, dayPrefix(lateKey, 0), []byte{lateKey + 1}, func(key []byte, _ func() ([]byte, error)) error {
		if _, _, hour, _, ok := parseKey(key); ok && hour/hoursADay < cutoff {
			return batch.Delete(key, nil)
		}
		return ctx.Err()
	})
	if err != nil {
		return err
	}
	gone, err := s.dropSpans(batch, cutoff)
	if err == nil {
		err = errors.Join(batch.Commit(pebble.NoSync), s.db.Flush())
	}
	if err != nil {
		return fmt.Errorf("history: dropping old days: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.oldest = max(s.oldest, oldest)
	start := collector.Millis(cutoff) * hoursADay * hourMillis
	for _, machine := range gone {
		if p := s.spans[machine]; p != nil && p.LastReceived < start {
			delete(s.spans, machine)
		}
	}
	for _, p := range s.spans {
		p.FirstReceived = max(p.FirstReceived, start)
	}
	return nil
}

// dropSpans deletes the machines of which nothing is left, and returns them.
func (s *Store) dropSpans(batch *pebble.Batch, cutoff uint32) ([]string, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var gone []string
	for machine, p := range s.spans {
		if hourOf(p.LastReceived)/hoursADay < cutoff && s.open.machines[machine] == nil {
			gone = append(gone, machine)
			if err := batch.Delete(append([]byte{machineKey}, machine...), nil); err != nil {
				return nil, err
			}
		}
	}
	return gone, nil
}
