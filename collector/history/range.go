package history

import (
	"cmp"
	"context"
	"slices"
	"time"

	"coilward/collector"
)

// Range yields what a machine measured at from ≤ At < to, by At and, where that
// is the same, by arrival. Of values for one machine, instant and channel, the
// first to arrive counts; a reading none of whose values count is left out.
// The entry is the callee's until it returns. An error of each ends the
// reading and is returned.
func (s *Store) Range(ctx context.Context, machine string, from, to collector.Millis, each func(*Entry) error) error {
	if from >= to {
		return nil
	}
	v := s.view()
	blocks, err := v.measured(machine, from, to)
	if err = v.close(err); err != nil {
		return err
	}
	return rangeBlocks(ctx, machine, blocks, from, to, each)
}

// rangeBlocks yields the readings of blocks as Range does.
func rangeBlocks(ctx context.Context, machine string, blocks []block, from, to collector.Millis, each func(*Entry) error) error {
	slices.SortFunc(blocks, func(a, b block) int {
		return cmp.Or(cmp.Compare(a.minAt, b.minAt), cmp.Compare(a.first, b.first))
	})
	blocks = slices.CompactFunc(blocks, func(a, b block) bool { return a.first == b.first })
	var (
		held []Entry // read, but something before may be in a block that is not
		once dedup
	)
	for i := range blocks {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := blocks[i].each(machine, func(e *Entry) error {
			if e.At >= from && e.At < to {
				held = append(held, *e)
			}
			return nil
		})
		if err != nil {
			return err
		}
		sort(held)
		n := len(held)
		if i+1 < len(blocks) {
			n, _ = slices.BinarySearchFunc(held, blocks[i+1].minAt, func(e Entry, at collector.Millis) int { return cmp.Compare(e.At, at) })
		}
		for j := range held[:n] {
			if once.strip(&held[j].Reading) {
				if err := each(&held[j]); err != nil {
					return err
				}
			}
		}
		held = held[:copy(held, held[n:])]
	}
	return nil
}

// sort puts entries, which are large and mostly in order already, in the order
// of Range.
func sort(held []Entry) {
	for i := 1; i < len(held); i++ {
		if before(&held[i], &held[i-1]) {
			slices.SortStableFunc(held, func(a, b Entry) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Seq, b.Seq)) })
			return
		}
	}
}

func before(a, b *Entry) bool { return a.At < b.At || a.At == b.At && a.Seq < b.Seq }

// measured returns the blocks in which readings measured at from ≤ At < to may
// be, some of them twice.
func (v *view) measured(machine string, from, to collector.Millis) ([]block, error) {
	var blocks []block
	take := func(b block) {
		if b.maxAt >= from && b.minAt < to {
			blocks = append(blocks, b)
		}
	}
	for _, b := range v.openBlocks(machine) {
		take(b)
	}
	received, measured, ok := v.bounds(machine)
	if !ok {
		return blocks, nil
	}
	lo := max(hourOf(from-usualAdvance), received[0]*hoursADay)
	hi := min(hourOf(to-1+usualDelay), received[1]*hoursADay+hoursADay-1)
	if lo <= hi {
		if err := v.hours(machine, lo, hi, take); err != nil {
			return nil, err
		}
	}
	return blocks, v.late(machine, max(hourOf(from)/hoursADay, measured[0]), min(hourOf(to-1)/hoursADay, measured[1]), take)
}

// Arrivals yields what was received from a machine at from ≤ Received < to, in
// the order of arrival: what the models were fed.
func (s *Store) Arrivals(ctx context.Context, machine string, from, to collector.Millis, each func(*Entry) error) error {
	if from >= to {
		return nil
	}
	v := s.view()
	from = max(from, v.kept) // from then on it is whole
	if from >= to {
		return v.close(nil)
	}
	var blocks []block
	received, _, ok := v.bounds(machine)
	lo, hi := max(hourOf(from), received[0]*hoursADay), min(hourOf(to-1), received[1]*hoursADay+hoursADay-1)
	var err error
	if ok && lo <= hi {
		err = v.hours(machine, lo, hi, func(b block) { blocks = append(blocks, b) })
	}
	blocks = append(blocks, v.openBlocks(machine)...)
	if err = v.close(err); err != nil {
		return err
	}
	slices.SortFunc(blocks, func(a, b block) int { return cmp.Compare(a.first, b.first) })
	for i := range blocks {
		if err := ctx.Err(); err != nil {
			return err
		}
		if h := blocks[i].hour; h < hourOf(from) || h > hourOf(to-1) {
			continue
		}
		err := blocks[i].each(machine, func(e *Entry) error {
			if e.Received < from || e.Received >= to {
				return nil
			}
			return each(e)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// Newest yields of each machine, one after the other, what was received in the
// last d up to its own last reading, in the order of arrival. Admission is
// rebuilt from it.
func (s *Store) Newest(ctx context.Context, d time.Duration, each func(*Entry) error) error {
	for _, p := range s.Machines() {
		if err := s.Arrivals(ctx, p.Machine, p.LastReceived.Add(-d), p.LastReceived+1, each); err != nil {
			return err
		}
	}
	return nil
}

// dedup strips values that came before for the same instant from readings in
// the order of Range.
type dedup struct {
	at     collector.Millis
	begun  bool
	has    collector.ChannelSet
	status [3]bool
	extra  []string
}

// strip reports whether anything is left of r.
func (d *dedup) strip(r *collector.Reading) bool {
	if !d.begun || r.At != d.at {
		*d = dedup{at: r.At, begun: true, extra: d.extra[:0]}
	}
	if r.Status != collector.NoStatus {
		i := min(int(r.Status), len(d.status)-1)
		fresh := !d.status[i]
		d.status[i] = true
		return fresh
	}
	empty := r.Has == 0 && len(r.Extra) == 0 // kept as it came
	for ch := range (r.Has & d.has).All {
		r.Value[ch] = 0
	}
	r.Has &^= d.has
	d.has |= r.Has
	if len(r.Extra) > 0 {
		kept := r.Extra[:0]
		for _, x := range r.Extra {
			if !slices.Contains(d.extra, x.Name) {
				d.extra = append(d.extra, x.Name)
				kept = append(kept, x)
			}
		}
		if r.Extra = kept; len(kept) == 0 {
			r.Extra = nil
		}
	}
	return empty || r.Has != 0 || len(r.Extra) > 0
}
