package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/alerts/visit"
)

// silence keeps what is taken for granted of techs who report nothing, and asks
// those who should have arrived. mu is held.
func (d *dispatcher) silence(ctx context.Context, day *route.Day) error {
	legs := map[string]route.Leg{}
	var asked []string
	for i := range day.Plan.Routes {
		r := &day.Plan.Routes[i]
		m, ok := day.Member(r.Tech.ID)
		if !ok {
			continue
		}
		duty, on := m.Duty(day.At)
		if !on {
			continue
		}
		leg := route.NextLeg(d.state.Legs[m.ID], r, day.Told[m.ID], duty.Open, day.At)
		told := d.state.Told[m.ID]
		if leg.Stop == "" || !told.Shift.Equal(duty.Open) || len(told.Stops) == 0 {
			continue // who was not told cannot have set out
		}
		if leg.Silence(day.At) == route.Overdue && leg.Asked.IsZero() {
			if err := d.ask(ctx, m, &leg, day.At); err != nil {
				return err
			}
			leg.Asked = day.At
			asked = append(asked, m.Name)
		}
		legs[m.ID] = leg
	}
	day.Legs = legs
	if maps.Equal(legs, d.state.Legs) {
		return nil
	}
	was := d.state.Legs
	d.state.Legs = legs
	why := "who is taken to drive where"
	if len(asked) > 0 {
		why = fmt.Sprintf("asked for a word: %v", asked)
	}
	if err := d.save(ctx, "coilward", why); err != nil {
		d.state.Legs = was
		return err
	}
	return nil
}

// ask asks a tech who should have arrived where they are.
func (d *dispatcher) ask(ctx context.Context, m *route.Member, leg *route.Leg, now time.Time) error {
	q := notify.Question{Key: fmt.Sprintf("ask/%d/%s", leg.Leave.Unix(), leg.Stop), Leg: leg}
	if link := d.linkOf(m, now); link != nil {
		q.Link = link(leg.Stop)
	}
	if err := d.o.Store.Put(ctx, d.o.Team.Ask(d.o.Team.Tech(m), q, now)...); err != nil {
		return fmt.Errorf("the question to %s cannot be kept: %w", m.Name, err)
	}
	return nil
}

// closed counts the alert of a visit that was closed to what the tech does at the
// stop: it may have come up when they were there already.
func (d *dispatcher) closed(ctx context.Context, v *visit.Visit) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.state.Standing[v.Tech]
	if !s.Arrived || s.Stop != v.Site || slices.Contains(s.Alerts, v.Alert) {
		return nil
	}
	was := s
	s.Alerts = append(slices.Clone(s.Alerts), v.Alert)
	d.state.Standing[v.Tech] = s
	if err := d.save(ctx, v.By, "closed a visit to "+v.Machine); err != nil {
		d.state.Standing[v.Tech] = was
		return err
	}
	return d.planLocked(ctx)
}

// handedFor is how long a machine that was handed over waits for a licensed
// mechanic before it is anybody's again.
const handedFor = 14 * 24 * time.Hour

// handed are the alerts whose last visit handed the machine over to a licensed
// mechanic.
func (d *dispatcher) handed(ctx context.Context, now time.Time) (map[string]bool, error) {
	kept, err := d.o.Store.Visits(ctx, ledger.VisitQuery{From: now.Add(-handedFor), Limit: 1000})
	if err != nil {
		return nil, err
	}
	out, seen := map[string]bool{}, map[string]bool{}
	var errs []error
	for _, k := range kept { // newest first
		if seen[k.Alert] || !k.Closed {
			continue
		}
		seen[k.Alert] = true
		var v visit.Visit
		if err := json.Unmarshal(k.Body, &v); err != nil {
			errs = append(errs, fmt.Errorf("the visit %s cannot be read: %w", k.ID, err))
			continue
		}
		if v.Outcome != nil && v.Outcome.Kind == visit.HandedOver {
			out[k.Alert] = true
		}
	}
	return out, errors.Join(errs...)
}
