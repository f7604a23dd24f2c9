package alerts

import (
	"fmt"
	"time"

	"coilward/collector"
)

// Repaired says that a tech has repaired the machine of an alert, and so has it. From
// then on the models are waited for: what they clear is over, and what they still see
// when Delays.Watch has passed asks for a person again. Until then only another fault
// does, and food whose time over the limit is half used up: a machine that has just been
// repaired and filled is warm, and looks no better for it. It is no error that the alert
// is over already, or put aside.
func (q *Queue) Repaired(alert, name string, at collector.Millis) []Change {
	out := q.Advance(at)
	a := q.Alert(alert)
	if a == nil || a.Cause != MachineCause || a.Active && a.OpenedAt > at {
		return out // the trouble came back before this was heard of
	}
	by := Actor{Tech, name}
	switch a.State {
	case Unacknowledged:
		if s, err := a.Do(Order{Verb: Acknowledge, By: by, At: q.now, Reason: "repaired"}); err == nil {
			a.watch(name, at, q.o.Delays.Watch)
			out = append(out, q.moved(a, s))
		}
	case Acknowledged:
		out = append(out, q.revise(a, func() { a.watch(name, at, q.o.Delays.Watch) })...)
	case ReturnedUnacked:
		// The models were first. Food that was over its limit waits for whoever has
		// seen to it.
		if q.latch(a); !a.Latched {
			out = append(out, q.move(a, Order{Verb: Acknowledge, By: by, At: q.now, Reason: "repaired"})...)
		}
	}
	q.schedule()
	return out
}

func (a *Alert) watch(by string, at collector.Millis, long time.Duration) {
	a.RepairedBy, a.RepairedAt, a.WatchedUntil = by, at, at.Add(long)
}

// Watched reports whether the alert's machine was repaired, and the models are waited
// for.
func (a *Alert) Watched() bool { return a.State == Acknowledged && a.Active && a.WatchedUntil != 0 }

// halfTheTime is how much of its four hours food may use up after a repair before
// somebody is asked again (common practice, no source).
const halfTheTime = fourHours / 2

// watchEnds is when a person is asked again unless the trouble is over by then.
func (q *Queue) watchEnds(a *Alert) collector.Millis {
	if c := q.clocks[a.Machine]; c != nil && c.OverAt != 0 {
		// Food that was over its limit before the repair, and is held until somebody
		// has looked at it, has been so since the repair too.
		return min(a.WatchedUntil, max(c.OverAt, a.RepairedAt).Add(halfTheTime))
	}
	return a.WatchedUntil
}

// watched ends what was watched for long enough: the trouble is still seen.
func (q *Queue) watched(a *Alert) []Change {
	if a.WatchedUntil == 0 || q.now < q.watchEnds(a) {
		return nil
	}
	why := fmt.Sprintf("still seen %s after the repair", length(q.now.Sub(a.RepairedAt)))
	if q.now < a.WatchedUntil {
		why = fmt.Sprintf("food over its limit for %s since the repair", length(halfTheTime))
	}
	a.WatchedUntil = 0
	if a.State != Acknowledged || !a.Active {
		return nil
	}
	return q.move(a, Order{Verb: Rearm, By: Actor{Model, why}, At: q.now})
}

func length(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return fmt.Sprintf("%d min", d/time.Minute)
}
