package history

import (
	"cmp"
	"container/heap"
	"context"
	"fmt"
	"slices"

	"coilward/collector"
)

// Since yields every reading of every machine with a sequence number above seq,
// in the order of arrival. Those that went into summaries with age, or are on
// the way, are passed over: compare with FirstSeq.
func (s *Store) Since(ctx context.Context, seq uint64, each func(*Entry) error) error {
	return s.picked(ctx, &pick{seq: seq, to: endOfTime}, each)
}

// Arrived yields what was received from the machines at from ≤ Received < to, in
// the order of arrival: like Arrivals, of several machines or, if machines is
// nil, of all.
func (s *Store) Arrived(ctx context.Context, machines map[string]bool, from, to collector.Millis, each func(*Entry) error) error {
	if from >= to {
		return nil
	}
	p := &pick{machines: machines, from: from, to: min(to, endOfTime)}
	return s.picked(ctx, p, func(e *Entry) error {
		if e.Received < from || e.Received >= to {
			return nil
		}
		return each(e)
	})
}

// endOfTime is after every hour that a key can hold.
const endOfTime = collector.Millis(1) << 62

// pick says which blocks are wanted; more may be in them.
type pick struct {
	seq      uint64          // above this
	machines map[string]bool // nil: all
	from, to collector.Millis
}

func (p *pick) has(machine []byte, hour uint32) bool {
	return hour >= hourOf(p.from) && hour <= hourOf(p.to-1) && (p.machines == nil || p.machines[string(machine)])
}

// picked yields the readings of the blocks that are wanted, in the order of
// arrival.
func (s *Store) picked(ctx context.Context, p *pick, each func(*Entry) error) (err error) {
	v := s.view()
	defer func() { err = v.close(err) }()
	sets, err := s.sets(v.db)
	if err != nil {
		return err
	}
	for _, set := range sets {
		if set.last <= p.seq || set.last > v.flushed || set.first < v.oldest || set.lastDay < hourOf(p.from)/hoursADay || set.firstDay > hourOf(p.to-1)/hoursADay {
			continue
		}
		blocks, err := v.setBlocks(set, p)
		if err != nil {
			return err
		}
		if err := merge(ctx, blocks, p.seq, each); err != nil {
			return err
		}
	}
	for _, set := range v.sets {
		if err := merge(ctx, s.openMachines(set, p), p.seq, each); err != nil {
			return err
		}
	}
	return nil
}

// setBlocks returns the wanted blocks of a set.
func (v *view) setBlocks(set blockSet, want *pick) ([]machineBlock, error) {
	var blocks []machineBlock
	machine := ""
	err := v.s.scan(v.db, dayPrefix(blockKey, set.firstDay), dayPrefix(blockKey, set.lastDay+1), func(key []byte, value func() ([]byte, error)) error {
		_, name, hour, first, ok := parseKey(key)
		if !ok || first < set.first || first > set.last || !want.has(name, hour) {
			return nil
		}
		p, err := value()
		if err != nil {
			return err
		}
		if string(name) != machine {
			machine = string(name)
		}
		b := machineBlock{machine, block{hour: hour, first: first}}
		if err := b.unmarshal(slices.Clone(p)); err != nil {
			return fmt.Errorf("history: machine %q, hour %d: %w", machine, hour, err)
		}
		if b.last > want.seq {
			blocks = append(blocks, b)
		}
		return nil
	})
	return blocks, err
}

// openMachines returns the wanted blocks of a set in memory.
func (s *Store) openMachines(set *openSet, want *pick) []machineBlock {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var blocks []machineBlock
	for machine, m := range set.machines {
		for _, b := range m.blocks {
			if b.last > want.seq && want.has([]byte(machine), b.hour) {
				blocks = append(blocks, machineBlock{machine, b})
			}
		}
	}
	return blocks
}

type machineBlock struct {
	machine string
	block
}

// cursor is a block being read, and the reading it is at.
type cursor struct {
	reader
	at Entry
}

// merge yields the readings of blocks above seq in the order of arrival.
// Blocks are opened only when their turn comes.
func merge(ctx context.Context, blocks []machineBlock, seq uint64, each func(*Entry) error) error {
	slices.SortFunc(blocks, func(a, b machineBlock) int { return cmp.Compare(a.first, b.first) })
	var h cursors
	for n := 0; n < len(blocks) || len(h) > 0; {
		if err := ctx.Err(); err != nil {
			return err
		}
		for n < len(blocks) && (len(h) == 0 || blocks[n].first < h[0].at.Seq) {
			c := &cursor{reader: blocks[n].reader(blocks[n].machine)}
			n++
			if err := c.reader.next(&c.at); err != nil {
				return err
			}
			heap.Push(&h, c)
		}
		c := h[0]
		if c.at.Seq > seq {
			if err := each(&c.at); err != nil {
				return err
			}
		}
		if !c.more() {
			heap.Pop(&h)
			continue
		}
		if err := c.reader.next(&c.at); err != nil {
			return err
		}
		heap.Fix(&h, 0)
	}
	return nil
}

// cursors is a heap by sequence number.
type cursors []*cursor

func (h cursors) Len() int           { return len(h) }
func (h cursors) Less(i, j int) bool { return h[i].at.Seq < h[j].at.Seq }
func (h cursors) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *cursors) Push(x any)        { *h = append(*h, x.(*cursor)) }
func (h *cursors) Pop() any {
	last := len(*h) - 1
	c := (*h)[last]
	*h = (*h)[:last]
	return c
}

var _ heap.Interface = (*cursors)(nil)
