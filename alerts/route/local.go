package route

import (
	"math"
	"slices"
)

const gain = 1e-9 // money below which a move is no improvement

// within improves one route by 2-opt (turn a stretch round) and Or-opt (move
// up to three stops elsewhere, either way round) until neither helps.
func (k *kernel) within(sol *solution, r int) {
	v := &k.vans[r]
	try := make([]int, 0, len(sol.routes[r]))
	for improved := true; improved; {
		improved = false
		route := sol.routes[r]
		consider := func() bool {
			if c := k.cheaper(v, try, sol.costs[r]-gain); c < sol.costs[r]-gain {
				copy(route, try)
				sol.costs[r] = c
				improved = true
				return true
			}
			return false
		}
		for i := v.fixed; i < len(route); i++ {
			for j := i + 1; j < len(route); j++ {
				try = append(try[:0], route...)
				slices.Reverse(try[i : j+1])
				consider()
			}
		}
		for size := 1; size <= 3; size++ {
			for i := v.fixed; i+size <= len(route); i++ {
				for p := v.fixed; p+size <= len(route); p++ {
					if p == i {
						continue
					}
					segment := [3]int{}
					copy(segment[:], route[i:i+size])
					try = append(append(try[:0], route[:i]...), route[i+size:]...)
					try = slices.Insert(try, p, segment[:size]...)
					if consider() {
						continue
					}
					if size > 1 {
						slices.Reverse(try[p : p+size])
						consider()
					}
				}
			}
		}
	}
}

// cheaper is cost, given up as soon as it passes limit.
func (k *kernel) cheaper(v *van, stops []int, limit float64) float64 {
	return k.onwards(v, k.depart(v), stops, limit)
}

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
	var tryR, tryQ []int
	var beforeR, beforeQ []state
	// consider evaluates both tries, which are unchanged ahead of i and j.
	consider := func(i, j int) bool {
		limit := sol.costs[r] + sol.costs[q] - gain
		var cr, cq float64
		if len(tryR) > 0 {
			cr = k.onwards(&k.vans[r], beforeR[i], tryR[i:], limit)
		}
		if cr >= limit {
			return false
		}
		if len(tryQ) > 0 {
			cq = k.onwards(&k.vans[q], beforeQ[j], tryQ[j:], limit-cr)
		}
		if cr+cq >= limit {
			return false
		}
		sol.routes[r], sol.routes[q] = slices.Clone(tryR), slices.Clone(tryQ)
		sol.costs[r], sol.costs[q] = cr, cq
		any = true
		return true
	}
	fr, fq := k.vans[r].fixed, k.vans[q].fixed
again:
	a, b := sol.routes[r], sol.routes[q]
	beforeR, beforeQ = k.trace(&k.vans[r], a, beforeR[:0]), k.trace(&k.vans[q], b, beforeQ[:0])
	for i := fr; i <= len(a); i++ {
		for j := fq; j <= len(b); j++ {
			for n := 0; n <= 2 && i+n <= len(a); n++ {
				for m := 0; m <= 2 && j+m <= len(b); m++ {
					if n == 0 && m == 0 {
						continue
					}
					tryR = append(append(append(tryR[:0], a[:i]...), b[j:j+m]...), a[i+n:]...)
					tryQ = append(append(append(tryQ[:0], b[:j]...), a[i:i+n]...), b[j+m:]...)
					if consider(i, j) {
						goto again
					}
				}
			}
			tryR = append(append(tryR[:0], a[:i]...), b[j:]...)
			tryQ = append(append(tryQ[:0], b[:j]...), a[i:]...)
			if consider(i, j) {
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
