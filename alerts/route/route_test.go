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

// price is what one tech's route costs, worked out from the problem alone and not
// from its numbers: clock times, haversine, and each loss by its definition. ok is
// false where a rule is broken.
func price(p *Problem, order []int) (money float64, ok bool) {
	tech := &p.Techs[0]
	at, clock, room := tech.Start, tech.From, 0.0
	if clock.Before(p.Now) {
		clock = p.Now
	}
	end := tech.Until.Add(tech.MaxOvertime)
	drive := func(to Point) {
		metres := 1.2 * Distance(at, to)
		hours := metres / 45000
		money += hours*p.Costs.PerHour + metres/1000*p.Costs.PerKilometre
		clock, at = clock.Add(time.Duration(hours*float64(time.Hour))), to
	}
	for _, i := range order {
		s := &p.Stops[i]
		drive(s.Place)
		if s.ID != tech.DrivingTo {
			if s.Needs&^tech.Skills != 0 {
				return 0, false
			}
			open := len(s.Windows) == 0
			for _, w := range s.Windows {
				if !open && !clock.After(w.Close.Add(-s.Service)) {
					open = true
					if clock.Before(w.Open) {
						clock = w.Open
					}
				}
			}
			if room += s.Load; !open || tech.Capacity > 0 && room > tech.Capacity {
				return 0, false
			}
		}
		for _, j := range s.Jobs {
			share := clock.Sub(j.Loss.Early).Seconds() / j.Loss.Late.Sub(j.Loss.Early).Seconds()
			money += j.Loss.Value*j.Loss.Probability*min(1, max(0, share)) + j.Loss.PerHour*clock.Sub(p.Now).Hours()
		}
		clock = clock.Add(s.Service)
		if s.ID == tech.DrivingTo { // the shift is as long as this takes
			home := time.Duration(0)
			if !tech.OpenEnd {
				home = time.Duration(1.2 * Distance(at, tech.End) / 45000 * float64(time.Hour))
			}
			if back := clock.Add(home); back.After(end) {
				end = back
			}
		}
	}
	if !tech.OpenEnd && len(order) > 0 {
		drive(tech.End)
	}
	if len(order) > 0 && clock.After(end.Add(time.Microsecond)) {
		return 0, false
	}
	if over := clock.Sub(tech.Until); over > 0 && len(order) > 0 {
		money += over.Hours() * p.Costs.OvertimePerHour
	}
	return money, true
}

// brute tries every order of every subset. What leaving a stop out costs is the
// planner's own figure: it decides who is left out, and nothing else.
func brute(t interface{ Fatal(...any) }, p Problem) (leftOut int, money float64) {
	k, _, err := compile(context.Background(), &p)
	if err != nil {
		t.Fatal(err)
	}
	best, least := math.Inf(1), 0
	var grow func(route, rest []int)
	grow = func(route, rest []int) {
		if c, ok := price(&p, route); ok {
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
	first := []int{}
	for i := range k.stops {
		if k.stops[i].owner == 0 { // driven to: it stays first
			first, all = []int{i}, slices.DeleteFunc(all, func(x int) bool { return x == i })
		}
	}
	grow(first, all)
	return least, money
}

// Seven and eight stops: 13 700 and 109 601 ordered subsets (OEIS A000522), each
// tried.
func TestOptimumOfEightStops(t *testing.T) {
	draw := rapid.Custom(func(t *rapid.T) Problem {
		for {
			if p := small(t, 8); len(p.Stops) >= 7 {
				return p
			}
		}
	})
	for seed := range 12 {
		p := draw.Example(seed)
		out, money := brute(t, p)
		exact := make1(t, p, Options{})
		if o, m := value(exact); o != out || math.Abs(m-money) > 0.01 || !exact.Exact {
			t.Fatalf("problem %d: branch and bound: %d out, %.3f; every order tried: %d out, %.3f", seed, o, m, out, money)
		}
	}
}

// small draws a problem of up to eight stops for one tech with everything that a
// plan weighs: product that spoils early or late, losses by the hour, opening
// hours in one or two stretches, licences, room in the van, overtime, an open end,
// and sometimes a stop that is driven to already.
func small(t *rapid.T, most int) Problem {
	rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
	p := region(rnd, rapid.IntRange(0, most).Draw(t, "stops"), 1)
	p.Parts = DefaultParts()
	tech := &p.Techs[0]
	tech.Until = p.Now.Add(time.Duration(2+rnd.IntN(8)) * time.Hour)
	tech.MaxOvertime = time.Duration(rnd.IntN(3)) * 45 * time.Minute
	tech.OpenEnd = rnd.IntN(4) == 0
	if rnd.IntN(3) == 0 {
		tech.Capacity = float64(2 + rnd.IntN(6))
	}
	for i := range p.Stops {
		s := &p.Stops[i]
		s.Load = float64(rnd.IntN(3))
		if rnd.IntN(4) == 0 {
			s.Needs = Electrician // nobody here is one
		}
		if rnd.IntN(3) == 0 {
			s.Jobs[0].Loss.PerHour = 40 * rnd.Float64()
		}
		if rnd.IntN(4) == 0 {
			morning := p.Now.Add(time.Duration(rnd.IntN(60)) * time.Minute)
			s.Windows = []Window{{morning, morning.Add(time.Hour)}, {morning.Add(3 * time.Hour), morning.Add(5 * time.Hour)}}
		}
	}
	if len(p.Stops) > 0 && rnd.IntN(4) == 0 {
		tech.DrivingTo = p.Stops[rnd.IntN(len(p.Stops))].ID
	}
	return p
}

// The exact plan against every order of every subset, by brute force: up to six
// stops often, seven and eight in TestOptimumOfEightStops.
func TestOptimumOfSmallProblems(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := small(t, 6)
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
