package shard

import (
	"cmp"
	"context"
	"slices"

	"coilward/collector"
	"coilward/detect"
)

// merge gives out what the shards said, epoch by epoch.
func (s *Set) merge(ctx context.Context) error {
	var held []said // of the epoch that has not ended
	var findings []detect.Finding
	for {
		var tick collector.Millis
		var snapshots []*Snapshot
		for i, results := range s.results {
			select {
			case b, ok := <-results:
				if !ok {
					return nil
				}
				tick = b.tick
				held = append(held, b.said...)
				for j, part := range b.parts {
					if i == 0 {
						snapshots = append(snapshots, part)
					} else {
						snapshots[j].Machines = append(snapshots[j].Machines, part.Machines...)
					}
				}
				s.recycle(b)
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if tick == 0 {
			continue
		}
		slices.SortStableFunc(held, before)
		give := func(upTo collector.Millis) error {
			n := 0
			findings = findings[:0]
			for n < len(held) && held[n].epoch <= upTo {
				findings = append(findings, held[n].finding)
				n++
			}
			held = slices.Delete(held, 0, n)
			return s.o.Said(ctx, upTo, findings)
		}
		last := collector.Millis(0)
		for _, snapshot := range snapshots {
			if err := give(snapshot.At); err != nil {
				return err
			}
			last = snapshot.At
			if err := s.keep(ctx, snapshot); err != nil {
				return err
			}
		}
		if last == tick {
			continue
		}
		if err := give(tick); err != nil {
			return err
		}
	}
}

// keep has a snapshot written. What is said next does not wait for the disk: only
// where a day's models wait behind others, which happens when days pass in seconds,
// all wait until there is room.
func (s *Set) keep(ctx context.Context, snapshot *Snapshot) error {
	if s.o.Beside != nil {
		var err error
		if snapshot.Beside, err = s.o.Beside(); err != nil {
			s.failed(err)
			return nil
		}
	}
	select {
	case s.saves <- snapshot:
		return nil
	default:
	}
	if !(Days{}).Due(snapshot) {
		return nil // one that is nearly as new is about to be written
	}
	select {
	case s.saves <- snapshot:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// save writes snapshots until the last was given out.
func (s *Set) save() {
	for snapshot := range s.saves {
		if err := s.o.Snapshot(snapshot); err != nil {
			s.failed(err)
		}
	}
}

func (s *Set) failed(err error) {
	if s.o.Failed != nil {
		s.o.Failed(err)
	}
}

func before(a, b said) int {
	return cmp.Or(
		cmp.Compare(a.epoch, b.epoch),
		cmp.Compare(a.finding.At, b.finding.At),
		cmp.Compare(a.finding.Machine, b.finding.Machine),
		cmp.Compare(a.finding.ID, b.finding.ID),
		cmp.Compare(a.finding.Seq, b.finding.Seq),
	)
}

func (s *Set) recycle(b *batch) {
	clear(b.entries) // lets go of strings and extras
	clear(b.said)
	*b = batch{entries: b.entries[:0], marks: b.marks[:0], said: b.said[:0]}
	select {
	case s.free <- b:
	default:
	}
}
