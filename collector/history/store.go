package history

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"sync"
	"time"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/sstable"
	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/rs/zerolog"

	"coilward/collector"
)

// Errors of a Store.
var (
	ErrFull     = errors.New("history: the disk is full; free some space, nothing stored is lost")
	ErrClosed   = errors.New("history: closed")
	ErrReadOnly = errors.New("history: opened to be read only")
)

// Options configures a Store.
type Options struct {
	Dir string // made if it does not exist

	// RetainDays is how many whole days of readings are kept besides the current
	// one, by when they were received; all if 0. See Compact.
	RetainDays int

	// SummaryDays is how many whole days of summaries are kept besides the current
	// one, by when it was measured what they sum up; all if 0.
	SummaryDays int

	// SegmentBytes is how long a log may get before its readings go into blocks,
	// if the hour has not ended before; 256 MiB if 0.
	SegmentBytes int64

	// MinFree is how many bytes are left free on the disk: Append refuses with
	// ErrFull below it, so that what is stored can still be put in order; 64
	// MiB if 0.
	MinFree uint64

	// ReadOnly leaves what is in Dir as it is, as for a backup: Append and Retain
	// are refused, and there must be a store.
	ReadOnly bool

	FS  vfs.FS // the disk's if nil
	Log zerolog.Logger
}

// Store is the history in one directory. It is safe for concurrent use.
type Store struct {
	o      Options
	fs     vfs.FS
	logDir string
	db     *pebble.DB

	queueMu sync.Mutex
	queued  *batch // guarded by queueMu: appended since the last commit began

	commitMu sync.Mutex // held while writing the log
	segment  *segment   // guarded by commitMu; nil when a new one is needed
	buffer   []byte     // likewise
	closed   bool       // likewise

	flushMu sync.Mutex // held while blocks are changed, and for backups; taken after commitMu, never before
	ended   bool       // guarded by flushMu, as is what follows
	dirty   bool       // the database holds what is not on the disk, and could not be lost without doing it again
	passAt  []byte     // the key from which on Compact has not looked yet; nil: all

	mu      sync.RWMutex
	open    *openSet         // guarded by mu, as is what follows; changed only with commitMu too
	closing []*openSet       // complete, on the way into blocks; oldest first
	flushed uint64           // all up to this sequence number is in blocks
	oldest  uint64           // the lowest sequence number that is kept
	cutoff  uint32           // the first day, by arrival, whose readings are kept
	spans   map[string]*Span // by machine

	summaries map[string]Span // of the summaries, by machine; changed only with flushMu too
	total     uint64          // readings in them; likewise

	wake chan struct{}
	stop chan struct{}
	done sync.WaitGroup
}

// Open opens or makes the store in a directory. Only one process may have it
// open.
func Open(o Options) (*Store, error) {
	if o.FS == nil {
		o.FS = vfs.Default
	}
	if o.SegmentBytes <= 0 {
		o.SegmentBytes = 256 << 20
	}
	if o.MinFree == 0 {
		o.MinFree = 64 << 20
	}
	s := &Store{
		o: o, fs: o.FS, logDir: o.FS.PathJoin(o.Dir, "log"),
		open: newOpenSet(), spans: map[string]*Span{}, summaries: map[string]Span{}, oldest: 1,
		wake: make(chan struct{}, 1), stop: make(chan struct{}),
	}
	if o.ReadOnly {
		if _, err := s.fs.Stat(s.logDir); err != nil {
			return nil, fmt.Errorf("history: %s holds no history: %w", o.Dir, err)
		}
	} else if err := makeDir(s.fs, s.logDir); err != nil {
		return nil, fmt.Errorf("history: %w; give the daemon a directory it may write to", err)
	}
	db, err := pebble.Open(s.fs.PathJoin(o.Dir, "blocks"), s.pebbleOptions())
	if err != nil {
		return nil, fmt.Errorf("history: opening %s: %w; is another process using it?", o.Dir, err)
	}
	s.db = db
	if err := s.recover(); err != nil {
		return nil, errors.Join(fmt.Errorf("history: reading %s: %w", o.Dir, err), db.Close())
	}
	s.done.Go(s.flushLoop)
	return s, nil
}

func (s *Store) pebbleOptions() *pebble.Options {
	o := &pebble.Options{
		FS:                 s.fs,
		FormatMajorVersion: pebble.FormatNewest,
		DisableWAL:         true, // the log is ours
		ReadOnly:           s.o.ReadOnly,
		MemTableSize:       8 << 20,
		Logger:             pebbleLog{s.o.Log},
		// Left out, one bad block of the past would end the process of whoever
		// reads it. The read's error says enough.
		EventListener: &pebble.EventListener{DataCorruption: func(i pebble.DataCorruptionInfo) {
			s.o.Log.Error().Str("file", i.Path).Err(i.Details).Msg("history: the disk has lost readings; see what with verify")
		}},
	}
	for i := range o.Levels {
		o.Levels[i].Compression = func() *sstable.CompressionProfile { return sstable.ZstdCompression }
	}
	return o
}

// pebbleLog keeps the database's chatter out of the log, and its errors in it.
type pebbleLog struct{ log zerolog.Logger }

func (l pebbleLog) Infof(string, ...any) {}
func (l pebbleLog) Errorf(format string, args ...any) {
	l.log.Error().Msgf("history: "+format, args...)
}
func (l pebbleLog) Fatalf(format string, args ...any) {
	l.log.WithLevel(zerolog.FatalLevel).Msgf("history: "+format, args...)
	os.Exit(1) // the database cannot go on; what was acknowledged is on disk
}

