package route

import (
	"context"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"coilward/detect/fault"
)

func make1(t interface {
	Helper()
	Fatal(...any)
}, p Problem, o Options) *Plan {
	t.Helper()
	plan, err := Make(context.Background(), p, o)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

// obeys checks a plan's hard rules from its visible times alone.
func obeys(t interface {
	Helper()
	Fatalf(string, ...any)
}, p Problem, plan *Plan) {
	t.Helper()
	seen := map[string]int{}
	for _, r := range plan.Routes {
		ready := r.Tech.From
		if ready.Before(p.Now) {
			ready = p.Now
		}
		for _, v := range r.Visits {
			seen[v.Stop.ID]++
			if d := v.Arrive.Sub(ready.Add(v.Drive)); d < -time.Millisecond || d > time.Millisecond {
				t.Fatalf("%s: arrives %v off", v.Stop.ID, d)
			}
			ready = v.Leave
			if v.Begin.Before(v.Arrive) || v.Leave.Sub(v.Begin) < v.Stop.Service-time.Millisecond {
				t.Fatalf("%s: arrive %v begin %v leave %v", v.Stop.ID, v.Arrive, v.Begin, v.Leave)
			}
			if v.Stop.ID == r.Tech.DrivingTo {
				continue
			}
			inside := len(v.Stop.Windows) == 0
			for _, w := range v.Stop.Windows {
				inside = inside || !v.Begin.Before(w.Open.Add(-time.Millisecond)) && !v.Leave.After(w.Close.Add(time.Millisecond))
			}
			if !inside || v.Stop.Needs&^r.Tech.Skills != 0 {
				t.Fatalf("%s: outside opening hours or skills", v.Stop.ID)
			}
		}
		if len(r.Visits) > 0 && r.Tech.DrivingTo == "" && r.Back.After(r.Tech.Until.Add(r.Tech.MaxOvertime+time.Millisecond)) {
			t.Fatalf("%s is back at %v", r.Tech.ID, r.Back)
		}
	}
	for _, l := range plan.LeftOut {
		seen[l.Stop.ID]++
		if l.Reason == "" {
			t.Fatalf("%s is left out without a reason", l.Stop.ID)
		}
	}
	for _, s := range p.Stops {
		if seen[s.ID] != 1 {
			t.Fatalf("stop %s is planned %d times", s.ID, seen[s.ID])
		}
	}
}

func TestRulesHoldAndPlansRepeat(t *testing.T) {
	for seed := range uint64(12) {
		rnd := rand.New(rand.NewPCG(seed, 2))
		p := region(rnd, 20+rnd.IntN(20), 2+rnd.IntN(3))
		p.Techs[0].Skills = 0
		for i := range p.Stops {
			if i%4 == 0 {
				p.Stops[i].Needs = RefrigerationMechanic
			}
			if i%5 == 0 {
				p.Stops[i].Optional, p.Stops[i].MaxDetour = true, 10*time.Minute
			}
		}
		a, b := make1(t, p, Options{Iterations: 200, Seed: 7}), make1(t, p, Options{Iterations: 200, Seed: 7})
		obeys(t, p, a)
		if !reflect.DeepEqual(a, b) {
			t.Errorf("seed %d: the same problem gave two plans", seed)
		}
	}
}

func TestReplanKeepsTheStopBeingDrivenTo(t *testing.T) {
	for seed := range uint64(12) {
		rnd := rand.New(rand.NewPCG(seed, 3))
		p := region(rnd, 14, 2)
		plan := make1(t, p, Options{Iterations: 200})
		driving := plan.Routes[0].Visits[1]
		now := driving.Arrive.Add(-driving.Drive / 2)
		q := Resume(p, plan, now, nil)
		if q.Techs[0].DrivingTo != driving.Stop.ID {
			t.Fatalf("seed %d: drives to %q, want %q", seed, q.Techs[0].DrivingTo, driving.Stop.ID)
		}
		first := plan.Routes[0].Visits[0].Stop.ID
		if slices.ContainsFunc(q.Stops, func(s Stop) bool { return s.ID == first }) {
			t.Errorf("seed %d: the finished stop is still there", seed)
		}
		q.Stops = append(q.Stops, Stop{ID: "new", Place: q.Techs[0].Start, Service: 15 * time.Minute,
			Jobs: []Job{{Machine: "new", Loss: Loss{Value: 5000, Probability: 1, Early: now, Late: now.Add(time.Hour)}}}})
		again := make1(t, q, Options{Iterations: 200})
		obeys(t, q, again)
		if got := again.Routes[0].Visits[0].Stop.ID; got != driving.Stop.ID {
			t.Errorf("seed %d: now goes to %q first, was driving to %q", seed, got, driving.Stop.ID)
		}
		if slices.ContainsFunc(again.LeftOut, func(l LeftOut) bool { return l.Stop.ID == "new" }) {
			t.Errorf("seed %d: the new alert is left out", seed)
		}
	}
}

func TestOptionalWorkOnlyOnTheWay(t *testing.T) {
	now := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	home := Point{40, -80}
	stop := func(id string, at Point, optional bool) Stop {
		return Stop{ID: id, Place: at, Service: 20 * time.Minute, Optional: optional, MaxDetour: 10 * time.Minute,
			Jobs: []Job{{Machine: id, Fault: fault.SensorFault}}}
	}
	p := Problem{Now: now, Costs: DefaultCosts, Techs: []Tech{{ID: "a", Start: home, End: home, From: now, Until: now.Add(8 * time.Hour)}},
		Stops: []Stop{stop("must", Point{40.3, -80}, false), stop("near", Point{40.15, -80.001}, true), stop("far", Point{40.15, -81}, true)}}
	plan := make1(t, p, Options{})
	if v := plan.Routes[0].Visits; len(v) != 2 || len(plan.LeftOut) != 1 || plan.LeftOut[0].Stop.ID != "far" {
		t.Fatalf("visits %v, left out %v", v, plan.LeftOut)
	}
	// Where the stop on the way would let product spoil, it comes after or
	// not at all.
	p.Stops[0].Jobs[0].Loss = Loss{Value: 400, Probability: 1, Early: now.Add(55 * time.Minute), Late: now.Add(time.Hour)}
	for _, v := range make1(t, p, Options{}).Routes[0].Visits {
		if v.Stop.ID == "must" && v.Late() {
			t.Error("optional work made product spoil")
		}
	}
}

func TestProblemsAreReportedAtOnce(t *testing.T) {
	now := time.Now()
	_, err := Make(t.Context(), Problem{Now: now, Stops: []Stop{{ID: "x", Place: Point{91, 0}}, {ID: "x"}}, Techs: []Tech{{ID: "a", From: now, Until: now}}}, Options{})
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{"not on Earth", "ID of its own", "ends before it begins"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q lacks %q", err, want)
		}
	}
	plan := make1(t, Problem{Now: now, Stops: []Stop{{ID: "x"}}}, Options{})
	if len(plan.LeftOut) != 1 || plan.LeftOut[0].Reason != "nobody is on duty" {
		t.Errorf("%+v", plan.LeftOut)
	}
}
