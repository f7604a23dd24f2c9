package life

import (
	"math"

	"coilward/collector"
	"coilward/detect/runstate"
)

// Kind is a kind of ordinary life.
type Kind uint8

// Ordinary life that is recognised.
const (
	Restock Kind = iota
	DoorTraffic
	Defrost
	Cleaning
	SetpointMoved
	EnergySaver
	HeatWave
	PowerBlip
	LinkOutage
	SensorReplaced
	numKinds
)

func (k Kind) String() string {
	return [...]string{"restock", "door traffic", "defrost", "cleaning", "setpoint moved", "energy saver",
		"heat wave", "power blip", "link outage", "sensor replaced"}[k]
}

// seconds is event time in whole Unix seconds, to keep the state small.
type seconds int32

func secondsOf(m collector.Millis) seconds { return seconds(m / 1000) }

// Event is one piece of ordinary life. What A and B mean depends on the kind; see
// Text.
type Event struct {
	Kind     Kind
	Way      uint8 // how it was told, or of which channel; depends on the kind
	Is       bool
	from, to seconds
	A, B     float32
}

// From is the event time at which it began.
func (e *Event) From() collector.Millis { return collector.Millis(e.from) * 1000 }

// To is the event time at which it ended; 0 while it lasts.
func (e *Event) To() collector.Millis { return collector.Millis(e.to) * 1000 }

// kept is how many events a machine remembers, and keptOfKind how many of one
// kind: eight defrosts a day must not push the week's restock off.
const (
	kept       = 8
	keptOfKind = 3
)

// Book is what is remembered of a machine's ordinary life. The zero value is a
// machine nothing has been heard of.
type Book struct {
	events [kept]Event // in the order in which they were noted, newest last

	lasting uint16 // bit a kind: one of it has not ended
	running bool
	known   bool
	last    seconds
	outage  seconds // end of the newest link outage

	door    traffic
	frost   defrost
	saver   saver
	wave    wave
	supply  supply
	sensors replaced
}

// Input is one reading and what the model made of it.
type Input struct {
	Reading  *collector.Reading
	Run      *runstate.State // after the reading
	In, Out  float32         // °C of the air at starts and stops; NaN unknown
	Interval float32         // s between readings, usually
	Ill      bool            // something is wrong with it, so what it does is not its habit
}

// moment is an input, taken apart once for all that look at it.
type moment struct {
	*Input
	at         seconds
	dt         float32 // min since the reading before; 0 the first
	interval   bool    // dt is short enough that nothing is hidden in it
	started    bool
	stopped    bool
	air        float32 // NaN where it is not in this reading
	coil       float32 // the warmest of the coil's; NaN likewise
	doorIsOpen bool
	hasDoor    bool
	dark       bool // a sign of lost supply
	lit        bool // a sign of supply
}

// longest is the longest time between readings that hides nothing of a cycle, min.
const longest = 15

// Observe takes the next reading in event order. It returns the sensor that is known by
// it to have been replaced, as an event that holds until the next call, or nil.
func (b *Book) Observe(in *Input) (replaced *Event) {
	r := in.Reading
	m := moment{Input: in, at: secondsOf(r.At), air: nan, coil: nan}
	if b.last != 0 {
		m.dt = float32(m.at-b.last) / 60
	}
	m.interval = m.dt > 0 && m.dt <= longest
	if in.Run.Known {
		m.started = b.known && in.Run.Running && !b.running
		m.stopped = b.known && !in.Run.Running && b.running
	}
	if r.Has.Has(collector.CabinetAir) {
		m.air = float32(r.Value[collector.CabinetAir])
	}
	if r.Has.Has(collector.CoilOut) {
		m.coil = float32(r.Value[collector.CoilOut])
	} else if r.Has.Has(collector.CoilIn) {
		m.coil = float32(r.Value[collector.CoilIn])
	}
	if m.hasDoor = r.Has.Has(collector.Door); m.hasDoor {
		m.doorIsOpen = r.Value[collector.Door] > 0.5
	}
	m.power()
	b.backfilled(m.at)

	if m.hasDoor {
		b.traffic(&m)
	}
	b.blips(&m)
	b.defrosts(&m)
	if m.stopped && m.air == m.air {
		b.nights(&m)
	}
	if r.Has.Has(collector.Ambient) {
		b.weather(&m)
	}
	replaced = b.replacements(&m)

	b.last = m.at
	if in.Run.Known {
		b.running, b.known = in.Run.Running, true
	}
	return replaced
}

