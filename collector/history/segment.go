package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/cockroachdb/pebble/v2/vfs"

	"coilward/collector"
)

const (
	segmentMagic = "coilhis1"
	recordHead   = 8
	mostRecord   = 1 << 30
)

// segment is a file of the log that is being written.
type segment struct {
	name string
	file vfs.File
	size int64
}

func segmentName(first uint64) string { return fmt.Sprintf("%016x.log", first) }

// newSegment makes the file, and its name, durable.
func newSegment(fs vfs.FS, dir string, first uint64) (*segment, error) {
	name := segmentName(first)
	file, err := fs.Create(fs.PathJoin(dir, name), vfs.WriteCategoryUnspecified)
	if err != nil {
		return nil, err
	}
	s := &segment{name: name, file: file, size: int64(len(segmentMagic))}
	_, err = file.Write([]byte(segmentMagic))
	if err == nil {
		err = file.Sync()
	}
	if err == nil {
		err = syncDir(fs, dir)
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return s, nil
}

func syncDir(fs vfs.FS, dir string) error {
	d, err := fs.OpenDir(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// write appends a record, whose first eight bytes are left free, and waits
// until it is on disk.
func (s *segment) write(record []byte) error {
	payload := record[recordHead:]
	if len(payload) > mostRecord {
		return fmt.Errorf("a batch of %d bytes is too large for the log: append fewer readings at once", len(payload))
	}
	binary.LittleEndian.PutUint32(record, uint32(len(payload)))
	binary.LittleEndian.PutUint32(record[4:], crc32.Checksum(payload, castagnoli))
	s.size += int64(len(record))
	if _, err := s.file.Write(record); err != nil {
		return err
	}
	return s.file.SyncData()
}

// makeDir makes a directory and those above it, and makes their names durable.
func makeDir(fs vfs.FS, dir string) error {
	if _, err := fs.Stat(dir); err == nil {
		// An earlier start may have ended before the name was durable.
		return errors.Join(syncDir(fs, dir), syncDir(fs, fs.PathDir(dir)))
	}
	parent := fs.PathDir(dir)
	if parent != dir {
		if err := makeDir(fs, parent); err != nil {
			return err
		}
	}
	if err := fs.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	return syncDir(fs, parent)
}

// appendRecord encodes readings as a record, leaving room for its head.
func appendRecord(dst []byte, first uint64, readings []collector.Reading) []byte {
	dst = append(dst, make([]byte, recordHead)...)
	dst = binary.AppendUvarint(dst, first)
	dst = binary.AppendUvarint(dst, uint64(len(readings)))
	c := coder{seq: first - 1}
	for i := range readings {
		dst = c.append(dst, first+uint64(i), &readings[i])
	}
	return dst
}

// listSegments returns the first sequence numbers of the log's segments.
func listSegments(fs vfs.FS, dir string) ([]uint64, error) {
	names, err := fs.List(dir)
	if err != nil {
		return nil, err
	}
	var firsts []uint64
	for _, name := range names {
		hex, ok := strings.CutSuffix(name, ".log")
		if first, err := strconv.ParseUint(hex, 16, 64); ok && err == nil && segmentName(first) == name {
			firsts = append(firsts, first)
		}
	}
	slices.Sort(firsts)
	return firsts, nil
}

// tornError says where a segment ended before the end of its file. After a
// crash that is what a record looks like that was never acknowledged.
type tornError struct {
	name   string
	offset int
	what   string
}

func (e *tornError) Error() string {
	return fmt.Sprintf("log %s ends at byte %d: %s", e.name, e.offset, e.what)
}

// readSegment yields the readings of a segment up to, not including, the
// sequence number end. It returns a *tornError when the file does not end with
// a whole record.
func readSegment(fs vfs.FS, dir string, first, end uint64, yield func(*Entry) error) error {
	name := segmentName(first)
	file, err := fs.Open(fs.PathJoin(dir, name), vfs.SequentialReadsOption)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(file)
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	torn := func(at int, what string) error { return &tornError{name, at, what} }
	if len(data) < len(segmentMagic) || string(data[:len(segmentMagic)]) != segmentMagic {
		return torn(0, "no head")
	}
	words := map[string]string{}
	for at := len(segmentMagic); at < len(data); {
		if len(data)-at < recordHead {
			return torn(at, "half a record head")
		}
		n := int(binary.LittleEndian.Uint32(data[at:]))
		if n == 0 {
			return torn(at, "empty space")
		}
		if n > len(data)-at-recordHead {
			return torn(at, "half a record")
		}
		payload := data[at+recordHead:][:n]
		if crc32.Checksum(payload, castagnoli) != binary.LittleEndian.Uint32(data[at+4:]) {
			return torn(at, "a record does not match its checksum")
		}
		if err := readRecord(payload, end, words, yield); err != nil {
			return err
		}
		at += recordHead + n
	}
	return nil
}

// readRecord yields the readings of a record. words holds one copy of each name.
func readRecord(payload []byte, end uint64, words map[string]string, yield func(*Entry) error) error {
	in := input{p: payload}
	seq, count := in.uvarint(), in.uvarint()
	if in.bad {
		return errFrame
	}
	c := coder{seq: seq - 1}
	var e Entry
	for range count {
		var err error
		if in.p, err = c.next(in.p, &e); err != nil {
			return err
		}
		if e.Seq >= end {
			return nil
		}
		e.Machine, e.Site = intern(words, e.Machine), intern(words, e.Site)
		if err := yield(&e); err != nil {
			return err
		}
	}
	return nil
}

func intern(words map[string]string, s string) string {
	if w, ok := words[s]; ok {
		return w
	}
	words[s] = s
	return s
}
