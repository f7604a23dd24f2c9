package history

import (
	"context"
	"errors"
	"fmt"

	"github.com/cockroachdb/pebble/v2"
)

// Report is what Check found.
type Report struct {
	Readings  uint64
	Blocks    int
	Segments  int
	Summaries int     // quarters of an hour
	Summed    uint64  // readings that are in them
	Problems  []error // each says where; none when all is well
}

// Check reads everything: checksums, frames, that no sequence number is missing
// or there twice, and that the summaries hold as many readings as went into them.
// The error says that it could not be done; what is
// wrong with the data is in the report.
func (s *Store) Check(ctx context.Context) (rep Report, err error) {
	s.flushMu.Lock() // no set moves from the log into blocks meanwhile
	defer s.flushMu.Unlock()
	s.mu.RLock()
	flushed, last := s.flushed, s.lastSeq()
	s.mu.RUnlock()
	problem := func(err error) { rep.Problems = append(rep.Problems, err) }

	sets, err := s.sets(s.db)
	if err != nil {
		return rep, err
	}
	next := flushed + 1
	if len(sets) > 0 {
		next = sets[0].first
	}
	counts := make([]uint64, len(sets))
	for i, set := range sets {
		if set.first != next {
			problem(fmt.Errorf("readings %d … %d are in no set of blocks", next, set.first-1))
		}
		next = set.last + 1
		err := s.scan(s.db, dayPrefix(blockKey, set.firstDay), dayPrefix(blockKey, set.lastDay+1), func(key []byte, value func() ([]byte, error)) error {
			_, machine, hour, first, ok := parseKey(key)
			if !ok || first < set.first || first > set.last {
				return ctx.Err()
			}
			p, err := value()
			if err != nil {
				return err
			}
			rep.Blocks++
			b := block{hour: hour, first: first}
			n, err := b.check(p, string(machine))
			counts[i] += n
			if err != nil {
				problem(fmt.Errorf("machine %q, hour %d, reading %d: %w", machine, hour, first, err))
			}
			return ctx.Err()
		})
		if pebble.IsCorruptionError(err) {
			problem(fmt.Errorf("readings %d … %d cannot all be read: %w", set.first, set.last, err))
		} else if err != nil {
			return rep, err
		}
		if want := set.count() - set.summed; counts[i] != want {
			problem(fmt.Errorf("readings %d … %d: %d of %d are there", set.first, set.last, counts[i], want))
		}
		rep.Readings += counts[i]
	}
	if next != flushed+1 {
		problem(fmt.Errorf("readings %d … %d are in no set of blocks", next, flushed))
	}
	if err := s.checkSummaries(ctx, &rep); err != nil {
		return rep, err
	}
	return rep, s.checkLog(ctx, &rep, flushed, last)
}

// checkSummaries checks the summaries, with flushMu held.
func (s *Store) checkSummaries(ctx context.Context, rep *Report) error {
	problem := func(err error) { rep.Problems = append(rep.Problems, err) }
	err := s.scan(s.db, []byte{summaryKey}, []byte{summaryKey + 1}, func(key []byte, value func() ([]byte, error)) error {
		p, err := value()
		if err != nil {
			return err
		}
		day, machine, ok := parseSummaryKey(key)
		if !ok {
			problem(fmt.Errorf("summaries are filed under %q, which is no machine and day", key))
			return ctx.Err()
		}
		d := summaryDay{day: day}
		if err := d.unmarshal(string(machine), p); err != nil {
			problem(wrapDay(string(machine), day, err))
			return ctx.Err()
		}
		rep.Summaries += len(d.rows)
		rep.Summed += d.readings()
		if span := s.summarised(string(machine)); span.LastAt < d.rows[len(d.rows)-1].Start {
			problem(wrapDay(string(machine), day, errors.New("the list of machines does not know of them")))
		}
		return ctx.Err()
	})
	if pebble.IsCorruptionError(err) {
		problem(fmt.Errorf("summaries cannot all be read: %w", err))
	} else if err != nil {
		return err
	}
	if rep.Summed != s.total {
		problem(fmt.Errorf("summaries of %d readings are there, %d went into them", rep.Summed, s.total))
	}
	return nil
}

// checkLog checks that the log holds flushed+1 … last.
func (s *Store) checkLog(ctx context.Context, rep *Report, flushed, last uint64) error {
	firsts, err := listSegments(s.fs, s.logDir)
	if err != nil {
		return err
	}
	next := flushed + 1
	for i, first := range firsts {
		end := last + 1
		if i+1 < len(firsts) {
			end = min(end, firsts[i+1])
		}
		if end <= flushed+1 {
			continue
		}
		rep.Segments++
		err := readSegment(s.fs, s.logDir, first, end, func(e *Entry) error {
			if e.Seq != next {
				rep.Problems = append(rep.Problems, fmt.Errorf("log: reading %d where %d should be", e.Seq, next))
			}
			next = e.Seq + 1
			rep.Readings++
			return ctx.Err()
		})
		if torn := (*tornError)(nil); errors.As(err, &torn) {
			continue // what counts is whether anything is missing
		}
		if err != nil {
			return err
		}
	}
	if next != last+1 {
		rep.Problems = append(rep.Problems, fmt.Errorf("log: readings %d … %d are missing", next, last))
	}
	return nil
}

// check decodes a stored block and returns how many readings it has.
func (b *block) check(p []byte, machine string) (n uint64, err error) {
	if err := b.unmarshal(p); err != nil {
		return 0, err
	}
	seq := b.first
	err = b.each(machine, func(e *Entry) error {
		switch {
		case n == 0 && e.Seq != b.first, n > 0 && e.Seq <= seq, e.Seq > b.last:
			return fmt.Errorf("reading %d is out of order", e.Seq)
		case e.Machine != machine || hourOf(e.Received) != b.hour:
			return fmt.Errorf("reading %d is filed in the wrong place", e.Seq)
		}
		seq = e.Seq
		n++
		return nil
	})
	if err == nil && n != b.count {
		err = fmt.Errorf("%d readings where %d were written", n, b.count)
	}
	return n, err
}
