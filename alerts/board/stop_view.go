package board

import (
	"cmp"
	"context"
	"html/template"
	"strconv"
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
	moment := func(t time.Time) string { return c.moment(t, zone) }
	if visit != nil && !here {
		out.Plan = c.say("plan", "Number", strconv.Itoa(n+1), "Arrive", moment(visit.Arrive), "Work", c.span(visit.Leave.Sub(visit.Begin)))
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
		out.Says = c.say("here", "At", moment(c.told.Since))
		if open == 0 {
			out.Finish = post(route.Done)
		} else {
			out.Missing = c.say(either(open == 1, "missing-one", "missing-many"), "N", strconv.Itoa(open))
		}
	case driving:
		out.Says = c.say("on-way", "At", moment(c.told.Since))
		out.Steps = []stopStep{{post(route.Arrived), c.say("arrived"), true}}
	case finished && visit == nil:
		out.Says = c.say("finished")
	case visit == nil:
		out.Says = c.say("nothing-to-do")
		out.Gone = c.say("gone")
	default:
		out.Says = c.say("not-set-out")
		if finished {
			out.Says = c.say("again")
		}
		if c.told.Arrived {
			out.Says = c.say("still-at", "Stop", c.told.Name)
		}
		if waiting > 0 {
			out.Take = c.path() + "/take"
		}
		assumed := c.assumed()
		if assumed != "" { // they may be there by now
			out.Says = assumed
			out.Steps = append(out.Steps, stopStep{post(route.Arrived), c.say("arrived"), true})
		}
		if !c.told.Arrived {
			out.Steps = append(out.Steps, stopStep{post(route.Driving), c.say("driving"), waiting == 0 && assumed == ""})
		}
	}
	if len(jobs) > 0 && !(finished && visit == nil) {
		all := route.Route{Visits: []route.Visit{{Stop: &route.Stop{Jobs: jobs}}}}
		out.Cautions = c.voice.Minds(all.Minds())
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
	at := func(t time.Time) string { return c.moment(t, c.tech.Location()) }
	switch leg.Silence(c.now) {
	case route.OnTheWay:
		return c.say("assumed", "At", at(leg.Leave))
	case route.Overdue:
		return c.say("overdue", "At", at(leg.Arrive))
	case route.Unheard:
		return c.say("unheard", "At", at(leg.Leave))
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
			next.Latest = c.say(either(v.Late(), "late-for", "by"), "At", c.moment(v.LatestUseful, zone))
		}
		if out.Next == nil {
			out.Next = next
		} else {
			out.Then = append(out.Then, *next)
		}
	}
	out.Last = finished && out.Next == nil
}
