package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/board"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/collector/simulate"
	"coilward/detect/fault"
)

// demoTechs are invented, like the rest of the demonstration.
func demoTechs() route.Roster {
	tech := func(id, name, shift string, lat, lon float64, skills []string, van map[string]int) route.Member {
		return route.Member{ID: id, Name: name, Start: route.Coordinates{Latitude: lat, Longitude: lon}, TimeZone: "America/New_York", Shift: map[string]string{"mon-sun": shift},
			Skills: skills, Van: van, Contacts: []route.Reach{{Channel: "mqtt", To: "routes/" + id}}}
	}
	return route.Roster{MaxOvertime: time.Hour, Techs: []route.Member{
		tech("ines", "Ines Calloway", "07:00-17:00", 40.44, -79.99, []string{"refrigeration-mechanic"}, map[string]int{"evaporator fan motor": 2, "fan blade": 2, "filter drier": 1, "wire connectors": 10}),
		tech("tobias", "Tobias Renn", "08:30-17:00", 40.50, -80.10, nil, map[string]int{"condenser fan motor": 1, "door gasket": 2, "start relay": 1}),
		tech("mara", "Mara Quist", "12:00-21:00", 40.38, -79.84, []string{"electrician"}, map[string]int{"fuse": 6, "temperature probe": 2}),
	}}
}

// demoCrew is the people of the demonstration: techs who drive the planned routes
// and press on their stop's page what real ones press, and somebody in the office who
// takes what is over. They come in by the board's door, with the links of their messages.
type demoCrew struct {
	d      *daemon
	board  string // its address
	looked time.Time
	due    map[string]departure // by tech
}

// departure is since when a tech should be on the way to a stop; each plan is made anew
// from its own now, and puts it off again.
type departure struct {
	stop  string
	since time.Time
}

// setsOut reports whether a tech drives to the first stop of their route now.
func (c *demoCrew) setsOut(tech string, v *route.Visit, now time.Time) bool {
	if now.Before(v.Arrive.Add(-v.Drive)) {
		return false
	}
	if c.due == nil {
		c.due = map[string]departure{}
	}
	if c.due[tech].stop != v.Stop.ID {
		c.due[tech] = departure{v.Stop.ID, now}
	}
	if now.Sub(c.due[tech].since) < demoSetOut {
		return false
	}
	delete(c.due, tech)
	return true
}

const (
	demoBegins = 20 * time.Minute // after the live part: somebody who has just opened the board finds it as the night left it
	demoSetOut = 4 * time.Minute  // after the planned departure: the message is read first
	demoOffice = 45 * time.Minute // between two looks of the office at what is over
)

// work does what is due now. sim is what the machines really are.
func (c *demoCrew) work(ctx context.Context, sim *simulate.Fleet) {
	now := c.d.clock.Now()
	if now.Before(demoLive.Add(demoBegins)) {
		return
	}
	if now.Sub(c.looked) >= demoOffice {
		c.looked = now
		c.office(ctx, now)
	}
	day := c.d.dispatch.Day()
	for i := range day.Roster.Techs {
		m := &day.Roster.Techs[i]
		duty, ok := m.Duty(now)
		if !ok || now.Before(duty.Open) {
			continue
		}
		told := day.Told[m.ID]
		if !told.Shift.Equal(duty.Open) {
			told = route.Standing{}
		}
		if err := c.step(ctx, sim, day, m, &told, now); err != nil && ctx.Err() == nil {
			// What has changed meanwhile is refused; the next plan says better.
			c.d.log.Debug().Err(err).Str("tech", m.ID).Msg("demonstration: a tech was refused")
		}
	}
}

// step takes one tech a step further, where it is time for it.
func (c *demoCrew) step(ctx context.Context, sim *simulate.Fleet, day *route.Day, m *route.Member, told *route.Standing, now time.Time) error {
	switch r, ok := day.Route(m.ID); {
	case told.Arrived && now.Before(told.Until):
		return nil
	case told.Arrived:
		for _, id := range told.Alerts {
			if err := c.close(ctx, sim, day, m, told, id); err != nil {
				return err
			}
		}
		return c.press(ctx, m, told.Stop, "done", nil, now)
	case told.Stop != "":
		if !ok || len(r.Visits) == 0 || r.Visits[0].Stop.ID != told.Stop || now.Before(r.Visits[0].Begin) {
			return nil
		}
		v := &r.Visits[0]
		if err := c.press(ctx, m, told.Stop, "arrived", nil, now); err != nil {
			return err
		}
		for _, j := range v.Stop.Jobs {
			sim.Open(j.Machine, 12*time.Minute)
		}
		return nil
	case ok && len(r.Visits) > 0:
		v := &r.Visits[0]
		if !c.setsOut(m.ID, v, now) {
			return nil
		}
		for _, act := range []string{"take", "driving"} {
			if err := c.press(ctx, m, v.Stop.ID, act, nil, now); err != nil {
				return err
			}
		}
	}
	return nil
}

