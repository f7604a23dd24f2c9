package route

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// Visit is a stop on a tech's route.
type Visit struct {
	Stop         *Stop
	Arrive       time.Time // at the door
	Begin        time.Time // of the work; later than Arrive when closed
	Leave        time.Time
	Drive        time.Duration // from the place before
	Metres       float64       // likewise
	LatestUseful time.Time     // zero: no product in danger
	Loss         float64       // money expected to be lost by then
	OnTheWay     bool          // optional work, added afterwards
}

// Late reports whether product is expected to be lost before work begins.
func (v *Visit) Late() bool { return !v.LatestUseful.IsZero() && v.Begin.After(v.LatestUseful) }

// Route is one tech's day.
type Route struct {
	Tech     *Tech
	Visits   []Visit
	Back     time.Time // at the end of the shift's last drive
	Overtime time.Duration
	Drive    time.Duration
	Metres   float64
	Load     Load // parts and tools to load, less what is in the van
}

// LeftOut is a stop nobody can serve.
type LeftOut struct {
	Stop   *Stop
	Reason string
}

// Plan is a route for every tech.
type Plan struct {
	Routes  []Route // one a tech, in their order
	LeftOut []LeftOut
	Loss    float64 // money, of product at the stops served
	Driving float64 // money, overtime included
	Exact   bool    // proven best for the work that is not optional
	Note    string  // what of the travel times is not as it should be; "" nothing
}

// Make plans. It returns an error only for a problem that is not one: wrong
// data, or travel that cannot be had.
func Make(ctx context.Context, p Problem, o Options) (*Plan, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	if p.Parts == nil {
		p.Parts = DefaultParts()
	}
	k, table, err := compile(ctx, &p)
	if err != nil {
		return nil, err
	}
	sol := &solution{routes: make([][]int, len(k.vans)), costs: make([]float64, len(k.vans))}
	var must, may []int
	for i := range p.Stops {
		switch owner := k.stops[i].owner; {
		case owner >= 0:
			sol.routes[owner] = []int{i}
			sol.costs[owner] = k.cost(&k.vans[owner], sol.routes[owner])
			must = append(must, i)
		case p.Stops[i].Optional:
			may = append(may, i)
		default:
			sol.out = append(sol.out, i)
			must = append(must, i)
		}
	}
	sol.add(k)
	exact := o.Exact
	if exact == 0 {
		exact = 8
	}
	plan := &Plan{Note: table.Note}
	switch {
	case len(k.vans) == 0:
	case len(k.vans) == 1 && len(must) <= exact:
		sol, plan.Exact = k.exact(must), true
	default:
		iterations := o.Iterations
		if iterations == 0 {
			iterations = max(300, min(4000, 160_000/max(1, len(must))))
		}
		rnd := rand.New(rand.NewPCG(o.Seed, 0x9e3779b97f4a7c15))
		k.repair(sol, 2, 0, rnd)
		sol = k.search(ctx, sol, iterations, rnd)
	}
	added := k.onTheWay(&p, sol, may)
	k.describe(&p, plan, table, sol, added)
	return plan, nil
}

