package history

import (
	"errors"
	"fmt"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"coilward/collector"
)

// view is the store at one moment. Close it.
type view struct {
	s       *Store
	db      *pebble.Snapshot
	sets    []*openSet // in the log, oldest first
	flushed uint64
	oldest  uint64           // readings before it are on the way into summaries
	kept    collector.Millis // so is what was received before
}

// view takes a view. Of the open set, only blocks, called with mu held, may be
// used.
func (s *Store) view() *view {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return &view{
		s: s, db: s.db.NewSnapshot(), sets: append(slices.Clone(s.closing), s.open),
		flushed: s.flushed, oldest: s.oldest, kept: collector.Millis(s.cutoff) * dayMillis,
	}
}

// bounds returns the first and last days the machine's readings were received
// on, and those it measured on; ok is false when nothing is known of it.
func (v *view) bounds(machine string) (received, measured [2]uint32, ok bool) {
	v.s.mu.RLock()
	defer v.s.mu.RUnlock()
	p := v.s.spans[machine]
	if p == nil {
		return
	}
	day := func(m collector.Millis) uint32 { return hourOf(m) / hoursADay }
	return [2]uint32{day(p.FirstReceived), day(p.LastReceived)}, [2]uint32{day(p.FirstAt), day(p.LastAt)}, true
}

func (v *view) close(err error) error { return errors.Join(err, v.db.Close()) }

// openBlocks returns the machine's blocks that are not in the database.
func (v *view) openBlocks(machine string) []block {
	v.s.mu.RLock()
	defer v.s.mu.RUnlock()
	var all []block
	for _, set := range v.sets {
		all = append(all, set.blocks(machine)...)
	}
	return all
}

// hours yields the blocks of a machine filed under the hours from … to.
func (v *view) hours(machine string, from, to uint32, yield func(block)) error {
	for day := from / hoursADay; day <= to/hoursADay; day++ {
		prefix := appendDayKey(nil, blockKey, day, machine)
		lower := appendPlace(slices.Clone(prefix), from, 0)
		upper := appendPlace(slices.Clone(prefix), to, ^uint64(0))
		err := v.s.scan(v.db, lower, upper, func(key []byte, value func() ([]byte, error)) error {
			_, _, hour, first, ok := parseKey(key)
			if !ok || first > v.flushed {
				return nil
			}
			p, err := value()
			if err != nil {
				return err
			}
			b := block{hour: hour, first: first}
			if err := b.unmarshal(slices.Clone(p)); err != nil {
				return fmt.Errorf("history: machine %q, hour %d: %w", machine, hour, err)
			}
			yield(b)
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// late yields the blocks that hold readings of the machine measured on the days
// from … to but filed elsewhere.
func (v *view) late(machine string, from, to uint32, yield func(block)) error {
	for day := from; day <= to; day++ {
		prefix := appendDayKey(nil, lateKey, day, machine)
		err := v.s.scan(v.db, appendPlace(slices.Clone(prefix), 0, 0), appendPlace(prefix, ^uint32(0), ^uint64(0)), func(key []byte, _ func() ([]byte, error)) error {
			_, _, hour, first, ok := parseKey(key)
			if !ok || first > v.flushed {
				return nil
			}
			p, closer, err := v.db.Get(appendPlace(appendDayKey(nil, blockKey, hour/hoursADay, machine), hour, first))
			if errors.Is(err, pebble.ErrNotFound) {
				return nil // dropped since
			}
			if err != nil {
				return err
			}
			b := block{hour: hour, first: first}
			err = b.unmarshal(slices.Clone(p))
			if err = errors.Join(err, closer.Close()); err != nil {
				return fmt.Errorf("history: machine %q, hour %d: %w", machine, hour, err)
			}
			yield(b)
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}
