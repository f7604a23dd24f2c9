package learn

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/diff/fd"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
)

// The gradient of the loss, and of the penalty on what goes against the published,
// is what differences say (Fornberg, Math. Comp. 51, 1988, by gonum/diff/fd).
func TestGradientAgainstDifferences(t *testing.T) {
	examples := gaussians(10*diagnose.NumStates, 3)
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range examples {
		x := &examples[i].Value
		if i%3 == 0 { // some of which laws say something
			x[feature.EvapFanDead] = float32(i%5) / 2
		}
		for _, d := range published {
			x[d.feature] = float32(rng.NormFloat64())
		}
	}
	all, w := pool(one(examples))
	m := &Model{knots: knots(all, w)}
	for i := range m.knots { // too few examples for knots of their own
		m.knots[i] = []float32{-1, 0, 1}
	}
	first, columns := firstColumns(&m.knots)
	n := newNetwork(columns, 5, rng)
	for i := range n.p {
		n.p[i] = 0.3 * rng.NormFloat64()
	}
	p := newPass(n)
	var contrary [2]int
	for i := range 40 {
		var r row
		r.set(&m.knots, &first, &examples[i].Value, diagnose.Laws)
		d := &published[i%len(published)]
		loss := func(at []float64) float64 {
			was := n.p
			n.p = at
			defer func() { n.p = was }()
			return n.forward(p, &r, uint8(examples[i].State)) + n.against(p, &r, d)
		}
		clear(p.gradient)
		n.forward(p, &r, uint8(examples[i].State))
		n.backward(p, &r)
		if n.against(p, &r, d) > 0 {
			contrary[1]++
		} else {
			contrary[0]++
		}
		g := append([]float64(nil), p.gradient...)
		along := make([]float64, len(n.p))
		for range 4 {
			got := 0.0
			for j := range along {
				along[j] = 0
				if g[j] != 0 || rng.IntN(50) == 0 {
					along[j] = rng.NormFloat64()
				}
				got += g[j] * along[j]
			}
			want := fd.Derivative(func(h float64) float64 {
				y := make([]float64, len(n.p))
				for j := range y {
					y[j] = n.p[j] + h*along[j]
				}
				return loss(y)
			}, 0, &fd.Settings{Formula: fd.Central, Step: 1e-6})
			if math.Abs(got-want) > 1e-5*(1+math.Abs(want)) {
				t.Fatalf("example %d: derivative is %v, by differences %v", i, got, want)
			}
		}
	}
	if contrary[0] == 0 || contrary[1] == 0 {
		t.Errorf("%d went the published way and %d against it: both are to be tried", contrary[0], contrary[1])
	}
}

// Units learn what no sum of features can: which of two states it is depends on
// whether two features have the same sign (the exclusive or).
func TestUnitsTellWhatFeaturesSayTogether(t *testing.T) {
	wholeFit(t)
	examples := gaussians(400*diagnose.NumStates, 8)
	rng := rand.New(rand.NewPCG(8, 8))
	for i := range examples {
		e := &examples[i]
		a, b := rng.NormFloat64(), rng.NormFloat64()
		if e.State == 3 && a*b < 0 || e.State == 4 && a*b > 0 {
			a = -a
		}
		if e.State == 3 || e.State == 4 {
			e.Value[feature.AirCoil], e.Value[feature.Ambient] = 5, 5
			e.Value[feature.RunSlope], e.Value[feature.AirMean] = float32(a), float32(b)
		}
	}
	named := func(units int) (right float64) {
		table := tableOf(t, fit(t, one(examples), Options{Seed: 2, Fits: 1, Units: units, Steps: 1000, Rate: 0.01, Decay: 0.01}))
		n := 0
		for i := range examples {
			if e := &examples[i]; e.State == 3 || e.State == 4 {
				v := vector(&e.Value)
				var s diagnose.Score
				table.Eval(&v, &s)
				if (s[3] > s[4]) == (e.State == 3) {
					right++
				}
				n++
			}
		}
		return right / float64(n)
	}
	alone, together := named(-1), named(16)
	t.Logf("told apart: %.2f by each feature for itself, %.2f together", alone, together)
	if alone > 0.62 || together < 0.9 {
		t.Errorf("told apart: %.2f by each feature for itself, want about half; %.2f together, want nearly all", alone, together)
	}
}
