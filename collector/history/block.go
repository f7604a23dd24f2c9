package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"coilward/collector"
)

const (
	hourMillis = 3_600_000
	hoursADay  = 24
	mostBytes  = 64 << 10 // a block this large is followed by another

	// How long after it was measured, and how long before, a reading is found
	// where it is looked for first: in the blocks of those hours. The others
	// are found through the 'l' keys.
	usualDelay   = 2 * hourMillis
	usualAdvance = 10 * 60_000
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// hourOf returns the hour a reading received at m is filed under.
func hourOf(m collector.Millis) uint32 {
	if m < 0 {
		return 0
	}
	return uint32(min(int64(m)/hourMillis, 1<<32-1))
}

// block is what one machine sent that was received in one hour, or a part of
// it. Frames are only ever added, so a copy of a block stays as it was.
type block struct {
	hour         uint32
	first, last  uint64
	count        uint64
	minAt, maxAt collector.Millis
	frames       []byte
}

// add appends a frame.
func (b *block) add(c *coder, seq uint64, r *collector.Reading) {
	if b.count == 0 {
		b.first, b.minAt, b.maxAt = seq, r.At, r.At
	}
	b.last = seq
	b.count++
	b.minAt, b.maxAt = min(b.minAt, r.At), max(b.maxAt, r.At)
	b.frames = c.append(b.frames, seq, r)
}

// usual reports whether a reading of the block measured at that time is found
// without an 'l' key.
func (b *block) usual(at collector.Millis) bool {
	start := collector.Millis(b.hour) * hourMillis
	return at >= start-usualDelay && at < start+hourMillis+usualAdvance
}

// lateDays returns the days of which the block holds readings that are not
// found without an 'l' key.
func (b *block) lateDays(machine string) ([]uint32, error) {
	if b.usual(b.minAt) && b.usual(b.maxAt) {
		return nil, nil
	}
	var days []uint32
	seen := map[uint32]bool{}
	err := b.each(machine, func(e *Entry) error {
		if day := hourOf(e.At) / hoursADay; !b.usual(e.At) && !seen[day] {
			seen[day] = true
			days = append(days, day)
		}
		return nil
	})
	return days, err
}

// each yields the readings in the order of arrival.
func (b *block) each(machine string, yield func(*Entry) error) error {
	var e Entry
	for r := b.reader(machine); r.more(); {
		if err := r.next(&e); err != nil {
			return err
		}
		if err := yield(&e); err != nil {
			return err
		}
	}
	return nil
}

// reader goes through the frames of a block.
type reader struct {
	coder
	left []byte
}

func (b *block) reader(machine string) reader {
	return reader{coder: coder{machine: machine}, left: b.frames}
}

func (r *reader) more() bool { return len(r.left) > 0 }

func (r *reader) next(e *Entry) (err error) {
	r.left, err = r.coder.next(r.left, e)
	return err
}

// marshal appends the block as it is stored.
func (b *block) marshal(dst []byte) []byte {
	dst = append(dst, 1, 0, 0, 0, 0)
	head := len(dst)
	dst = binary.AppendUvarint(dst, b.last)
	dst = binary.AppendUvarint(dst, b.count)
	dst = binary.AppendVarint(dst, int64(b.minAt))
	dst = binary.AppendVarint(dst, int64(b.maxAt))
	dst = append(dst, b.frames...)
	binary.LittleEndian.PutUint32(dst[head-4:], crc32.Checksum(dst[head:], castagnoli))
	return dst
}

// unmarshal reads a stored block; frames is then a part of p.
func (b *block) unmarshal(p []byte) error {
	if len(p) < 5 {
		return errors.New("block is cut short")
	}
	if p[0] != 1 {
		return fmt.Errorf("block is of version %d, which this program does not know: use a newer one", p[0])
	}
	if crc32.Checksum(p[5:], castagnoli) != binary.LittleEndian.Uint32(p[1:]) {
		return errors.New("block does not match its checksum")
	}
	in := input{p: p[5:]}
	b.last, b.count = in.uvarint(), in.uvarint()
	b.minAt, b.maxAt = collector.Millis(in.zigzag()), collector.Millis(in.zigzag())
	b.frames = in.p
	if in.bad {
		return errFrame
	}
	return nil
}
