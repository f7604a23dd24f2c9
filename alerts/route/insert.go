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
// before is the state ahead of each position, from trace, and after the rests behind
// it, from follow.
func (k *kernel) best(sol *solution, r, stop int, before []state, after *rest) spot {
	v, route := &k.vans[r], sol.routes[r]
	found := spot{extra: math.Inf(1)}
	n := &k.stops[stop]
	if n.needs&^v.skills != 0 || v.capacity > 0 && before[len(route)].load+n.load > v.capacity {
		return found
	}
	leave := stop * k.nodes
	for p := v.fixed; p <= len(route); p++ {
		s := &before[p]
		at, ok := k.visit(v, *s, stop)
		if !ok {
			// Whoever comes later is too late as well.
			break
		}
		if next := v.end; p < len(route) || !v.openEnd {
			if p < len(route) {
				next = route[p]
			}
			// All delays further on left aside: it only saves work.
			if at.cost-s.cost+k.arcs[leave+next].money-k.arcs[s.at*k.nodes+next].money >= found.extra {
				continue
			}
		}
		limit := sol.costs[r] + found.extra
		c := k.join(v, at, sol.routes[r], p, before, after, limit)
		if c < limit {
			found = spot{p, c - sol.costs[r]}
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

// repair inserts what is left out: in each round the stop that loses most by
// waiting (the sum of what its 2nd … depth-th best route costs over its best).
// Depth 1 takes the cheapest first, 0 any. noise > 0 blurs the costs by up to that share.
func (k *kernel) repair(sol *solution, depth int, noise float64, rnd *rand.Rand) {
	routes := len(k.vans)
	open := slices.Clone(sol.out)
	table := make([]spot, len(open)*routes)
	before, after := k.before, k.after
	learn := func(r int) {
		before[r] = k.trace(&k.vans[r], sol.routes[r], before[r][:0])
		k.follow(&k.vans[r], sol.routes[r], before[r], &after[r])
	}
	for r := range routes {
		learn(r)
	}
	blur := func(s spot) spot {
		if noise > 0 {
			s.extra *= 1 + noise*(2*rnd.Float64()-1)
		}
		return s
	}
	for i, stop := range open {
		for r := range routes {
			table[i*routes+r] = blur(k.best(sol, r, stop, before[r], &after[r]))
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
		learn(into)
		done[pick] = true
		for i, other := range open {
			if !done[i] {
				table[i*routes+into] = blur(k.best(sol, into, other, before[into], &after[into]))
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
