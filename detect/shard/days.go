package shard

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"

	"coilward/collector"
	"coilward/detect"
)

// Day is how far apart the snapshots of [Days] are: one at each midnight of UTC.
const Day collector.Millis = 24 * 3_600_000

// Which snapshots stay: each of so many days, then every third of so many, counted
// from the newest. Whoever wants to begin at an older day begins up to two days
// before it.
const (
	eachOf  = 34
	thirdOf = 96
)

// Days is a folder with snapshots of past days, from which models can go on as they
// were then. A snapshot is a file named by its day, compressed.
type Days struct {
	Dir string
}

const dayEnding = ".models"

// Due reports whether a snapshot is one that Put keeps.
func (Days) Due(s *Snapshot) bool { return s.At%Day == 0 }

// File is the name of the file with the snapshot of a time.
func (d Days) File(at collector.Millis) string {
	return filepath.Join(d.Dir, at.Time().UTC().Format(time.DateOnly)+dayEnding)
}

// Put keeps a snapshot, in place of one of the same day, and takes away those that
// have had their time.
func (d Days) Put(s *Snapshot) error {
	if err := os.MkdirAll(d.Dir, 0o750); err != nil {
		return fmt.Errorf("models of the day cannot be kept; trials that begin at it will learn anew: %w", err)
	}
	raw, err := s.AppendBinary(nil)
	if err != nil {
		return err
	}
	w, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		return err
	}
	if err := replace(d.File(s.At), w.EncodeAll(raw, nil)); err != nil {
		return fmt.Errorf("models of the day cannot be kept; trials that begin at it will learn anew: %w", err)
	}
	return d.thin(s.At)
}

// thin takes away what has had its time at a day. What is of later days stays: who
// knows which clock was wrong.
func (d Days) thin(newest collector.Millis) error {
	all, err := d.List()
	if err != nil {
		return err
	}
	var errs []error
	for _, at := range all {
		age := (newest - at) / Day
		if age < eachOf || age < thirdOf && at/Day%3 == 0 {
			continue
		}
		if err := os.Remove(d.File(at)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// List returns the times of the snapshots that are there, oldest first.
func (d Days) List() ([]collector.Millis, error) {
	entries, err := os.ReadDir(d.Dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []collector.Millis
	for _, e := range entries {
		name, is := strings.CutSuffix(e.Name(), dayEnding)
		if t, err := time.Parse(time.DateOnly, name); is && err == nil {
			all = append(all, collector.MillisOf(t))
		}
	}
	slices.Sort(all)
	return all, nil
}

// ErrNoDay says that no snapshot is kept of the time that was asked for.
var ErrNoDay = errors.New("no models of that time are kept")

// Newest returns the newest snapshot that was made at from ≤ At ≤ to and can be
// used. The error says why the newest of them cannot be where none can, and is
// [ErrNoDay] where there is none.
func (d Days) Newest(from, to collector.Millis) (*Snapshot, error) {
	all, err := d.List()
	if err != nil {
		return nil, err
	}
	why := ErrNoDay
	for _, at := range slices.Backward(all) {
		if at < from || at > to {
			continue
		}
		s, err := d.Read(at)
		if err == nil {
			return s, nil
		}
		if errors.Is(why, ErrNoDay) {
			why = err
		}
	}
	return nil, why
}

// Read reads the snapshot of a time. The error says why it cannot be used.
func (d Days) Read(at collector.Millis) (*Snapshot, error) {
	bad := func(err error) error {
		return fmt.Errorf("the models kept of %s cannot be used: %w", at.Time().UTC().Format(time.DateOnly), err)
	}
	packed, err := os.ReadFile(d.File(at))
	if err != nil {
		return nil, bad(err)
	}
	r, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(mostSnapshot))
	if err != nil {
		return nil, bad(err)
	}
	defer r.Close()
	raw, err := r.DecodeAll(packed, nil)
	if err != nil {
		return nil, bad(errDamaged)
	}
	s := new(Snapshot)
	if err := s.UnmarshalBinary(raw); err != nil {
		return nil, bad(err)
	}
	if s.At != at {
		return nil, bad(errors.New("it is of another day"))
	}
	for i := range s.Machines {
		if !detect.Readable(s.Machines[i].Model) {
			return nil, bad(errors.New("they are of another version of the program"))
		}
	}
	return s, nil
}

// mostSnapshot is the most bytes that a snapshot may unpack to.
const mostSnapshot = 2 << 30
