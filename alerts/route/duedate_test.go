package route

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Jackson 1955: with no driving, the order of due dates minimises the greatest
// lateness. Here lateness costs so much more the greater it is that the dearest
// plan is the one with the greatest lateness; whatever the due dates, kept or not,
// the plan's greatest lateness is that of the order of due dates, and no order has
// less (all are tried up to six stops).
func TestEarliestDueDateHasTheLeastLateness(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		n := rapid.IntRange(2, 8).Draw(t, "stops")
		now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
		service, due := make([]int, n), make([]int, n) // in units of 10 min
		for i := range n {
			service[i], due[i] = 1+rnd.IntN(4), rnd.IntN(2*n)
		}
		lateness := func(order []int) int {
			at, worst := 0, 0
			for _, i := range order {
				worst = max(worst, at-due[i]) // by the beginning of the work
				at += service[i]
			}
			return worst
		}
		order := make([]int, n)
		for i := range order {
			order[i] = i
		}
		// By the beginning, the last date is that of the end less the work: Jackson's
		// rule orders by the due date of the end.
		slices.SortStableFunc(order, func(a, b int) int { return due[a] + service[a] - due[b] - service[b] })
		rule := lateness(order)
		if n <= 6 {
			least := math.MaxInt
			permute(order, func(o []int) { least = min(least, lateness(o)) })
			if rule != least {
				t.Fatalf("by due dates %d late, another order %d: due %v, work %v", rule, least, due, service)
			}
		}
		p := Problem{Now: now, Costs: DefaultCosts, Techs: []Tech{{ID: "a", From: now, Until: now.Add(24 * time.Hour)}}}
		step := func(u int) time.Time { return now.Add(time.Duration(u) * 10 * time.Minute) }
		for i := range n {
			s := Stop{ID: fmt.Sprint(i), Service: time.Duration(service[i]) * 10 * time.Minute}
			value := 1.0
			for late := 1; late <= 40; late++ { // each further unit of lateness costs ten times the last
				s.Jobs = append(s.Jobs, Job{Machine: fmt.Sprint(i), Loss: Loss{Value: value, Probability: 1, Early: step(due[i] + late - 1), Late: step(due[i] + late - 1).Add(time.Second)}})
				if late < 12 {
					value *= 10
				}
			}
			p.Stops = append(p.Stops, s)
		}
		if rule >= 12 {
			return // beyond what a float64 can tell apart
		}
		plan := make1(t, p, Options{})
		var got []int
		for _, v := range plan.Routes[0].Visits {
			got = append(got, slices.IndexFunc(p.Stops, func(s Stop) bool { return s.ID == v.Stop.ID }))
		}
		if len(got) != n || lateness(got) != rule {
			t.Fatalf("the plan %v is %d late, the order of due dates %v is %d", got, lateness(got), order, rule)
		}
	})
}

// permute calls f with every order of a list.
func permute(list []int, f func([]int)) {
	var grow func(n int)
	grow = func(n int) {
		if n == len(list) {
			f(list)
			return
		}
		for i := n; i < len(list); i++ {
			list[n], list[i] = list[i], list[n]
			grow(n + 1)
			list[n], list[i] = list[i], list[n]
		}
	}
	grow(0)
}

// With no driving and every stop due exactly when those before it are done, the
// plan is the order of due dates: no other keeps them all.
func TestEarliestDueDateFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		n := rapid.IntRange(2, 8).Draw(t, "stops")
		now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
		p := Problem{Now: now, Costs: DefaultCosts, Techs: []Tech{{ID: "a", From: now, Until: now.Add(24 * time.Hour)}}}
		var due time.Duration
		for i := range n {
			service := time.Duration(10+rnd.IntN(50)) * time.Minute
			// Due exactly when the stops before it are done: only this order
			// is never late.
			p.Stops = append(p.Stops, Stop{ID: fmt.Sprint(i), Service: service, Jobs: []Job{{Machine: fmt.Sprint(i),
				Loss: Loss{Value: 100, Probability: 1, Early: now.Add(due), Late: now.Add(due + time.Minute)}}}})
			due += service
		}
		rnd.Shuffle(n, func(i, j int) { p.Stops[i], p.Stops[j] = p.Stops[j], p.Stops[i] })
		for _, o := range []Options{{}, {Exact: -1, Iterations: 300}} {
			plan := make1(t, p, o)
			for i, v := range plan.Routes[0].Visits {
				if v.Stop.ID != fmt.Sprint(i) || v.Late() {
					t.Fatalf("stop %s comes as number %d, late %v", v.Stop.ID, i, v.Late())
				}
			}
			if len(plan.Routes[0].Visits) != n || plan.Loss > 1e-6 {
				t.Fatalf("%d of %d stops, loss %g", len(plan.Routes[0].Visits), n, plan.Loss)
			}
		}
	})
}