// close ends the visit about an alert by what the tech finds, and what the tech may
// repair.
func (c *demoCrew) close(ctx context.Context, sim *simulate.Fleet, day *route.Day, m *route.Member, told *route.Standing, id string) error {
	a, ok := c.d.desk.Alert(id)
	if !ok {
		return nil // over meanwhile
	}
	machines := []string{a.Machine}
	if a.Machine == "" {
		machines = nil
		for _, x := range a.Members {
			if x.Site == told.Stop {
				machines = append(machines, x.Machine)
			}
		}
	}
	if len(machines) == 0 {
		return nil
	}
	measured := sim.Product(machines[0])
	form := url.Values{"alert": {id}, "temp": {fmt.Sprintf("%.1f", measured)}, "unit": {"C"}}
	if err := c.press(ctx, m, told.Stop, "measure", form, c.d.clock.Now()); err != nil {
		return err
	}
	parts := day.Parts
	if parts == nil {
		parts = route.DefaultParts()
	}
	kind, found := visit.NothingFound, fault.Well
	for _, machine := range machines {
		for _, f := range sim.Found(machine) {
			if found == fault.Well {
				kind, found = visit.Repaired, f
			}
			if l := parts.Row(f).Licence; l != "" && !slices.Contains(m.Skills, l) {
				kind, found = visit.HandedOver, f
				continue
			}
			sim.Repair(machine, f)
		}
	}
	form.Set("kind", string(kind))
	form.Set("product", string(c.product(&a, machines[0], measured)))
	if found != fault.Well {
		form.Set("fault", found.String())
		form.Set("what", demoDone[found])
	}
	return c.press(ctx, m, told.Stop, "outcome", form, c.d.clock.Now())
}

// product decides as the rules say.
func (c *demoCrew) product(a *alerts.Alert, machine string, measured quantity.Celsius) visit.Decision {
	p := visit.Product{Measured: &measured, Past: true, Now: c.d.clock.Now()}
	if m, ok := c.d.fleet.Load().Machine(machine); ok {
		p.Kind, p.Limits = m.Product, m.Limits
	}
	if a.Latched {
		p.OverAt = a.Since.Time()
	}
	return visit.Advise(p).Decision
}

// demoDone is what a tech writes, by what was wrong.
var demoDone = map[fault.Fault]string{
	fault.EvaporatorFanStopped: "Evaporator fan motor replaced, blade turns free.", fault.CoilIced: "Thawed the coil, cleared the drain.",
	fault.CondenserFanStopped: "Condenser fan motor replaced.", fault.CondenserBlocked: "Condenser brushed and vacuumed, pulled off the wall by a hand.",
	fault.CompressorNotStarting: "Start relay and capacitor replaced.", fault.CompressorWeak: "Compressor replaced.",
	fault.RefrigerantLow: "Leak at a joint repaired, drier replaced, charged by weight.", fault.ThermostatStuckOn: "Thermostat replaced, its contacts were welded.",
	fault.ThermostatStuckOff: "Thermostat replaced.", fault.DoorOpen: "A crate held the door open; moved it.", fault.DoorLeak: "Hinge set, gasket replaced.",
	fault.PowerLost: "Breaker had tripped; checked the cord and reset it with the site's electrician.", fault.SensorFault: "Probe replaced and fixed with a clip.",
	fault.Silent: "Modem restarted, antenna screwed tight.",
}

// office takes what is over and nobody has taken, and drops the rest to those who
// drive.
func (c *demoCrew) office(ctx context.Context, now time.Time) {
	for _, a := range c.d.desk.Alerts() {
		if a.State != alerts.ReturnedUnacked || now.Sub(a.MovedAt.Time()) < demoOffice {
			continue
		}
		o := alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Operator, Name: "Rosa Imhof"}, At: collector.MillisOf(now)}
		if _, err := c.d.desk.Do(ctx, a.ID, o); err != nil && ctx.Err() == nil {
			c.d.log.Debug().Err(err).Str("alert", a.ID).Msg("demonstration: the office was refused")
		}
	}
	c.d.bell.Ring()
}

// press presses a button of a tech's stop page.
func (c *demoCrew) press(ctx context.Context, m *route.Member, stop, act string, form url.Values, now time.Time) error {
	until, on := m.LinkUntil(now)
	if !on {
		return nil
	}
	address := c.board + board.StopPath(c.d.links, m.ID, stop, until) + "/" + act
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, address, strings.NewReader(form.Encode()))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, err := demoPhone.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(answer.Body, 64<<10))
	if answer.StatusCode != http.StatusSeeOther {
		_, text, _ := strings.Cut(string(said), "<main>")
		return fmt.Errorf("%s at %s: %s %.400s", act, stop, answer.Status, text)
	}
	return nil
}

// demoPhone follows nothing: that it was sent on is the answer.
var demoPhone = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
