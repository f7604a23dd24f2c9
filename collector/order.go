package collector

import "time"

// Defaults of OrderOptions. In a recording of 96 machines over cellular
// gateways 1.9 readings in 1000 came too late for a window of 10 s and 1.4 for
// one of 60 s: what is late is mostly late by minutes, so a longer window would
// cost memory and delay for little.
const (
	DefaultOrderWindow = 10 * time.Second
	DefaultOrderHeld   = 8192
)

// OrderOptions say how long readings wait for earlier ones.
type OrderOptions struct {
	// Window is how long, in pipeline time, a reading waits for readings that
	// were measured before it and come in after it; DefaultOrderWindow if 0.
	Window time.Duration

	// Held is how many instants one machine may have waiting;
	// DefaultOrderHeld if 0. When full, the earliest instant goes out before
	// its time, counted in OrderCounts.Hurried.
	Held int

	// Late is given a reading that was measured at or before an instant
	// already released. It was stored when it was admitted; the model does not
	// step backwards. The reading belongs to whoever pushed it. May be nil.
	Late func(*Reading)
}

// OrderCounts are what an Order's orderers did, summed over machines.
type OrderCounts struct {
	Released uint64 // readings given out in order, status readings included
	Merged   uint64 // readings that completed an instant already waiting
	Late     uint64 // readings too late for their place
	Hurried  uint64 // instants released early because too many waited
}

// Order is what the orderers of one owner share: options, counts and spare
// memory. Like its orderers it belongs to one goroutine.
type Order struct {
	window Millis
	most   int32
	late   func(*Reading)
	counts OrderCounts
	spare  *waiting // through laterArrival
	spares int
}

// mostSpares bounds what is kept for reuse after a flood of backfill.
const mostSpares = 4096

// NewOrder returns an Order; its orderers are made with Orderer.
func NewOrder(o OrderOptions) *Order {
	if o.Window <= 0 {
		o.Window = DefaultOrderWindow
	}
	if o.Held <= 0 {
		o.Held = DefaultOrderHeld
	}
	if o.Late == nil {
		o.Late = func(*Reading) {}
	}
	return &Order{window: Millis(o.Window.Milliseconds()), most: int32(min(o.Held, 1<<30)), late: o.Late}
}

// Counts returns what was done so far.
func (s *Order) Counts() OrderCounts { return s.counts }

// Orderer returns the orderer of one more machine.
func (s *Order) Orderer() Orderer { return Orderer{order: s, last: -1 << 63} }

// waiting is a reading that waits, in two lists at once: by event time, and by
// arrival. A status reading has no event time of its own and is in the second
// only.
type waiting struct {
	reading                      Reading
	since                        Millis // when the first part of it came in
	earlier, later               *waiting
	earlierArrival, laterArrival *waiting
}

// Orderer puts the readings of one machine in the order of their event time.
//
// A reading waits for the window, in pipeline time, after its first part came
// in; when it is due, every waiting reading of an earlier instant goes out
// before it. So two readings that come in less than a window apart go out in
// the order they were measured, however they came in: a stream that was
// permuted, repeated or split inside the window gives the same sequence.
// Channels of one instant that come in several messages go out as one reading,
// whose Received is that of the last part; of two values for one channel the
// first stays.
//
// A status reading (Status != NoStatus) has no event time: it goes out when it
// has waited as long as the others, among them in the order of arrival, and
// holds nobody up.
//
// Readings given to release are valid until it returns; Extra's array is not
// reused. An Orderer is small while nothing waits, takes no lock and, once
// Order has spare memory, allocates nothing. Its zero value is not usable.
type Orderer struct {
	order         *Order
	first, newest *waiting // by event time
	hint          *waiting // where the last one went in: backfill comes in runs
	oldestArrival *waiting
	newestArrival *waiting
	last          Millis // event time of the last released
	held          int32
}

// Held returns how many readings wait.
func (o *Orderer) Held() int { return int(o.held) }

// Last returns the event time of the last reading released in order; ok is
// false before the first.
func (o *Orderer) Last() (at Millis, ok bool) { return o.last, o.last != -1<<63 }

// Resume tells a new orderer that readings up to at were released before, as
// after a restart from a snapshot.
func (o *Orderer) Resume(at Millis) { o.last = max(o.last, at) }

