package alerts

import (
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// What a machine's own settings make of the queue's delays and priorities.

// tuned is the machine's settings; nil where nobody listed it.
func (q *Queue) tuned(machine string) *fleet.Alerting {
	if m := q.machines[machine]; m != nil {
		return &m.Alerting
	}
	return nil
}

// onAt is when the incident has lasted long enough for a person to be told.
func (q *Queue) onAt(in *incident) collector.Millis {
	d := q.o.Delays.On[in.Priority]
	t := q.tuned(in.Machine)
	if t != nil && t.OnDelay[in.Priority] != nil {
		d = *t.OnDelay[in.Priority]
	}
	if shared(in.lead().Fault) {
		d = max(d, q.o.Delays.OnShared)
	}
	at := in.DelayAt.Add(d)
	if lead := in.lead(); lead.Fault == fault.Silent {
		at = max(at, lead.Since.Add(q.rules.likelyStays()))
	}
	// While warm stock is cooled down, what is not urgent waits for the end of it,
	// where somebody set how long that takes.
	if t != nil && t.RestockDelay != nil && in.Priority < High {
		if filled := in.lead().FilledAt; filled != 0 && filled <= in.RaisedAt {
			at = max(at, filled.Add(*t.RestockDelay))
		}
	}
	return at
}

// offAt is when the incident has been over long enough.
func (q *Queue) offAt(in *incident) collector.Millis {
	off := q.o.Delays.Off
	if t := q.tuned(in.Machine); t != nil && t.OffDelay != nil {
		off = *t.OffDelay
	}
	return in.EndedAt.Add(min(off<<min(in.Flaps, 10), max(off, q.o.Delays.OffMax)))
}

// bounded keeps a priority within what is set for the machine, and says so where
// the cheapest answer would be another.
func (q *Queue) bounded(machine string, p, cheapest Priority, why string) (Priority, string) {
	t := q.tuned(machine)
	if t == nil {
		return p, why
	}
	if least := t.AtLeast; least != nil && min(p, cheapest) < Priority(*least) {
		return max(p, Priority(*least)), why + ", at least " + least.String() + " by its settings"
	}
	if most := t.AtMost; most != nil && max(p, cheapest) > Priority(*most) {
		return min(p, Priority(*most)), why + ", at most " + most.String() + " by its settings"
	}
	return p, why
}