// Sensor returns which channel was replaced, and by how much it reads higher since, K,
// of an event of that kind.
func (e *Event) Sensor() (c collector.Channel, by float64) {
	return collector.Channel(e.Way), float64(e.A)
}

// backfilled counts a reading that was measured while nothing was heard.
func (b *Book) backfilled(at seconds) {
	if at >= b.outage {
		return
	}
	for i := len(b.events) - 1; i >= 0; i-- {
		if e := &b.events[i]; e.Is && e.Kind == LinkOutage {
			if at > e.from+60 && at < e.to-60 {
				e.B++
			}
			return
		}
	}
}

var nan = float32(math.NaN())

func abs(x float32) float32 { return float32(math.Abs(float64(x))) }

// Note adds to the book what somebody else has recognised; until 0 while it
// lasts.
func (b *Book) Note(k Kind, from, until collector.Millis, a float32) {
	b.add(Event{Kind: k, from: secondsOf(from), to: secondsOf(until), A: a})
}

// Lasting returns what of a kind has not ended, or nil.
func (b *Book) Lasting(k Kind) *Event {
	if b.lasting&(1<<k) == 0 {
		return nil
	}
	for i := range b.events {
		if e := &b.events[i]; e.Is && e.Kind == k && e.to == 0 {
			return e
		}
	}
	b.lasting &^= 1 << k // it ended, or fell off
	return nil
}

// Again takes up what of a kind ended within some time before at, and reports
// whether there was any: a thing that flickers is one thing.
func (b *Book) Again(k Kind, at collector.Millis, within collector.Millis) bool {
	for i := len(b.events) - 1; i >= 0; i-- {
		if e := &b.events[i]; e.Is && e.Kind == k {
			if e.to != 0 && at-e.To() > within {
				return false
			}
			e.to = 0
			b.lasting |= 1 << k
			return true
		}
	}
	return false
}

// EndAfter ends what of a kind still lasts, and takes back what lasted less than
// least.
func (b *Book) EndAfter(k Kind, at, least collector.Millis) {
	if e := b.Lasting(k); e != nil {
		if e.to = secondsOf(at); at-e.From() < least {
			b.drop(e)
		}
	}
}

// add puts an event in place of the oldest, or of the oldest of its kind where
// that has its share.
func (b *Book) add(e Event) *Event {
	e.Is = true
	if e.to == 0 {
		b.lasting |= 1 << e.Kind
	}
	if e.Kind == LinkOutage {
		b.outage = e.to
	}
	gone, oldest, n := 0, -1, 0
	for i := range b.events {
		if x := &b.events[i]; x.Is && x.Kind == e.Kind {
			if n == 0 {
				oldest = i
			}
			n++
		}
	}
	if n >= keptOfKind {
		gone = oldest
	}
	copy(b.events[gone:], b.events[gone+1:])
	b.events[kept-1] = e
	return &b.events[kept-1]
}

// drop takes an event back.
func (b *Book) drop(e *Event) { *e = Event{} }

// Each gives every event that is remembered, by when it began.
func (b *Book) Each(yield func(*Event) bool) {
	var order [kept]int
	n := 0
	for i := range b.events {
		if !b.events[i].Is {
			continue
		}
		j := n
		for ; j > 0 && b.events[order[j-1]].from > b.events[i].from; j-- {
			order[j] = order[j-1]
		}
		order[j] = i
		n++
	}
	for _, i := range order[:n] {
		if !yield(&b.events[i]) {
			return
		}
	}
}
