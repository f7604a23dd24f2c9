package shard

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"coilward/collector"
	"coilward/detect"
)

// Snapshot is every model as it was when all had passed one tick.
type Snapshot struct {
	At       collector.Millis // the tick
	Seq      uint64           // of the last reading in the models, or waiting in the order window
	Again    uint64           // readings after this one may have been waiting
	Machines []Saved

	Listening collector.Millis // without a break since then; 0: always

	Beside []byte // what is kept with the models of what follows from them; not this package's
}

// Saved is one machine of a snapshot.
type Saved struct {
	Site, ID string
	Last     collector.Millis // event time of the last reading released; HasLast
	HasLast  bool
	Model    []byte
}

// save appends the keeper's machines. All have passed the same tick.
func (k *keeper) save(s *Snapshot) {
	s.Machines = make([]Saved, 0, len(k.list))
	for _, m := range k.list {
		model, err := m.model.AppendBinary(nil)
		if err != nil {
			continue // never: a state is plain memory
		}
		spec := m.model.Spec()
		saved := Saved{Site: spec.Site, ID: spec.ID, Model: model}
		saved.Last, saved.HasLast = m.order.Last()
		s.Machines = append(s.Machines, saved)
	}
}

// A snapshot on disk: the eight bytes of the magic, whose last digit is the
// version; At, Seq, Again, Listening and the count of machines as uvarints; each machine as
// site, id and model with their lengths before them, and 0, or 1 and Last; Beside
// with its length before it; then the CRC-32C of all that.
const magic = "coilmod3"

var (
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
	errDamaged = errors.New("it is damaged")
)

// AppendBinary appends the snapshot in its form on disk.
func (s *Snapshot) AppendBinary(b []byte) ([]byte, error) {
	from := len(b)
	b = append(b, magic...)
	b = binary.AppendUvarint(b, uint64(s.At))
	b = binary.AppendUvarint(b, s.Seq)
	b = binary.AppendUvarint(b, s.Again)
	b = binary.AppendUvarint(b, uint64(s.Listening))
	b = binary.AppendUvarint(b, uint64(len(s.Machines)))
	for i := range s.Machines {
		m := &s.Machines[i]
		for _, part := range [...]string{m.Site, m.ID, string(m.Model)} {
			b = binary.AppendUvarint(b, uint64(len(part)))
			b = append(b, part...)
		}
		if m.HasLast {
			b = binary.AppendVarint(append(b, 1), int64(m.Last))
		} else {
			b = append(b, 0)
		}
	}
	b = append(binary.AppendUvarint(b, uint64(len(s.Beside))), s.Beside...)
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b[from:], castagnoli)), nil
}

// UnmarshalBinary reads what AppendBinary wrote. The models are parts of b.
func (s *Snapshot) UnmarshalBinary(b []byte) error {
	if len(b) < len(magic)+4 || string(b[:len(magic)]) != magic {
		return errors.New("it is not a snapshot of this version")
	}
	body, sum := b[:len(b)-4], binary.LittleEndian.Uint32(b[len(b)-4:])
	if crc32.Checksum(body, castagnoli) != sum {
		return errDamaged
	}
	body = body[len(magic):]
	ok := true
	number := func() uint64 {
		v, n := binary.Uvarint(body)
		if n <= 0 {
			ok, body = false, nil
			return 0
		}
		body = body[n:]
		return v
	}
	bytes := func() []byte {
		n := number()
		if n > uint64(len(body)) {
			ok, body = false, nil
			return nil
		}
		part := body[:n]
		body = body[n:]
		return part
	}
	s.At, s.Seq, s.Again, s.Listening = collector.Millis(number()), number(), number(), collector.Millis(number())
	for range number() {
		if !ok {
			return errDamaged
		}
		m := Saved{Site: string(bytes()), ID: string(bytes()), Model: bytes()}
		if m.HasLast = number() == 1; m.HasLast {
			last, n := binary.Varint(body)
			if n <= 0 {
				return errDamaged
			}
			m.Last, body = collector.Millis(last), body[n:]
		}
		s.Machines = append(s.Machines, m)
	}
	s.Beside = bytes()
	if !ok || len(body) != 0 {
		return errDamaged
	}
	return nil
}

// Write puts the snapshot into a file. A crash leaves either the file as it was
// or the new one.
func (s *Snapshot) Write(path string) error {
	b, err := s.AppendBinary(nil)
	if err != nil {
		return err
	}
	if err := replace(path, b); err != nil {
		return fmt.Errorf("models cannot be saved; after a restart they are worked out from the history: %w", err)
	}
	return nil
}

