package history

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"syscall"

	"coilward/collector"
)

const mostClosing = 4

// batch is what several calls of Append put on disk together.
type batch struct {
	readings []collector.Reading
	done     bool // guarded by commitMu, as is err
	err      error
}

// Append stores readings in their order and returns when they are on disk.
// Calls that meet share one write and one sync. After an error none of the
// batch is stored, unless the process ends before the next Append succeeds:
// then it may be; what is sent again is refused by admission.
//
// Context is looked at before anything is written: a write once begun is
// finished.
func (s *Store) Append(ctx context.Context, readings []collector.Reading) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(readings) == 0 {
		return nil
	}
	for i := range readings {
		if err := checkMachine(readings[i].Machine); err != nil {
			return err
		}
	}
	s.queueMu.Lock()
	b := s.queued
	if b == nil {
		b = &batch{}
		s.queued = b
	}
	b.readings = append(b.readings, readings...)
	s.queueMu.Unlock()

	s.commitMu.Lock()
	defer s.commitMu.Unlock()
	if b.done {
		return b.err
	}
	s.queueMu.Lock()
	s.queued = nil
	s.queueMu.Unlock()
	b.err = s.commit(b.readings)
	b.done, b.readings = true, nil
	return b.err
}

func checkMachine(m string) error {
	if strings.IndexByte(m, 0) >= 0 || m == "" {
		return fmt.Errorf("history: %q cannot be the name of a machine", m)
	}
	return nil
}

// commit writes readings to the log. It is called with commitMu held.
func (s *Store) commit(readings []collector.Reading) error {
	if s.closed {
		return ErrClosed
	}
	if s.o.ReadOnly {
		return ErrReadOnly
	}
	if usage, err := s.fs.GetDiskUsage(s.o.Dir); err == nil && usage.AvailBytes < s.o.MinFree {
		return fmt.Errorf("%w (%d MiB free, %d MiB are kept back)", ErrFull, usage.AvailBytes>>20, s.o.MinFree>>20)
	}
	first := s.lastSeq() + 1
	if err := s.prepare(first, hourOf(readings[0].Received)); err != nil {
		return wrapFull(err)
	}
	s.buffer = appendRecord(s.buffer[:0], first, readings)
	if err := s.segment.write(s.buffer); err != nil {
		// What is now in the file is not known: the next segment's name says
		// that nothing from first on counts.
		_ = s.segment.file.Close()
		s.segment = nil
		return wrapFull(err)
	}
	if cap(s.buffer) > 4<<20 {
		s.buffer = nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range readings {
		s.open.add(first+uint64(i), &readings[i])
		s.span(&readings[i])
	}
	return nil
}

// prepare sees to it that there is a segment to write to, and ends the open set
// when its hour is over or its log is long.
func (s *Store) prepare(first uint64, hour uint32) error {
	over := s.open.count > 0 && (hour > s.open.hour || s.segment != nil && s.segment.size >= s.o.SegmentBytes)
	if s.segment != nil && !over {
		return nil
	}
	if over && s.behind() {
		if _, err := s.flushOldest(); err != nil { // hours come faster than they are put away: keep pace
			return err
		}
	}
	next, err := newSegment(s.fs, s.logDir, first)
	if err != nil {
		return err
	}
	if s.segment != nil {
		err = s.segment.file.Close()
	}
	s.segment = next
	s.mu.Lock()
	defer s.mu.Unlock()
	// It may take the place of one in which nothing was acknowledged.
	s.open.segments = slices.DeleteFunc(s.open.segments, func(name string) bool { return name == next.name })
	if over {
		s.closing = append(s.closing, s.open)
		s.open = newOpenSet()
		s.open.last = first - 1
		s.wakeFlush()
	}
	s.open.segments = append(s.open.segments, next.name)
	return err
}

// behind reports whether so many sets wait for the database that another would
// be too much memory.
func (s *Store) behind() bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return len(s.closing) >= mostClosing
}

func wrapFull(err error) error {
	if errors.Is(err, ErrFull) {
		return err
	}
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return fmt.Errorf("%w (%w)", ErrFull, err)
	}
	return fmt.Errorf("history: writing the log: %w", err)
}
