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
			if err := s.o.Snapshot(snapshot); err != nil && s.o.Failed != nil {
				s.o.Failed(err)
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
