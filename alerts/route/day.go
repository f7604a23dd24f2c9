package route

import (
	"fmt"
	"slices"
	"time"

	"coilward/alerts"
	"coilward/collector/fleet"
)

// Step is what a tech reports about a stop.
type Step string

// Steps, in their order.
const (
	Driving Step = "driving"
	Arrived Step = "arrived"
	Done    Step = "done"
)

// Standing is what a tech has reported of a shift. It is kept as JSON.
type Standing struct {
	Shift   time.Time  `json:"shift"`             // its beginning
	Stop    string     `json:"stop,omitempty"`    // driven to or worked at; "" neither
	Name    string     `json:"name,omitempty"`    // of the stop
	Place   Point      `json:"place"`             // of the stop
	Since   time.Time  `json:"since,omitzero"`    // of the drive, or of the arrival
	Arrived bool       `json:"arrived,omitempty"` // at the stop
	Until   time.Time  `json:"until,omitzero"`    // the work there should be over
	Alerts  []string   `json:"alerts,omitempty"`  // that are worked at
	Last    *Point     `json:"last,omitempty"`    // where the tech was before; nil: at the start
	Done    []Finished `json:"done,omitempty"`
}

// Finished is a stop a tech has finished.
type Finished struct {
	Stop   string    `json:"stop"`
	Name   string    `json:"name,omitempty"`
	At     time.Time `json:"at"`
	Alerts []string  `json:"alerts"`
}

// Report returns the standing after a step at a stop that the plan knows. A
// step that does not follow is refused, in words for the tech.
func (s Standing) Report(step Step, stop *Stop, service time.Duration, at time.Time) (Standing, error) {
	s.Done = slices.Clone(s.Done)
	here := s.Stop == stop.ID
	switch step {
	case Driving:
		if s.Arrived && !here {
			return s, fmt.Errorf("you are still at %s; report it done before you drive on", s.Name)
		}
		if s.Arrived {
			return s, fmt.Errorf("you are at %s already", s.Name)
		}
		if here {
			return s, nil // pressed twice
		}
		s.set(stop, at)
	case Arrived:
		if s.Arrived && !here {
			return s, fmt.Errorf("you are still at %s; report it done first", s.Name)
		}
		if s.Arrived {
			return s, nil
		}
		s.set(stop, at)
		place := stop.Place
		s.Arrived, s.Last, s.Until = true, &place, at.Add(service)
	case Done:
		if n := len(s.Done); s.Stop == "" && n > 0 && s.Done[n-1].Stop == stop.ID {
			return s, nil // pressed twice
		}
		if !here || !s.Arrived {
			return s, fmt.Errorf("report that you have arrived at %s first", stop.Name)
		}
		s.Done = append(s.Done, Finished{s.Stop, s.Name, at, s.Alerts})
		s.Stop, s.Name, s.Arrived, s.Alerts, s.Since, s.Until = "", "", false, nil, at, time.Time{}
	default:
		return s, fmt.Errorf("%q is no step of a visit", step)
	}
	return s, nil
}

func (s *Standing) set(stop *Stop, at time.Time) {
	s.Stop, s.Name, s.Place, s.Since, s.Alerts = stop.ID, stop.Name, stop.Place, at, nil
	for _, j := range stop.Jobs {
		if j.Alert != "" && !slices.Contains(s.Alerts, j.Alert) {
			s.Alerts = append(s.Alerts, j.Alert)
		}
	}
}

// PlanInput is all that a day is planned from.
type PlanInput struct {
	Now    time.Time
	Open   []alerts.Alert
	Fleet  *fleet.Fleet
	Rules  *alerts.Rules
	Roster *Roster
	Parts  *Parts
	Travel Travel
	Told   map[string]Standing // by tech
	Legs   map[string]Leg      // by tech: what is taken for granted of those who report nothing
	Handed map[string]bool     // alerts that were handed over to a licensed mechanic
}

