package route

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// What a rest is said to cost is what driving it costs, at any arrival, with any
// windows, losses and shift.
func TestRestIsWhatDrivingCosts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
		minutes := func(name string, from, to int) time.Duration {
			return time.Duration(rapid.IntRange(from, to).Draw(t, name)) * time.Minute
		}
		n := rapid.IntRange(1, 7).Draw(t, "stops")
		p := Problem{Now: now, Costs: DefaultCosts}
		for i := range n {
			s := Stop{ID: string(rune('a' + i)), Service: minutes("service", 5, 60), Place: Point{40 + rapid.Float64Range(0, 0.3).Draw(t, "north"), -80 + rapid.Float64Range(0, 0.3).Draw(t, "east")}}
			at := now
			for range rapid.IntRange(0, 3).Draw(t, "windows") {
				open := at.Add(minutes("closed", 1, 180))
				at = open.Add(s.Service + minutes("open", 1, 180))
				s.Windows = append(s.Windows, Window{open, at})
			}
			for range rapid.IntRange(0, 3).Draw(t, "jobs") {
				early := now.Add(minutes("early", -120, 400))
				s.Jobs = append(s.Jobs, Job{Loss: Loss{Value: rapid.Float64Range(0, 500).Draw(t, "value"), Probability: 0.7,
					Early: early, Late: early.Add(minutes("spread", 0, 200)), PerHour: rapid.Float64Range(0, 20).Draw(t, "per hour")}})
			}
			p.Stops = append(p.Stops, s)
		}
		p.Techs = []Tech{{ID: "t", Start: Point{40.1, -79.9}, End: Point{40.1, -79.9}, From: now, Until: now.Add(minutes("shift", 30, 900)),
			MaxOvertime: minutes("overtime", 0, 120), OpenEnd: rapid.Bool().Draw(t, "open end")}}
		p.Parts = DefaultParts()
		k, _, err := compile(t.Context(), &p)
		if err != nil {
			t.Fatal(err)
		}
		v := &k.vans[0]
		var route []int // in any order that can be driven
		for _, stop := range rapid.Permutation(slices.Collect(each(n))).Draw(t, "order") {
			if try := append(slices.Clone(route), stop); k.feasible(v, try) {
				route = try
			}
		}
		before := k.trace(v, route, nil)
		var after rest
		k.follow(v, route, before, &after)
		for at := range len(route) + 1 {
			s := before[at]
			s.ready += minutes("later", 0, 400).Seconds() + rapid.Float64Range(0, 60).Draw(t, "seconds")
			want := k.onwards(v, s, route[at:], math.Inf(1))
			got := k.join(v, s, route, at, before, &after, math.Inf(1))
			if got != want && !(math.Abs(got-want) < 1e-6) {
				t.Fatalf("from position %d of %v, %.0f s late: %v, driving costs %v", at, route, s.ready-before[at].ready, got, want)
			}
		}
	})
}

func each(n int) func(func(int) bool) {
	return func(yield func(int) bool) {
		for i := range n {
			if !yield(i) {
				return
			}
		}
	}
}