// recover reads what the last process left.
func (s *Store) recover() error {
	if err := s.loadMarks(); err != nil {
		return err
	}
	firsts, err := listSegments(s.fs, s.logDir)
	if err != nil {
		return err
	}
	last, left := s.flushed, 0
	for i, first := range firsts {
		end := ^uint64(0)
		if i+1 < len(firsts) {
			end = firsts[i+1]
		}
		if end <= s.flushed+1 {
			if s.o.ReadOnly {
				continue
			}
			if err := s.fs.Remove(s.fs.PathJoin(s.logDir, segmentName(first))); err != nil {
				return err
			}
			continue
		}
		left++
		s.open.segments = append(s.open.segments, segmentName(first))
		err := readSegment(s.fs, s.logDir, first, end, func(e *Entry) error {
			if e.Seq <= last {
				return nil
			}
			last = e.Seq
			s.open.add(e.Seq, &e.Reading)
			s.span(&e.Reading)
			return nil
		})
		if torn := (*tornError)(nil); errors.As(err, &torn) {
			s.o.Log.Warn().Err(err).Msg("history: the end of the log was cut off, as by a crash; nothing acknowledged is lost by that")
		} else if err != nil {
			return err
		}
		if end != ^uint64(0) && last+1 < end {
			s.o.Log.Error().Uint64("first", last+1).Uint64("last", end-1).Msg("history: readings are missing from the log: the disk has lost them")
			last = end - 1
		}
	}
	if len(firsts) > 0 { // an empty last segment still says where to go on
		last = max(last, firsts[len(firsts)-1]-1)
	}
	s.open.last = last
	if left > 1 && !s.o.ReadOnly {
		return s.sweep()
	}
	return nil
}

// last returns the newest sequence number. It is called with mu or commitMu
// held.
func (s *Store) lastSeq() uint64 { return s.open.last }

// Close ends the store, waiting for what is going on. What is in the log stays
// there for the next Open.
func (s *Store) Close() error {
	s.commitMu.Lock()
	if s.closed {
		s.commitMu.Unlock()
		return nil
	}
	s.closed = true
	var err error
	if s.segment != nil {
		err = s.segment.file.Close()
		s.segment = nil
	}
	s.commitMu.Unlock()
	close(s.stop)
	s.done.Wait()
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	s.ended = true
	return errors.Join(err, s.settleDown(), s.db.Close())
}

// Span says what there is of a machine.
type Span struct {
	Machine, Site   string
	FirstAt, LastAt collector.Millis // measured; FirstAt may be too early once days were dropped
	FirstReceived   collector.Millis
	LastReceived    collector.Millis
}

// span widens the machine's span.
func (s *Store) span(r *collector.Reading) {
	p := s.spans[r.Machine]
	if p == nil {
		p = &Span{r.Machine, r.Site, r.At, r.At, r.Received, r.Received}
		s.spans[r.Machine] = p
	}
	p.Site = r.Site
	p.FirstAt, p.LastAt = min(p.FirstAt, r.At), max(p.LastAt, r.At)
	p.FirstReceived, p.LastReceived = min(p.FirstReceived, r.Received), max(p.LastReceived, r.Received)
}

// Machines returns what there is of the readings of each machine, by name.
func (s *Store) Machines() []Span {
	s.mu.RLock()
	defer s.mu.RUnlock()
	all := make([]Span, 0, len(s.spans))
	for _, p := range s.spans {
		all = append(all, *p)
	}
	slices.SortFunc(all, func(a, b Span) int { return compareStrings(a.Machine, b.Machine) })
	return all
}

// Summarised returns what there is of the summaries of each machine, by name.
// FirstReceived and LastReceived mean nothing.
func (s *Store) Summarised() []Span {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.SortedFunc(maps.Values(s.summaries), func(a, b Span) int { return compareStrings(a.Machine, b.Machine) })
}

// Stats are figures for people and metrics.
type Stats struct {
	Machines   int
	FirstSeq   uint64 // of the oldest reading kept; LastSeq + 1 when there is none
	LastSeq    uint64 // 0 when nothing was ever appended
	OpenCount  uint64 // readings that are in the log only
	BlockBytes uint64 // of blocks and summaries, on disk

	SummaryBytes uint64 // of summaries, on disk
	Summarised   uint64 // readings in summaries

	LogBytes    uint64 // on disk
	FreeBytes   uint64 // on that disk; 0 if not known
	ClosingSets int    // complete hours waiting to be put into blocks: 0 or 1 when all is well
}

// Stats returns the figures now.
func (s *Store) Stats() Stats {
	s.mu.RLock()
	st := Stats{
		Machines: len(s.spans), FirstSeq: s.oldest, LastSeq: s.lastSeq(),
		OpenCount: s.open.count, ClosingSets: len(s.closing),
	}
	for _, set := range s.closing {
		st.OpenCount += set.count
	}
	st.Summarised = s.total
	s.mu.RUnlock()
	st.BlockBytes = s.db.Metrics().DiskSpaceUsage()
	st.SummaryBytes, _ = s.db.EstimateDiskUsage([]byte{summaryKey}, []byte{summaryKey + 1}) // a figure for people
	if names, err := s.fs.List(s.logDir); err == nil {
		for _, name := range names {
			if info, err := s.fs.Stat(s.fs.PathJoin(s.logDir, name)); err == nil {
				st.LogBytes += uint64(info.Size())
			}
		}
	}
	if usage, err := s.fs.GetDiskUsage(s.o.Dir); err == nil {
		st.FreeBytes = usage.AvailBytes
	}
	return st
}

// LastSeq returns the sequence number of the newest reading.
func (s *Store) LastSeq() uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.lastSeq()
}

// FirstSeq returns the sequence number of the oldest reading that is kept.
func (s *Store) FirstSeq() uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.oldest
}

const flushRetry = 5 * time.Second
