package history

import (
	"slices"

	"coilward/collector"
)

// openSet is what is in the log and not yet in the database, in memory as
// blocks: about a kilobyte a machine and hour.
type openSet struct {
	machines          map[string]*openMachine
	first, last       uint64
	count             uint64
	hour              uint32 // the latest
	firstDay, lastDay uint32
	segments          []string
}

type openMachine struct {
	blocks []block
	coder  coder
}

func newOpenSet() *openSet { return &openSet{machines: map[string]*openMachine{}} }

func (s *openSet) add(seq uint64, r *collector.Reading) {
	hour := hourOf(r.Received)
	day := hour / hoursADay
	if s.count == 0 {
		s.first, s.firstDay, s.lastDay = seq, day, day
	}
	s.count++
	s.last = seq
	s.hour = max(s.hour, hour)
	s.firstDay, s.lastDay = min(s.firstDay, day), max(s.lastDay, day)

	m := s.machines[r.Machine]
	if m == nil {
		m = &openMachine{}
		s.machines[r.Machine] = m
	}
	n := len(m.blocks)
	if n == 0 || m.blocks[n-1].hour != hour || len(m.blocks[n-1].frames) >= mostBytes {
		m.blocks = append(m.blocks, block{hour: hour})
		m.coder = coder{machine: r.Machine}
		n++
	}
	m.blocks[n-1].add(&m.coder, seq, r)
}

// blocks returns copies of a machine's blocks, which stay as they are.
func (s *openSet) blocks(machine string) []block {
	if m := s.machines[machine]; m != nil {
		return slices.Clone(m.blocks)
	}
	return nil
}
