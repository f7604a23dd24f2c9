package route

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/collector/fleet"
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

// value is what Make minimises, recomputed from the plan: left-out stops
// first.
func value(p *Plan) (leftOut int, money float64) { return len(p.LeftOut), p.Loss + p.Driving }

// brute tries every order of every subset, largest subsets first.
func brute(t *rapid.T, p Problem) (leftOut int, money float64) {
	k, _, err := compile(context.Background(), &p)
	if err != nil {
		t.Fatal(err)
	}
	best, least := math.Inf(1), 0
	var grow func(route, rest []int)
	grow = func(route, rest []int) {
		if c := k.cost(&k.vans[0], route); !math.IsInf(c, 1) {
			total := c
			for _, r := range rest {
				total += k.stops[r].penalty
			}
			if total < best {
				best, least, money = total, len(rest), c
			}
		}
		for i := range rest {
			grow(append(slices.Clone(route), rest[i]), slices.Delete(slices.Clone(rest), i, i+1))
		}
	}
	all := make([]int, k.n)
	for i := range all {
		all[i] = i
	}
	grow(nil, all)
	return least, money
}

func TestOptimumOfSmallProblems(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		p := region(rnd, rapid.IntRange(0, 6).Draw(t, "stops"), 1)
		p.Parts = DefaultParts()
		p.Techs[0].Until = p.Now.Add(time.Duration(2+rnd.IntN(8)) * time.Hour)
		out, money := brute(t, p)
		exact := make1(t, p, Options{})
		if o, m := value(exact); o != out || math.Abs(m-money) > 0.01 || !exact.Exact {
			t.Fatalf("branch and bound: %d out, %.3f; every order tried: %d out, %.3f", o, m, out, money)
		}
	})
}

// Seven and eight stops: the search against branch and bound.
func TestSearchFindsTheOptimumOfEightStops(t *testing.T) {
	for seed := range uint64(25) {
		p := region(rand.New(rand.NewPCG(seed, 1)), 7+int(seed%2), 1)
		exact, found := make1(t, p, Options{}), make1(t, p, Options{Exact: -1, Iterations: 600})
		eo, em := value(exact)
		fo, fm := value(found)
		if !exact.Exact || found.Exact || eo != fo || math.Abs(em-fm) > 0.01 {
			t.Errorf("seed %d: search %d out, %.3f; optimum %d out, %.3f", seed, fo, fm, eo, em)
		}
	}
}

// Jackson 1955: the order of due dates minimises the greatest lateness. With
// no driving and every stop's loss far steeper than the one before, the plan
// is that order whenever it keeps all due dates.
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

// Closed form: one degree of latitude at R 6371.0088 km. Circuity 1.2: Ballou
// et al. 2002 (from memory).
func TestGreatCircle(t *testing.T) {
	if d := Distance(Point{40, -80}, Point{41, -80}); math.Abs(d-111195.1) > 0.1 {
		t.Errorf("1° of latitude is %.2f m", d)
	}
	if d := Distance(Point{0, 179.5}, Point{0, -179.5}); math.Abs(d-111195.1) > 0.1 {
		t.Errorf("1° across the date line is %.2f m", d)
	}
	table, _ := GreatCircle{Speed: 60}.Table(t.Context(), []Point{{40, -80}, {41, -80}})
	if math.Abs(table.Seconds[1]-1.2*111.1951*60) > 0.1 {
		t.Errorf("takes %g s", table.Seconds[1])
	}
}

func TestPartsLessWhatIsInTheVan(t *testing.T) {
	jobs := []Job{{Fault: fault.EvaporatorFanStopped, Kind: fleet.GlassDoor}, {Fault: fault.EvaporatorFanStopped}}
	load := DefaultParts().Load(jobs, map[string]int{"evaporator fan motor": 1, "fan blade": 5})
	want := []Item{{"door fan switch", 1}, {"evaporator fan motor", 1}, {"wire connectors", 2}}
	if !slices.Equal(load.Parts, want) {
		t.Errorf("load %v, want %v", load.Parts, want)
	}
	if !slices.Equal(load.Check, []Item{{"evaporator fan motor", 1}, {"fan blade", 2}}) {
		t.Errorf("check %v", load.Check)
	}
	for f := fault.EvaporatorFanStopped; int(f) < fault.Num; f++ {
		if DefaultParts().faults[f].service == 0 {
			t.Errorf("the default table has no row for %v", f)
		}
	}
	_, err := ParseParts("parts.yaml", []byte("faults:\n  coil-iced: {service: soon}\n  fan: {}\n"))
	if err == nil || !strings.Contains(err.Error(), "coil-iced.service") || !strings.Contains(err.Error(), `"fan"`) {
		t.Errorf("got %v", err)
	}
	if _, err := ParseParts("parts.yaml", []byte("faults:\n  coil-iced: {colour: red}\n")); err == nil || !strings.Contains(err.Error(), "[2:") {
		t.Errorf("unknown key without its line: %v", err)
	}
}

func TestText(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	p := Problem{Now: now, Costs: DefaultCosts,
		Techs: []Tech{{ID: "a", Start: Point{40.4, -79.99}, End: Point{40.4, -79.99}, From: now, Until: now.Add(8 * time.Hour)}},
		Stops: []Stop{{ID: "oakmill", Name: "Oak Mill Works, canteen", Place: Point{40.44, -79.99}, Location: zone,
			Windows: []Window{{now.Add(time.Hour), now.Add(9 * time.Hour)}},
			Jobs: []Job{{Machine: "cab-0417", Kind: fleet.GlassDoor, Fault: fault.CoilIced, Probability: 0.82, TCS: true,
				Loss: Loss{Value: 420, Probability: 0.9, Early: now.Add(4 * time.Hour), Late: now.Add(6 * time.Hour)}}}}}}
	plan := make1(t, p, Options{})
	text := plan.Routes[0].Text(TextOptions{Link: func(id string) string { return "https://board.example/stop/" + id }})
	for _, want := range []string{
		"1 stop, 11 km, 14 min driving", "1. Oak Mill Works, canteen", "Wed 06:07 EDT, opens 07:00", "arrive by Wed 10:00",
		"cab-0417: coil iced (82 %)", "geo:40.44,-79.99", "/stop/oakmill", "door gasket", "plug in your own hands",
		"R-290 and R-600a burn", "never tasted", "Local codes",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the message lacks %q:\n%s", want, text)
		}
	}
	if got := (Point{-0.0000001, 10}).Geo(); got != "geo:0,10" {
		t.Errorf("geo %q", got)
	}
}
