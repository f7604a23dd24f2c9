package diagnose_test

import (
	"math"
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// TestPublishedDirections holds the learned table against the signs of Rossi
// and Braun, A statistical, rule-based fault detection and diagnostic method
// for vapor compression air conditioners, HVAC&R Research 3(1), 1997: how the
// residuals of evaporating temperature, superheat, condensing temperature and
// evaporator air temperature difference move under each fault. A sign that
// holds for an air conditioner's thermostatic valve as for a capillary shows
// in a cabinet as
//
//	evaporating temperature       AirCoilIn, turned round: air − coil inlet
//	superheat                     CoilSpread: coil outlet − coil inlet
//	condensing temperature        CondLift: condenser − ambient
//	evaporator air difference     SupplyGap: return − supply air
//
// What a feature says is what it adds to fault against well, on its way from
// this machine's normal to six standard deviations off it, beside what a machine
// at its normal shows. That must be more than at normal, and more than the same
// way off on the other side, unless the fault far gone moves there too: the
// paper's faults are mild ones.
func TestPublishedDirections(t *testing.T) {
	table := diagnose.Learned()
	// adds is what the feature, fast and slow, adds to f against well at z
	// standard deviations.
	adds := func(i feature.ID, f fault.Fault, z float64) float64 {
		var v feature.Vector
		for p := range feature.ID(2 * feature.NumProfiles) {
			v.Has[p] = true // at normal
		}
		var normal, moved diagnose.Score
		table.Eval(&v, &normal)
		v.Value[i] = float32(math.Asinh(z / 2))
		v.Value[feature.Slow(i)] = v.Value[i]
		table.Eval(&v, &moved)
		return float64(moved[f] - moved[fault.Well] - normal[f] + normal[fault.Well])
	}
	for _, c := range []struct {
		published string
		fault     fault.Fault
		feature   feature.ID
		sign      float64
		farGone   bool // when far gone the fault moves the other way too
	}{
		{"leak: evaporating −", fault.RefrigerantLow, feature.AirCoilIn, +1, true}, // with no charge left the coil is as warm as the air
		{"leak: superheat +", fault.RefrigerantLow, feature.CoilSpread, +1, false},
		{"leak: condensing −", fault.RefrigerantLow, feature.CondLift, -1, false},
		{"leak: air difference −", fault.RefrigerantLow, feature.SupplyGap, -1, false},
		{"valve leak: evaporating +", fault.CompressorWeak, feature.AirCoilIn, -1, false},
		{"valve leak: superheat −", fault.CompressorWeak, feature.CoilSpread, -1, false},
		{"valve leak: condensing −", fault.CompressorWeak, feature.CondLift, -1, false},
		{"valve leak: air difference −", fault.CompressorWeak, feature.SupplyGap, -1, false},
		{"condenser fouling: evaporating +", fault.CondenserBlocked, feature.AirCoilIn, -1, false},
		{"condenser fouling: superheat −", fault.CondenserBlocked, feature.CoilSpread, -1, false},
		{"condenser fouling: condensing +", fault.CondenserBlocked, feature.CondLift, +1, false},
		{"condenser fouling: air difference −", fault.CondenserBlocked, feature.SupplyGap, -1, false},
		// A stopped condenser fan is the same loss of air, all at once.
		{"condenser fouling: evaporating +", fault.CondenserFanStopped, feature.AirCoilIn, -1, false},
		{"condenser fouling: superheat −", fault.CondenserFanStopped, feature.CoilSpread, -1, false},
		{"condenser fouling: condensing +", fault.CondenserFanStopped, feature.CondLift, +1, false},
		{"condenser fouling: air difference −", fault.CondenserFanStopped, feature.SupplyGap, -1, false},
		{"evaporator fouling: evaporating −", fault.CoilIced, feature.AirCoilIn, +1, false},
		{"evaporator fouling: superheat −", fault.CoilIced, feature.CoilSpread, -1, false},
		{"evaporator fouling: condensing −", fault.CoilIced, feature.CondLift, -1, false},
		{"evaporator fouling: air difference +", fault.CoilIced, feature.SupplyGap, +1, true}, // no air comes through a coil that is solid
		// So is a stopped evaporator fan.
		{"evaporator fouling: evaporating −", fault.EvaporatorFanStopped, feature.AirCoilIn, +1, false},
		{"evaporator fouling: superheat −", fault.EvaporatorFanStopped, feature.CoilSpread, -1, false},
		{"evaporator fouling: condensing −", fault.EvaporatorFanStopped, feature.CondLift, -1, false},
		{"evaporator fouling: air difference +", fault.EvaporatorFanStopped, feature.SupplyGap, +1, false},
	} {
		normal, moved, other := adds(c.feature, c.fault, 0), adds(c.feature, c.fault, 6*c.sign), adds(c.feature, c.fault, -6*c.sign)
		t.Logf("%-38s %-24v %-10v normal %+.2f, published way %+.2f, other way %+.2f", c.published, c.fault, c.feature, normal, moved, other)
		if moved <= normal {
			t.Errorf("%s: %v adds %+.2f nats to %v the published way, %+.2f at normal", c.published, c.feature, moved, c.fault, normal)
		}
		if moved <= other && !c.farGone {
			t.Errorf("%s: %v adds %+.2f nats to %v the published way, %+.2f the other way", c.published, c.feature, moved, c.fault, other)
		}
	}
}
