package shard

import (
	"context"
	"errors"
	"runtime"

	"golang.org/x/sync/errgroup"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// Options configure a Set.
type Options struct {
	Shards  int                    // as many as there are processors if 0
	Library *detect.Library        // detect.NewLibrary if nil
	Fleet   *fleet.Fleet           // no machine is listed if nil
	Order   collector.OrderOptions // Late is called by the shards, each from its own goroutine

	// Said is given what the models said, in the one order that the package
	// comment tells, after all epochs up to the tick upTo. It is called from one
	// goroutine. An error ends Run.
	Said func(ctx context.Context, upTo collector.Millis, findings []detect.Finding) error

	// Queue is how many batches wait before a shard; 4 if 0. When full, Flush
	// waits, and whoever feeds with it.
	Queue int

	// SnapshotEvery is how much pipeline time lies between snapshots; none are
	// made if 0. Beside, if not nil, is called by the goroutine that calls Said, after
	// all that was said until then and before what was said later, and returns what
	// is kept with the models. Snapshot is then given each by a goroutine that does
	// nothing else: models go on while it writes. One that comes while another waits
	// for it is left out, unless it is a day's. Errors are only told to Failed.
	SnapshotEvery collector.Millis
	Beside        func() ([]byte, error)
	Snapshot      func(*Snapshot) error
	Failed        func(error)
}

// ErrStopped is returned to those who ask a Set that no longer runs.
var ErrStopped = errors.New("shard: the models have been stopped")

// Set is all shards. One goroutine feeds it; Run does the work.
type Set struct {
	o       Options
	keepers []*keeper
	queues  []chan *batch
	asks    []chan func(*keeper)
	results []chan *batch
	saves   chan *Snapshot
	free    chan *batch
	pending []*batch
	waiting int              // readings in pending
	seq     uint64           // of the last reading fed
	past    []uint64         // seq at the last ticks, oldest first, as far back as the order window reaches
	tick    collector.Millis // the last that was fed
	started bool

	listening collector.Millis // without a break since then; 0: always

	restored *Snapshot // until Recover
	stopped  chan struct{}
}

// batch is what goes to one shard at once, and comes back with what was said.
type batch struct {
	entries []entry
	marks   []mark
	said    []said
	tick    collector.Millis // the last in it; 0: none
	parts   []*Snapshot      // this shard's, of those that were asked for
}

type entry struct {
	seq     uint64
	reading collector.Reading
}

// mark is what happens between two entries.
type mark struct {
	before int              // entries that come first
	tick   collector.Millis // the epoch ends here; 0: none does
	do     func(*keeper)    // called by the shard's goroutine; may be nil
}

// New returns a set of shards without machines.
func New(o Options) *Set {
	if o.Shards <= 0 {
		o.Shards = runtime.GOMAXPROCS(0)
	}
	if o.Library == nil {
		o.Library = detect.NewLibrary()
	}
	if o.Fleet == nil {
		o.Fleet = fleet.New()
	}
	if o.Order.Window <= 0 {
		o.Order.Window = collector.DefaultOrderWindow
	}
	if o.Queue <= 0 {
		o.Queue = 4
	}
	o.SnapshotEvery -= o.SnapshotEvery % Tick
	s := &Set{
		o: o, free: make(chan *batch, o.Shards*(o.Queue+2)), saves: make(chan *Snapshot, 1),
		stopped: make(chan struct{}),
	}
	for range o.Shards {
		s.keepers = append(s.keepers, newKeeper(&s.o))
		s.queues = append(s.queues, make(chan *batch, o.Queue))
		s.asks = append(s.asks, make(chan func(*keeper)))
		s.results = append(s.results, make(chan *batch, o.Queue+1))
		s.pending = append(s.pending, &batch{})
	}
	return s
}

// Start says at which pipeline time the first epoch begins, before anything is
// fed. Listed machines are known from then on. A set that was recovered has
// started.
func (s *Set) Start(at collector.Millis) {
	if s.started {
		return
	}
	s.started = true
	s.tick = Floor(at)
	// By the shards themselves: they may be running, and a fleet file read
	// again before the first tick is already on its way to them.
	tick, listed := s.tick, s.o.Fleet
	s.each(func(i int, k *keeper) {
		k.tick = tick
		for m := range listed.All {
			if s.shardOf(m.ID) == i && k.machines[m.ID] == nil {
				k.meet(m, at)
			}
		}
	})
}

// shardOf chooses by FNV-1a.
func (s *Set) shardOf(machine string) int {
	h := uint32(2166136261)
	for i := range len(machine) {
		h = (h ^ uint32(machine[i])) * 16777619
	}
	return int(uint64(h) * uint64(len(s.keepers)) >> 32)
}

// Feed takes a reading and its sequence number in the history, 0 if it has
// none. It copies *r and keeps r.Extra. The epochs before r.Received end.
func (s *Set) Feed(seq uint64, r *collector.Reading) {
	if r.Status == collector.Away {
		s.absent(seq, r.At, r.Received)
		return
	}
	s.Start(r.Received)
	s.Tick(Floor(r.Received))
	b := s.pending[s.shardOf(r.Machine)]
	b.entries = append(b.entries, entry{seq, *r})
	s.seq = max(s.seq, seq)
	s.waiting++
}

// At returns the pipeline time that was fed, 0 before anything was.
func (s *Set) At() collector.Millis { return s.tick }

// absent notes that nobody listened from a pipeline time to another: epochs
// between them end without a look for silence.
func (s *Set) absent(seq uint64, from, until collector.Millis) {
	s.Start(from)
	s.Tick(from)
	s.seq = max(s.seq, seq)
	if until = Floor(until); until <= s.tick {
		return
	}
	s.listening = until
	s.each(func(_ int, k *keeper) { k.listening = until })
	s.Tick(until)
	s.waiting++
}

// Waiting returns how many readings were fed since the last Flush.
func (s *Set) Waiting() int { return s.waiting }

// Tick ends every epoch up to the tick not after at.
func (s *Set) Tick(at collector.Millis) {
	at = Floor(at)
	for s.tick < at {
		s.tick += Tick
		for _, b := range s.pending {
			b.marks = append(b.marks, mark{before: len(b.entries), tick: s.tick})
			b.tick = s.tick
		}
		s.past = append(s.past, s.seq)
		if reach := int(s.o.Order.Window.Milliseconds()/int64(Tick)) + 2; len(s.past) > reach {
			s.past = s.past[len(s.past)-reach:]
		}
		if s.o.SnapshotEvery > 0 && s.o.Snapshot != nil && s.tick%s.o.SnapshotEvery == 0 {
			s.askSnapshot()
		}
	}
}

// askSnapshot has every shard write its machines as they are at the tick just
// fed. Of several in a batch only the days' and the last are given out.
func (s *Set) askSnapshot() {
	at := Snapshot{At: s.tick, Seq: s.seq, Again: s.past[0], Listening: s.listening}
	for _, b := range s.pending {
		part := at
		b.marks = append(b.marks, mark{before: len(b.entries), do: func(k *keeper) {
			k.save(&part)
			if n := len(b.parts); n > 0 && !(Days{}).Due(b.parts[n-1]) {
				b.parts = b.parts[:n-1]
			}
			b.parts = append(b.parts, &part)
		}})
	}
}

// on has a shard's goroutine call do, after all that was fed so far.
func (s *Set) on(i int, do func(*keeper)) {
	b := s.pending[i]
	b.marks = append(b.marks, mark{before: len(b.entries), do: do})
}

// each has every shard's goroutine call do, after all that was fed so far.
func (s *Set) each(do func(shard int, k *keeper)) {
	for i := range s.pending {
		s.on(i, func(k *keeper) { do(i, k) })
	}
}

// End releases what still waits for earlier readings: the recording is over.
func (s *Set) End() {
	s.each(func(_ int, k *keeper) { k.flush() })
	s.Tick(s.tick + Tick)
}

// Flush hands what was fed to the shards. It waits while a shard's queue is full,
// until ctx ends, when nothing is handed over. What the first shard was given the
// others are given too: what they say is put together batch by batch.
func (s *Set) Flush(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	ended := ctx.Done()
	for i, b := range s.pending {
		select {
		case s.queues[i] <- b:
		case <-ended:
			return ctx.Err()
		case <-s.stopped:
			return ErrStopped
		}
		ended = nil
		select {
		case s.pending[i] = <-s.free:
		default:
			s.pending[i] = &batch{}
		}
	}
	s.waiting = 0
	return nil
}

// Close says that nothing more is fed: Run ends when all is done.
func (s *Set) Close() {
	for _, q := range s.queues {
		close(q)
	}
}

// Run works until Close was called and everything fed is done, or ctx ends. Then
// what was to be saved is saved.
func (s *Set) Run(ctx context.Context) error {
	defer close(s.stopped)
	g, ctx := errgroup.WithContext(ctx)
	for i := range s.keepers {
		g.Go(func() error {
			defer close(s.results[i])
			return s.work(ctx, i)
		})
	}
	g.Go(func() error {
		defer close(s.saves)
		return s.merge(ctx)
	})
	g.Go(func() error { s.save(); return nil })
	return g.Wait()
}

// work is the goroutine of one shard.
func (s *Set) work(ctx context.Context, i int) error {
	k := s.keepers[i]
	for {
		select {
		case b, ok := <-s.queues[i]:
			if !ok {
				return nil
			}
			k.run(b)
			select {
			case s.results[i] <- b:
			case <-ctx.Done():
				return ctx.Err()
			}
		case ask := <-s.asks[i]:
			ask(k)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// ask has a shard's goroutine call do as soon as it can, beside the feed.
func (s *Set) ask(ctx context.Context, i int, do func(*keeper)) error {
	done := make(chan struct{})
	select {
	case s.asks[i] <- func(k *keeper) { defer close(done); do(k) }:
		<-done
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-s.stopped:
		return ErrStopped
	}
}

// View returns what the model of a machine believes; ok is false for a machine
// that is not known.
func (s *Set) View(ctx context.Context, machine string) (v detect.View, ok bool, err error) {
	err = s.ask(ctx, s.shardOf(machine), func(k *keeper) {
		if m := k.machines[machine]; m != nil {
			v, ok = m.model.View(), true
		}
	})
	return v, ok, err
}

// Views returns what all models believe, in no order.
func (s *Set) Views(ctx context.Context) ([]detect.View, error) {
	var all []detect.View
	for i := range s.keepers {
		err := s.ask(ctx, i, func(k *keeper) {
			for _, m := range k.list {
				all = append(all, m.model.View())
			}
		})
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

// SetFleet takes a fleet file that was read again, from here on in the feed.
// Machines keep what they have learned.
func (s *Set) SetFleet(f *fleet.Fleet) {
	s.o.Fleet = f
	at := s.tick
	s.each(func(i int, k *keeper) { k.setFleet(f, at, func(id string) bool { return s.shardOf(id) == i }) })
}

// run does everything in a batch.
func (k *keeper) run(b *batch) {
	k.out = b.said[:0]
	next := 0
	for j := range b.marks {
		m := &b.marks[j]
		for ; next < m.before; next++ {
			k.take(b.entries[next].seq, &b.entries[next].reading)
		}
		if m.tick != 0 {
			k.close(m.tick)
		}
		if m.do != nil {
			m.do(k)
		}
	}
	for ; next < len(b.entries); next++ {
		k.take(b.entries[next].seq, &b.entries[next].reading)
	}
	b.said, k.out = k.out, nil
}
