package route

import (
	"context"
	"math/rand/v2"
	"slices"
)

// room is how many stops may be left out for it to be worth making room for them
// one by one; where more are, the shifts are plainly full.
const room = 5

// makeRoom tries to serve stops that are left out though each could be served alone:
// it puts one in, throws out those that are in the way and have been the least
// trouble so far, and goes on with them (ejection pool with guidance; Nagata &
// Bräysy 2009, Operations Research Letters 37; from memory). It looks at rules
// only, not at money, so what it finds wants improving. It returns nil where it
// finds no way within the rounds.
func (k *kernel) makeRoom(ctx context.Context, from *solution, rounds int, rnd *rand.Rand) *solution {
	sol := from.clone()
	var pool, rest []int
	for _, stop := range sol.out {
		if k.servable(stop) {
			pool = append(pool, stop)
		} else {
			rest = append(rest, stop)
		}
	}
	if len(pool) == 0 || len(pool) > room {
		return nil
	}
	trouble := make([]int, k.n)
	for i := range trouble {
		trouble[i] = 1
	}
	for round := 0; len(pool) > 0; round++ {
		if round >= rounds || ctx.Err() != nil {
			return nil
		}
		stop := pool[len(pool)-1]
		pool = pool[:len(pool)-1]
		if k.putAnywhere(sol, stop, rnd) {
			continue
		}
		trouble[stop]++
		gone, ok := k.ejection(sol, stop, trouble, rnd)
		if !ok {
			pool = slices.Insert(pool, 0, stop) // another one first
		}
		pool = append(pool, gone...)
		for range k.n {
			k.shake(sol, rnd)
		}
	}
	for r := range sol.routes {
		sol.costs[r] = k.cost(&k.vans[r], sol.routes[r])
	}
	sol.out = rest
	sol.add(k)
	return sol
}

// servable reports whether any van could go there and nowhere else.
func (k *kernel) servable(stop int) bool {
	for r := range k.vans {
		v := &k.vans[r]
		if v.fixed == 0 && k.feasible(v, []int{stop}) {
			return true
		}
	}
	return false
}

// feasible reports whether a route breaks no rule.
func (k *kernel) feasible(v *van, stops []int) bool {
	s, ok := k.depart(v), true
	for _, stop := range stops {
		if s, ok = k.visit(v, s, stop); !ok {
			return false
		}
	}
	_, ok = k.finish(v, s)
	return ok
}

// places calls f with each place in a route where the stop breaks no rule. Where the
// stop itself comes too late, or finds no room, it does so further on as well.
func (k *kernel) places(v *van, route []int, stop int, f func(p int)) {
	s, ok := k.depart(v), true
	for p := 0; ; p++ {
		if p >= v.fixed {
			at, ok := k.visit(v, s, stop)
			if !ok {
				return
			}
			for _, next := range route[p:] {
				if at, ok = k.visit(v, at, next); !ok {
					break
				}
			}
			if ok {
				if _, ok = k.finish(v, at); ok {
					f(p)
				}
			}
		}
		if p == len(route) {
			return
		}
		if s, ok = k.visit(v, s, route[p]); !ok {
			return
		}
	}
}

// putAnywhere puts a stop into a place that breaks no rule, any of them.
func (k *kernel) putAnywhere(sol *solution, stop int, rnd *rand.Rand) bool {
	seen, into, at := 0, 0, 0
	for r, route := range sol.routes {
		k.places(&k.vans[r], route, stop, func(p int) {
			if seen++; rnd.IntN(seen) == 0 {
				into, at = r, p
			}
		})
	}
	if seen > 0 {
		sol.routes[into] = slices.Insert(sol.routes[into], at, stop)
	}
	return seen > 0
}

// ejection puts a stop in the place of up to three others of one route that have
// been less trouble together than it has, the least of all, and returns them.
func (k *kernel) ejection(sol *solution, stop int, trouble []int, rnd *rand.Rand) (gone []int, ok bool) {
	least, seen := trouble[stop], 0
	var best, base []int
	into := -1
	consider := func(r int, out ...int) {
		sum := 0
		for _, i := range out {
			sum += trouble[sol.routes[r][i]]
		}
		if sum > least || into < 0 && sum == least {
			return
		}
		base = base[:0]
		for i, s := range sol.routes[r] {
			if !slices.Contains(out, i) {
				base = append(base, s)
			}
		}
		k.places(&k.vans[r], base, stop, func(p int) {
			if sum < least {
				least, seen = sum, 0
			}
			if seen++; rnd.IntN(seen) == 0 {
				best, into, gone = slices.Insert(slices.Clone(base), p, stop), r, gone[:0]
				for _, i := range out {
					gone = append(gone, sol.routes[r][i])
				}
			}
		})
	}
	for r, route := range sol.routes {
		if k.stops[stop].needs&^k.vans[r].skills != 0 {
			continue
		}
		for a := k.vans[r].fixed; a < len(route); a++ {
			consider(r, a)
			if len(route) > 30 {
				continue
			}
			for b := a + 1; b < len(route); b++ {
				consider(r, a, b)
				if len(route) > 12 {
					continue
				}
				for c := b + 1; c < len(route); c++ {
					consider(r, a, b, c)
				}
			}
		}
	}
	if into < 0 {
		return nil, false
	}
	sol.routes[into] = best
	return gone, true
}

// shake moves a stop, or exchanges two, where that breaks no rule: for the next one
// to find another picture.
func (k *kernel) shake(sol *solution, rnd *rand.Rand) {
	r, q := rnd.IntN(len(sol.routes)), rnd.IntN(len(sol.routes))
	a, b := sol.routes[r], sol.routes[q]
	fr, fq := k.vans[r].fixed, k.vans[q].fixed
	if len(a) <= fr || r == q {
		return
	}
	i := fr + rnd.IntN(len(a)-fr)
	if rnd.IntN(2) == 0 || len(b) <= fq {
		to := slices.Insert(slices.Clone(b), fq+rnd.IntN(len(b)-fq+1), a[i])
		if k.feasible(&k.vans[q], to) {
			sol.routes[r], sol.routes[q] = slices.Delete(slices.Clone(a), i, i+1), to
		}
		return
	}
	j := fq + rnd.IntN(len(b)-fq)
	x, y := slices.Clone(a), slices.Clone(b)
	x[i], y[j] = y[j], x[i]
	if k.feasible(&k.vans[r], x) && k.feasible(&k.vans[q], y) {
		sol.routes[r], sol.routes[q] = x, y
	}
}
