package board

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"time"

	"coilward/alerts/route"
)

// stopMain is a stop as its page shows it.
type stopMain struct {
	Name, Address, Contact, Note string
	Geo, Phone                   template.URL
	Plan, Latest, Says, Gone     string
	Late                         bool
	Take, Finish, Missing        string
	Steps                        []stopStep
	Cautions                     []string
	Machines                     []stopMachine
	Next                         *stopNext
	Then                         []stopNext // after the next
	Last                         bool
}

type stopStep struct {
	Post, Press string
	Main        bool
}

type stopNext struct {
	Name, URL, Latest string
	Main              bool
}

func (b *Board) stopData(ctx context.Context, c *caller) (stopMain, error) {
	out := stopMain{Name: c.stop}
	place, zone := route.Point{}, c.tech.Location()
	if s, ok := b.fleet().Site(c.stop); ok {
		out.Name, place = cmp.Or(s.Name, s.ID), route.Point{Latitude: s.Latitude, Longitude: s.Longitude}
		if s.Location != nil {
			zone = s.Location
		}
	}
	out.Geo = template.URL(place.Geo())
	entry := stopView{ID: c.stop}
	b.atSite(&entry)
	out.Address, out.Contact, out.Note, out.Phone = entry.Address, entry.Contact, entry.Note, entry.Phone

	here, driving, finished := c.told.Stop == c.stop && c.told.Arrived, c.told.Stop == c.stop && !c.told.Arrived, c.finished()
	visit, n := c.planned()
	moment := func(t time.Time) string { return c.reader.moment(t, c.now, zone) }
	if visit != nil && !here {
		out.Plan = fmt.Sprintf("Stop %d of your route, there about %s; work %s.", n+1, moment(visit.Arrive), span(visit.Leave.Sub(visit.Begin)))
		if !visit.LatestUseful.IsZero() {
			out.Latest, out.Late = moment(visit.LatestUseful), visit.Late()
		}
	}
	about, err := b.stopMachines(ctx, c, here)
	if err != nil {
		return out, err
	}
	out.Machines = about
	waiting, open := 0, 0
	var jobs []route.Job
	for i := range about {
		if about[i].waits {
			waiting++
		}
		if about[i].Closed == nil {
			open++
		}
		jobs = append(jobs, about[i].job)
	}
	post := func(step route.Step) string { return c.path() + "/" + string(step) }
	switch {
	case here:
		out.Says = "You are here since " + moment(c.told.Since) + "."
		if open == 0 {
			out.Finish = post(route.Done)
		} else {
			out.Missing = "When you have closed " + count(open, "visit", "visits") + " above, report the stop done here."
		}
	case driving:
		out.Says = "You are driving there since " + moment(c.told.Since) + "."
		out.Steps = []stopStep{{post(route.Arrived), "Arrived", true}}
	case finished && visit == nil:
		out.Says = "You have finished here."
	case visit == nil:
		out.Says = "Nothing to do here for you."
		out.Gone = "This stop is not on your route any more: its trouble is over, or somebody else drives there."
	default:
		out.Says = "You have not set out yet."
		if finished {
			out.Says = "You have been here in this shift; something new has come up."
		}
		if c.told.Arrived {
			out.Says = "You are still at " + c.told.Name + "."
		}
		if waiting > 0 {
			out.Take = c.path() + "/take"
		}
		assumed := c.assumed()
		if assumed != "" { // they may be there by now
			out.Says = assumed
			out.Steps = append(out.Steps, stopStep{post(route.Arrived), "Arrived", true})
		}
		if !c.told.Arrived {
			out.Steps = append(out.Steps, stopStep{post(route.Driving), "Driving there now", waiting == 0 && assumed == ""})
		}
	}
	if len(jobs) > 0 && !(finished && visit == nil) {
		all := route.Route{Visits: []route.Visit{{Stop: &route.Stop{Jobs: jobs}}}}
		out.Cautions = all.Cautions(c.reader.Fahrenheit)
	}
	b.nextStop(c, &out, finished)
	return out, nil
}

// assumed says what is taken for granted of a tech who reports nothing.
func (c *caller) assumed() string {
	leg := c.day.Legs[c.tech.ID]
	if leg.Stop != c.stop {
		return ""
	}
	at := func(t time.Time) string { return c.reader.moment(t, c.now, c.tech.Location()) }
	switch leg.Silence(c.now) {
	case route.OnTheWay:
		return "You have reported nothing, and are taken to be on the way since " + at(leg.Leave) + ". Press what is true."
	case route.Overdue:
		return "You were to be here about " + at(leg.Arrive) + " and have reported nothing. Press what is true."
	case route.Unheard:
		return "Nobody has heard of you since " + at(leg.Leave) + ", and others may be sent here. Press what is true."
	}
	return ""
}

// nextStop fills in where the tech goes after this.
func (b *Board) nextStop(c *caller, out *stopMain, finished bool) {
	r, ok := c.day.Route(c.tech.ID)
	if !ok {
		return
	}
	for i := range r.Visits {
		v := &r.Visits[i]
		if v.Stop.ID == c.stop {
			continue
		}
		zone := cmp.Or(v.Stop.Location, c.tech.Location())
		next := &stopNext{Name: v.Stop.Name, URL: b.stopPath(c.tech, v.Stop.ID, c.now), Main: finished || out.Gone != ""}
		if !v.LatestUseful.IsZero() {
			next.Latest = either(v.Late(), "late for ", "by ") + c.reader.moment(v.LatestUseful, c.now, zone)
		}
		if out.Next == nil {
			out.Next = next
		} else {
			out.Then = append(out.Then, *next)
		}
	}
	out.Last = finished && out.Next == nil
}
