package learn

import (
	"slices"

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

// contrary is the penalty on what goes against what is published: on the square
// of how much a fault, against the well state, loses by a step of the feature
// from knot to knot in its direction (the asymmetric difference penalty of
// Eilers, Unimodal smoothing, J. Chemometrics 19, 2005), at the examples. They
// come from a few sorts of physics; the direction holds in all of them.
const contrary = 20.0

// against returns the penalty of one direction at the row whose way forward has
// just been gone, and adds its gradient.
func (n *network) against(w *pass, r *row, d *direction) float64 {
	at := slices.Index(r.feature, uint8(d.feature))
	if at < 0 {
		return 0
	}
	here := int(r.column[at])
	a, u := n.a+here*states, n.u+here*n.units
	f := int(d.state)
	slope := n.p[a+states+f] - n.p[a+f] - n.p[a+states] + n.p[a]
	for j, x := range w.unit {
		if x > 0 {
			v := n.v + j*states
			slope += (n.p[u+n.units+j] - n.p[u+j]) * (n.p[v+f] - n.p[v])
		}
	}
	if (slope > 0) == d.up {
		return 0
	}
	g, push := w.gradient, 2*contrary*slope
	g[a+states+f] += push
	g[a+f] -= push
	g[a+states] -= push
	g[a] += push
	for j, x := range w.unit {
		if x > 0 {
			v := n.v + j*states
			says, step := n.p[v+f]-n.p[v], n.p[u+n.units+j]-n.p[u+j]
			g[u+n.units+j] += push * says
			g[u+j] -= push * says
			g[v+f] += push * step
			g[v] -= push * step
		}
	}
	return contrary * slope * slope
}
