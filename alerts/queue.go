package alerts

import (
	"fmt"
	"slices"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// Options configure a [Queue].
type Options struct {
	Rules  *Rules       // nil: NewRules
	Fleet  *fleet.Fleet // nil: every machine is unlisted
	Delays Delays
	// Coincidence decides what is one cause.
	Coincidence Coincidence
}

// ChangeKind is what a [Change] tells.
type ChangeKind uint8

// Kinds of change.
const (
	Reported ChangeKind = iota // a finding's line: Report is set
	Opened                     // a new alert
	Revised                    // an alert says something else
	Moved                      // an alert changed its state: Step is set
)

func (k ChangeKind) String() string {
	return [...]string{"reported", "opened", "revised", "moved"}[k]
}

// Change is one thing the queue did. Alert is a copy, as it is after the change.
type Change struct {
	Kind   ChangeKind
	At     collector.Millis
	Report *Report
	Alert  *Alert
	Step   Step
}

// Queue turns findings into alerts. It is a function of the findings and the
// times it is given, in order; it is not safe for concurrent use.
type Queue struct {
	o         Options
	rules     *Rules // of the options, for this fleet
	machines  map[string]*fleet.Machine
	perSite   map[string]int
	now       collector.Millis
	due       collector.Millis // nothing happens before; 0: nothing is due
	incidents []*incident      // in the order they were raised
	findings  map[string]*incident
	alerts    []*Alert // that are not over, in the order they opened
	recent    []*Alert // of machines, that were over within the day
	groups    []*group
	flaps     map[string]flap
	clocks    map[string]*FoodClock // by machine, where something is open about it
}

// New returns an empty queue.
func New(o Options) *Queue {
	if o.Rules == nil {
		o.Rules = NewRules()
	}
	if o.Delays == (Delays{}) {
		o.Delays = DefaultDelays()
	}
	if o.Coincidence == (Coincidence{}) {
		o.Coincidence = DefaultCoincidence()
	}
	q := &Queue{o: o, findings: map[string]*incident{}, flaps: map[string]flap{}, clocks: map[string]*FoodClock{}}
	q.SetFleet(o.Fleet)
	return q
}

// SetFleet takes a fleet file that was read again.
func (q *Queue) SetFleet(f *fleet.Fleet) {
	q.rules = q.o.Rules.For(f)
	q.machines, q.perSite = map[string]*fleet.Machine{}, map[string]int{}
	if f == nil {
		return
	}
	for _, s := range f.Sites {
		q.perSite[s.ID] = len(s.Machines)
		for _, m := range s.Machines {
			q.machines[m.ID] = m
		}
	}
}

// Apply takes one change of one finding. Changes that were seen are passed over.
// Time goes on to the finding's At first.
func (q *Queue) Apply(f detect.Finding) []Change {
	out := q.Advance(f.At)
	f = tidy(f)
	f.At = max(f.At, q.now)
	in := q.findings[f.ID]
	if in == nil {
		if f.Change == detect.Cleared {
			return out
		}
		in = q.host(&f)
	}
	if len(in.Findings) == 0 {
		in.Findings = append(in.Findings, f)
	} else if recurs := in.EndedAt != 0 && f.Change != detect.Cleared; !in.put(f) {
		return out
	} else if recurs {
		in.Flaps++
		q.flapped(in)
	}
	q.findings[f.ID] = in
	if f.Change != detect.Cleared {
		in.look(&f, limitsOf(q.machines[in.Machine]))
	}
	if c := q.clock(in.Machine); c != nil {
		c.take(&f)
	}
	if f.Change == detect.Cleared && in.EndedAt == 0 {
		delete(q.findings, f.ID)
	}
	out = append(out, q.weigh(in)...)
	if in.EndedAt == 0 && shared(in.lead().Fault) {
		out = append(out, q.gather(in)...)
	}
	q.schedule()
	return append(out, q.settle()...)
}

// host finds the incident a new finding belongs to, or starts one.
func (q *Queue) host(f *detect.Finding) *incident {
	for _, in := range q.incidents {
		if in.Machine == f.Machine && in.related(f) {
			return in
		}
	}
	in := &incident{ID: f.ID, Machine: f.Machine, Site: f.Site, RaisedAt: f.At, DelayAt: f.At}
	in.Findings = append(in.Findings, *f)
	in.Flaps = q.flapped(in)
	in.Findings = in.Findings[:0]
	q.incidents = append(q.incidents, in)
	return in
}

// Advance lets time pass to at (pipeline time in event terms) and returns what
// became due, each at its own time. How often it is called makes no difference.
func (q *Queue) Advance(at collector.Millis) []Change {
	if at <= q.now {
		return nil
	}
	var out []Change
	for q.due != 0 && q.due <= at {
		q.now = max(q.now, q.due)
		out = append(out, q.tick()...)
		q.schedule()
	}
	q.now = at
	return out
}

// settle does what is due at this very moment.
func (q *Queue) settle() []Change {
	var out []Change
	for q.due != 0 && q.due <= q.now {
		out = append(out, q.tick()...)
		q.schedule()
	}
	return out
}

// tick does everything that is due at q.now.
func (q *Queue) tick() []Change {
	var out []Change
	grid := int64(q.now)%q.o.Delays.Reassess.Milliseconds() == 0
	for _, in := range slices.Clone(q.incidents) {
		switch {
		case in.EndedAt != 0:
			if q.now >= q.offAt(in) {
				out = append(out, q.end(in)...)
			}
			continue
		case grid:
			out = append(out, q.weigh(in)...)
		}
		if in.Alert == "" && in.Group == "" && q.now >= q.onAt(in) {
			out = append(out, q.open(in)...)
		}
	}
	for _, g := range slices.Clone(q.groups) {
		out = append(out, q.weighGroup(g, grid)...)
	}
	for _, a := range slices.Clone(q.alerts) {
		if a.State == Shelved && a.ShelvedUntil != 0 && q.now >= a.ShelvedUntil {
			out = append(out, q.move(a, Order{Verb: Unshelve, By: Actor{Clock, "end of shelving"}, At: q.now})...)
		}
		out = append(out, q.watched(a)...)
	}
	if grid {
		q.recent = slices.DeleteFunc(q.recent, func(a *Alert) bool { return q.now.Sub(a.MovedAt) > recurWithin })
		for k, v := range q.flaps {
			if q.now.Sub(v.At) > 24*time.Hour {
				delete(q.flaps, k)
			}
		}
	}
	return out
}

// schedule finds when something is next due.
func (q *Queue) schedule() {
	q.due = 0
	next := func(t collector.Millis) {
		if q.due == 0 || t < q.due {
			q.due = t
		}
	}
	open := false
	for _, in := range q.incidents {
		switch {
		case in.EndedAt != 0:
			next(q.offAt(in))
			continue
		case in.Alert == "" && in.Group == "":
			next(q.onAt(in))
		}
		open = true
	}
	for _, g := range q.groups {
		if g.Alert == "" {
			next(q.groupOnAt(g))
		}
	}
	if open {
		step := collector.Millis(q.o.Delays.Reassess.Milliseconds())
		next((q.now/step + 1) * step)
	}
	for _, a := range q.alerts {
		if a.State == Shelved && a.ShelvedUntil != 0 {
			next(a.ShelvedUntil)
		}
		if a.WatchedUntil != 0 {
			next(q.watchEnds(a))
		}
	}
}

// Do makes a move a person ordered. The error, if any, is an *[IllegalMove], or
// says that there is no such open alert.
func (q *Queue) Do(alert string, o Order) ([]Change, error) {
	a := q.Alert(alert)
	if a == nil {
		return nil, fmt.Errorf("alert %s is not open: it has returned to normal, or never was", alert)
	}
	out := q.Advance(o.At)
	s, err := a.Do(o)
	if err != nil {
		return out, err
	}
	out = append(out, q.moved(a, s))
	if s.From == ReturnedUnacked && s.To == Normal && a.Latched {
		// Whoever takes what has returned has seen to the product.
		if c := q.clocks[a.Machine]; c != nil {
			c.Serviced(o.At)
		}
		q.forget(a.Machine)
	}
	q.schedule()
	return out, nil
}

// Alert returns the open alert, or nil. The caller must not change it.
func (q *Queue) Alert(id string) *Alert {
	for _, a := range q.alerts {
		if a.ID == id {
			return a
		}
	}
	return nil
}

// Now returns a copy of an alert that is not over, as it is at the time reached.
func (q *Queue) Now(id string) (Alert, bool) {
	a := q.Alert(id)
	if a == nil {
		return Alert{}, false
	}
	return q.shown(a), true
}

// Alerts returns copies of the alerts that are not over, oldest first, as they are
// at the time reached.
func (q *Queue) Alerts() []Alert {
	out := make([]Alert, len(q.alerts))
	for i, a := range q.alerts {
		out[i] = q.shown(a)
	}
	return out
}
