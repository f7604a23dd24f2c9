package learn

import (
	"math"

	"coilward/detect/feature"
)

// How much of what a feature says alone is believed before the features are
// weighed against each other. Faint evidence comes from many features at once
// and says the same thing many times over, so little of it is taken; blatant
// evidence stands for itself.
const (
	faintShare   = 0.25 // of a log density ratio up to the knee
	blatantShare = 0.8  // of what lies above it
	knee         = 1.5  // nats

	// unseen is the weight of what no example shows, as a share of a state's
	// mean weight and knot.
	unseen = 0.0018
)

// saidByLaw are the features of which a law of detect/diagnose says all that
// they say alone. What is learned of them is drawn to nothing, or it would be
// counted twice.
var saidByLaw = [feature.NumFeatures]bool{
	feature.EvapFanDead:   true,
	feature.CondFanDead:   true,
	feature.Uninterrupted: true,
}

// alone returns the weights that each feature would have by itself: the
// logarithm of its density in each state over that in the well one, shrunk.
// The penalties draw the fit to these weights, and it starts from them.
func (o *objective) alone() []float64 {
	held := make([]float64, o.dim()) // weight of examples at each column, by state
	var share [states]float64
	for n, s := range o.state {
		share[s] += o.weight[n]
		for i := o.m.row[n]; i < o.m.row[n+1]; i++ {
			c, r := int(o.m.column[i]), float64(o.m.right[i])
			held[c*states+int(s)] += o.weight[n] * (1 - r)
			held[(c+1)*states+int(s)] += o.weight[n] * r
		}
	}
	x := make([]float64, o.dim())
	for s := range share {
		x[o.m.columns*states+s] = math.Log(math.Max(share[s], 1e-9))
	}
	for f := range feature.NumFeatures {
		if saidByLaw[f] {
			continue
		}
		o.aloneFeature(held[o.first[f]*states:], x[o.first[f]*states:], o.knots[f])
	}
	return x
}

// aloneFeature fills one feature's rows.
func (o *objective) aloneFeature(held, x []float64, knots int) {
	var total [states]float64
	pooled, sum := make([]float64, knots), 0.0
	for k := range knots {
		for s := range states {
			total[s] += held[k*states+s]
			pooled[k] += held[k*states+s]
		}
		sum += pooled[k]
	}
	if sum <= 0 || total[0] <= 0 {
		return
	}
	a := unseen * float64(knots) * sum / float64(states)
	for k := range knots {
		density := func(s int) float64 { return (held[k*states+s] + a*pooled[k]/sum) / (total[s] + a) }
		well := math.Log(math.Max(density(0), 1e-7))
		for s := 1; s < states; s++ {
			if total[s] > 0 {
				x[k*states+s] = shrink(math.Log(math.Max(density(s), 1e-7)) - well)
			}
		}
	}
}

func shrink(ratio float64) float64 {
	size := math.Abs(ratio)
	return math.Copysign(faintShare*math.Min(size, knee)+blatantShare*math.Max(size-knee, 0), ratio)
}
