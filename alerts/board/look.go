package board

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/collector/fleet"
	"coilward/detect"
)

// picture is the whole fleet at one moment, before it is put into a reader's
// units. It is made at most once for all readers of that moment, and is not
// changed after.
type picture struct {
	now      time.Time
	trouble  []line // most urgent first
	sites    []site // in trouble first, then by name
	machines int
	heard    int
	alerts   map[string]*alerts.Alert // by finding
	degraded []Degraded
	made     time.Time // wall
	rings    uint64
}

// line is one machine in trouble.
type line struct {
	machine *fleet.Machine
	site    *fleet.Site
	view    detect.View
	finding detect.Finding // the one that decides: first to leave its limit, else most probable
	others  int            // further open findings on this machine
	alert   *alerts.Alert  // nil: none yet
	group   int            // machines the alert stands for; 0: only this one
	limit   time.Time      // zero: does not leave its limit
	past    bool           // has left it
	missed  time.Time      // when the forecast had it leave its limit, where it has not; zero elsewhere
}

// site is one site and how its machines are.
type site struct {
	*fleet.Site
	machines []unit
	trouble  int
	unheard  int
}

// unit is one machine of a site.
type unit struct {
	*fleet.Machine
	view    detect.View
	heard   bool
	trouble bool
}

// unlistedSite gathers machines whose site is not in the fleet file either.
const unlistedSite = "unlisted"

// look makes the picture, or hands out the one just made.
func (b *Board) look() *picture {
	b.mu.Lock()
	defer b.mu.Unlock()
	rings, wall := b.bell.count(), b.wall()
	if p := b.latest; p != nil && p.rings == rings && wall.Sub(p.made) < b.refresh/2 {
		return p
	}
	p := &picture{now: b.clock.Now(), made: wall, rings: rings, alerts: map[string]*alerts.Alert{}, degraded: b.health()}
	open := b.desk.Alerts()
	for i := range open {
		for _, m := range open[i].Members {
			// An alert that explains others wins over those it suppressed.
			if had := p.alerts[m.Finding]; had == nil || had.State == alerts.Suppressed {
				p.alerts[m.Finding] = &open[i]
			}
		}
	}
	p.gather(b.fleet(), b.models)
	b.latest = p
	return p
}

func (p *picture) gather(f *fleet.Fleet, models Models) {
	type place struct {
		site  int
		index int
	}
	at := make(map[string]place, f.Len())
	bySite := make(map[string]int, len(f.Sites))
	for _, s := range f.Sites {
		bySite[s.ID] = len(p.sites)
		sum := site{Site: s, machines: make([]unit, 0, len(s.Machines))}
		for _, m := range s.Machines {
			at[m.ID] = place{len(p.sites), len(sum.machines)}
			sum.machines = append(sum.machines, unit{Machine: m})
		}
		p.sites = append(p.sites, sum)
	}
	for v := range models.Views() {
		w, listed := at[v.Machine]
		if !listed {
			s, known := bySite[v.Site]
			if !known {
				if s, known = bySite[unlistedSite]; !known {
					s = len(p.sites)
					bySite[unlistedSite] = s
					p.sites = append(p.sites, site{Site: &fleet.Site{ID: unlistedSite, Name: "Not in the fleet file", Location: time.UTC}})
				}
			}
			w = place{s, len(p.sites[s].machines)}
			p.sites[s].machines = append(p.sites[s].machines, unit{Machine: unlisted(f, v)})
		}
		u := &p.sites[w.site].machines[w.index]
		u.view, u.heard = v, true
		p.heard++
		if len(v.OpenFindings) > 0 {
			u.trouble = true
			p.sites[w.site].trouble++
			p.trouble = append(p.trouble, p.lineOf(u.Machine, p.sites[w.site].Site, v))
		}
	}
	for i := range p.sites {
		s := &p.sites[i]
		p.machines += len(s.machines)
		for _, u := range s.machines {
			if !u.heard {
				s.unheard++
			}
		}
		slices.SortFunc(s.machines, func(a, b unit) int { return strings.Compare(a.ID, b.ID) })
	}
	slices.SortFunc(p.trouble, byUrgency)
	p.trouble = oneLineACause(p.trouble)
	slices.SortFunc(p.sites, func(a, b site) int {
		if (a.trouble > 0) != (b.trouble > 0) {
			return either2(a.trouble > 0, -1, 1)
		}
		return cmp.Or(strings.Compare(a.label(), b.label()), strings.Compare(a.ID, b.ID))
	})
}

