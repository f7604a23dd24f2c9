package history

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/cockroachdb/pebble/v2"

	"coilward/collector"
)

var errMarks = errors.New("what the database says of itself is damaged; restore a backup")

// loadMarks reads what the database says of itself.
func (s *Store) loadMarks() error {
	for _, mark := range []struct {
		key  byte
		read func(v []byte) bool
	}{
		{flushedKey, func(v []byte) bool {
			if len(v) == 8 {
				s.flushed = binary.BigEndian.Uint64(v)
			}
			return len(v) == 8
		}},
		{cutoffKey, func(v []byte) bool {
			if len(v) == 4 {
				s.cutoff = binary.BigEndian.Uint32(v)
			}
			return len(v) == 4
		}},
		{totalKey, func(v []byte) bool {
			in := input{p: v}
			s.total = in.uvarint()
			return !in.bad
		}},
	} {
		v, closer, err := s.db.Get([]byte{mark.key})
		if errors.Is(err, pebble.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		ok := mark.read(v)
		if err := closer.Close(); err != nil {
			return err
		}
		if !ok {
			return errMarks
		}
	}
	sets, err := s.sets(s.db)
	if err != nil {
		return err
	}
	s.oldest = oldestOf(sets, s.cutoff, s.flushed)
	err = s.loadSpans(summarisedKey, func(p *Span) { s.summaries[p.Machine] = *p })
	if err != nil {
		return err
	}
	return s.loadSpans(machineKey, func(p *Span) { s.spans[p.Machine] = p })
}

// oldestOf returns the lowest sequence number from which on no readings are in
// summaries, or on the way.
func oldestOf(sets []blockSet, cutoff uint32, flushed uint64) uint64 {
	oldest := flushed + 1
	for i := len(sets) - 1; i >= 0 && sets[i].firstDay >= cutoff; i-- {
		oldest = sets[i].first
	}
	return oldest
}

func (s *Store) loadSpans(kind byte, take func(*Span)) error {
	return s.scan(s.db, []byte{kind}, []byte{kind + 1}, func(key []byte, value func() ([]byte, error)) error {
		v, err := value()
		if err != nil {
			return err
		}
		in := input{p: v}
		p := &Span{Machine: string(key[1:]), Site: in.string("")}
		for _, m := range []*collector.Millis{&p.FirstAt, &p.LastAt, &p.FirstReceived, &p.LastReceived} {
			*m = collector.Millis(in.zigzag())
		}
		if in.bad {
			return fmt.Errorf("the span of machine %q is damaged; restore a backup", p.Machine)
		}
		take(p)
		return nil
	})
}

func (p *Span) marshal() []byte {
	b := appendString(nil, p.Site)
	for _, m := range []collector.Millis{p.FirstAt, p.LastAt, p.FirstReceived, p.LastReceived} {
		b = binary.AppendVarint(b, int64(m))
	}
	return b
}

// blockSet is a set as the database knows it.
type blockSet struct {
	first, last       uint64
	firstDay, lastDay uint32
	summed            uint64 // readings of it that are in summaries, and in no block any more
}

func (b *blockSet) count() uint64 { return b.last - b.first + 1 }

func (b *blockSet) marshal() []byte {
	v := binary.BigEndian.AppendUint64(nil, b.last)
	v = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(v, b.firstDay), b.lastDay)
	if b.summed > 0 {
		v = binary.BigEndian.AppendUint64(v, b.summed)
	}
	return v
}

// sets returns the sets in order.
func (s *Store) sets(db pebble.Reader) ([]blockSet, error) {
	var sets []blockSet
	err := s.scan(db, []byte{setKey}, []byte{setKey + 1}, func(key []byte, value func() ([]byte, error)) error {
		v, err := value()
		if err != nil {
			return err
		}
		if len(key) != 9 || len(v) != 16 && len(v) != 24 {
			return errMarks
		}
		set := blockSet{
			first: binary.BigEndian.Uint64(key[1:]), last: binary.BigEndian.Uint64(v),
			firstDay: binary.BigEndian.Uint32(v[8:]), lastDay: binary.BigEndian.Uint32(v[12:]),
		}
		if len(v) == 24 {
			set.summed = binary.BigEndian.Uint64(v[16:])
		}
		sets = append(sets, set)
		return nil
	})
	return sets, err
}
