package route

import (
	"cmp"
	"context"
	"math"
	"math/rand/v2"
	"slices"
)

// wheel draws one of several ways, those that did well more often.
type wheel struct{ weight, score, used []float64 }

func newWheel(n int) *wheel {
	w := &wheel{make([]float64, n), make([]float64, n), make([]float64, n)}
	for i := range w.weight {
		w.weight[i] = 1
	}
	return w
}

func (w *wheel) draw(rnd *rand.Rand) int {
	sum := 0.0
	for _, x := range w.weight {
		sum += x
	}
	x := rnd.Float64() * sum
	for i, y := range w.weight {
		if x -= y; x < 0 {
			return i
		}
	}
	return len(w.weight) - 1
}

func (w *wheel) learn() {
	for i := range w.weight {
		if w.used[i] > 0 {
			w.weight[i] = max(0.1, 0.9*w.weight[i]+0.1*w.score[i]/w.used[i])
		}
		w.score[i], w.used[i] = 0, 0
	}
}

// search improves a start for a number of iterations. A cancelled context
// ends it early with the best so far.
func (k *kernel) search(ctx context.Context, start *solution, iterations int, rnd *rand.Rand) *solution {
	for r := range start.routes {
		k.within(start, r)
	}
	start.add(k)
	best, now := start.clone(), start
	ruin, mend := newWheel(4), newWheel(8)
	for i := range iterations {
		if i%32 == 0 && ctx.Err() != nil {
			break
		}
		if len(best.out) > 0 && i > 0 && i%max(1, iterations/4) == 0 {
			if found := k.makeRoom(ctx, best, 50*iterations/k.n, rnd); found != nil {
				for r := range found.routes {
					k.within(found, r)
				}
				if found.add(k); found.total < best.total {
					best, now = found.clone(), found
				}
			}
		}
		served := 0
		for r := range now.routes {
			served += len(now.routes[r]) - k.vans[r].fixed
		}
		if served+len(now.out) == 0 {
			break
		}
		next := now.clone()
		how, by := ruin.draw(rnd), mend.draw(rnd)
		most := min(served, max(8, 4+min(20, served/4)))
		if served > 0 {
			k.ruin(next, how, 1+rnd.IntN(max(1, most)), rnd)
		}
		noise := 0.0
		if by >= 4 {
			noise = 0.15
		}
		k.repair(next, by%4, noise, rnd)
		ruin.used[how]++
		mend.used[by]++
		// The worsening that is accepted shrinks to nothing at the end.
		left := 1 - float64(i)/float64(iterations)
		routed := 0.0
		for _, c := range best.costs {
			routed += c
		}
		if next.total < best.total+0.01*routed*left {
			for r := range next.routes {
				if !slices.Equal(next.routes[r], now.routes[r]) {
					k.within(next, r)
				}
			}
			next.add(k)
		}
		score := 0.0
		if next.total < best.total-gain {
			best, score = next.clone(), 10
		} else if next.total < now.total-gain {
			score = 4
		}
		// While stops are left out, routes may grow more on the way to room for
		// them.
		slack := 0.03 * left * left
		if len(best.out) > 0 {
			slack = 0.1
		}
		if next.total < best.total+slack*routed*rnd.Float64() {
			if score == 0 {
				score = 1
			}
			now = next
		} else if i%400 == 399 {
			now = best.clone()
		}
		ruin.score[how] += score
		mend.score[by] += score
		if i%100 == 99 {
			ruin.learn()
			mend.learn()
		}
	}
	k.polish(best)
	return best
}

// ruin takes count stops out of their routes.
func (k *kernel) ruin(sol *solution, how, count int, rnd *rand.Rand) {
	var movable []int
	for r, route := range sol.routes {
		movable = append(movable, route[k.vans[r].fixed:]...)
	}
	gone := make([]bool, k.n)
	switch how {
	case 0: // at random
		for _, i := range rnd.Perm(len(movable))[:count] {
			gone[movable[i]] = true
		}
	case 1: // near one another
		seed := movable[rnd.IntN(len(movable))]
		slices.SortFunc(movable, func(a, b int) int {
			return cmp.Or(cmp.Compare(k.apart(seed, a), k.apart(seed, b)), cmp.Compare(a, b))
		})
		for range count {
			i := int(math.Pow(rnd.Float64(), 4) * float64(len(movable)))
			gone[movable[i]] = true
			movable = slices.Delete(movable, i, i+1)
		}
	case 2: // dear where they are
		saving := make([]float64, k.n)
		for r, route := range sol.routes {
			for p := k.vans[r].fixed; p < len(route); p++ {
				without := slices.Delete(slices.Clone(route), p, p+1)
				saving[route[p]] = sol.costs[r] - k.cost(&k.vans[r], without)
			}
		}
		slices.SortFunc(movable, func(a, b int) int {
			return cmp.Or(cmp.Compare(saving[b], saving[a]), cmp.Compare(a, b))
		})
		for range count {
			i := int(math.Pow(rnd.Float64(), 3) * float64(len(movable)))
			gone[movable[i]] = true
			movable = slices.Delete(movable, i, i+1)
		}
	case 3: // stretches of neighbouring routes
		seed := movable[rnd.IntN(len(movable))]
		slices.SortFunc(movable, func(a, b int) int {
			return cmp.Or(cmp.Compare(k.apart(seed, a), k.apart(seed, b)), cmp.Compare(a, b))
		})
		touched := make([]bool, len(sol.routes))
		for _, near := range movable {
			if count <= 0 {
				break
			}
			for r, route := range sol.routes {
				p := slices.Index(route, near)
				if p < 0 || touched[r] {
					continue
				}
				touched[r] = true
				fixed := k.vans[r].fixed
				length := min(1+rnd.IntN(10), len(route)-fixed, count)
				from := max(fixed, min(p-rnd.IntN(length), len(route)-length))
				for _, s := range route[from : from+length] {
					gone[s] = true
				}
				count -= length
			}
		}
	}
	for r, route := range sol.routes {
		kept := route[:0]
		for _, s := range route {
			if gone[s] {
				sol.out = append(sol.out, s)
			} else {
				kept = append(kept, s)
			}
		}
		if len(kept) != len(route) {
			sol.routes[r] = kept
			sol.costs[r] = k.cost(&k.vans[r], kept)
		}
	}
}

// apart is how far two stops are from being neighbours on a route, seconds.
func (k *kernel) apart(a, b int) float64 {
	d := k.arcs[a*k.nodes+b].seconds
	if wa, wb := k.stops[a].windows, k.stops[b].windows; len(wa) > 0 && len(wb) > 0 {
		d += math.Abs(wa[0].from+wa[0].to-wb[0].from-wb[0].to) / 4
	}
	return d
}