// Push takes a reading in, after releasing what is due by r.Received. It
// copies *r and keeps r.Extra.
func (o *Orderer) Push(r *Reading, release func(*Reading)) {
	o.Advance(r.Received, release)
	if r.Status != NoStatus {
		o.arrive(o.order.take(r))
		return
	}
	if r.At <= o.last {
		o.order.counts.Late++
		o.order.late(r)
		return
	}
	before := o.before(r.At)
	if before != nil && before.reading.At == r.At {
		before.merge(r)
		o.order.counts.Merged++
		o.hint = before
		return
	}
	w := o.order.take(r)
	w.earlier = before
	if before != nil {
		w.later, before.later = before.later, w
	} else {
		w.later, o.first = o.first, w
	}
	if w.later != nil {
		w.later.earlier = w
	} else {
		o.newest = w
	}
	o.hint = w
	o.arrive(w)
	if o.held > o.order.most {
		o.order.counts.Hurried++
		if o.first != nil {
			o.releaseUpTo(o.first, release)
		} else {
			o.releaseStatus(o.oldestArrival, release)
		}
	}
}

// Advance releases what is due at pipeline time now. A reading that came in
// long after now says that the pipeline's clock was set back: it does not wait
// for the old time to come round again.
func (o *Orderer) Advance(now Millis, release func(*Reading)) {
	for w := o.oldestArrival; w != nil; w = o.oldestArrival {
		if now < w.since+o.order.window && now >= w.since-o.order.window {
			return
		}
		o.releaseDue(w, release)
	}
}

// Flush releases everything, as at the end of a recording.
func (o *Orderer) Flush(release func(*Reading)) {
	for w := o.oldestArrival; w != nil; w = o.oldestArrival {
		o.releaseDue(w, release)
	}
}

// Next returns the pipeline time at which Advance will have something to
// release; ok is false when nothing waits.
func (o *Orderer) Next() (due Millis, ok bool) {
	if o.oldestArrival == nil {
		return 0, false
	}
	return o.oldestArrival.since + o.order.window, true
}

func (o *Orderer) releaseDue(w *waiting, release func(*Reading)) {
	if w.reading.Status != NoStatus {
		o.releaseStatus(w, release)
		return
	}
	o.releaseUpTo(w, release)
}

func (o *Orderer) releaseStatus(w *waiting, release func(*Reading)) {
	o.depart(w)
	o.order.give(w, release)
}

// releaseUpTo releases w and everything measured before it.
func (o *Orderer) releaseUpTo(w *waiting, release func(*Reading)) {
	for done := false; !done; {
		f := o.first
		done = f == w
		if o.hint == f {
			o.hint = nil
		}
		o.first = f.later
		if f.later != nil {
			f.later.earlier = nil
		} else {
			o.newest = nil
		}
		o.depart(f)
		o.last = f.reading.At
		o.order.give(f, release)
	}
}

// before returns the waiting reading of the latest instant not after at.
func (o *Orderer) before(at Millis) *waiting {
	w := o.newest
	if w == nil || w.reading.At <= at {
		return w
	}
	if o.hint != nil {
		w = o.hint
	}
	for w != nil && w.reading.At > at {
		w = w.earlier
	}
	for w != nil && w.later != nil && w.later.reading.At <= at {
		w = w.later
	}
	return w
}

func (o *Orderer) arrive(w *waiting) {
	w.earlierArrival = o.newestArrival
	if o.newestArrival != nil {
		o.newestArrival.laterArrival = w
	} else {
		o.oldestArrival = w
	}
	o.newestArrival = w
	o.held++
}

func (o *Orderer) depart(w *waiting) {
	if w.earlierArrival != nil {
		w.earlierArrival.laterArrival = w.laterArrival
	} else {
		o.oldestArrival = w.laterArrival
	}
	if w.laterArrival != nil {
		w.laterArrival.earlierArrival = w.earlierArrival
	} else {
		o.newestArrival = w.earlierArrival
	}
	o.held--
}

// merge adds what r says of the same instant.
func (w *waiting) merge(r *Reading) {
	for c := range (r.Has &^ w.reading.Has).All {
		w.reading.Value[c] = r.Value[c]
	}
	w.reading.Has |= r.Has
	w.reading.Received = max(w.reading.Received, r.Received)
next:
	for _, e := range r.Extra {
		for _, known := range w.reading.Extra {
			if known.Name == e.Name {
				continue next
			}
		}
		n := len(w.reading.Extra)
		w.reading.Extra = append(w.reading.Extra[:n:n], e) // the array may be the pusher's
	}
}

// take returns a spare, filled with r.
func (s *Order) take(r *Reading) *waiting {
	w := s.spare
	if w == nil {
		w = new(waiting)
	} else {
		s.spare = w.laterArrival
		s.spares--
		w.laterArrival = nil
	}
	w.reading = *r
	w.since = r.Received
	return w
}

// give releases w's reading and keeps its memory.
func (s *Order) give(w *waiting, release func(*Reading)) {
	s.counts.Released++
	w.earlier, w.later, w.earlierArrival, w.laterArrival = nil, nil, nil, nil
	release(&w.reading)
	if s.spares >= mostSpares {
		return
	}
	w.reading.Extra = nil
	w.laterArrival, s.spare = s.spare, w
	s.spares++
}
