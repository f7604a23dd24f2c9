package route

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// DemandOptions say what becomes of alerts.
type DemandOptions struct {
	Fleet     *fleet.Fleet
	Rules     *alerts.Rules // nil: NewRules
	Now, To   time.Time     // opening hours are written out between
	MaxDetour time.Duration
	Skip      func(alert string) bool // finished there, waiting for the models to agree; nil: none
	Handed    func(alert string) bool // handed over to a licensed mechanic; nil: none
}

// Demand makes one stop a site of the open alerts that a drive can help: not of one
// that was repaired, while the models are waited for.
// Alerts of low priority alone make optional work. The second result is what
// cannot be driven to, because nobody said where it is.
func Demand(open []alerts.Alert, o DemandOptions) ([]Stop, []LeftOut) {
	if o.Rules == nil {
		o.Rules = alerts.NewRules()
	}
	bySite := map[string]*Stop{}
	var order []*Stop
	for i := range open {
		a := &open[i]
		if !a.Active || a.Watched() || a.State != alerts.Unacknowledged && a.State != alerts.Acknowledged || o.Skip != nil && o.Skip(a.ID) {
			continue
		}
		for _, j := range jobs(a, o) {
			s := bySite[j.site]
			if s == nil {
				s = &Stop{ID: j.site, Name: j.site, Optional: true, MaxDetour: o.MaxDetour}
				bySite[j.site] = s
				order = append(order, s)
			}
			// A stop needs the licence where all there is to do does.
			needs := Skills(0)
			if o.Handed != nil && o.Handed(a.ID) {
				needs = RefrigerationMechanic
			}
			if len(s.Jobs) == 0 {
				s.Needs = needs
			}
			s.Needs &= needs
			s.Jobs = append(s.Jobs, j.Job)
			s.Optional = s.Optional && a.Priority == alerts.Low
		}
	}
	slices.SortFunc(order, func(a, b *Stop) int { return cmp.Compare(a.ID, b.ID) })
	var stops []Stop
	var out []LeftOut
	for _, s := range order {
		site, ok := o.Fleet.Site(s.ID)
		if ok {
			s.Name, s.Location = cmp.Or(site.Name, site.ID), site.Location
			s.Place = Point{site.Latitude, site.Longitude}
			s.Windows = Windows(site.Hours, o.Now, o.To, cmp.Or(site.Location, time.UTC))
		}
		switch {
		case !ok || !site.Located:
			out = append(out, LeftOut{s, "the fleet file does not say where it is: give the site latitude and longitude"})
		case site.Hours != nil && len(s.Windows) == 0:
			out = append(out, LeftOut{s, "the site does not open within the time planned for"})
		default:
			stops = append(stops, *s)
		}
	}
	return stops, out
}

type siteJob struct {
	Job
	site string
}

// jobs of one alert: one a machine, or one a site where machines share a cause
// that is not theirs. What several sites share is not at any of them.
func jobs(a *alerts.Alert, o DemandOptions) []siteJob {
	if a.Cause == alerts.SharedLink {
		return nil
	}
	var out []siteJob
	for _, m := range a.Members {
		if !m.Active && a.Cause != alerts.MachineCause {
			continue
		}
		machine, _ := o.Fleet.Machine(m.Machine)
		f := m.Fault
		if a.Cause == alerts.MachineCause {
			f = a.Fault
		}
		j := siteJob{Job{Machine: m.Machine, Fault: f, Probability: a.Probability, Loss: lossOf(a, f, machine, o), Alert: a.ID}, m.Site}
		if machine != nil {
			j.Kind, j.Refrigerant, j.TCS = machine.Kind, machine.Refrigerant, alerts.HasFoodClock(machine.Product)
		}
		i := slices.IndexFunc(out, func(x siteJob) bool {
			return x.site == m.Site && (a.Cause != alerts.MachineCause || x.Machine == m.Machine)
		})
		if i < 0 {
			out = append(out, j)
			continue
		}
		if a.Cause == alerts.MachineCause {
			continue // two findings about one machine are one visit
		}
		shared := &out[i]
		shared.More++
		shared.TCS = shared.TCS || j.TCS
		shared.Loss.Value += j.Loss.Value
		shared.Loss.PerHour += j.Loss.PerHour
	}
	return out
}

// spell is how long product is taken to stay past its limit when nobody is in
// time: a shift.
const spell = 8 * time.Hour

// lossOf is what waiting costs at one machine: sales and wear from now on, and
// once the product leaves its limit the share of the load that this class of
// product loses in a shift.
func lossOf(a *alerts.Alert, f fault.Fault, m *fleet.Machine, o DemandOptions) Loss {
	c := o.Rules.Consequences[f]
	load := alerts.LoadValue(m)
	product := fleet.TCSFood // nobody listed it: the strictest
	if m != nil {
		product = m.Product
	}
	spoil := o.Rules.Spoilage[product][a.LimitSide]
	if a.LimitSide == 0 {
		spoil = o.Rules.Spoilage[product][detect.Warm]
	}
	p := a.Probability
	l := Loss{Probability: p, PerHour: p * c.PerDay / 24}
	if a.LimitAt == 0 {
		l.PerHour += p * c.Creep * load / 24
		return l
	}
	first := func(t collector.Millis) time.Time {
		if t == 0 {
			t = a.LimitAt
		}
		return t.Time()
	}
	l.Value, l.Early, l.Late = load*spoil.ShareLost(spell), first(a.LimitEarly), first(a.LimitLate)
	if !l.Late.After(l.Early) {
		l.Late = l.Early.Add(time.Minute)
	}
	if !a.LimitAt.Time().After(o.Now) { // past it: each hour costs more
		l.PerHour += p * (spoil.Slope*load/24 + spoil.PerHour)
	}
	return l
}

// Title is the machine, or the machines that share the cause.
func (j *Job) Title() string {
	if j.More == 0 {
		return j.Machine
	}
	return fmt.Sprintf("%s and %d more", j.Machine, j.More)
}
