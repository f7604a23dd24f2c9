package route

import (
	"slices"
	"time"
)

// Progress is what is known of a tech's day so far. Where nothing is known,
// the day is taken to go by the plan.
type Progress struct {
	Done []string // IDs of stops that are finished
	At   *Point   // where the tech is
}

// Resume returns the problem that is left at now: stops that are finished or
// being worked at are gone, and each tech who is driving keeps the stop driven
// to as the next one. Add new stops to it and call Make. seen is by tech ID.
func Resume(p Problem, previous *Plan, now time.Time, seen map[string]Progress) Problem {
	p.Now = now
	p.Techs = slices.Clone(p.Techs)
	gone := map[string]bool{}
	for i := range p.Techs {
		tech := &p.Techs[i]
		tech.DrivingTo = ""
		progress := seen[tech.ID]
		for _, id := range progress.Done {
			gone[id] = true
		}
		at := slices.IndexFunc(previous.Routes, func(r Route) bool { return r.Tech.ID == tech.ID })
		if at < 0 {
			continue
		}
		leave, from := previous.Routes[at].start(), previous.Routes[at].Tech.Start
		working := false
		for _, v := range previous.Routes[at].Visits {
			if gone[v.Stop.ID] || !v.Leave.After(now) {
				gone[v.Stop.ID] = true
				leave, from = v.Leave, v.Stop.Place
				continue
			}
			if !v.Begin.After(now) { // at work there
				gone[v.Stop.ID] = true
				leave, from, working = v.Leave, v.Stop.Place, true
			} else if !leave.After(now) {
				tech.DrivingTo = v.Stop.ID
				if share := now.Sub(leave).Seconds() / max(1, v.Arrive.Sub(leave).Seconds()); share < 1 {
					from = Point{from.Latitude + share*(v.Stop.Place.Latitude-from.Latitude), from.Longitude + share*(v.Stop.Place.Longitude-from.Longitude)}
				} else {
					from = v.Stop.Place
				}
			}
			break
		}
		tech.Start = from
		if progress.At != nil && !working {
			tech.Start = *progress.At
		}
		if working && leave.After(tech.From) {
			tech.From = leave
		}
	}
	stops := make([]Stop, 0, len(p.Stops))
	for _, s := range p.Stops {
		if !gone[s.ID] {
			stops = append(stops, s)
		}
	}
	p.Stops = stops
	for i := range p.Techs { // finished after all, says somebody else
		if gone[p.Techs[i].DrivingTo] {
			p.Techs[i].DrivingTo = ""
		}
	}
	return p
}

// start is when the tech sets out: the first drive ends with the first arrival.
func (r *Route) start() time.Time {
	if len(r.Visits) == 0 {
		return r.Back
	}
	return r.Visits[0].Arrive.Add(-r.Visits[0].Drive)
}
