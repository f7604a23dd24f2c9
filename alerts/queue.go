package alerts

import (
	"encoding/json"
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

// Delays keep a queue from chattering.
type Delays struct {
	On       [NumPriorities]time.Duration // a finding lasts this long before a person is told
	OnShared time.Duration                // at least, for what may turn out to be one cause for a site
	Off      time.Duration                // a finding stays cleared this long before the alert returns; doubled each time it comes back within a day
	OffMax   time.Duration
	Reassess time.Duration // how often priorities are weighed again
	Revise   time.Duration // revisions for a moved limit keep this distance
}

// DefaultDelays. ISA-18.2 advises on- and off-delays by process variable: for
// temperatures about a minute; a cabinet's product takes a thousand times as long
// as a pipe's flow, and findings come out of tests that have waited already.
func DefaultDelays() Delays {
	return Delays{
		On:       [NumPriorities]time.Duration{Low: 30 * time.Minute, Medium: 10 * time.Minute, High: 2 * time.Minute, Critical: 0},
		OnShared: 5 * time.Minute, Off: 15 * time.Minute, OffMax: 12 * time.Hour,
		Reassess: 5 * time.Minute, Revise: 30 * time.Minute,
	}
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
	machines  map[string]*fleet.Machine
	perSite   map[string]int
	now       collector.Millis
	due       collector.Millis // nothing happens before; 0: nothing is due
	incidents []*incident      // in the order they were raised
	findings  map[string]*incident
	alerts    []*Alert // that are not over, in the order they opened
	groups    []*group
	flaps     map[string]flap
}

// flap counts how often one machine raised one kind of trouble of late.
type flap struct {
	Count int
	At    collector.Millis
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
	q := &Queue{o: o, findings: map[string]*incident{}, flaps: map[string]flap{}}
	q.SetFleet(o.Fleet)
	return q
}

// SetFleet takes a fleet file that was read again.
func (q *Queue) SetFleet(f *fleet.Fleet) {
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

// flapped counts a raise and returns how many there were in the day before.
func (q *Queue) flapped(in *incident) int {
	key := in.Machine + " " + in.lead().Fault.String()
	k := q.flaps[key]
	if q.now.Sub(k.At) > 24*time.Hour {
		k.Count = 0
	}
	q.flaps[key] = flap{Count: k.Count + 1, At: q.now}
	return k.Count
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
	}
	if grid {
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
	}
}

// weigh sets the incident's priority, and says so where it is news.
func (q *Queue) weigh(in *incident) []Change {
	if in.EndedAt != 0 {
		return nil
	}
	var out []Change
	first := in.Seq == 0
	a := in.assess(q.o.Rules, q.machines[in.Machine], q.now)
	if first {
		in.Priority, in.Why = q.bounded(in.Machine, a.Priority, a.Priority, a.Why)
		out = append(out, Change{Kind: Reported, At: q.now, Report: in.report(q.now, detect.Raised)})
	} else {
		in.Priority, in.Why = q.bounded(in.Machine, a.Settle(in.Priority), a.Priority, a.Why)
		if in.material(q.now, q.o.Delays.Revise) {
			out = append(out, Change{Kind: Reported, At: q.now, Report: in.report(q.now, detect.Revised)})
			if al := q.Alert(in.Alert); al != nil && in.Group == "" {
				out = append(out, q.revise(al, func() { fill(al, in) })...)
			}
		}
	}
	return out
}

// open starts the incident's alert, or takes up the one that has returned and
// nobody has taken.
func (q *Queue) open(in *incident) []Change {
	for _, a := range q.alerts {
		if a.Cause == MachineCause && a.Machine == in.Machine && a.Fault == in.lead().Fault && !a.Active {
			in.Alert = a.ID
			fill(a, in)
			return q.move(a, Order{Verb: Recur, By: Actor{Model, in.ID}, At: q.now})
		}
	}
	a := &Alert{ID: "A-" + in.ID, Site: in.Site, Machine: in.Machine, Active: true}
	in.Alert = a.ID
	fill(a, in)
	return q.start(a)
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

// fill copies what is known of the incident into its alert.
func fill(a *Alert, in *incident) {
	l := in.lead()
	a.Priority, a.Why, a.Since = in.Priority, in.Why, l.Since
	a.Fault, a.Probability, a.Candidates = l.Fault, l.Probability, ranked(l)
	a.HasProduct, a.ProductTemperature = l.HasProduct, l.ProductTemperature
	a.LimitAt, a.LimitEarly, a.LimitLate, a.LimitSide = in.limit()
	a.Evidence, a.RuledOut = slices.Clone(l.Evidence), slices.Clone(l.RuledOut)
	a.Members = a.Members[:0]
	for _, f := range in.Findings {
		a.Members = append(a.Members, Member{f.ID, f.Machine, f.Site, f.Fault, in.EndedAt == 0})
	}
}

// revise changes what an alert says. One that was acknowledged and has become
// high or critical since asks for a person again.
func (q *Queue) revise(a *Alert, change func()) []Change {
	was := a.Priority
	change()
	a.Peak = max(a.Peak, a.Priority)
	a.Seq++
	c := a.Clone()
	out := []Change{{Kind: Revised, At: q.now, Alert: &c}}
	if a.State == Acknowledged && a.Priority > was && a.Priority >= High {
		out = append(out, q.move(a, Order{Verb: Rearm, By: Actor{Model, "more urgent than when acknowledged"}, At: q.now})...)
	}
	return out
}

// end closes an incident whose off-delay has run out.
func (q *Queue) end(in *incident) []Change {
	out := []Change{{Kind: Reported, At: q.now, Report: in.report(q.now, detect.Cleared)}}
	q.incidents = slices.DeleteFunc(q.incidents, func(x *incident) bool { return x == in })
	for id, x := range q.findings {
		if x == in {
			delete(q.findings, id)
		}
	}
	if a := q.Alert(in.Alert); a != nil && !q.isGroups(a) {
		out = append(out, q.move(a, Order{Verb: Return, By: Actor{Model, in.ID}, At: q.now})...)
	}
	return append(out, q.left(in)...)
}

// move makes a move that must be legal, or none where the state does not know it.
func (q *Queue) move(a *Alert, o Order) []Change {
	s, err := a.Do(o)
	if err != nil {
		return nil
	}
	c := a.Clone()
	if a.State == Normal {
		q.alerts = slices.DeleteFunc(q.alerts, func(x *Alert) bool { return x == a })
	}
	return []Change{{Kind: Moved, At: q.now, Alert: &c, Step: s}}
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
	c := a.Clone()
	if a.State == Normal {
		q.alerts = slices.DeleteFunc(q.alerts, func(x *Alert) bool { return x == a })
	}
	q.schedule()
	return append(out, Change{Kind: Moved, At: q.now, Alert: &c, Step: s}), nil
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

// Alerts returns copies of the alerts that are not over, oldest first.
func (q *Queue) Alerts() []Alert {
	out := make([]Alert, len(q.alerts))
	for i, a := range q.alerts {
		out[i] = a.Clone()
	}
	return out
}

// snapshot is everything a queue knows beside its options.
type snapshot struct {
	Version   int
	Now       collector.Millis
	Incidents []*incident
	Findings  map[string]string // finding → incident
	Alerts    []*Alert
	Groups    []*group
	Flaps     map[string]flap
}

// Snapshot writes the queue's state.
func (q *Queue) Snapshot() ([]byte, error) {
	s := snapshot{Version: 1, Now: q.now, Incidents: q.incidents, Findings: map[string]string{}, Alerts: q.alerts, Groups: q.groups, Flaps: q.flaps}
	for f, in := range q.findings {
		s.Findings[f] = in.ID
	}
	return json.Marshal(s)
}

// Restore takes the state a queue with the same options wrote.
func (q *Queue) Restore(b []byte) error {
	var s snapshot
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("the saved alert queue cannot be read: %w", err)
	}
	if s.Version != 1 {
		return fmt.Errorf("the saved alert queue is of version %d, this program knows 1; use the program that wrote it", s.Version)
	}
	q.now, q.incidents, q.alerts, q.groups = s.Now, s.Incidents, s.Alerts, s.Groups
	if s.Flaps != nil {
		q.flaps = s.Flaps
	}
	byID := map[string]*incident{}
	for _, in := range q.incidents {
		byID[in.ID] = in
	}
	for f, id := range s.Findings {
		if in := byID[id]; in != nil {
			q.findings[f] = in
		}
	}
	q.schedule()
	return nil
}
