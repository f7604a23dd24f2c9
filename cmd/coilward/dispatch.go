package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts"
	"coilward/alerts/board"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/collector/fleet"
)

// dispatchStore keeps what techs have reported and what they were told.
type dispatchStore interface {
	Setting(ctx context.Context, name string) (ledger.Setting, error)
	Save(ctx context.Context, s ledger.Setting, base int) (ledger.Setting, error)
	Trim(ctx context.Context, name string, keep int) error
	Put(ctx context.Context, messages ...ledger.Message) error
	Visits(ctx context.Context, q ledger.VisitQuery) ([]ledger.Visit, error)
}

type dispatchOptions struct {
	Roster  *route.Roster
	Parts   *route.Parts // nil: the ones that come with it
	Travel  route.Travel // nil: estimated
	Open    func() []alerts.Alert
	Fleet   func() *fleet.Fleet
	Clock   Clock
	Store   dispatchStore
	Team    *notify.Team
	Links   *notify.Links // nil: no links to stops
	BaseURL string        // of the board; "": no links in messages
	Gap     time.Duration // least wall time between two plans
	Again   time.Duration // a plan is made anew after this long, should nothing change
	Changed func()        // told after each plan and report
	Log     zerolog.Logger
}

// dispatcher keeps the techs' routes planned. Run owns the planning; people
// report through it at any time.
type dispatcher struct {
	o    dispatchOptions
	wake chan struct{}
	day  atomic.Pointer[route.Day]

	mu    sync.Mutex // guards what follows; held while a plan is made, so that none is older than a report
	state dispatchState
	base  int // version of the setting
	crew  crew
}

// dispatchState is what must outlast a restart.
type dispatchState struct {
	Standing map[string]route.Standing `json:"standing"` // by tech
	Told     map[string]toldRoute      `json:"told"`     // by tech
	Legs     map[string]route.Leg      `json:"legs"`     // by tech
}

const (
	dispatchSetting = "route progress"
	keptProgress    = 100 // versions of it: some days, to look back at
)

// newDispatcher reads back what was reported.
func newDispatcher(ctx context.Context, o dispatchOptions) (*dispatcher, error) {
	d := &dispatcher{o: o, wake: make(chan struct{}, 1), state: dispatchState{map[string]route.Standing{}, map[string]toldRoute{}, map[string]route.Leg{}}}
	s, err := o.Store.Setting(ctx, dispatchSetting)
	switch {
	case errors.Is(err, ledger.ErrNone):
	case err != nil:
		return nil, fmt.Errorf("what techs reported cannot be read: %w", err)
	default:
		if err := json.Unmarshal(s.Body, &d.state); err != nil {
			return nil, fmt.Errorf("what techs reported cannot be read: %w", err)
		}
		d.base = s.Version
	}
	if err := d.readCrew(ctx); err != nil {
		return nil, fmt.Errorf("who can be sent cannot be read: %w", err)
	}
	d.day.Store(&route.Day{At: o.Clock.Now(), Roster: d.crew.roster, Told: maps.Clone(d.state.Standing)})
	return d, nil
}

// Wake says that alerts have changed. It does not block; nil: nobody plans.
func (d *dispatcher) Wake() {
	if d == nil {
		return
	}
	select {
	case d.wake <- struct{}{}:
	default: // about to plan already
	}
}

// Run plans until ctx ends: when woken, but never twice within the gap.
func (d *dispatcher) Run(ctx context.Context) error {
	for {
		if err := d.plan(ctx); err != nil && ctx.Err() == nil {
			d.o.Log.Error().Err(err).Msg("routes cannot be planned; the last plan stands")
		}
		if !pause(ctx, d.o.Gap, nil) || !pause(ctx, d.o.Again-d.o.Gap, d.wake) {
			return nil
		}
	}
}

// pause waits for the time or to be woken; false when ctx has ended.
func pause(ctx context.Context, wait time.Duration, wake <-chan struct{}) bool {
	timer := time.NewTimer(max(0, wait))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-wake:
	case <-timer.C:
	}
	return true
}

// plan makes a plan of what is known now, and tells those whose route it changes.
func (d *dispatcher) plan(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.planLocked(ctx)
}

func (d *dispatcher) planLocked(ctx context.Context) error {
	now := d.o.Clock.Now()
	handed, err := d.handed(ctx, now)
	if err != nil {
		d.o.Log.Error().Err(err).Msg("what techs have handed over cannot be read; those stops are planned for anybody")
	}
	in := route.PlanInput{Legs: d.state.Legs, Handed: handed, Now: now, Open: d.o.Open(), Fleet: d.o.Fleet(), Roster: d.crew.roster, Parts: d.crew.parts, Travel: d.o.Travel, Told: d.state.Standing}
	p, out := in.Problem()
	plan, err := route.Make(ctx, p, route.Options{})
	if err != nil {
		day := *d.day.Load()
		day.Problem, day.Told = err.Error(), maps.Clone(d.state.Standing) // what was reported stands all the same
		d.publish(&day)
		return err
	}
	day := &route.Day{At: now, Plan: plan, LeftOut: append(plan.LeftOut, out...), Roster: d.crew.roster, Told: maps.Clone(d.state.Standing), Parts: d.crew.parts}
	err = errors.Join(d.tell(ctx, day, in.Open), d.silence(ctx, day))
	d.publish(day)
	return err
}