// compile turns the problem into numbers.
func compile(ctx context.Context, p *Problem) (*kernel, Table, error) {
	n, m := len(p.Stops), len(p.Techs)
	places := make([]Point, 0, n+2*m)
	for i := range p.Stops {
		places = append(places, p.Stops[i].Place)
	}
	for i := range p.Techs {
		end := p.Techs[i].End
		if p.Techs[i].OpenEnd {
			end = p.Techs[i].Start
		}
		places = append(places, p.Techs[i].Start, end)
	}
	travel := p.Travel
	if travel == nil {
		travel = GreatCircle{}
	}
	table, err := travel.Table(ctx, places)
	if err != nil {
		return nil, table, fmt.Errorf("travel times: %w", err)
	}
	if err := table.check(len(places)); err != nil {
		return nil, table, err
	}
	k := &kernel{n: n, nodes: len(places), arcs: make([]arc, len(table.Seconds)), overtime: p.Costs.OvertimePerHour / 3600}
	worst := 0.0
	for i := range k.arcs {
		k.arcs[i].seconds = table.Seconds[i]
		k.arcs[i].money = table.Seconds[i]*p.Costs.PerHour/3600 + table.Metres[i]*p.Costs.PerKilometre/1000
		worst = max(worst, k.arcs[i].money)
	}
	since := func(t time.Time) float64 { return t.Sub(p.Now).Seconds() }
	all := 0.0
	horizon := 0.0
	for i := range p.Techs {
		horizon = max(horizon, since(p.Techs[i].Until.Add(p.Techs[i].MaxOvertime)))
	}
	for i := range p.Stops {
		s := &p.Stops[i]
		x := node{service: p.service(s).Seconds(), needs: s.Needs | p.Parts.needs(s), load: s.Load, owner: -1}
		var windows []span
		for _, w := range s.Windows {
			windows = append(windows, span{since(w.Open), since(w.Close) - x.service})
		}
		x.open(windows)
		var losses []loss
		for _, j := range s.Jobs {
			l := j.Loss.compile(p.Now)
			losses = append(losses, l)
			all += l.amount + l.perSecond*max(0, horizon)
		}
		x.lost = lost(losses)
		k.stops = append(k.stops, x)
	}
	// Leaving one stop out must cost more than any way of serving all others;
	// among those that cannot all be served, the one that loses most goes first.
	for i := range k.stops {
		own := k.stops[i].loss(math.Inf(1))
		if math.IsNaN(own) || math.IsInf(own, 0) {
			own = k.stops[i].loss(max(0, horizon))
		}
		k.stops[i].penalty = 1 + all + 2*worst*float64(n+m+1) + float64(m)*horizon*k.overtime + 10*own
	}
	for i := range p.Techs {
		t := &p.Techs[i]
		v := van{start: n + 2*i, end: n + 2*i + 1, from: max(0, since(t.From)), until: since(t.Until), skills: t.Skills, capacity: t.Capacity, openEnd: t.OpenEnd}
		v.limit = v.until + t.MaxOvertime.Seconds()
		for j := range p.Stops {
			if t.DrivingTo != "" && p.Stops[j].ID == t.DrivingTo {
				// Somebody decided this: hours, skills and room no longer
				// count, and the shift is as long as it takes.
				x := &k.stops[j]
				x.owner, x.needs, x.load = i, 0, 0
				x.open(nil)
				v.fixed = 1
				back := v.from + k.arcs[v.start*k.nodes+j].seconds + x.service
				if !t.OpenEnd {
					back += k.arcs[j*k.nodes+v.end].seconds
				}
				v.limit = max(v.limit, back)
			}
		}
		k.vans = append(k.vans, v)
	}
	k.before, k.after = make([][]state, max(2, m)), make([]rest, max(2, m))
	return k, table, nil
}

// service is the time of work at a stop.
func (p *Problem) service(s *Stop) time.Duration {
	if s.Service > 0 {
		return s.Service
	}
	return p.Parts.Service(s.Jobs)
}

// onTheWay adds optional stops where they cost little: cheapest detour first.
func (k *kernel) onTheWay(p *Problem, sol *solution, may []int) map[int]bool {
	added := map[int]bool{}
	for len(may) > 0 {
		pick, into, at, least := -1, -1, 0, math.Inf(1)
		for i, stop := range may {
			for r := range k.vans {
				route := sol.routes[r]
				before, ok := k.strain(r, route)
				if !ok {
					continue
				}
				for pos := k.vans[r].fixed; pos <= len(route); pos++ {
					try := make([]int, 0, len(route)+1)
					try = append(append(append(try, route[:pos]...), stop), route[pos:]...)
					after, ok := k.strain(r, try)
					if !ok {
						continue
					}
					detour := after.drive - before.drive
					free := k.stops[stop].loss(after.begin[pos])
					if detour <= p.Stops[stop].MaxDetour.Seconds() && detour < least &&
						after.loss-free <= before.loss+0.005 && after.overtime <= before.overtime+1e-6 {
						pick, into, at, least = i, r, pos, detour
					}
				}
			}
		}
		if pick < 0 {
			break
		}
		stop := may[pick]
		try := make([]int, 0, len(sol.routes[into])+1)
		try = append(append(append(try, sol.routes[into][:at]...), stop), sol.routes[into][at:]...)
		sol.routes[into] = try
		sol.costs[into] = k.cost(&k.vans[into], try)
		added[stop] = true
		may = append(may[:pick:pick], may[pick+1:]...)
	}
	sol.out = append(sol.out, may...)
	return added
}

// strain is what a route takes, apart from money for driving.
type strain struct {
	drive, loss, overtime float64
	begin                 []float64
}

func (k *kernel) strain(r int, route []int) (strain, bool) {
	v := &k.vans[r]
	var x strain
	if len(route) == 0 {
		return x, true
	}
	s, ok := k.depart(v), true
	for _, stop := range route {
		x.drive += k.arcs[s.at*k.nodes+stop].seconds
		if s, ok = k.visit(v, s, stop); !ok {
			return x, false
		}
		begin := s.ready - k.stops[stop].service
		x.begin = append(x.begin, begin)
		x.loss += k.stops[stop].loss(begin)
	}
	if !v.openEnd {
		x.drive += k.arcs[s.at*k.nodes+v.end].seconds
		s.ready += k.arcs[s.at*k.nodes+v.end].seconds
	}
	x.overtime = max(0, s.ready-v.until)
	return x, s.ready <= v.limit
}
