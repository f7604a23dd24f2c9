package history

import (
	"errors"
	"fmt"
	"io"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/vfs"
)

// Backup makes a copy of the store in dir, which must not exist yet, as it is
// at one moment between two appends; they wait the few milliseconds it takes to
// link the files. Open opens a copy like any store. On another disk than the
// store's the files are copied, which takes longer.
func (s *Store) Backup(dir string) error {
	s.commitMu.Lock()
	defer s.commitMu.Unlock()
	s.flushMu.Lock()
	defer s.flushMu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if _, err := s.fs.Stat(dir); err == nil {
		return fmt.Errorf("history: %s exists already; name a directory that does not", dir)
	}
	log := s.fs.PathJoin(dir, "log")
	err := errors.Join(s.settleDown(), s.fs.MkdirAll(log, 0o755))
	if err == nil {
		err = s.db.Checkpoint(s.fs.PathJoin(dir, "blocks"), pebble.WithFlushedWAL())
	}
	if err == nil {
		err = s.backupLog(log)
	}
	if err == nil {
		err = errors.Join(syncDir(s.fs, log), syncDir(s.fs, dir))
	}
	if err != nil {
		return fmt.Errorf("history: backing up to %s: %w; what is there now is not a backup", dir, err)
	}
	return nil
}

// backupLog links the segments that are complete, and copies the one that is
// being written.
func (s *Store) backupLog(dir string) error {
	firsts, err := listSegments(s.fs, s.logDir)
	if err != nil {
		return err
	}
	for _, first := range firsts {
		name := segmentName(first)
		from, to := s.fs.PathJoin(s.logDir, name), s.fs.PathJoin(dir, name)
		if s.segment != nil && s.segment.name == name {
			err = copySynced(s.fs, from, to)
		} else {
			err = vfs.LinkOrCopy(s.fs, from, to)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func copySynced(fs vfs.FS, from, to string) error {
	in, err := fs.Open(from, vfs.SequentialReadsOption)
	if err != nil {
		return err
	}
	out, err := fs.Create(to, vfs.WriteCategoryUnspecified)
	if err != nil {
		return errors.Join(err, in.Close())
	}
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Sync()
	}
	return errors.Join(err, in.Close(), out.Close())
}
