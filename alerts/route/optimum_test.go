package route

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

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
