package collector

import (
	"strings"
	"time"
)

// Defaults of AdmitOptions.
const (
	DefaultAhead    = 5 * time.Minute
	DefaultAge      = 30 * 24 * time.Hour
	DefaultUnlisted = 1000
)

// ClockCorrection names the extra value, in seconds, that a reading carries
// whose time was corrected by the machine's known clock error. It is stored
// with the reading: it says what was done to the time, and Restore finds the
// clock by it.
const ClockCorrection = "clock_correction"

// AdmitOptions say what is let in.
type AdmitOptions struct {
	// Ahead is how far a machine's clock may be from the pipeline's before it
	// is corrected, and how far in the future a reading may lie; DefaultAhead
	// if 0.
	Ahead time.Duration

	// Age is how long after the instant a reading may come in; DefaultAge if 0.
	// A gateway may have been cut off for days.
	Age time.Duration

	// Unlisted is how many machines are taken that Listed does not know;
	// DefaultUnlisted if 0, none if negative. Readings of others are refused with
	// TooManyMachines. A machine not heard of for Age makes room.
	Unlisted int

	// Listed says whether the fleet lists the machine; all are if nil.
	Listed func(machine string) bool
}

// Admission accepts or refuses readings, one message at a time. It belongs to
// one goroutine. Its state is bounded: about 400 bytes a machine, 32 KiB for
// one that delivers a long backfill. All it does follows from the messages and
// their Received alone.
type Admission struct {
	ahead, age Millis
	most       int
	listed     func(string) bool
	machines   map[string]*admitted
	unlisted   int
	sought     Millis // when room for unlisted machines was last looked for
	counts     [NumReasons]uint64
	stripped   uint64
}

// admitted is what admission keeps of one machine.
type admitted struct {
	clock    clock
	recent   recent
	received Millis
	unlisted bool
}

// NewAdmission returns an Admission that has heard of no machine.
func NewAdmission(o AdmitOptions) *Admission {
	if o.Ahead <= 0 {
		o.Ahead = DefaultAhead
	}
	if o.Age <= 0 {
		o.Age = DefaultAge
	}
	if o.Unlisted == 0 {
		o.Unlisted = DefaultUnlisted
	}
	if o.Listed == nil {
		o.Listed = func(string) bool { return true }
	}
	return &Admission{
		ahead:    Millis(o.Ahead.Milliseconds()),
		age:      Millis(o.Age.Milliseconds()),
		most:     o.Unlisted,
		listed:   o.Listed,
		machines: make(map[string]*admitted),
	}
}

// Counts returns how many readings each reason was given for; NoReason counts
// those admitted as they were.
func (a *Admission) Counts() [NumReasons]uint64 { return a.counts }

// Stripped returns how many channels were dropped as duplicates from readings
// that were admitted for their other channels.
func (a *Admission) Stripped() uint64 { return a.stripped }

// Machines returns how many machines admission knows, and how many of them are
// unlisted.
func (a *Admission) Machines() (all, unlisted int) { return len(a.machines), a.unlisted }

// Clock returns what is held of a machine's clock; ok is false for a machine
// that was never heard.
func (a *Admission) Clock(machine string) (c Clock, ok bool) {
	m, ok := a.machines[machine]
	if !ok {
		return Clock{}, false
	}
	return Clock{
		Correction: time.Duration(m.clock.correction) * time.Millisecond,
		OnArrival:  m.clock.onArrival,
		Changes:    int(m.clock.changes),
		Since:      m.clock.since,
	}, true
}

