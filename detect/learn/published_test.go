package learn

import (
	"math"
	"math/rand/v2"
	"testing"

	"coilward/detect/feature"
)

// What goes the published way costs nothing, what goes against it does, and the
// gradient is that of the penalty.
func TestAgainst(t *testing.T) {
	o := &objective{m: &design{}}
	for i := range o.knots {
		o.first[i], o.knots[i] = o.m.columns, 4
		o.m.columns += 4
	}
	x := make([]float64, o.dim())
	for _, d := range published {
		for j := range o.knots[d.feature] {
			way := float64(j)
			if !d.up {
				way = -way
			}
			x[(o.first[d.feature]+j)*states+int(d.state)] = way
		}
	}
	gradient := make([]float64, o.dim())
	if loss := o.against(x, gradient); loss != 0 {
		t.Errorf("weights that go the published way cost %v", loss)
	}
	for i, g := range gradient {
		if g != 0 {
			t.Fatalf("they are pushed, by %v at %d", g, i)
		}
	}

	rng := rand.New(rand.NewPCG(1, 2))
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	clear(gradient)
	if o.against(x, gradient) == 0 {
		t.Fatal("weights drawn by lot go the published way throughout")
	}
	nothing, pushed := make([]float64, o.dim()), 0
	for _, i := range rng.Perm(o.dim())[:2000] {
		const step = 1e-5
		at := x[i]
		x[i] = at + step
		up := o.against(x, nothing)
		x[i] = at - step
		down := o.against(x, nothing)
		x[i] = at
		if want := (up - down) / (2 * step); math.Abs(gradient[i]-want) > 1e-7 {
			t.Errorf("gradient %v at %d, by differences %v", gradient[i], i, want)
		} else if want != 0 {
			pushed++
		}
	}
	if pushed < 20 {
		t.Errorf("only %d of the weights tried are of what is published", pushed)
	}
}

// No direction is said twice or both ways.
func TestPublishedOnce(t *testing.T) {
	type of struct {
		feature feature.ID
		state   int
	}
	seen := map[of]bool{}
	for _, d := range published {
		if k := (of{d.feature, int(d.state)}); seen[k] {
			t.Errorf("%v of %v is said twice", d.feature, StateName(d.state))
		} else {
			seen[k] = true
		}
	}
}
