package route

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
)

// Two vans, each full of stops that must be where they are in time, and one stop
// left out that fits only once another has moved to the other van. Putting it in
// where there is room finds nothing; making room does.
func TestRoomIsMadeForAStopLeftOut(t *testing.T) {
	now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	at := func(h int) time.Time { return now.Add(time.Duration(h) * time.Hour) }
	p := Problem{Now: now, Costs: DefaultCosts, Parts: DefaultParts()}
	for i := range 2 {
		p.Techs = append(p.Techs, Tech{ID: fmt.Sprint(i), From: now, Until: at(4)})
	}
	p.Techs[0].Skills = Electrician
	stop := func(id string, from, to int, needs Skills) {
		p.Stops = append(p.Stops, Stop{ID: id, Service: time.Hour, Needs: needs, Windows: []Window{{at(from), at(to)}}})
	}
	stop("a", 0, 1, 0)
	stop("b", 1, 2, 0) // either van
	stop("c", 2, 3, 0)
	stop("d", 0, 1, 0)
	stop("e", 3, 4, 0)
	stop("f", 1, 2, Electrician) // only van 0, in the hour of b
	k, _, err := compile(context.Background(), &p)
	if err != nil {
		t.Fatal(err)
	}
	sol := &solution{routes: [][]int{{0, 1, 2}, {3, 4}}, costs: make([]float64, 2), out: []int{5}}
	for r := range sol.routes {
		sol.costs[r] = k.cost(&k.vans[r], sol.routes[r])
	}
	sol.add(k)
	rnd := rand.New(rand.NewPCG(1, 1))
	if k.putAnywhere(sol.clone(), 5, rnd) {
		t.Fatal("there was room all along: the test shows nothing")
	}
	found := k.makeRoom(t.Context(), sol, 100, rnd)
	if found == nil || len(found.out) != 0 || len(sol.out) != 1 {
		t.Fatalf("%+v, from %+v", found, sol)
	}
	seen := map[int]bool{}
	for r, route := range found.routes {
		if !k.feasible(&k.vans[r], route) {
			t.Errorf("van %d: %v breaks a rule", r, route)
		}
		for _, s := range route {
			seen[s] = true
		}
	}
	if len(seen) != len(p.Stops) {
		t.Errorf("%v", found.routes)
	}
	// What nobody may do is no reason to throw others out.
	p.Stops[5].Needs = RefrigerationMechanic
	k, _, _ = compile(context.Background(), &p)
	if k.makeRoom(t.Context(), sol, 100, rnd) != nil {
		t.Error("room was made for a stop nobody may serve")
	}
}
