package trial

import (
	"slices"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/detect/fault"
)

// Episode is one time that an alert stood: from when a person would have been
// told until it returned to normal, or something else explained it. An alert that
// comes back is another episode.
type Episode struct {
	Alert    string
	Site     string
	Machines []string // sorted; several where they have one cause
	Cause    alerts.CauseKind
	Fault    fault.Fault     // as said last
	Priority alerts.Priority // the highest
	LimitAt  collector.Millis
	From     collector.Millis
	To       collector.Millis // when it ended; the end of the trial while Open
	Open     bool             // it stood when the trial ended
	Out      bool             // product was outside its limits, or past the time it was to leave them
}

// Lasted is how long it stood within the trial.
func (e *Episode) Lasted() time.Duration { return e.To.Sub(e.From) }

// Told is one message to one person.
type Told struct {
	Person string
	alerts.Told
}

// recorder takes the changes of one run's alert queue.
type recorder struct {
	told     func(alerts.Change) []Told
	episodes []*Episode
	standing map[string]*Episode // by alert
	messages []Told
	reports  int
}

func newRecorder(told func(alerts.Change) []Told) *recorder {
	return &recorder{told: told, standing: map[string]*Episode{}}
}

// follow takes a run's changes; lines of findings count from ≤ at < to.
func (r *recorder) follow(from, to collector.Millis) Take {
	return func(c *alerts.Change) error {
		if c.Kind != alerts.Reported || c.At >= from && c.At < to {
			r.take(c)
		}
		return nil
	}
}

// take follows one change.
func (r *recorder) take(c *alerts.Change) {
	if c.Kind == alerts.Reported {
		r.reports++
	}
	if c.Alert == nil {
		return
	}
	if r.told != nil {
		r.messages = append(r.messages, r.told(*c)...)
	}
	a := c.Alert
	e := r.standing[a.ID]
	stands := a.State == alerts.Unacknowledged || a.State == alerts.Acknowledged
	switch {
	case stands && e == nil:
		e = &Episode{Alert: a.ID, Site: a.Site, From: c.At, LimitAt: a.LimitAt}
		r.standing[a.ID] = e
		r.episodes = append(r.episodes, e)
	case !stands && e != nil:
		e.To = c.At
		e.Out = e.Out || out(a, c.At)
		delete(r.standing, a.ID)
		return
	case e == nil:
		return
	}
	e.Out = e.Out || out(a, c.At)
	e.LimitAt = a.LimitAt
	e.Cause, e.Fault, e.Priority = a.Cause, a.Fault, max(e.Priority, a.Priority)
	for _, m := range a.Members {
		if i, is := slices.BinarySearch(e.Machines, m.Machine); !is {
			e.Machines = slices.Insert(e.Machines, i, m.Machine)
		}
	}
}

// out reports whether the product has left its limit by now, as far as is known.
func out(a *alerts.Alert, now collector.Millis) bool {
	return a.LimitAt != 0 && a.LimitAt <= now && a.HasProduct
}

// within ends the run and returns the episodes of the machines that stood at any
// time in [from, to).
func (r *recorder) within(machines map[string]bool, from, to collector.Millis) []*Episode {
	for _, e := range r.standing {
		e.To, e.Open = to, true
	}
	return slices.DeleteFunc(r.episodes, func(e *Episode) bool {
		of := machines == nil || slices.ContainsFunc(e.Machines, func(m string) bool { return machines[m] })
		return !of || e.From >= to || e.To <= from
	})
}
