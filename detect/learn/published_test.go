package learn

import (
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// Examples that go against what is published do not teach it: here a leak lifts
// the condenser, and it is learned to be a leak all the same, but not because of
// that. Where nothing is published, examples are believed.
func TestExamplesAgainstThePublished(t *testing.T) {
	wholeFit(t)
	examples := gaussians(300*diagnose.NumStates, 21)
	for i := range examples {
		e := &examples[i]
		for _, f := range []feature.ID{feature.CondLift, feature.RunLength} {
			e.Value[f] = e.Value[feature.Ambient] / 4
			if e.State == diagnose.State(fault.RefrigerantLow) {
				e.Value[f] += 2
			}
		}
	}
	table := tableOf(t, fit(t, one(examples), Options{Seed: 3, Fits: 1, Steps: 1000, Rate: 0.01}))
	step := func(f feature.ID) float64 {
		var at [2]diagnose.Score
		for i, x := range []float32{0, 2} {
			var v feature.Vector
			v.Has[f], v.Value[f] = true, x
			table.Eval(&v, &at[i])
		}
		leak, well := fault.RefrigerantLow, fault.Well
		return float64(at[1][leak] - at[1][well] - at[0][leak] + at[0][well])
	}
	against, free := step(feature.CondLift), step(feature.RunLength)
	t.Logf("two steps up speak for a leak by %.2f nats at the condenser, by %.2f where nothing is published", against, free)
	if free < 1 {
		t.Errorf("examples teach only %.2f nats where nothing is published: this test shows nothing", free)
	}
	if against > free/4 {
		t.Errorf("examples teach %.2f nats against what is published", against)
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
