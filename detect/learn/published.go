package learn

import (
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// direction is which way a fault moves a feature by what is published.
type direction struct {
	feature feature.ID
	state   diagnose.State
	up      bool
}

// published are the directions of Rossi and Braun, A statistical, rule-based fault
// detection and diagnostic method for vapor compression air conditioners,
// HVAC&R Research 3, 1997, table 1 (from memory), each for the feature and its
// slow mean. A stopped fan is the loss of its air all at once. What turns round
// when a fault is far gone is left to the examples: with no charge left the coil
// is as warm as the air, and no air comes through a coil that is solid.
var published = func() (all []direction) {
	add := func(f fault.Fault, i feature.ID, up bool) {
		all = append(all, direction{i, diagnose.State(f), up}, direction{feature.Slow(i), diagnose.State(f), up})
	}
	add(fault.RefrigerantLow, feature.CoilSpread, true) // superheat +
	add(fault.RefrigerantLow, feature.CondLift, false)  // condensing −
	add(fault.RefrigerantLow, feature.SupplyGap, false) // air difference −
	for _, f := range [...]fault.Fault{fault.CompressorWeak, fault.CondenserBlocked, fault.CondenserFanStopped} {
		add(f, feature.AirCoilIn, false)  // evaporating +
		add(f, feature.CoilSpread, false) // superheat −
		add(f, feature.CondLift, f != fault.CompressorWeak)
		add(f, feature.SupplyGap, false)
	}
	for _, f := range [...]fault.Fault{fault.CoilIced, fault.EvaporatorFanStopped} {
		add(f, feature.AirCoilIn, true)
		add(f, feature.CoilSpread, false)
		add(f, feature.CondLift, false)
	}
	add(fault.EvaporatorFanStopped, feature.SupplyGap, true)
	return all
}()

// contrary is the penalty on weights that go against what is published: on the
// square of each step between knots, relative to the well state, that goes the
// wrong way (the asymmetric difference penalty of Eilers, Unimodal smoothing,
// J. Chemometrics 19, 2005). The examples come from a few sorts of physics; the
// direction holds in all of them.
const contrary = 0.02

// against returns the penalty and adds its gradient.
func (o *objective) against(x, gradient []float64) float64 {
	loss := 0.0
	for _, d := range published {
		first, knots := o.first[d.feature], o.knots[d.feature]
		sign := 1.0
		if d.up {
			sign = -1
		}
		for j := first; j < first+knots-1; j++ {
			at, next := j*states, (j+1)*states
			wrong := sign * (x[next+int(d.state)] - x[at+int(d.state)] - x[next] + x[at])
			if wrong <= 0 {
				continue
			}
			loss += contrary * wrong * wrong
			g := 2 * contrary * wrong * sign
			gradient[next+int(d.state)] += g
			gradient[at+int(d.state)] -= g
			gradient[next] -= g
			gradient[at] += g
		}
	}
	return loss
}
