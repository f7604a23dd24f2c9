package alerts

import (
	"fmt"
	"slices"
	"time"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// group is incidents that have one cause.
type group struct {
	ID       string // of the first incident
	Kind     CauseKind
	Site     string // "" for a shared link
	FormedAt collector.Millis
	Peak     int // most members at once
	Certain  float64
	Priority Priority
	Alert    string
	Said     said
	SaidSize int
}

// gather looks whether the incident is one of several with one cause.
func (q *Queue) gather(in *incident) []Change {
	if in.Group != "" {
		return nil
	}
	for _, g := range q.groups {
		if g.Site == in.Site || g.Kind == SharedLink && q.reaches(g, in.Site) {
			return q.join(g, in)
		}
	}
	var out []Change
	alike := q.alike(in, func(x *incident) bool { return x.Site == in.Site && x.Group == "" })
	c := q.o.Coincidence
	if p := OneCause(len(alike), q.perSite[in.Site], c.Window, c.Machine, c.Site); p >= c.Certainty {
		out = q.form(alike, p, in.Site)
	}
	return append(out, q.gatherSites(in)...)
}

// alike are the active incidents that came within the window of in and that
// something shared could have caused, in included.
func (q *Queue) alike(in *incident, also func(*incident) bool) []*incident {
	var out []*incident
	for _, x := range q.incidents {
		if x.EndedAt == 0 && shared(x.lead().Fault) && in.fellWith(x, q.o.Coincidence.Window) && also(x) {
			out = append(out, x)
		}
	}
	return out
}

// fellWith reports whether two machines fell silent, or lost power, within the window
// of each other. When that is said differs: by how often a machine speaks, by how long
// its product can wait, by what it measures.
func (in *incident) fellWith(x *incident, window time.Duration) bool {
	return in.RaisedAt.Sub(x.RaisedAt).Abs() <= window || in.lead().Since.Sub(x.lead().Since).Abs() <= window
}

// gatherSites looks whether several sites fell silent at once.
func (q *Queue) gatherSites(in *incident) []Change {
	alike := q.alike(in, func(x *incident) bool { return x.lead().Fault == fault.Silent })
	sites := map[string]bool{}
	for _, x := range alike {
		sites[x.Site] = true
	}
	c, n := q.o.Coincidence, len(q.perSite)
	if n == 0 || len(sites) < 2 {
		return nil
	}
	// A site has news when what it shares fails, or any of its machines does.
	machines := float64(len(q.machines)) / float64(n)
	rate := 1/c.Site.Hours() + machines/c.Machine.Hours()
	p := OneCause(len(sites), n, c.Window, hours(1/rate), c.Fleet)
	if p < c.Certainty {
		return nil
	}
	return q.form(alike, p, "")
}

// form makes the incidents one group. Groups they were in are dissolved into it.
func (q *Queue) form(members []*incident, p float64, site string) []Change {
	g := &group{ID: members[0].ID, Site: site, FormedAt: q.now, Certain: p, Peak: len(members)}
	switch power := count(members, fault.PowerLost); {
	case site == "":
		g.Kind = SharedLink
	case 2*power >= len(members):
		g.Kind = SitePower
	default:
		g.Kind = Uplink
	}
	old := map[string]string{} // dissolved group → its alert
	for _, x := range q.groups {
		if slices.ContainsFunc(members, func(in *incident) bool { return in.Group == x.ID }) {
			old[x.ID] = x.Alert
		}
	}
	q.groups = slices.DeleteFunc(q.groups, func(x *group) bool { _, is := old[x.ID]; return is })
	for _, in := range q.incidents {
		alert, was := old[in.Group]
		if !was && !slices.Contains(members, in) {
			continue
		}
		in.Group = g.ID
		if in.Alert == "" {
			in.Alert = alert
		}
	}
	g.Peak = len(q.members(g))
	q.groups = append(q.groups, g)
	var out []Change
	for _, in := range q.members(g) {
		out = append(out, q.part(in)...)
	}
	return append(out, q.weighGroup(g, false)...)
}

// part takes an incident that has joined a group out of its machine's alert, where
// that tells of another fault too: the group explains the silence, not the fault.
func (q *Queue) part(in *incident) []Change {
	a := q.Alert(in.Alert)
	if a == nil || len(q.about(a)) == 0 {
		return nil
	}
	in.Alert = ""
	return q.revise(a, func() { q.fill(a) })
}

// told are the alerts of the members that somebody may know of, oldest first.
func (q *Queue) told(members []*incident) []*Alert {
	var out []*Alert
	for _, a := range q.alerts {
		if (a.State == Unacknowledged || a.State == Acknowledged) && slices.ContainsFunc(members, func(in *incident) bool { return in.Alert == a.ID }) {
			out = append(out, a)
		}
	}
	return out
}

// explain suppresses an alert that the group's explains.
func (q *Queue) explain(a *Alert, g *group) []Change {
	return q.move(a, Order{Verb: Suppress, By: Actor{Design, "one cause, one alert"}, At: q.now, Reason: "explained by " + g.Alert})
}

func count(in []*incident, f fault.Fault) int {
	n := 0
	for _, x := range in {
		if x.lead().Fault == f {
			n++
		}
	}
	return n
}

// isGroups reports whether the alert stands for a group.
func (q *Queue) isGroups(a *Alert) bool {
	return slices.ContainsFunc(q.groups, func(g *group) bool { return g.Alert == a.ID })
}

func (q *Queue) reaches(g *group, site string) bool {
	return slices.ContainsFunc(q.members(g), func(in *incident) bool { return in.Site == site })
}

func (q *Queue) members(g *group) []*incident {
	var out []*incident
	for _, in := range q.incidents {
		if in.Group == g.ID {
			out = append(out, in)
		}
	}
	return out
}

// join adds an incident to a group that stands.
func (q *Queue) join(g *group, in *incident) []Change {
	in.Group = g.ID
	g.Peak = max(g.Peak, len(q.members(g)))
	if out := q.part(in); out != nil {
		return out
	}
	if a := q.Alert(in.Alert); a != nil && a.ID != g.Alert && g.Alert != "" {
		return q.explain(a, g)
	}
	return nil
}

// weighGroup sets the group's priority, opens its alert when the on-delay is over,
// and revises it where there is news.
func (q *Queue) weighGroup(g *group, grid bool) []Change {
	members := q.members(g)
	if len(members) == 0 {
		return nil
	}
	var told []*Alert
	due := false
	if g.Alert == "" {
		told = q.told(members)
		due = len(told) > 0 || q.now >= q.groupOnAt(g)
	}
	if !grid && !due {
		return nil
	}
	stakes := make([]Stake, len(members))
	for i, in := range members {
		stakes[i] = Stake{in.lead(), q.machines[in.Machine], q.clocks[in.Machine], in.OutSince}
	}
	as := q.rules.AssessAll(stakes, q.now)
	if g.SaidSize == 0 {
		g.Priority = as.Priority
	} else {
		g.Priority = as.Settle(g.Priority)
	}
	switch {
	case g.Alert == "" && !due:
		return nil
	case len(told) > 0: // the oldest goes on as the group's
		g.Alert = told[0].ID
		out := q.revise(told[0], func() { q.fillGroup(told[0], g, members, as) })
		for _, a := range told[1:] {
			out = append(out, q.explain(a, g)...)
		}
		return out
	case g.Alert == "":
		a := &Alert{ID: "A-" + g.ID, Active: true}
		for q.Alert(a.ID) != nil { // the first member has one that is put aside
			a.ID += "+"
		}
		g.Alert = a.ID
		q.fillGroup(a, g, members, as)
		return q.start(a)
	}
	a := q.Alert(g.Alert)
	if a == nil {
		return nil
	}
	limit := soonest(members)
	grown := len(members) > g.SaidSize+max(1, g.SaidSize/4)
	if g.SaidSize != 0 && !grown && g.Priority == g.Said.Priority &&
		(q.now.Sub(g.Said.At) < q.o.Delays.Revise || !limitMoved(g.Said.LimitAt, limit, q.now)) {
		return nil
	}
	return q.revise(a, func() { q.fillGroup(a, g, members, as) })
}

func soonest(members []*incident) collector.Millis {
	var at collector.Millis
	for _, in := range members {
		if l, _, _, _ := in.limit(); l != 0 && (at == 0 || l < at) {
			at = l
		}
	}
	return at
}

// fillGroup writes into the alert what is known of the group.
func (q *Queue) fillGroup(a *Alert, g *group, members []*incident, as Assessment) {
	first := members[0]
	for _, in := range members {
		if l, _, _, _ := in.limit(); l != 0 && l == soonest(members) {
			first = in
			break
		}
	}
	a.tell(first)
	a.Cause, a.Site, a.Machine = g.Kind, members[0].Site, ""
	a.Priority, a.Basis, a.Why = g.Priority, as.Reason, as.Why
	a.Latched = false
	a.Fault, a.Probability, a.Candidates = fault.Silent, g.Certain, nil
	if g.Kind == SitePower {
		a.Fault = fault.PowerLost
	}
	a.Members = a.Members[:0]
	for _, in := range members {
		a.Members = append(a.Members, Member{in.ID, in.Machine, in.Site, in.lead().Fault, in.EndedAt == 0})
		a.Since = min(a.Since, in.lead().Since)
	}
	a.Evidence, a.RuledOut = []detect.Evidence{{Text: q.together(g, members), Since: a.Since}}, nil
	g.Said, g.SaidSize = said{At: q.now, Fault: a.Fault, Priority: g.Priority, LimitAt: a.LimitAt}, len(members)
}

// together says in one line why the members have one cause.
func (q *Queue) together(g *group, members []*incident) string {
	sites := map[string]bool{}
	for _, in := range members {
		sites[in.Site] = true
	}
	what := "fell silent"
	if g.Kind == SitePower {
		what = "lost power or fell silent"
	}
	if g.Kind == SharedLink {
		return fmt.Sprintf("%d machines at %d of %d sites %s together: the broker, or a link they share", len(members), len(sites), len(q.perSite), what)
	}
	where := "the gateway or its uplink"
	if g.Kind == SitePower {
		where = "the site's supply"
	}
	return fmt.Sprintf("%d of %d machines at %s %s together: %s", len(members), q.perSite[g.Site], g.Site, what, where)
}

// left looks after the group of an incident that has ended. When at most a fifth
// of its members are still in trouble the common cause is over: the group's alert
// returns, and what is left stands on its own.
func (q *Queue) left(in *incident) []Change {
	i := slices.IndexFunc(q.groups, func(g *group) bool { return g.ID == in.Group && in.Group != "" })
	if i < 0 {
		return nil
	}
	g := q.groups[i]
	rest := q.members(g)
	if 5*len(rest) > g.Peak {
		return nil
	}
	q.groups = slices.Delete(q.groups, i, i+1)
	for _, x := range rest {
		x.Group, x.DelayAt = "", q.now
		if x.Alert == g.Alert {
			x.Alert = ""
		}
	}
	var out []Change
	if a := q.Alert(g.Alert); a != nil {
		for j := range a.Members {
			a.Members[j].Active = slices.ContainsFunc(rest, func(x *incident) bool { return x.ID == a.Members[j].Finding })
		}
		out = append(out, q.move(a, Order{Verb: Return, By: Actor{Model, in.ID}, At: q.now})...)
	}
	for _, a := range slices.Clone(q.alerts) {
		if a.State == Suppressed && a.Reason == "explained by "+g.Alert {
			out = append(out, q.move(a, Order{Verb: Unsuppress, By: Actor{Design, g.Alert + " is over"}, At: q.now})...)
		}
	}
	return out
}
