package route

import (
	"math"
	"math/rand/v2"
	"slices"
)

// spot is the cheapest place for a stop in one route.
type spot struct {
	position int
	extra    float64
}

// best finds the cheapest place for stop in route r; extra is +Inf if none.
// before is the state ahead of each position, from trace.
func (k *kernel) best(sol *solution, r, stop int, before []state) spot {
	v, route := &k.vans[r], sol.routes[r]
	found := spot{extra: math.Inf(1)}
	if k.stops[stop].needs&^v.skills != 0 {
		return found
	}
	for p, s := range before {
		if p >= v.fixed {
			limit := sol.costs[r] + found.extra
			if at, ok := k.visit(v, s, stop); ok && k.atLeast(v, s, at, route[p:]) < found.extra {
				if c := k.onwards(v, at, route[p:], limit); c < limit {
					found = spot{p, c - sol.costs[r]}
				}
			}
		}
	}
	return found
}

// trace appends to into the state ahead of each position of a route, and at
// its end.
func (k *kernel) trace(v *van, route []int, into []state) []state {
	s := k.depart(v)
	into = append(into, s)
	for _, stop := range route {
		s, _ = k.visit(v, s, stop)
		into = append(into, s)
	}
	return into
}

// atLeast is what going from s by way of at to rest costs more than going
// straight, all delays further on left aside: it only saves work.
func (k *kernel) atLeast(v *van, s, at state, rest []int) float64 {
	extra := at.cost - s.cost
	next := v.end
	if len(rest) > 0 {
		next = rest[0]
	} else if v.openEnd {
		return extra
	}
	return extra + k.money[at.at*k.nodes+next] - k.money[s.at*k.nodes+next]
}

// repair inserts what is left out: in each round the stop that loses most by
// waiting (the sum of what its 2nd … depth-th best route costs over its best).
// Depth 1 takes the cheapest first, 0 any. noise > 0 blurs the costs by up to that share.
func (k *kernel) repair(sol *solution, depth int, noise float64, rnd *rand.Rand) {
	routes := len(k.vans)
	open := slices.Clone(sol.out)
	table := make([]spot, len(open)*routes)
	before := make([][]state, routes)
	for r := range routes {
		before[r] = k.trace(&k.vans[r], sol.routes[r], make([]state, 0, len(sol.routes[r])+8))
	}
	blur := func(s spot) spot {
		if noise > 0 {
			s.extra *= 1 + noise*(2*rnd.Float64()-1)
		}
		return s
	}
	for i, stop := range open {
		for r := range routes {
			table[i*routes+r] = blur(k.best(sol, r, stop, before[r]))
		}
	}
	done := make([]bool, len(open))
	least := make([]float64, routes)
	for range open {
		pick, into, most := -1, -1, math.Inf(-1)
		for i := range open {
			if done[i] {
				continue
			}
			row := table[i*routes : (i+1)*routes]
			cheapest := 0
			for r := range row {
				least[r] = row[r].extra
				if row[r].extra < row[cheapest].extra {
					cheapest = r
				}
			}
			first := row[cheapest].extra
			if math.IsInf(first, 1) {
				continue
			}
			regret := -first
			if depth == 0 {
				regret = rnd.Float64()
			}
			if depth > 1 {
				slices.Sort(least)
				regret = -first * 1e-6
				for _, e := range least[1:min(depth, routes)] {
					regret += min(e, k.stops[open[i]].penalty) - first
				}
			}
			if regret > most {
				pick, into, most = i, cheapest, regret
			}
		}
		if pick < 0 {
			break
		}
		stop := open[pick]
		sol.routes[into] = slices.Insert(sol.routes[into], table[pick*routes+into].position, stop)
		sol.costs[into] = k.cost(&k.vans[into], sol.routes[into])
		before[into] = k.trace(&k.vans[into], sol.routes[into], before[into][:0])
		done[pick] = true
		for i, other := range open {
			if !done[i] {
				table[i*routes+into] = blur(k.best(sol, into, other, before[into]))
			}
		}
	}
	sol.out = sol.out[:0]
	for i, stop := range open {
		if !done[i] {
			sol.out = append(sol.out, stop)
		}
	}
	sol.add(k)
}
