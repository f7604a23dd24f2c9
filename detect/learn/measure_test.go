package learn

import (
	"math"
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// flat is a table that says nothing but what one feature's weights are set to.
func flat(t *testing.T, set func(f feature.ID, k, s int) float64) *diagnose.Table {
	t.Helper()
	m := &Model{}
	for i := range m.knots {
		m.knots[i] = []float32{0, 1}
	}
	first, columns := firstColumns(&m.knots)
	n := newNetwork(columns, 0, nil)
	for f := range m.knots {
		for k := range m.knots[f] {
			for s := range states {
				n.p[n.a+(first[f]+k)*states+s] = set(feature.ID(f), k, s)
			}
		}
	}
	m.fits = []*network{n}
	for s := range m.prior {
		m.prior[s] = 1
	}
	table := tableOf(t, m)
	return table
}

// A table that says nothing leaves what was probable beforehand: its loss is
// the entropy of the shares, and everything is taken for well.
func TestMeasureOfNothing(t *testing.T) {
	table := flat(t, func(feature.ID, int, int) float64 { return 0 })
	a := Measure(table, one(gaussians(10*diagnose.NumStates, 1)))
	want := -0.45*math.Log(0.45) - 0.2*math.Log(0.2/3) - 0.35*math.Log(0.35/13)
	if math.Abs(a.Loss-want) > 1e-9 || math.Abs(a.Right-0.45) > 1e-9 || a.Named != 0 || a.Alarmed != 0 || a.Looks != 10*diagnose.NumStates {
		t.Errorf("%+v, want a loss of %.4f", a, want)
	}
}

// A table that takes a level for a fault names it where it is and where it is not.
func TestMeasureCountsNamesAndVainAlarms(t *testing.T) {
	table := flat(t, func(f feature.ID, k, s int) float64 {
		if f == feature.AirCoil && k == 1 && s == int(fault.CoilIced) {
			return 20
		}
		return 0
	})
	var examples []Example
	for i, level := range []float32{0, 0, 0, 1, 1, 0, 1} { // four looks at a well machine, two at an iced coil, one at a leaking door
		e := Example{Group: -1}
		for j := range e.Value {
			e.Value[j] = nan
		}
		if i >= 4 {
			e.State, e.Group = diagnose.State(fault.CoilIced), 0
		}
		if i == 6 {
			e.State, e.Group = diagnose.State(fault.DoorLeak), 1
		}
		e.Value[feature.AirCoil] = level
		examples = append(examples, e)
	}
	a := Measure(table, one(examples))
	well := 0.45 / 0.80
	if math.Abs(a.Named-0.25) > 1e-9 || math.Abs(a.Alarmed-0.25) > 1e-9 || math.Abs(a.Right-(well*0.75+(1-well)*0.25)) > 1e-9 {
		t.Errorf("%+v", a)
	}
	if a := Measure(table, one(examples[:1])); a.Named != 0 || a.Right != 1 {
		t.Errorf("of a well machine only: %+v", a)
	}
}
