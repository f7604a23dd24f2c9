package alerts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// weigh sets the incident's priority, and says so where it is news.
func (q *Queue) weigh(in *incident) []Change {
	if in.EndedAt != 0 {
		return nil
	}
	var out []Change
	first := in.Seq == 0
	a := in.assess(q.rules, q.machines[in.Machine], q.clocks[in.Machine], q.now)
	in.Reason = a.Reason
	p := a.Priority
	if !first {
		p = a.Settle(in.Priority)
	}
	var bound string
	in.Priority, bound = q.bounded(in.Machine, p, a.Priority, "")
	in.Reason.Bound = strings.TrimPrefix(bound, ", ")
	in.Why = in.Reason.Line(q.now, Live{})
	if first {
		out = append(out, Change{Kind: Reported, At: q.now, Report: in.report(q.now, detect.Raised)})
	} else if in.material(q.now, q.o.Delays.Revise) {
		out = append(out, Change{Kind: Reported, At: q.now, Report: in.report(q.now, detect.Revised)})
		if al := q.Alert(in.Alert); al != nil && in.Group == "" {
			out = append(out, q.revise(al, func() { q.fill(al) })...)
		}
	}
	return out
}

// open starts the incident's alert, or joins the one that stands about the same
// machine: whoever goes there deals with both. One that has returned and nobody
// has taken is taken up again.
func (q *Queue) open(in *incident) []Change {
	for _, a := range q.alerts {
		if a.Cause != MachineCause || a.Machine != in.Machine || q.isGroups(a) {
			continue
		}
		switch {
		case !a.Active:
			in.Alert = a.ID
			q.fill(a)
			return q.move(a, Order{Verb: Recur, By: Actor{Model, in.ID}, At: q.now})
		case a.State == Unacknowledged, a.State == Acknowledged, a.State == OutOfService:
			return q.second(a, in)
		}
		// One that is put aside must not hide a fault that nobody knew of.
	}
	if i := slices.IndexFunc(q.recent, func(a *Alert) bool {
		return a.Machine == in.Machine && (a.Fault == in.lead().Fault || in.Flaps > 1) && q.now.Sub(a.MovedAt) <= recurWithin
	}); i >= 0 {
		a := q.recent[i]
		q.recent = slices.Delete(q.recent, i, i+1)
		q.alerts = append(q.alerts, a)
		a.Active = true
		in.Alert = a.ID
		q.fill(a)
		return q.move(a, Order{Verb: Recur, By: Actor{Model, in.ID}, At: q.now})
	}
	a := &Alert{ID: "A-" + in.ID, Cause: MachineCause, Site: in.Site, Machine: in.Machine, Active: true}
	for q.Alert(a.ID) != nil { // its own was put aside, and stands for another by now
		a.ID += "+"
	}
	in.Alert = a.ID
	q.fill(a)
	return q.start(a)
}

// recurWithin is how long after it was over trouble that comes back is the same
// alert: a machine that flaps is one alert, with everything that was done about it.
const recurWithin = 24 * time.Hour

// second names another fault of the machine in its alert. Whoever has taken it is
// asked again, unless the second can wait for any visit.
func (q *Queue) second(a *Alert, in *incident) []Change {
	in.Alert = a.ID
	seq := a.Seq
	out := q.revise(a, func() { q.fill(a) })
	if a.State == Acknowledged && in.Priority >= Medium && a.Seq == seq+1 {
		out = append(out, q.move(a, Order{Verb: Rearm, By: Actor{Model, "another fault on the same machine"}, At: q.now})...)
	}
	return out
}

// start raises an alert that is filled.
func (q *Queue) start(a *Alert) []Change {
	q.alerts = append(q.alerts, a)
	s, err := a.Do(Order{Verb: Raise, By: Actor{Model, a.ID}, At: q.now})
	if err != nil {
		panic(fmt.Sprintf("alerts: a new alert cannot be raised: %v", err))
	}
	c := a.Clone()
	return []Change{{Kind: Opened, At: q.now, Alert: &c, Step: s}}
}

// about are the incidents that the machine's alert tells of, the one to act on
// first: the most urgent, then the oldest.
func (q *Queue) about(a *Alert) []*incident {
	var out []*incident
	for _, in := range q.incidents {
		if in.Alert == a.ID && in.Machine == a.Machine && in.Group == "" {
			out = append(out, in)
		}
	}
	slices.SortStableFunc(out, func(x, y *incident) int {
		if (x.EndedAt == 0) != (y.EndedAt == 0) {
			if x.EndedAt == 0 {
				return -1
			}
			return 1
		}
		return int(y.Priority) - int(x.Priority)
	})
	return out
}

// fill copies what is known of a machine's trouble into its alert.
func (q *Queue) fill(a *Alert) {
	all := q.about(a)
	if len(all) == 0 {
		return
	}
	a.tell(all[0])
	for _, in := range all[1:] {
		a.Members = append(a.Members, in.members()...)
	}
	q.latch(a)
}