// Admit judges the readings of one message, which are of one machine and were
// received together. each is called once a reading, in order: a reading is
// admitted if the reason is NoReason or one that Reason.Repaired reports as
// put right. Admit may change an admitted reading: it corrects At by the
// machine's clock, saying so in Extra, and takes away channels that came before
// for the same instant.
func (a *Admission) Admit(message []Reading, each func(*Reading, Reason)) {
	if len(message) == 0 {
		return
	}
	say := func(r *Reading, why Reason) {
		a.counts[why]++
		each(r, why)
	}
	m := a.machine(message[0].Machine, message[0].Received)
	if m == nil {
		for i := range message {
			say(&message[i], TooManyMachines)
		}
		return
	}
	m.received = message[0].Received

	// The newest instant has had the least delay: the message is judged by it,
	// and the whole of it corrected alike.
	var correction Millis
	measured := false
	var newest Millis
	for i := range message {
		if r := &message[i]; r.Status == NoStatus && (!measured || r.At > newest) {
			newest, measured = r.At, true
		}
	}
	if measured {
		correction = m.clock.judge(m.received, newest, a.ahead, a.age)
	}
	for i := range message {
		r := &message[i]
		if r.Status != NoStatus {
			say(r, NoReason)
			continue
		}
		say(r, a.reading(m, r, correction))
	}
}

// reading judges one reading that is not a status.
func (a *Admission) reading(m *admitted, r *Reading, correction Millis) Reason {
	at := r.At + correction
	if at > r.Received+a.ahead {
		return FromFuture
	}
	if at < r.Received-a.age {
		return TooOld
	}
	has := contents(r)
	if e := m.recent.find(at); e != nil {
		if has&^e.has == 0 {
			return Duplicate
		}
		a.stripped += uint64((r.Has & e.has).Len())
		r.Has &^= e.has
		e.has |= has
	} else {
		m.recent.add(at, has, r.Received)
	}
	r.At = at
	m.clock.newest = max(m.clock.newest, at)
	if correction == 0 {
		return NoReason
	}
	n := len(r.Extra)
	r.Extra = append(r.Extra[:n:n], Extra{Name: ClockCorrection, Unit: "s", Value: float64(correction) / 1000})
	return RepairedClock
}

// Restore takes a reading that was admitted before a restart, as it was stored.
// Feed it the last AdmitOptions.Ahead or more of each machine, in the order
// they were received, before the first Admit.
func (a *Admission) Restore(r *Reading) {
	m := a.machine(r.Machine, r.Received)
	if m == nil {
		return
	}
	m.received = max(m.received, r.Received)
	if r.Status != NoStatus {
		return
	}
	if e := m.recent.find(r.At); e != nil {
		e.has |= contents(r)
	} else {
		m.recent.add(r.At, contents(r), r.Received)
	}
	m.clock.newest = max(m.clock.newest, r.At)
	correction := Millis(0)
	for _, e := range r.Extra {
		if e.Name == ClockCorrection {
			correction = Millis(e.Value * 1000)
		}
	}
	if correction != m.clock.correction {
		m.clock.correction = correction
		m.clock.changes++
		m.clock.since = r.Received
	}
}

// machine returns the state of a machine, or nil when it is one unlisted
// machine too many.
func (a *Admission) machine(id string, now Millis) *admitted {
	m, ok := a.machines[id]
	if ok {
		if m.unlisted && a.listed(id) { // the fleet file was read again
			m.unlisted = false
			a.unlisted--
		}
		return m
	}
	unlisted := !a.listed(id)
	if unlisted {
		if a.unlisted >= a.most {
			a.makeRoom(now)
		}
		if a.unlisted >= a.most {
			return nil
		}
		a.unlisted++
	}
	m = &admitted{unlisted: unlisted}
	a.machines[strings.Clone(id)] = m
	return m
}

// makeRoom forgets unlisted machines that have been silent for the age. It
// looks once a minute at most: a flood of names must stay cheap.
func (a *Admission) makeRoom(now Millis) {
	if within(now-a.sought, 60_000) {
		return
	}
	a.sought = now
	for id, m := range a.machines {
		if m.unlisted && m.received < now-a.age {
			delete(a.machines, id)
			a.unlisted--
		}
	}
}
