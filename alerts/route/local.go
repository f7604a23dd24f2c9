package route

import (
	"math"
	"slices"
)

const gain = 1e-9 // money below which a move is no improvement

// within improves one route by 2-opt (turn a stretch round) and Or-opt (move
// up to three stops elsewhere, either way round) until neither helps.
func (k *kernel) within(sol *solution, r int) {
	v, route := &k.vans[r], sol.routes[r]
	before, after := k.before[0], &k.after[0]
	learn := func() {
		before = k.trace(v, route, before[:0])
		k.follow(v, route, before, after)
	}
	defer func() { k.before[0] = before }()
	learn()
	// Each try is a way from before[i] to what follows route[p:].
	try := func(s state, ok bool, p int) bool {
		limit := sol.costs[r] - gain
		return ok && s.cost < limit && k.join(v, s, route, p, before, after, limit) < limit
	}
	// changed takes a better route as driven, which may tell it from a try in the last
	// digit.
	changed := func(from int, put func(stretch []int)) bool {
		old := append(k.scratch[:0], route...)
		k.scratch = old
		put(route[from:])
		if c := k.cost(v, route); c < sol.costs[r]-gain/2 {
			sol.costs[r] = c
			learn()
			return true
		}
		copy(route, old)
		return false
	}
	for improved := true; improved; {
		improved = false
		for i := v.fixed; i < len(route); i++ {
			for j := i + 1; j < len(route); j++ {
				s, ok := k.back(v, before[i], route[i:j+1])
				if try(s, ok, j+1) && changed(i, func(x []int) { slices.Reverse(x[:j+1-i]) }) {
					improved = true
				}
			}
		}
		for size := 1; size <= 3; size++ {
			for i := v.fixed; i+size <= len(route); i++ {
				for p := v.fixed; p+size <= len(route); p++ {
					if p == i {
						continue
					}
					// The stretch between is driven before or after.
					for turned := range min(size, 2) {
						drive := k.forth
						if turned == 1 {
							drive = k.back
						}
						from, to := min(p, i), max(p, i)+size
						var s state
						var ok bool
						if p < i {
							if s, ok = drive(v, before[p], route[i:i+size]); ok {
								s, ok = k.forth(v, s, route[p:i])
							}
						} else if s, ok = k.forth(v, before[i], route[i+size:p+size]); ok {
							s, ok = drive(v, s, route[i:i+size])
						}
						if !try(s, ok, to) {
							continue
						}
						if changed(from, func(x []int) {
							var moved [3]int
							copy(moved[:], route[i:i+size])
							if turned == 1 {
								slices.Reverse(moved[:size])
							}
							if p < i {
								copy(x[size:], x[:i-p])
								copy(x, moved[:size])
							} else {
								copy(x, x[size:p-i+size])
								copy(x[p-i:], moved[:size])
							}
						}) {
							improved = true
							break
						}
					}
				}
			}
		}
	}
}

// forth drives to stops one after another.
func (k *kernel) forth(v *van, s state, stops []int) (state, bool) {
	ok := true
	for _, stop := range stops {
		if s, ok = k.visit(v, s, stop); !ok {
			return s, false
		}
	}
	return s, true
}

// back drives to stops from the last to the first.
func (k *kernel) back(v *van, s state, stops []int) (state, bool) {
	ok := true
	for i := len(stops) - 1; i >= 0; i-- {
		if s, ok = k.visit(v, s, stops[i]); !ok {
			return s, false
		}
	}
	return s, true
}

// onwards is the cost of a route that has come to s and goes on with stops, given up as
// soon as it passes limit.
func (k *kernel) onwards(v *van, s state, stops []int, limit float64) float64 {
	ok := true
	for _, stop := range stops {
		if s, ok = k.visit(v, s, stop); !ok || s.cost >= limit {
			return math.Inf(1)
		}
	}
	c, ok := k.finish(v, s)
	if !ok {
		return math.Inf(1)
	}
	return c
}

// between improves two routes by CROSS exchange of stretches of up to two
// stops (relocation is a stretch against none, exchange one against one) and
// 2-opt* (the tails change hands). It reports whether it did.
func (k *kernel) between(sol *solution, r, q int) bool {
	any := false
	vr, vq := &k.vans[r], &k.vans[q]
	var limit float64
	take := func(tryR, tryQ []int) bool {
		cr, cq := k.cost(vr, tryR), k.cost(vq, tryQ)
		if cr+cq >= limit+gain/2 {
			return false
		}
		sol.routes[r], sol.routes[q] = tryR, tryQ
		sol.costs[r], sol.costs[q] = cr, cq
		any = true
		return true
	}
again:
	a, b := sol.routes[r], sol.routes[q]
	limit = sol.costs[r] + sol.costs[q] - gain
	for x, i := range [2]int{r, q} {
		k.before[x] = k.trace(&k.vans[i], sol.routes[i], k.before[x][:0])
		k.follow(&k.vans[i], sol.routes[i], k.before[x], &k.after[x])
	}
	beforeR, beforeQ := k.before[0], k.before[1]
	// part is the cost of a route in which stops stand in the place of route[i:p].
	part := func(v *van, route []int, before []state, after *rest, i, p int, stops []int, limit float64) float64 {
		if i == 0 && len(stops) == 0 && p == len(route) {
			return 0
		}
		s, ok := k.forth(v, before[i], stops)
		if !ok || s.cost >= limit {
			return math.Inf(1)
		}
		return k.join(v, s, route, p, before, after, limit)
	}
	tail := func(v *van, s state, ahead int, stops []int, limit float64) float64 {
		if ahead == 0 && len(stops) == 0 {
			return 0
		}
		return k.onwards(v, s, stops, limit)
	}
	for i := vr.fixed; i <= len(a); i++ {
		for j := vq.fixed; j <= len(b); j++ {
			for n := 0; n <= 2 && i+n <= len(a); n++ {
				for m := 0; m <= 2 && j+m <= len(b); m++ {
					if n == 0 && m == 0 {
						continue
					}
					cr := part(vr, a, beforeR, &k.after[0], i, i+n, b[j:j+m], limit)
					if cr >= limit || cr+part(vq, b, beforeQ, &k.after[1], j, j+m, a[i:i+n], limit-cr) >= limit {
						continue
					}
					if take(slices.Concat(a[:i], b[j:j+m], a[i+n:]), slices.Concat(b[:j], a[i:i+n], b[j+m:])) {
						goto again
					}
				}
			}
			cr := tail(vr, beforeR[i], i, b[j:], limit)
			if cr >= limit || cr+tail(vq, beforeQ[j], j, a[i:], limit-cr) >= limit {
				continue
			}
			if take(slices.Concat(a[:i], b[j:]), slices.Concat(b[:j], a[i:])) {
				goto again
			}
		}
	}
	return any
}

// polish runs both to a local optimum.
func (k *kernel) polish(sol *solution) {
	for r := range sol.routes {
		k.within(sol, r)
	}
	for improved := true; improved; {
		improved = false
		for r := range sol.routes {
			for q := range r {
				if k.between(sol, q, r) {
					improved = true
					k.within(sol, q)
					k.within(sol, r)
				}
			}
		}
	}
	sol.add(k)
}
