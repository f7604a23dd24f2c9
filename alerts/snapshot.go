package alerts

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"coilward/collector"
)

// snapshot is everything a queue knows beside its options.
type snapshot struct {
	Version   int
	Now       collector.Millis
	Incidents []*incident
	Findings  map[string]string // finding → incident
	Alerts    []*Alert
	Recent    []*Alert `json:",omitempty"`
	Groups    []*group
	Flaps     map[string]flap
	Clocks    map[string]*FoodClock `json:",omitempty"` // by machine
}

// Snapshot writes the queue's state.
func (q *Queue) Snapshot() ([]byte, error) {
	s := snapshot{Version: 1, Now: q.now, Incidents: q.incidents, Findings: map[string]string{}, Alerts: q.alerts, Recent: q.recent, Groups: q.groups, Flaps: q.flaps, Clocks: q.clocks}
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
	q.now, q.incidents, q.alerts, q.recent, q.groups = s.Now, s.Incidents, s.Alerts, s.Recent, s.Groups
	if s.Flaps != nil {
		q.flaps = s.Flaps
	}
	if s.Clocks != nil {
		q.clocks = s.Clocks
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

// Only forgets all that is of other machines. What had one cause with them stands
// for itself.
func (q *Queue) Only(machine func(id string) bool) {
	q.incidents = slices.DeleteFunc(q.incidents, func(in *incident) bool { return !machine(in.Machine) })
	maps.DeleteFunc(q.findings, func(_ string, in *incident) bool { return !machine(in.Machine) })
	maps.DeleteFunc(q.clocks, func(id string, _ *FoodClock) bool { return !machine(id) })
	part := func(a *Alert) bool {
		return a.Machine != "" && !machine(a.Machine) || slices.ContainsFunc(a.Members, func(m Member) bool { return !machine(m.Machine) })
	}
	q.groups = slices.DeleteFunc(q.groups, func(g *group) bool {
		a := q.Alert(g.Alert)
		gone := len(q.members(g)) < 2 || a != nil && part(a)
		if gone {
			for _, in := range q.members(g) {
				in.Group, in.Alert = "", ""
			}
		}
		return gone
	})
	q.alerts = slices.DeleteFunc(q.alerts, part)
	q.recent = slices.DeleteFunc(q.recent, part)
	for _, in := range q.incidents {
		if in.Alert != "" && q.Alert(in.Alert) == nil && !slices.ContainsFunc(q.recent, func(a *Alert) bool { return a.ID == in.Alert }) {
			in.Alert = ""
		}
	}
	q.schedule()
}
