package feature

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// The slope is that of a least-squares line whose weights fade with age, as gonum's
// regression works it out from all that was seen.
func TestTrendIsWeightedLeastSquares(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	var tr trend
	var at, when, what, weight []float64
	now := 0.0
	for i := range 400 {
		dt := []float64{0.17, 0.5, 1, 2, 5}[rng.IntN(5)]
		now += dt
		x := 9 - 3*math.Sin(now/40) + 0.1*rng.NormFloat64()
		tr.add(x, dt)
		at, what, weight = append(at, now), append(what, x), append(weight, dt)
		got, ok := tr.slope()
		if i < 20 {
			continue
		}
		when = when[:0]
		faded := make([]float64, len(at))
		for j := range at {
			when = append(when, at[j]-now)
			faded[j] = weight[j] * math.Exp((at[j]-now)/trendTau)
		}
		_, perMinute := stat.LinearRegression(when, what, faded, false)
		if want := 60 * perMinute; !ok || math.Abs(got-want) > 1e-3+1e-3*math.Abs(want) {
			t.Fatalf("reading %d: %.5f an hour (%v), want %.5f", i, got, ok, want)
		}
	}
}

// A straight line has its slope from the first, once there is enough of it.
func TestTrendWaitsForEnough(t *testing.T) {
	var tr trend
	if _, ok := tr.slope(); ok {
		t.Error("a slope of nothing")
	}
	first := 0
	for m := 1; m <= 60; m++ {
		tr.add(5-2*float64(m)/60, 1)
		s, ok := tr.slope()
		if ok && first == 0 {
			first = m
		}
		if ok && math.Abs(s+2) > 1e-3 {
			t.Fatalf("minute %d: %.5f an hour, want -2", m, s)
		}
	}
	if first < 9 || first > 15 {
		t.Errorf("told after %d min, want after ten or so", first)
	}
}