// tell copies what is known of the incident into its alert.
func (a *Alert) tell(in *incident) {
	l := in.lead()
	a.Priority, a.Basis, a.Why, a.Since = in.Priority, in.Reason, in.Why, l.Since
	a.Fault, a.Probability, a.Candidates = l.Fault, l.Probability, ranked(l)
	a.HasProduct, a.ProductTemperature = l.HasProduct, l.ProductTemperature
	a.LimitAt, a.LimitEarly, a.LimitLate, a.LimitSide = in.limit()
	a.Evidence, a.RuledOut = slices.Clone(l.Evidence), slices.Clone(l.RuledOut)
	a.Members = in.members()
}

// latch copies the food clock's latch.
func (q *Queue) latch(a *Alert) {
	if c := q.clocks[a.Machine]; c != nil {
		a.Latched, a.Basis.Clock = c.Latched, *c
	}
}

// shown brings what an alert says up to the moment: what is told to people must be
// true when it is told.
func (q *Queue) shown(a *Alert) Alert {
	c := a.Clone()
	if c.Cause == MachineCause {
		q.fill(&c)
	}
	c.Basis.Ended = !c.Active
	c.Why = c.Basis.Line(q.now, Live{})
	return c
}

// change is a change of an alert, which it shows as it is after it.
func (q *Queue) change(k ChangeKind, a *Alert, s Step) Change {
	c := q.shown(a)
	return Change{Kind: k, At: q.now, Alert: &c, Step: s}
}

// revise changes what an alert says. One that was acknowledged and has become
// high or critical since asks for a person again, unless it has just been repaired.
func (q *Queue) revise(a *Alert, change func()) []Change {
	was := a.Priority
	change()
	a.Peak = max(a.Peak, a.Priority)
	a.Seq++
	out := []Change{q.change(Revised, a, Step{})}
	if a.State == Acknowledged && !a.Watched() && a.Priority > was && a.Priority >= High {
		out = append(out, q.move(a, Order{Verb: Rearm, By: Actor{Model, "more urgent than when acknowledged"}, At: q.now})...)
	}
	return out
}

// end closes an incident whose off-delay has run out. Its alert returns when
// nothing else is wrong with the machine.
func (q *Queue) end(in *incident) []Change {
	out := []Change{{Kind: Reported, At: q.now, Report: in.report(q.now, detect.Cleared)}}
	q.incidents = slices.DeleteFunc(q.incidents, func(x *incident) bool { return x == in })
	for id, x := range q.findings {
		if x == in {
			delete(q.findings, id)
		}
	}
	if a := q.Alert(in.Alert); a != nil && !q.isGroups(a) {
		if rest := q.about(a); len(rest) > 0 {
			out = append(out, q.revise(a, func() { q.fill(a) })...)
		} else {
			for i := range a.Members {
				a.Members[i].Active = false
			}
			a.Priority, a.Basis = in.Priority, in.Reason
			q.latch(a)
			out = append(out, q.move(a, Order{Verb: Return, By: Actor{Model, in.ID}, At: q.now})...)
		}
	}
	out = append(out, q.left(in)...)
	q.forget(in.Machine)
	return out
}

// move makes a move that must be legal, or none where the state does not know it.
func (q *Queue) move(a *Alert, o Order) []Change {
	s, err := a.Do(o)
	if err != nil {
		return nil
	}
	return []Change{q.moved(a, s)}
}

// moved is the change of a move that was made. An alert that is over is gone.
func (q *Queue) moved(a *Alert, s Step) Change {
	c := q.change(Moved, a, s)
	if a.State == Normal {
		q.alerts = slices.DeleteFunc(q.alerts, func(x *Alert) bool { return x == a })
		if a.Cause == MachineCause {
			q.recent = append(q.recent, a)
		}
	}
	return c
}

// members are the incident's findings as an alert names them.
func (in *incident) members() []Member {
	out := make([]Member, 0, len(in.Findings))
	for _, f := range in.Findings {
		out = append(out, Member{f.ID, f.Machine, f.Site, f.Fault, in.EndedAt == 0})
	}
	return out
}

// Others are the faults of a machine's alert beside the leading one, which they do
// not follow from: what else there is to repair.
func (a *Alert) Others() []fault.Fault {
	if a.Cause != MachineCause {
		return nil
	}
	var out []fault.Fault
	for _, m := range a.Members {
		if m.Fault != a.Fault && (m.Active || !a.Active) && !a.Fault.TurnsInto(m.Fault) && !m.Fault.TurnsInto(a.Fault) && !slices.Contains(out, m.Fault) {
			out = append(out, m.Fault)
		}
	}
	return out
}

// WhyAt is the reason for the priority in one line, as it is at a moment.
func (a *Alert) WhyAt(at collector.Millis, live Live) string { return a.Basis.Line(at, live) }
