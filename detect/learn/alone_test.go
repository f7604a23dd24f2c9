package learn

import (
	"math"
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// Faint evidence is taken at a quarter, blatant evidence nearly whole.
func TestShrink(t *testing.T) {
	for _, c := range []struct{ ratio, want float64 }{{0, 0}, {1, 0.25}, {-1, -0.25}, {1.5, 0.375}, {6.5, 4.375}, {-6.5, -4.375}} {
		if got := shrink(c.ratio); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("shrink(%g) is %g, want %g", c.ratio, got, c.want)
		}
	}
}

// By itself, a feature speaks for the state in which its level is common.
func TestAloneSpeaksForTheCommonState(t *testing.T) {
	var examples []Example
	var w []float64
	for i := range 2000 {
		e := Example{}
		for f := range e.Value {
			e.Value[f] = float32(math.NaN())
		}
		x := float64(i%100) / 100
		if i%2 == 1 {
			e.State, x = diagnose.State(fault.EvaporatorFanStopped), x+3
		}
		e.Value[feature.AirCoil] = float32(x)
		examples, w = append(examples, e), append(w, 1.0/2000)
	}
	all := make([]*Example, len(examples))
	for i := range all {
		all[i] = &examples[i]
	}
	m := &Model{knots: knots(all, w)}
	o := m.objective(all, w, &Options{NoThinning: true})
	n := o.knots[feature.AirCoil]
	at := func(k int, f fault.Fault) float64 { return o.centre[(o.first[feature.AirCoil]+k)*states+int(f)] }
	if low, high := at(0, fault.EvaporatorFanStopped), at(n-1, fault.EvaporatorFanStopped); low > -1 || high < 1 {
		t.Errorf("log ratio %.2f at the well level and %.2f at the faulty one; want it below -1 and above 1", low, high)
	}
	if at(0, fault.Well) != 0 || at(n-1, fault.CoilIced) != 0 {
		t.Error("the well state, or one without examples, has a weight of its own")
	}
}
