package detect_test

import (
	"math"
	"testing"

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

	corrected, limit := quantity.Celsius(4.5), spec().Limits.Warm.Add(2)
	now := spec()
	now.Setpoint, now.Differential, now.Limits.Warm = &corrected, &differential, limit
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
	if more := is.Value[feature.WarmRoom] - was.Value[feature.WarmRoom]; math.Abs(float64(more)-2) > 0.01 {
		t.Errorf("a limit that is 2 K higher leaves %.2f K more", more)
	}
	if was.Value[feature.CutInMoved] != is.Value[feature.CutInMoved] || m.View().CutIn != n.View().CutIn {
		t.Error("what was learned of the machine is gone")
	}
}
