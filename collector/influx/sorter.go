package influx

import (
	"bufio"
	"cmp"
	"container/heap"
	"encoding/gob"
	"errors"
	"io"
	"os"
	"slices"

	"coilward/collector"
	"coilward/collector/history"
)

// sorter puts entries in the order of arrival. Beyond so many it writes the later
// half into a temporary file, in order.
type sorter struct {
	most   int
	heap   entries
	inside int // of heap, entries that are not the head of a run
	runs   []*run
	words  map[string]string
}

// run is entries in order in a file.
type run struct {
	file *os.File
	in   *gob.Decoder
}

// sorted is an entry that waits, and the run whose head it is.
type sorted struct {
	history.Entry
	run *run
}

const defaultHold = 200_000

func newSorter(most int) *sorter {
	if most <= 0 {
		most = defaultHold
	}
	return &sorter{most: most, words: map[string]string{}}
}

// push takes a copy of an entry.
func (s *sorter) push(e *history.Entry) error {
	c := sorted{Entry: *e}
	c.Machine, c.Site = s.word(c.Machine), s.word(c.Site)
	heap.Push(&s.heap, &c)
	if s.inside++; s.inside <= s.most {
		return nil
	}
	return s.spill()
}

func (s *sorter) word(w string) string {
	if have, ok := s.words[w]; ok {
		return have
	}
	s.words[w] = w
	return w
}

// spill writes the later half of the entries in memory into a run.
func (s *sorter) spill() (err error) {
	slices.SortFunc(s.heap, func(a, b *sorted) int { return cmp.Compare(a.Seq, b.Seq) })
	keep, left := s.heap[:0:0], s.most/2
	var out []*sorted
	for _, e := range s.heap {
		switch {
		case e.run != nil:
			keep = append(keep, e)
		case left > 0:
			left--
			keep = append(keep, e)
		default:
			out = append(out, e)
		}
	}
	file, err := os.CreateTemp("", "coilward-trial-")
	if err != nil {
		return err
	}
	r := &run{file: file}
	s.runs = append(s.runs, r)
	w := bufio.NewWriterSize(file, 256<<10)
	enc := gob.NewEncoder(w)
	for _, e := range out {
		if err := enc.Encode(&e.Entry); err != nil {
			return err
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	r.in = gob.NewDecoder(bufio.NewReaderSize(file, 64<<10))
	s.heap, s.inside = keep, s.most/2
	heap.Init(&s.heap)
	return s.head(r)
}

// head takes the next entry of a run.
func (s *sorter) head(r *run) error {
	e := sorted{run: r}
	err := r.in.Decode(&e.Entry)
	if errors.Is(err, io.EOF) {
		return nil
	}
	if err != nil {
		return err
	}
	e.Machine, e.Site = s.word(e.Machine), s.word(e.Site)
	heap.Push(&s.heap, &e)
	return nil
}

// pop yields the entries received before a time.
func (s *sorter) pop(before collector.Millis, each func(*history.Entry) error) error {
	for len(s.heap) > 0 && s.heap[0].Received < before {
		e := heap.Pop(&s.heap).(*sorted)
		if e.run == nil {
			s.inside--
		} else if err := s.head(e.run); err != nil {
			return err
		}
		if err := each(&e.Entry); err != nil {
			return err
		}
	}
	return nil
}

// close removes the files.
func (s *sorter) close(err *error) {
	for _, r := range s.runs {
		*err = errors.Join(*err, r.file.Close(), os.Remove(r.file.Name()))
	}
}

// entries is a heap by sequence number.
type entries []*sorted

func (h entries) Len() int           { return len(h) }
func (h entries) Less(i, j int) bool { return h[i].Seq < h[j].Seq }
func (h entries) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *entries) Push(x any)        { *h = append(*h, x.(*sorted)) }
func (h *entries) Pop() any {
	last := len(*h) - 1
	e := (*h)[last]
	(*h)[last] = nil
	*h = (*h)[:last]
	return e
}
