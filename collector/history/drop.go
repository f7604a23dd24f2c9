package history

import (
	"encoding/binary"
	"errors"

	"github.com/cockroachdb/pebble/v2"

	"coilward/collector"
)

// dropSpans forgets the machines of whose readings nothing is left.
func (s *Store) dropSpans() error {
	s.mu.RLock()
	var gone []string
	for machine, p := range s.spans {
		if hourOf(p.LastReceived)/hoursADay < s.cutoff && !s.isOpen(machine) {
			gone = append(gone, machine)
		}
	}
	s.mu.RUnlock()
	batch := s.db.NewBatch()
	defer func() { _ = batch.Close() }()
	for _, machine := range gone {
		if err := batch.Delete(append([]byte{machineKey}, machine...), nil); err != nil {
			return err
		}
	}
	if err := batch.Commit(pebble.NoSync); err != nil {
		return err
	}
	s.dirty = s.dirty || len(gone) > 0
	s.mu.Lock()
	defer s.mu.Unlock()
	start := collector.Millis(s.cutoff) * dayMillis
	for _, machine := range gone {
		if p := s.spans[machine]; p != nil && p.LastReceived < start && !s.isOpen(machine) {
			delete(s.spans, machine)
		}
	}
	for _, p := range s.spans {
		p.FirstReceived = max(p.FirstReceived, min(start, p.LastReceived))
	}
	return nil
}

// isOpen reports whether readings of the machine are in the log only. It is
// called with mu held.
func (s *Store) isOpen(machine string) bool {
	for _, set := range s.closing {
		if set.machines[machine] != nil {
			return true
		}
	}
	return s.open.machines[machine] != nil
}

// dropSummaries deletes summaries of days before cutoff, and reports whether
// there is more.
func (s *Store) dropSummaries(cutoff uint32) (more bool, err error) {
	batch := s.db.NewBatch()
	defer func() { _ = batch.Close() }()
	dropped, n := uint64(0), 0
	err = s.scan(s.db, dayPrefix(summaryKey, 0), dayPrefix(summaryKey, cutoff), func(key []byte, value func() ([]byte, error)) error {
		if n++; n > stepSummaries {
			return errEnough
		}
		p, err := value()
		if err != nil {
			return err
		}
		readings, _, err := storedReadings(p)
		if err != nil {
			s.o.Log.Error().Err(err).Msg("history: damaged summaries are dropped with age")
		}
		dropped += readings
		return batch.Delete(key, nil)
	})
	if more = errors.Is(err, errEnough); err != nil && !more {
		return false, err
	}
	if n == 0 {
		return false, nil
	}
	var gone []string
	for machine, p := range s.summaries {
		if !more && hourOf(p.LastAt)/hoursADay < cutoff {
			gone = append(gone, machine)
			if err := batch.Delete(append([]byte{summarisedKey}, machine...), nil); err != nil {
				return false, err
			}
		}
	}
	left := s.total - min(dropped, s.total)
	if err := batch.Set([]byte{totalKey}, binary.AppendUvarint(nil, left), nil); err != nil {
		return false, err
	}
	if err := batch.Commit(pebble.NoSync); err != nil {
		return false, err
	}
	s.dirty = true
	s.mu.Lock()
	defer s.mu.Unlock()
	s.total = left
	for _, machine := range gone {
		delete(s.summaries, machine)
	}
	return more, nil
}
