package shard

import (
	"slices"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// Tick is the grid of pipeline time, in ms since the epoch of Unix.
const Tick collector.Millis = 10_000

// advanceEvery is how often a model is told that time has passed.
const advanceEvery = 6 * Tick

// Floor returns the last tick not after t.
func Floor(t collector.Millis) collector.Millis {
	if r := t % Tick; r >= 0 {
		return t - r
	} else {
		return t - r - Tick
	}
}

// machine is one machine in its shard's keeping.
type machine struct {
	model *detect.Machine

	order  collector.Orderer
	ticked collector.Millis // the tick it has been brought to
	now    collector.Millis // pipeline time it has been brought to
}

// said is a finding's change and the tick that ends the epoch it was said in.
type said struct {
	epoch   collector.Millis
	finding detect.Finding
}

// keeper keeps the machines of one shard. It starts no goroutine.
type keeper struct {
	library  *detect.Library
	fleet    *fleet.Fleet
	window   collector.Millis
	order    *collector.Order
	machines map[string]*machine
	list     []*machine       // in the order they were met
	tick     collector.Millis // the last tick passed by all
	seq      uint64           // of the last reading taken
	out      []said

	listening collector.Millis // without a break since then; 0: always

	current *machine
	release func(*collector.Reading)
	emit    func(*detect.Finding)
}

func newKeeper(o *Options) *keeper {
	k := &keeper{
		library: o.Library, fleet: o.Fleet, order: collector.NewOrder(o.Order), machines: make(map[string]*machine),
		window: collector.Millis(o.Order.Window.Milliseconds()),
	}
	k.release = func(r *collector.Reading) { k.current.model.Step(r, k.current.now, k.emit) }
	k.emit = func(f *detect.Finding) { k.out = append(k.out, said{k.tick + Tick, *f}) }
	return k
}

// machine returns the machine, which is met at pipeline time now if it is new.
func (k *keeper) machine(site, id string, now collector.Millis) *machine {
	m := k.machines[id]
	if m == nil {
		m = k.meet(k.fleet.AddUnlisted(site, id), now)
	}
	return m
}

// setFleet gives every machine what the new file says of it, and meets those
// that are mine and were not listed before.
func (k *keeper) setFleet(f *fleet.Fleet, now collector.Millis, mine func(id string) bool) {
	k.fleet = f
	// A machine that was never heard and is not listed any more is none.
	k.list = slices.DeleteFunc(k.list, func(m *machine) bool {
		id := m.model.Spec().ID
		gone := m.model.View().LastHeard == 0 && !f.Listed(id)
		if gone {
			delete(k.machines, id)
		}
		return gone
	})
	for _, m := range k.list {
		old := m.model.Spec()
		state, err := m.model.AppendBinary(nil)
		if err != nil {
			continue // never: a state is plain memory
		}
		fresh := detect.NewMachine(f.AddUnlisted(old.Site, old.ID), k.library)
		if fresh.UnmarshalBinary(state) == nil {
			m.model = fresh
		}
	}
	for spec := range f.All {
		if mine(spec.ID) && k.machines[spec.ID] == nil {
			k.meet(spec, now)
		}
	}
}

func (k *keeper) meet(spec *fleet.Machine, now collector.Millis) *machine {
	m := &machine{model: detect.NewMachine(spec, k.library), order: k.order.Orderer(), ticked: Floor(now), now: now}
	k.machines[spec.ID] = m
	k.list = append(k.list, m)
	return m
}

// take gives a reading to its machine.
func (k *keeper) take(seq uint64, r *collector.Reading) {
	k.seq = seq
	m := k.machine(r.Site, r.Machine, r.Received)
	k.current = m
	k.pass(m, Floor(r.Received))
	m.now = max(m.now, r.Received)
	r.Received = m.now
	m.order.Push(r, k.release)
}

// pass brings a machine through the ticks up to and including the given one.
func (k *keeper) pass(m *machine, upTo collector.Millis) {
	for m.ticked < upTo {
		// Between here and upTo, only these ticks do anything.
		next := m.ticked - m.ticked%advanceEvery + advanceEvery
		if due, ok := m.order.Next(); ok {
			next = min(next, max(Floor(due+Tick-1), m.ticked+Tick))
		}
		if next > upTo {
			m.ticked = upTo
			m.now = max(m.now, upTo)
			return
		}
		m.ticked = next
		m.now = max(m.now, next)
		k.current = m
		m.order.Advance(next, k.release)
		if next%advanceEvery == 0 {
			k.notice(m, next)
		}
	}
}

// notice lets a model notice silence, but not while nobody listens.
func (k *keeper) notice(m *machine, at collector.Millis) {
	switch {
	case at < k.listening:
	case k.listening == 0:
		m.model.Advance(at, k.emit)
	default:
		m.model.Resume(k.listening, at, k.emit)
	}
}

// close ends the epoch at the tick.
func (k *keeper) close(tick collector.Millis) {
	for _, m := range k.list {
		if m.ticked < tick {
			k.pass(m, tick)
		}
	}
	k.tick = tick
}

// flush releases what still waits, as at the end of a recording.
func (k *keeper) flush() {
	for _, m := range k.list {
		k.current = m
		m.order.Flush(k.release)
	}
}