// replace puts a file in the place of another, or of none.
func replace(path string, b []byte) error {
	next := path + ".new"
	f, err := os.OpenFile(next, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(next))
	}
	if err := os.Rename(next, path); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// Read reads a snapshot from a file; nil if there is none.
func Read(path string) (*Snapshot, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var s Snapshot
	if err == nil {
		err = s.UnmarshalBinary(b)
	}
	if err != nil {
		return nil, fmt.Errorf("saved models %s cannot be used, they are worked out from the history instead: %w", path, err)
	}
	return &s, nil
}

// Stored yields the readings of the history after a sequence number, in the
// order of arrival. A reading is the callee's until it returns.
type Stored func(ctx context.Context, after uint64, each func(seq uint64, r *collector.Reading) error) error

// Restore takes the models from a snapshot, before Start, Run and Feed. The
// error says that a model is of another program; the set is then as new, and
// must be fed the whole history.
func (s *Set) Restore(snap *Snapshot) error {
	models := make([]*detect.Machine, len(snap.Machines))
	for i := range snap.Machines {
		saved := &snap.Machines[i]
		models[i] = detect.NewMachine(s.o.Fleet.AddUnlisted(saved.Site, saved.ID), s.o.Library)
		if err := models[i].UnmarshalBinary(saved.Model); err != nil {
			return fmt.Errorf("machine %s: %w", saved.ID, err)
		}
	}
	for i, model := range models {
		saved := &snap.Machines[i]
		k := s.keepers[s.shardOf(saved.ID)]
		m := k.meet(model.Spec(), snap.At)
		m.model = model
		if saved.HasLast {
			m.order.Resume(saved.Last)
		}
	}
	s.Start(snap.At)
	s.listening = snap.Listening
	for _, k := range s.keepers {
		k.listening = snap.Listening
	}
	s.seq = snap.Seq
	s.past = append(s.past[:0], snap.Again)
	s.restored = snap
	return nil
}

// Recover feeds what the history holds beyond the snapshot that was restored,
// or all of it if none was. Run must be under way.
func (s *Set) Recover(ctx context.Context, stored Stored) error {
	var after, upTo uint64
	var heldSince collector.Millis
	if s.restored != nil {
		after, upTo = s.restored.Again, s.restored.Seq
		heldSince = s.restored.At - collector.Millis(s.o.Order.Window.Milliseconds())
		s.restored = nil
	}
	err := stored(ctx, after, func(seq uint64, r *collector.Reading) error {
		if seq <= upTo {
			if r.Status == collector.Away {
				return nil
			}
			// In the models, unless it waited: then it was received within the
			// window, and is later than all that was released.
			if r.Received > heldSince {
				again := *r
				s.on(s.shardOf(r.Machine), func(k *keeper) { k.hold(&again) })
			}
			return nil
		}
		s.Feed(seq, r)
		if s.Waiting() < flushAt {
			return nil
		}
		return s.Flush(ctx)
	})
	if err != nil {
		return err
	}
	return s.Flush(ctx)
}

// flushAt is how many readings are gathered while time does not matter.
const flushAt = 2048

// Again feeds a reading that was received before the snapshot that was restored:
// it is in the models, unless it waited in the order window. Call it after Restore
// and before Feed, for the readings received since [Snapshot.Since] in the order of
// arrival.
func (s *Set) Again(r *collector.Reading) {
	if r.Status == collector.Away {
		return
	}
	again := *r
	s.on(s.shardOf(r.Machine), func(k *keeper) { k.hold(&again) })
}

// Since is the pipeline time after which readings may have waited in an order window
// of [collector.DefaultOrderWindow] when the snapshot was made. All that was received
// from At on is not in it.
func (s *Snapshot) Since() collector.Millis {
	return s.At - collector.Millis(collector.DefaultOrderWindow.Milliseconds()) + 1
}

// Of returns the snapshot with the chosen machines alone, all if machines is nil.
func (s *Snapshot) Of(machines map[string]bool) *Snapshot {
	part := *s
	if machines != nil {
		part.Machines = slices.DeleteFunc(slices.Clone(s.Machines), func(m Saved) bool { return !machines[m.ID] })
	}
	return &part
}

// hold puts a reading back into the order window. Nothing is released by it.
func (k *keeper) hold(r *collector.Reading) {
	m := k.machine(r.Site, r.Machine, k.tick)
	k.current = m
	m.order.Push(r, k.release)
}
