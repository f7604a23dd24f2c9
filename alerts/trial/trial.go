package trial

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"coilward/alerts"
	"coilward/collector"
)

// Play runs the readings through as many pipelines as there are takes, each with
// settings of its own: of a trial the settings in use and the change, in this
// order. It gives every change of a run's alert queue to that run's take, in order.
// Takes may be called from different goroutines. Time goes on to the end of the
// trial in all. An error of a take ends it.
type Play func(ctx context.Context, takes []Take) error

// Take is given the changes of a run.
type Take func(*alerts.Change) error

// Options say what is tried.
type Options struct {
	From, To collector.Millis // what was said at from ≤ at < to is compared
	Machines []string         // these; nil: all
	Fleet    int              // how many machines there are, for figures a machine
	Play     Play

	// Who is told of a change, with the settings in use and with the change; nil:
	// nobody, and there are no figures about people.
	ToldNow, ToldWith func(alerts.Change) []Told

	Visits []Visit // what was found at the machines in these days

	Begins Begins // only told
}

// Begins says with what the models of both runs begin: those that were kept at a
// time, or what they learned from readings since another.
type Begins struct {
	Models  collector.Millis // the time; 0: they learned
	Learned collector.Millis // since then
	Why     string           // nothing that was kept could be used; "" where nothing had to be
}

// Words says it to people; at writes a time.
func (b *Begins) Words(at func(collector.Millis) string) string {
	switch {
	case b.Models != 0:
		return "Both runs begin with the models as they were on " + at(b.Models) + "; the change is made then."
	case b.Why != "":
		return "Both runs begin with models that have learned since " + at(b.Learned) + ": " + b.Why + "."
	}
	return "Both runs begin with models that have learned since " + at(b.Learned) + "."
}

// Result is what a trial found.
type Result struct {
	From, To collector.Millis
	Begins   Begins
	Machines int
	Now      Figures // with the settings in use
	With     Figures // with the change
	Same     int     // alerts that are the same in both
	Differ   []Difference
	People   []Person // by name
	Visits   []Seen   // to the machines within the trial, oldest first
}

// Figures are counts of one run.
type Figures struct {
	Alerts     int // that began within the trial
	Standing   int // that had begun before and stood when it began
	ByPriority [alerts.NumPriorities]int
	Reports    int // lines that a replay prints of the stretch, of all machines replayed
}

// Days is how long the trial is.
func (r *Result) Days() float64 { return r.To.Sub(r.From).Hours() / 24 }

// PerMachineYear turns a count over the trial into a rate.
func (r *Result) PerMachineYear(n int) float64 {
	const year = 365.25
	if r.Machines == 0 || r.To <= r.From {
		return 0
	}
	return float64(n) / (float64(r.Machines) * r.Days() / year)
}

// Person is what one person would have been told.
type Person struct {
	Name      string
	Now, With alerts.Load
}

// Run makes a trial.
func Run(ctx context.Context, o Options) (*Result, error) {
	if o.From >= o.To {
		return nil, errors.New("trial: it must begin before it ends")
	}
	var chosen map[string]bool
	if o.Machines != nil {
		chosen = map[string]bool{}
		for _, m := range o.Machines {
			chosen[m] = true
		}
	}
	now, with := newRecorder(o.ToldNow), newRecorder(o.ToldWith)
	if err := o.Play(ctx, []Take{now.follow(o.From, o.To), with.follow(o.From, o.To)}); err != nil {
		return nil, err
	}
	r := &Result{From: o.From, To: o.To, Begins: o.Begins, Machines: o.Fleet}
	if o.Machines != nil {
		r.Machines = len(chosen)
	}
	a, b := now.within(chosen, o.From, o.To), with.within(chosen, o.From, o.To)
	r.Now, r.With = figures(a, o.From), figures(b, o.From)
	r.Now.Reports, r.With.Reports = now.reports, with.reports
	r.Same, r.Differ = Compare(clip(a, o.From), clip(b, o.From))
	r.People = people(a, b, now.messages, with.messages, o.From, o.To)
	r.Visits = seen(o.Visits, chosen, a, b, o.From, o.To)
	return r, nil
}

// clip lets what stood when the trial began begin with it: what was before is not
// tried.
func clip(episodes []*Episode, from collector.Millis) []*Episode {
	out := make([]*Episode, len(episodes))
	for i, e := range episodes {
		c := *e
		c.From = max(c.From, from)
		out[i] = &c
	}
	return out
}

func figures(episodes []*Episode, from collector.Millis) Figures {
	var f Figures
	for _, e := range episodes {
		if e.From < from {
			f.Standing++
			continue
		}
		f.Alerts++
		f.ByPriority[e.Priority]++
	}
	return f
}

// people measures what each was told about the episodes.
func people(now, with []*Episode, toldNow, toldWith []Told, from, to collector.Millis) []Person {
	of := func(episodes []*Episode, told []Told) map[string][]alerts.Told {
		about := map[string]bool{}
		for _, e := range episodes {
			about[e.Alert] = true
		}
		out := map[string][]alerts.Told{}
		for _, t := range told {
			if about[t.Alert] {
				out[t.Person] = append(out[t.Person], t.Told)
			}
		}
		return out
	}
	a, b := of(now, toldNow), of(with, toldWith)
	names := map[string]bool{}
	for _, m := range []map[string][]alerts.Told{a, b} {
		for name := range m {
			names[name] = true
		}
	}
	var out []Person
	for _, name := range slices.SortedFunc(maps.Keys(names), cmp.Compare[string]) {
		measure := func(told []alerts.Told) alerts.Load { return alerts.MeasureLoad(told, from.Time(), to.Time()) }
		out = append(out, Person{name, measure(a[name]), measure(b[name])})
	}
	return out
}

// PerDay is how many messages a day the load is.
func PerDay(l alerts.Load) float64 {
	days := l.To.Sub(l.From).Hours() / 24
	if days <= 0 {
		return 0
	}
	return float64(l.Messages) / days
}

// Figures of the standard as messages a day and person: one in ten minutes, and
// two (ISA-18.2, EEMUA 191; from memory).
const (
	AcceptableADay = int(alerts.LoadAcceptable * (24 * time.Hour / alerts.LoadWindow))
	ManageableADay = int(alerts.LoadManageable * (24 * time.Hour / alerts.LoadWindow))
)

// Verdict holds a load against the figures, the worst first.
func Verdict(l alerts.Load) string {
	switch perDay := PerDay(l); {
	case l.Floods > 0:
		return "flood: more than 10 in 10 min"
	case perDay > float64(ManageableADay):
		return "more than can be managed"
	case perDay > float64(AcceptableADay):
		return "manageable at most"
	case l.Shift > alerts.ShiftMost:
		return "more than 2 in a shift of 12 h"
	}
	return "within the figures"
}
