package learn

import (
	"math"

	"coilward/detect/diagnose"
)

// Accuracy says how well a table names the state of single looks, as shares by
// weight. A model weighs many looks and does better.
type Accuracy struct {
	Looks   int
	Right   float64 // of all looks
	Named   float64 // of looks at a fault: that fault
	Alarmed float64 // of looks at a well machine or ordinary life: some fault
	Loss    float64 // mean −ln of the true state's probability, nats
}

// Measure tries a table on fleets, whose states are as probable beforehand as
// they are in them by weight.
func Measure(t *diagnose.Table, fleets []Fleet) Accuracy {
	examples, w := pool(fleets)
	var prior [states]float64
	for i, e := range examples {
		prior[e.State] += w[i]
	}
	a := Accuracy{Looks: len(examples)}
	var fault, rest float64
	for i, e := range examples {
		v := vector(&e.Value)
		var score diagnose.Score
		t.Eval(&v, &score)
		best, top := 0, math.Inf(-1)
		var z [states]float64
		for s := range z {
			z[s] = float64(score[s]) + math.Log(prior[s])
			if z[s] > top {
				best, top = s, z[s]
			}
		}
		sum := 0.0
		for _, x := range z {
			sum += math.Exp(x - top)
		}
		a.Loss += w[i] * (math.Log(sum) + top - z[e.State])
		right := best == int(e.State)
		if right {
			a.Right += w[i]
		}
		if isFault(int(e.State)) {
			fault += w[i]
			if right {
				a.Named += w[i]
			}
		} else {
			rest += w[i]
			if isFault(best) {
				a.Alarmed += w[i]
			}
		}
	}
	if fault > 0 {
		a.Named /= fault
	}
	if rest > 0 {
		a.Alarmed /= rest
	}
	return a
}

// isFault reports whether a state is neither well nor ordinary life.
func isFault(s int) bool { return s > 0 && diagnose.State(s) < diagnose.WarmLoad }
