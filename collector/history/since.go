package history

import (
	"cmp"
	"container/heap"
	"context"
	"fmt"
	"slices"
)

// Since yields every reading of every machine with a sequence number above seq,
// in the order of arrival. Those that retention dropped are passed over:
// compare with FirstSeq.
func (s *Store) Since(ctx context.Context, seq uint64, each func(*Entry) error) (err error) {
	v := s.view()
	defer func() { err = v.close(err) }()
	sets, err := s.sets(v.db)
	if err != nil {
		return err
	}
	for _, set := range sets {
		if set.last <= seq || set.last > v.flushed {
			continue
		}
		blocks, err := v.setBlocks(set, seq)
		if err != nil {
			return err
		}
		if err := merge(ctx, blocks, seq, each); err != nil {
			return err
		}
	}
	for _, set := range v.sets {
		if err := merge(ctx, s.openMachines(set, seq), seq, each); err != nil {
			return err
		}
	}
	return nil
}

// setBlocks returns the blocks of a set that reach beyond seq.
func (v *view) setBlocks(set blockSet, seq uint64) ([]machineBlock, error) {
	var blocks []machineBlock
	machine := ""
	err := v.s.scan(v.db, dayPrefix(blockKey, set.firstDay), dayPrefix(blockKey, set.lastDay+1), func(key []byte, value func() ([]byte, error)) error {
		_, name, hour, first, ok := parseKey(key)
		if !ok || first < set.first || first > set.last {
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
		if b.last > seq {
			blocks = append(blocks, b)
		}
		return nil
	})
	return blocks, err
}

// openMachines returns the blocks of a set in memory that reach beyond seq.
func (s *Store) openMachines(set *openSet, seq uint64) []machineBlock {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var blocks []machineBlock
	for machine, m := range set.machines {
		for _, b := range m.blocks {
			if b.last > seq {
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