func (s site) label() string { return cmp.Or(s.Name, s.ID) }

func (p *picture) lineOf(m *fleet.Machine, s *fleet.Site, v detect.View) line {
	lead := v.OpenFindings[0]
	for _, f := range v.OpenFindings[1:] {
		if sooner(f, lead) {
			lead = f
		}
	}
	l := line{machine: m, site: s, view: v, finding: lead, others: len(v.OpenFindings) - 1}
	l.alert = p.alerts[lead.ID]
	if lead.LimitAt != 0 {
		l.limit = lead.LimitAt.Time()
		l.past = !l.limit.After(p.now)
	}
	switch live := liveOf(v, p.now); {
	case v.HasProduct && !m.Limits.Holds(v.ProductTemperature):
		l.past = true
		if l.limit.IsZero() || l.limit.After(p.now) {
			l.limit = p.now
		}
	case l.past && live.Known && lead.LimitSide != detect.Cold: // the forecast was too dark; of what freezes first the bulk says nothing
		l.past, l.missed, l.limit = false, l.limit, p.now
	}
	return l
}

// oneLineACause keeps, of the machines one alert stands for, the one that loses
// product first: a site without power is one line, not forty.
func oneLineACause(lines []line) []line {
	first := map[string]int{}
	out := lines[:0]
	for _, l := range lines {
		if l.alert == nil || l.alert.Machine != "" {
			out = append(out, l)
			continue
		}
		at, seen := first[l.alert.ID]
		if !seen {
			first[l.alert.ID] = len(out)
			l.group = 1
			out = append(out, l)
			continue
		}
		out[at].group++
	}
	return out
}

// sooner orders findings by when product leaves its limit, those that never do
// last and by probability.
func sooner(a, b detect.Finding) bool {
	switch {
	case a.LimitAt != 0 && b.LimitAt != 0:
		return a.LimitAt < b.LimitAt
	case a.LimitAt != 0 || b.LimitAt != 0:
		return a.LimitAt != 0
	}
	return a.Probability > b.Probability
}

// byUrgency puts who has lost product first, then who loses it next, then
// those that hold, by their alert's priority.
func byUrgency(a, b line) int {
	if a.past != b.past {
		return either2(a.past, -1, 1)
	}
	if a.limit.IsZero() != b.limit.IsZero() {
		return either2(b.limit.IsZero(), -1, 1)
	}
	return cmp.Or(
		a.limit.Compare(b.limit),
		cmp.Compare(b.urgency(), a.urgency()),
		cmp.Compare(b.finding.Probability, a.finding.Probability),
		strings.Compare(a.machine.ID, b.machine.ID))
}

// urgency is the alert's priority; a finding without an alert yet is least.
func (l line) urgency() int {
	if l.alert == nil {
		return -1
	}
	return int(l.alert.Priority)
}

func either2(yes bool, a, b int) int {
	if yes {
		return a
	}
	return b
}

// machine finds a machine, its site and its view. A machine of the fleet file
// that was never heard has no view; one heard but not listed gets defaults.
func (b *Board) machine(id string) (m *fleet.Machine, s *fleet.Site, v detect.View, heard, ok bool) {
	f := b.fleet()
	v, heard = b.models.View(id)
	if m, ok = f.Machine(id); !ok {
		if !heard {
			return nil, nil, v, false, false
		}
		m = unlisted(f, v)
	}
	if s, ok = f.Site(m.Site); !ok {
		s = &fleet.Site{ID: unlistedSite, Name: "Not in the fleet file", Location: time.UTC}
	}
	return m, s, v, heard, true
}

// unlisted is a machine that was heard and is not in the fleet file: the
// fleet's own record of it, or what the fleet would make of it.
func unlisted(f *fleet.Fleet, v detect.View) *fleet.Machine {
	if m, ok := f.Machine(v.Machine); ok {
		return m
	}
	return &fleet.Machine{ID: v.Machine, Site: v.Site, Limits: fleet.SealedBeverage.Limits(), Unlisted: true}
}

// zone is the site's time zone; UTC when the file does not say.
func zone(s *fleet.Site) *time.Location {
	if s.Location == nil {
		return time.UTC
	}
	return s.Location
}