// Problem returns the problem, who is on duty from when, and what nobody can
// be sent to. A stop that is driven to stays that tech's first; one that is
// worked at is nobody's; alerts of a stop that was finished in this shift do
// not ask for another drive until they have ended, or ask for somebody again.
func (in *PlanInput) Problem() (Problem, []LeftOut) {
	p := Problem{Now: in.Now, Costs: DefaultCosts, Travel: in.Travel, Parts: in.Parts}
	if in.Roster.Costs != nil {
		p.Costs = *in.Roster.Costs
	}
	busy, reported := map[string]bool{}, map[string]string{}
	asked := map[string]time.Time{} // when an alert last began to ask for somebody
	for i := range in.Open {
		if a := &in.Open[i]; a.State == alerts.Unacknowledged {
			asked[a.ID] = a.MovedAt.Time()
		}
	}
	to := in.Now.Add(24 * time.Hour)
	for i := range in.Roster.Techs {
		m := &in.Roster.Techs[i]
		w, ok := m.Duty(in.Now)
		if !ok {
			continue
		}
		t := m.tech(w, in.Roster.MaxOvertime)
		to = later(to, w.Close.Add(t.MaxOvertime))
		if s, ok := in.Told[m.ID]; ok && s.Shift.Equal(w.Open) {
			for _, d := range s.Done {
				for _, a := range d.Alerts {
					if asked[a].After(d.At) {
						continue // repaired in vain, or back
					}
					// Handed over by somebody who may not open a circuit, it waits for
					// somebody who may.
					busy[a] = busy[a] || !in.Handed[a] || t.Skills&RefrigerationMechanic != 0
				}
			}
			if s.Arrived {
				for _, a := range s.Alerts {
					busy[a] = true
				}
			}
			s.place(&t, in.Now)
			if s.Stop != "" {
				reported[s.Stop] = m.ID
			}
		}
		if l, ok := in.Legs[m.ID]; ok && l.Shift.Equal(w.Open) && t.DrivingTo == "" && !in.arrived(m.ID, w) {
			l.place(&t, in.Now)
		}
		if !t.From.Before(t.Until) {
			continue // at work, or not counted on, until the shift is over: no more stops for this one
		}
		p.Techs = append(p.Techs, t)
	}
	detour := in.Roster.MaxDetour
	if detour == 0 {
		detour = 15 * time.Minute
	}
	var out []LeftOut
	p.Stops, out = Demand(in.Open, DemandOptions{Fleet: in.Fleet, Rules: in.Rules, Now: in.Now, To: to, MaxDetour: detour,
		Skip: func(alert string) bool { return busy[alert] }, Handed: func(alert string) bool { return in.Handed[alert] }})
	// The trouble driven to may be over by now, or somebody else have reported to
	// drive there: the tech is free again.
	for i := range p.Techs {
		t := &p.Techs[i]
		if who, ok := reported[t.DrivingTo]; ok && who != t.ID {
			t.DrivingTo = ""
		} else if t.DrivingTo != "" {
			reported[t.DrivingTo] = t.ID // one is enough
		}
		if t.DrivingTo != "" && !slices.ContainsFunc(p.Stops, func(s Stop) bool { return s.ID == t.DrivingTo }) {
			t.DrivingTo = ""
		}
	}
	return p, out
}

// arrived reports whether the tech has reported to be at a stop.
func (in *PlanInput) arrived(tech string, shift Window) bool {
	s := in.Told[tech]
	return s.Shift.Equal(shift.Open) && s.Arrived
}

// place puts the tech where the standing says.
func (s *Standing) place(t *Tech, now time.Time) {
	if s.Last != nil {
		t.Start = *s.Last
	}
	switch {
	case s.Stop == "":
	case s.Arrived:
		t.Start = s.Place
		t.From = later(t.From, s.Until)
	default:
		t.DrivingTo = s.Stop
		// Somewhere on the way: by the time since it was set out.
		need, share := Distance(t.Start, s.Place)*1.2/(45/3.6), 1.0
		if need > 0 {
			share = min(1, max(0, now.Sub(s.Since).Seconds()/need))
		}
		t.Start = between(t.Start, s.Place, share)
		if now.Before(t.From) {
			t.From = now // set out early
		}
	}
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Day is a plan as it stands, with what people have reported.
type Day struct {
	At      time.Time
	Plan    *Plan
	LeftOut []LeftOut // the plan's, and what nobody can be sent to at all
	Roster  *Roster
	Told    map[string]Standing // by tech
	Legs    map[string]Leg      // by tech
	Parts   *Parts              // nil: DefaultParts
	Problem string              // why there is no newer plan; "" there is
}

// Route finds a tech's route; ok is false for a tech off duty.
func (d *Day) Route(tech string) (*Route, bool) {
	if d.Plan != nil {
		for i := range d.Plan.Routes {
			if d.Plan.Routes[i].Tech.ID == tech {
				return &d.Plan.Routes[i], true
			}
		}
	}
	return nil, false
}

// Stop finds a stop of the plan.
func (d *Day) Stop(id string) (*Stop, bool) {
	if d.Plan != nil {
		for i := range d.Plan.Routes {
			for j := range d.Plan.Routes[i].Visits {
				if s := d.Plan.Routes[i].Visits[j].Stop; s.ID == id {
					return s, true
				}
			}
		}
	}
	for _, l := range d.LeftOut {
		if l.Stop.ID == id {
			return l.Stop, true
		}
	}
	return nil, false
}

// Member finds a tech of the roster.
func (d *Day) Member(id string) (*Member, bool) {
	for i := range d.Roster.Techs {
		if d.Roster.Techs[i].ID == id {
			return &d.Roster.Techs[i], true
		}
	}
	return nil, false
}
