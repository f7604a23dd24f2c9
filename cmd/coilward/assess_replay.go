package main

import (
	"coilward/collector"
	"coilward/collector/fleet"
)

// ordered puts a machine's readings in order as the pipeline does and gives them
// to step, with the pipeline time at which they are due. tick, if not nil, is
// called once a minute of pipeline time, to the end of the recording. change, if
// not nil, may change a reading before it is ordered, or return false to drop it.
func (l *labelled) ordered(said *machineLog, spec *fleet.Machine, change func(*collector.Reading) bool,
	step func(r *collector.Reading, now collector.Millis), tick func(now collector.Millis)) {
	orderer := collector.NewOrder(collector.OrderOptions{}).Orderer()
	const minute = collector.Millis(60_000)
	next := (l.first/minute + 1) * minute
	now := l.first
	release := func(r *collector.Reading) { step(r, now) }
	pass := func(to collector.Millis) {
		for {
			at := next
			due, waits := orderer.Next()
			waits = waits && due < at
			if waits {
				at = max(due, now)
			}
			if at > to {
				break
			}
			now = at
			orderer.Advance(now, release)
			if !waits {
				if tick != nil {
					tick(now)
				}
				next += minute
			}
		}
		now = max(now, to)
	}
	said.all(spec, func(r *collector.Reading) {
		pass(r.Received)
		if change == nil || change(r) {
			orderer.Push(r, release)
		}
	})
	pass(l.truth.Millis(l.truth.End()))
	orderer.Flush(release)
}
