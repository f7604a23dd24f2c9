package route

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// given is a travel table that is already there, as from a routing server.
type given Table

func (g given) Table(context.Context, []Point) (Table, error) { return Table(g), nil }

func instance(tb testing.TB, name string) []string {
	tb.Helper()
	dir := os.Getenv("COILWARD_ROUTING_BENCH")
	if dir == "" {
		tb.Skip("set COILWARD_ROUTING_BENCH to the folder with berlin52.tsp, eil51.tsp, c101.txt, r101.txt, rc101.txt")
	}
	f, err := os.Open(filepath.Join(dir, name))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	var lines []string
	for s := bufio.NewScanner(f); s.Scan(); {
		lines = append(lines, s.Text())
	}
	return lines
}

type customer struct{ id, x, y, demand, ready, due, service float64 }

// plane is a problem on a plane: a unit of length costs one unit of money and
// takes one second. All vans start and end at depot.
func plane(depot customer, customers []customer, vans int, capacity float64, length func(a, b customer) float64) Problem {
	now := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	at := func(s float64) time.Time { return now.Add(seconds(s)) }
	p := Problem{Now: now, Costs: Costs{PerKilometre: 1000}}
	places := customers
	for _, c := range customers {
		s := Stop{ID: fmt.Sprint(c.id), Service: seconds(max(c.service, 1e-9)), Load: c.demand}
		if c.due > 0 {
			s.Windows = []Window{{at(c.ready), at(c.due + c.service)}}
		}
		p.Stops = append(p.Stops, s)
	}
	for v := range vans {
		p.Techs = append(p.Techs, Tech{ID: fmt.Sprint(v), From: now, Until: at(max(depot.due, 1e6*b2f(depot.due == 0))), Capacity: capacity})
		places = append(places, depot, depot)
	}
	n := len(places)
	t := given{N: n, Seconds: make([]float64, n*n), Metres: make([]float64, n*n)}
	for i, a := range places {
		for j, b := range places {
			t.Metres[i*n+j] = length(a, b)
			t.Seconds[i*n+j] = t.Metres[i*n+j]
		}
	}
	p.Travel = t
	return p
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func straight(a, b customer) float64 { return math.Hypot(a.x-b.x, a.y-b.y) }

// BenchmarkTravellingSalesman: TSPLIB (Reinelt 1991), optima of berlin52 and
// eil51, EUC_2D distances rounded to whole numbers.
func BenchmarkTravellingSalesman(b *testing.B) {
	for _, c := range []struct {
		name    string
		optimum float64
	}{{"berlin52.tsp", 7542}, {"eil51.tsp", 426}} {
		b.Run(c.name, func(b *testing.B) {
			var all []customer
			for _, line := range instance(b, c.name) {
				var x customer
				if n, _ := fmt.Sscan(line, &x.id, &x.x, &x.y); n == 3 {
					all = append(all, x)
				}
			}
			p := plane(all[0], all[1:], 1, 0, func(a, b customer) float64 { return math.Round(straight(a, b)) })
			over := 0.0
			for b.Loop() {
				plan, err := Make(b.Context(), p, Options{Iterations: 4000, Seed: 1})
				if err != nil || len(plan.LeftOut) > 0 {
					b.Fatal(err, plan.LeftOut)
				}
				over = plan.Driving/c.optimum - 1
			}
			b.ReportMetric(100*over, "%over")
			if over > 0.02 {
				b.Errorf("%.2f %% over the optimum, want at most 2", 100*over)
			}
		})
	}
}

// BenchmarkTimeWindows: Solomon 1987, best known vehicles and distance, double
// precision.
func BenchmarkTimeWindows(b *testing.B) {
	for _, c := range []struct {
		name     string
		vehicles int
		distance float64
	}{{"c101.txt", 10, 828.94}, {"r101.txt", 19, 1650.80}, {"rc101.txt", 14, 1696.95}} {
		b.Run(c.name, func(b *testing.B) {
			var all []customer
			for _, line := range instance(b, c.name) {
				var x customer
				if n, _ := fmt.Sscan(line, &x.id, &x.x, &x.y, &x.demand, &x.ready, &x.due, &x.service); n == 7 {
					all = append(all, x)
				}
			}
			if len(all) != 101 {
				b.Fatalf("%d customers with the depot, want 101", len(all))
			}
			p := plane(all[0], all[1:], c.vehicles, 200, straight)
			// One seed flatters: the worst of several counts.
			for b.Loop() {
				worst, total := 0.0, 0.0
				for seed := range uint64(seeds) {
					plan, err := Make(b.Context(), p, Options{Iterations: 40000, Seed: seed + 1})
					if err != nil {
						b.Fatal(err)
					}
					over := plan.Driving/c.distance - 1
					if len(plan.LeftOut) > 0 {
						b.Errorf("seed %d: %d stops left out at %d vehicles", seed+1, len(plan.LeftOut), c.vehicles)
					}
					if over > 0.05 {
						b.Errorf("seed %d: %.2f %% over the best known, want at most 5", seed+1, 100*over)
					}
					worst, total = max(worst, over), total+over
				}
				b.ReportMetric(100*worst, "%over_worst")
				b.ReportMetric(100*total/seeds, "%over_mean")
			}
		})
	}
}

const seeds = 5

// region is an invented problem: stops around a town, product at stake.
func region(rnd *rand.Rand, stops, techs int) Problem {
	now := time.Date(2026, 7, 1, 11, 0, 0, 0, time.UTC)
	near := func() Point { return Point{40.44 + 0.2*rnd.NormFloat64(), -79.99 + 0.25*rnd.NormFloat64()} }
	p := Problem{Now: now, Costs: DefaultCosts}
	for i := range stops {
		early := now.Add(time.Duration(rnd.IntN(600)) * time.Minute)
		s := Stop{ID: fmt.Sprintf("s%03d", i), Place: near(), Service: time.Duration(10+rnd.IntN(20)) * time.Minute,
			Jobs: []Job{{Machine: fmt.Sprintf("m%03d", i), Loss: Loss{Value: 50 + 500*rnd.Float64(), Probability: rnd.Float64(), Early: early, Late: early.Add(2 * time.Hour)}}}}
		if rnd.IntN(3) == 0 {
			open := now.Add(time.Duration(rnd.IntN(240)) * time.Minute)
			s.Windows = []Window{{open, open.Add(4 * time.Hour)}}
		}
		p.Stops = append(p.Stops, s)
	}
	for i := range techs {
		home := near()
		p.Techs = append(p.Techs, Tech{ID: fmt.Sprintf("t%d", i), Start: home, End: home, From: now, Until: now.Add(10 * time.Hour), MaxOvertime: time.Hour, Skills: RefrigerationMechanic})
	}
	return p
}

func BenchmarkTwoHundredStopsTenTechs(b *testing.B) {
	p := region(rand.New(rand.NewPCG(1, 1)), 200, 10)
	b.ReportAllocs()
	var plan *Plan
	for b.Loop() {
		var err error
		if plan, err = Make(b.Context(), p, Options{Seed: 1}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(plan.Loss+plan.Driving, "money")
	b.ReportMetric(float64(len(plan.LeftOut)), "left_out")
}
