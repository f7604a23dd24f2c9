package route

import (
	"math"
	"slices"
	"time"
)

// The kernel is the problem in numbers: seconds from now, money, indices.
// Node i < n is a stop; each tech has a start and an end node.
type kernel struct {
	n, nodes int
	arcs     []arc // nodes·nodes
	stops    []node
	vans     []van
	overtime float64 // money a second

	// What is worked out again and again: states and rests, a route each.
	before  [][]state
	after   []rest
	scratch []int
}

// arc is the drive from one node to another.
type arc struct{ seconds, money float64 }

type node struct {
	service float64
	hours   span   // the first window, or always
	windows []span // last start of work, not close; empty: always
	lost    ramp   // money, by the time work begins
	needs   Skills
	load    float64
	penalty float64 // for leaving it out
	owner   int     // van that drives to it now, or −1
}

type span struct{ from, to float64 }

type van struct {
	start, end   int
	from         float64
	until, limit float64 // shift's end without and with overtime
	skills       Skills
	capacity     float64
	fixed        int // stops at the front that stay
	openEnd      bool
}

type loss struct{ early, late, amount, perSecond float64 }

func (l Loss) compile(now time.Time) loss {
	return loss{l.Early.Sub(now).Seconds(), l.Late.Sub(now).Seconds(), l.Value * l.Probability, l.PerHour / 3600}
}

func (l loss) at(t float64) float64 {
	m := l.perSecond * max(0, t)
	switch {
	case l.amount == 0 || t <= l.early:
	case t >= l.late:
		m += l.amount
	default:
		m += l.amount * (t - l.early) / (l.late - l.early)
	}
	return m
}

// begin returns when work at a stop can begin after arriving at t; ok is false
// when it is too late.
func (s *node) begin(t float64) (float64, bool) {
	if t <= s.hours.to {
		return max(t, s.hours.from), true
	}
	for _, w := range s.windows {
		if t <= w.to {
			return max(t, w.from), true
		}
	}
	return 0, false
}

// open sets the windows.
func (s *node) open(windows []span) {
	s.windows, s.hours = windows, span{math.Inf(-1), math.Inf(1)}
	if len(windows) > 0 {
		s.hours = windows[0]
	}
}

func (s *node) loss(t float64) float64 { return s.lost.at(t) }

// state is a tech after some stops of a route.
type state struct {
	at    int // node
	ready float64
	cost  float64
	load  float64
}

func (k *kernel) depart(v *van) state { return state{at: v.start, ready: v.from} }

// visit drives to a stop and works there; ok is false when a rule is broken.
// The stop a tech already drives to is not refused for its hours: it stays.
func (k *kernel) visit(v *van, s state, stop int) (state, bool) {
	n := &k.stops[stop]
	arc := s.at*k.nodes + stop
	t, ok := n.begin(s.ready + k.arcs[arc].seconds)
	if !ok || n.needs&^v.skills != 0 {
		return s, false
	}
	s.load += n.load
	if v.capacity > 0 && s.load > v.capacity {
		return s, false
	}
	s.cost += k.arcs[arc].money + n.loss(t)
	s.at, s.ready = stop, t+n.service
	return s, s.ready <= v.limit
}

// finish drives to the end of the shift.
func (k *kernel) finish(v *van, s state) (cost float64, ok bool) {
	cost, ready := s.cost, s.ready
	if !v.openEnd {
		arc := s.at*k.nodes + v.end
		cost += k.arcs[arc].money
		ready += k.arcs[arc].seconds
	}
	if ready > v.limit {
		return 0, false
	}
	return cost + max(0, ready-v.until)*k.overtime, true
}

// cost of a whole route; +Inf when a rule is broken.
func (k *kernel) cost(v *van, stops []int) float64 {
	if len(stops) == 0 {
		return 0
	}
	s, ok := k.depart(v), true
	for _, stop := range stops {
		if s, ok = k.visit(v, s, stop); !ok {
			return math.Inf(1)
		}
	}
	c, ok := k.finish(v, s)
	if !ok {
		return math.Inf(1)
	}
	return c
}

// solution is a route a van, and the stops left out.
type solution struct {
	routes [][]int
	costs  []float64
	out    []int
	total  float64 // routes and penalties
}

func (s *solution) clone() *solution {
	c := &solution{routes: make([][]int, len(s.routes)), costs: slices.Clone(s.costs), out: slices.Clone(s.out), total: s.total}
	for i, r := range s.routes {
		c.routes[i] = slices.Clone(r)
	}
	return c
}

func (s *solution) add(k *kernel) {
	s.total = 0
	for _, c := range s.costs {
		s.total += c
	}
	for _, o := range s.out {
		s.total += k.stops[o].penalty
	}
}

// exact finds the best order for one van by branch and bound: costs only
// grow, so a partial route dearer than the best whole one is dropped.
func (k *kernel) exact(stops []int) *solution {
	v := &k.vans[0]
	best := &solution{routes: make([][]int, 1), costs: make([]float64, 1), total: math.Inf(1)}
	var route []int
	used := make([]bool, len(stops))
	rest := 0.0
	for _, s := range stops {
		rest += k.stops[s].penalty
	}
	var grow func(s state, rest float64)
	grow = func(s state, rest float64) {
		if s.cost >= best.total {
			return
		}
		if len(route) >= v.fixed {
			c, ok := 0.0, true
			if len(route) > 0 {
				c, ok = k.finish(v, s)
			}
			if ok && c+rest < best.total {
				best.routes[0], best.costs[0], best.total = slices.Clone(route), c, c+rest
				best.out = best.out[:0]
				for i, u := range used {
					if !u {
						best.out = append(best.out, stops[i])
					}
				}
			}
		}
		for i, stop := range stops {
			if used[i] || len(route) < v.fixed && k.stops[stop].owner != 0 {
				continue
			}
			next, ok := k.visit(v, s, stop)
			if !ok {
				continue
			}
			used[i] = true
			route = append(route, stop)
			grow(next, rest-k.stops[stop].penalty)
			route = route[:len(route)-1]
			used[i] = false
		}
	}
	grow(k.depart(v), rest)
	return best
}