func (d *dispatcher) publish(day *route.Day) {
	d.day.Store(day)
	if d.o.Changed != nil {
		d.o.Changed()
	}
}

// Day is the plan as it stands.
func (d *dispatcher) Day() *route.Day { return d.day.Load() }

// Arrival is who is at a machine about an alert, is planned to be, or else was within
// a day, for the board.
func (d *dispatcher) Arrival(machine, alert string) (board.Arrival, bool) {
	day, now := d.day.Load(), d.o.Clock.Now()
	var been board.Arrival
	for i := range day.Roster.Techs {
		m := &day.Roster.Techs[i]
		told := day.Told[m.ID]
		if told.Arrived && slices.Contains(told.Alerts, alert) && now.Sub(told.Since) < 12*time.Hour {
			return board.Arrival{Who: m.Name, At: told.Since, There: true}, true
		}
		for _, f := range told.Done {
			if slices.Contains(f.Alerts, alert) && now.Sub(f.At) < 24*time.Hour && f.At.After(been.At) {
				been = board.Arrival{Who: m.Name, At: f.At, Left: true}
			}
		}
	}
	if day.Plan == nil {
		return been, been.Left
	}
	for i := range day.Plan.Routes {
		r := &day.Plan.Routes[i]
		for _, v := range r.Visits {
			for _, j := range v.Stop.Jobs {
				if j.Machine == machine {
					return board.Arrival{Who: r.Tech.Name, At: v.Arrive}, true
				}
			}
		}
	}
	return been, been.Left
}

// Report keeps what a tech says about a stop, and plans anew: what is not on
// disk was not reported.
func (d *dispatcher) Report(ctx context.Context, tech, stop string, step route.Step, when time.Time, by string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	now, day := d.o.Clock.Now(), d.day.Load()
	m, ok := day.Member(tech)
	if !ok {
		return fmt.Errorf("%q is none of the techs", tech)
	}
	duty, ok := m.Duty(now)
	if !ok {
		return fmt.Errorf("%s has no shift within a day: change shift in the configuration", m.Name)
	}
	was := d.state.Standing[tech]
	if !was.Shift.Equal(duty.Open) {
		was = route.Standing{Shift: duty.Open}
	}
	at, ok := day.Stop(stop)
	if !ok && was.Stop == stop { // worked at, so no longer part of the plan
		at, ok = &route.Stop{ID: stop, Name: was.Name, Place: was.Place}, true
	}
	if !ok {
		return errors.New("this stop is no longer on anybody's route: its trouble is over, or somebody has finished there")
	}
	for other, s := range d.state.Standing {
		o, known := day.Member(other)
		if other == tech || !known || s.Stop != stop {
			continue
		}
		if w, on := o.Duty(now); on && s.Shift.Equal(w.Open) {
			return fmt.Errorf("%s is on the way there or at work there already", o.Name)
		}
	}
	if when.After(now) || when.Before(was.Since) {
		when = now // a phone cannot know better
	}
	next, err := was.Report(step, at, d.crew.parts.Service(at.Jobs), when)
	if err != nil {
		return err
	}
	if step == route.Arrived && was.Stop == stop {
		next.Alerts = mergeAlerts(was.Alerts, next.Alerts)
	}
	before, had := d.state.Standing[tech]
	d.state.Standing[tech] = next
	if err := d.save(ctx, by, fmt.Sprintf("%s: %s %s", m.Name, step, at.Name)); err != nil {
		if d.state.Standing[tech] = before; !had {
			delete(d.state.Standing, tech)
		}
		return err
	}
	d.o.Log.Info().Str("tech", tech).Str("stop", stop).Str("step", string(step)).Msg("tech reported")
	return d.planLocked(ctx)
}

// mergeAlerts keeps what was driven to and adds what has come up there since.
func mergeAlerts(a, b []string) []string {
	seen, out := map[string]bool{}, []string{}
	for _, list := range [][]string{a, b} {
		for _, id := range list {
			if !seen[id] {
				seen[id], out = true, append(out, id)
			}
		}
	}
	return out
}

// save writes the state; mu is held.
func (d *dispatcher) save(ctx context.Context, who, why string) error {
	body, err := json.Marshal(d.state)
	if err != nil {
		return err
	}
	s, err := d.o.Store.Save(ctx, ledger.Setting{Name: dispatchSetting, At: d.o.Clock.Now(), Who: who, Why: why, Body: body}, d.base)
	if err != nil {
		return fmt.Errorf("it could not be kept, try again: %w", err)
	}
	d.base = s.Version
	if d.base%keptProgress == 0 {
		if err := d.o.Store.Trim(ctx, dispatchSetting, keptProgress); err != nil {
			d.o.Log.Error().Err(err).Msg("old progress of routes cannot be dropped; it is tried again later")
		}
	}
	return nil
}
