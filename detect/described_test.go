package detect_test

import (
	"math"
	"testing"

	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/feature"
)

// Who corrects the fleet file is heard: a machine that goes on from its stored state is
// held against what the file says now, and what was learned of it stays.
func TestCorrectedFileIsHeard(t *testing.T) {
	setpoint, differential := quantity.Celsius(3), quantity.Kelvin(3)
	old := spec()
	old.Setpoint, old.Differential = &setpoint, &differential
	m := detect.NewMachine(old, library)
	play(m, newCabinet(13).live(2*day))
	state, err := m.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}

	corrected := quantity.Celsius(4.5)
	now := spec()
	now.Setpoint, now.Differential, now.Product = &corrected, &differential, fleet.TCSFood
	n := detect.NewMachine(now, library)
	if err := n.UnmarshalBinary(state); err != nil {
		t.Fatal(err)
	}
	var was, is feature.Vector
	m.Features(&was)
	n.Features(&is)
	// In units of half a kelvin, compressed: see feature.Vector.
	kelvin := func(v *feature.Vector, i feature.ID) float64 { return math.Sinh(float64(v.Value[i])) }
	for _, i := range [...]feature.ID{feature.SetIn, feature.SetOut, feature.SetAir, feature.SetAirSlow} {
		if moved := kelvin(&was, i) - kelvin(&is, i); !was.Has[i] || !is.Has[i] || math.Abs(moved-1.5) > 0.01 {
			t.Errorf("%v is %.2f K less by a setpoint that is 1.5 K higher", i, moved)
		}
	}
	less := fleet.SealedBeverage.Limits().Warm.Sub(fleet.TCSFood.Limits().Warm)
	if got := was.Value[feature.WarmRoom] - is.Value[feature.WarmRoom]; math.Abs(float64(got)-float64(less)) > 0.01 {
		t.Errorf("food leaves %.2f K less than drinks, want %.2f", got, less)
	}
	if was.Value[feature.CutInMoved] != is.Value[feature.CutInMoved] || m.View().CutIn != n.View().CutIn {
		t.Error("what was learned of the machine is gone")
	}
}

// A limit that is moved says when to call somebody, and nothing of what is wrong.
func TestLimitIsNoEvidence(t *testing.T) {
	m := newMachine()
	play(m, newCabinet(13).live(2*day))
	state, err := m.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	careless := spec()
	careless.Limits = fleet.Limits{Warm: 14, Cold: -9}
	n := detect.NewMachine(careless, library)
	if err := n.UnmarshalBinary(state); err != nil {
		t.Fatal(err)
	}
	var was, is feature.Vector
	m.Features(&was)
	n.Features(&is)
	if was != is {
		t.Error("a machine of which nothing was said but another limit looks otherwise")
	}
}
