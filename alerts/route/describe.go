package route

import (
	"slices"
	"time"
)

// describe turns numbers back into a plan.
func (k *kernel) describe(p *Problem, plan *Plan, table Table, sol *solution, added map[int]bool) {
	at := func(s float64) time.Time { return p.Now.Add(seconds(s)) }
	for r := range k.vans {
		v, tech := &k.vans[r], &p.Techs[r]
		out := Route{Tech: tech, Back: at(v.from)}
		s := k.depart(v)
		var jobs []Job
		for _, stop := range sol.routes[r] {
			arc := s.at*k.nodes + stop
			arrive := s.ready + table.Seconds[arc]
			next, _ := k.visit(v, s, stop)
			begin := next.ready - k.stops[stop].service
			visit := Visit{Stop: &p.Stops[stop], Arrive: at(arrive), Begin: at(begin), Leave: at(next.ready),
				Drive: seconds(table.Seconds[arc]), Metres: table.Metres[arc],
				Loss: k.stops[stop].loss(begin), OnTheWay: added[stop]}
			if latest, ok := visit.Stop.LatestUseful(); ok {
				visit.LatestUseful = latest
			}
			out.Drive += visit.Drive
			out.Metres += visit.Metres
			plan.Loss += visit.Loss
			plan.Driving += k.arcs[arc].money
			out.Visits = append(out.Visits, visit)
			jobs = append(jobs, visit.Stop.Jobs...)
			s = next
		}
		if len(out.Visits) > 0 {
			if !v.openEnd {
				arc := s.at*k.nodes + v.end
				s.ready += table.Seconds[arc]
				out.Drive += seconds(table.Seconds[arc])
				out.Metres += table.Metres[arc]
				plan.Driving += k.arcs[arc].money
			}
			out.Back = at(s.ready)
			over := max(0, s.ready-v.until)
			out.Overtime = seconds(over)
			plan.Driving += over * k.overtime
		}
		out.Load = p.Parts.Load(jobs, tech.Van)
		plan.Routes = append(plan.Routes, out)
	}
	slices.Sort(sol.out)
	for _, stop := range sol.out {
		plan.LeftOut = append(plan.LeftOut, LeftOut{&p.Stops[stop], k.reason(p, stop)})
	}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// reason says why a stop is left out, most basic cause first.
func (k *kernel) reason(p *Problem, stop int) string {
	if len(k.vans) == 0 {
		return "nobody is on duty"
	}
	skilled, inHours, inShift := false, false, false
	n := &k.stops[stop]
	for r := range k.vans {
		v := &k.vans[r]
		if n.needs&^v.skills != 0 {
			continue
		}
		skilled = true
		start, ok := n.begin(v.from + k.arcs[v.start*k.nodes+stop].seconds)
		if !ok {
			continue
		}
		inHours = true
		end := start + n.service
		if !v.openEnd {
			end += k.arcs[stop*k.nodes+v.end].seconds
		}
		if end <= v.limit && (v.capacity == 0 || n.load <= v.capacity) {
			inShift = true
		}
	}
	switch {
	case !skilled:
		return "nobody on duty has the licence it needs"
	case !inHours:
		return "the site closes before anyone could finish there"
	case !inShift:
		return "it does not fit into anyone's shift or van"
	case p.Stops[stop].Optional:
		return "not on anyone's way; it can wait"
	}
	return "the shifts are full with stops that lose more"
}
