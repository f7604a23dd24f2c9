package fleet

import (
	"slices"
	"time"
)

// With returns the fleet with overrides laid over its file: all's everywhere but
// at the sites that are in at, which have their own. The error tells where values
// contradict each other then, each machine once. Settings of sites and machines
// that are not in the file do nothing; Strangers lists them.
func (f *Fleet) With(all *Overrides, at map[string]*Overrides) (*Fleet, error) {
	over := func(site string) *Overrides {
		if o, own := at[site]; own {
			return o
		}
		return all
	}
	g := &Fleet{Currency: f.Currency, settings: f.settings, laid: over}
	var problems []Problem
	for _, s := range f.Sites {
		o := over(s.ID)
		t := *s
		t.Machines = make([]*Machine, len(s.Machines))
		if l := o.scope(Scope{Level: SiteDefault, Site: s.ID}); l != nil {
			t.Hours = l.overHours(s.Hours)
		}
		r := &reader{file: o.name()}
		for i, m := range s.Machines {
			n := &Machine{ID: m.ID, Site: m.Site, own: m.ownSettings()}
			lines := inherit(n, stack{fleet: &f.settings, site: &s.settings, own: n.own, over: o})
			for field := range lines {
				if !n.origins[field].stored {
					lines[field] = 0 // of another file
				}
			}
			r.consistent(n, "machine \""+m.ID+"\"", lines, 0)
			t.Machines[i] = n
		}
		problems = append(problems, r.problems...)
		g.Sites = append(g.Sites, &t)
	}
	if len(problems) > 0 {
		return nil, joined(all.name(), problems)
	}
	g.index()
	return g, nil
}

func (o *Overrides) name() string {
	if o == nil || o.file == "" {
		return "settings"
	}
	return o.file
}

func (o *Overrides) scope(s Scope) *laid {
	if o == nil {
		return nil
	}
	return o.at[s]
}

// overHours lays the days that are set over the file's; without hours in the file
// the other days stay open all day.
func (l *laid) overHours(file *Hours) *Hours {
	if !slices.Contains(l.hoursSet[:], true) {
		return file
	}
	h := new(Hours)
	if file != nil {
		*h = *file
	} else {
		for d := range h {
			h[d] = []Span{{0, 1440}}
		}
	}
	for d, set := range l.hoursSet {
		if set {
			h[d] = l.hours[d]
		}
	}
	return h
}

// Strangers lists the scopes of overrides whose site or machine the file does not
// list.
func (f *Fleet) Strangers(o *Overrides) (out []Scope) {
	for _, s := range o.Scopes() {
		if s.Machine != "" && !f.Listed(s.Machine) || s.Site != "" && f.sites[s.Site] == nil {
			out = append(out, s)
		}
	}
	return out
}

// Part returns the fleet of some sites alone.
func (f *Fleet) Part(wanted func(site string) bool) *Fleet {
	g := &Fleet{Currency: f.Currency, settings: f.settings, laid: f.laid}
	for _, s := range f.Sites {
		if wanted(s.ID) {
			g.Sites = append(g.Sites, s)
		}
	}
	g.index()
	return g
}

// ownSettings are the values of the machine itself. One that no file describes is
// taken as it is.
func (m *Machine) ownSettings() *settings {
	if m.own != nil {
		return m.own
	}
	own := &settings{
		kind: &m.Kind, product: &m.Product, setpoint: m.Setpoint, differential: m.Differential, refrigerant: &m.Refrigerant,
		evaporatorFan: &m.EvaporatorFan, volume: &m.RefrigeratedVolume, loadValue: &m.LoadValue, channels: &m.Channels, alerting: m.Alerting,
	}
	if m.Limits != m.Product.Limits() {
		for p := range own.limits {
			own.limits[p] = partLimits{&m.Limits.Warm, &m.Limits.Cold}
		}
	}
	return own
}

// Altered returns a copy of the fleet with machines changed: what if they were set
// so. change is given a copy of each to change.
func (f *Fleet) Altered(change func(*Machine)) *Fleet {
	g := &Fleet{Currency: f.Currency, settings: f.settings, laid: f.laid}
	for _, s := range f.Sites {
		t := *s
		t.Machines = make([]*Machine, len(s.Machines))
		for i, m := range s.Machines {
			n := *m
			change(&n)
			t.Machines[i] = &n
		}
		g.Sites = append(g.Sites, &t)
	}
	g.index()
	return g
}

// LongestOnDelay is the longest on-delay that is taken for an urgency.
func LongestOnDelay(u Urgency) time.Duration { return longestOn[u] }
