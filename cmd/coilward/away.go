package main

import (
	"context"
	"time"

	"coilward/alerts"
	"coilward/alerts/route"
)

// rules are the rules of priorities, with how far away the nearest tech starts.
func (d *daemon) rules() *alerts.Rules {
	r := alerts.NewRules()
	if techs := d.config.Route.Techs; len(techs) > 0 {
		usual := r.TravelTime
		r.Travel = func(site string) time.Duration {
			s, ok := d.fleet.Load().Site(site)
			if !ok || !s.Located {
				return usual
			}
			return nearest(techs, route.Point{Latitude: s.Latitude, Longitude: s.Longitude})
		}
	}
	return r
}

// shortestDrive is what it takes to set out and to park, however near it is.
const shortestDrive = 10 * time.Minute

// nearest is how long the nearest tech drives from where they start.
func nearest(techs []route.Member, to route.Point) time.Duration {
	places := []route.Point{to}
	for i := range techs {
		places = append(places, route.Point(techs[i].Start))
	}
	t, _ := route.GreatCircle{}.Table(context.Background(), places) // it asks nobody and never fails
	best := t.Seconds[1]
	for _, s := range t.Seconds[2:t.N] {
		best = min(best, s)
	}
	return max(shortestDrive, time.Duration(best*float64(time.Second)).Round(time.Minute))
}
