// Package simulate is cabinets that do not exist: refrigerated machines with
// faults, people, weather, sensors and gateways, whose telemetry is used to
// show the program at work, and to train and test the models. The physics is
// its own: it shares no equation with the models, because a model tested
// against its own equations proves nothing.
//
// # The plant
//
// A cabinet is air, an inner wall and three product nodes. Each product node
// sits in its own mixture of supply and return air. The evaporator is four
// segments in the order in which refrigerant passes them, each with its own
// metal temperature, wet share and frost. Refrigerant is an inventory: what the
// capillary feeds, the compressor takes away, and where the charge is short the
// liquid ends part way along the coil. Everything after that end is dry,
// stays near air temperature and bears no frost, which is what a mechanic sees
// on a coil that is low on charge. The condenser, the compressor shell and the
// overload's bimetal are one node each.
//
//	evaporator   Σ wᵢ Gᵣ (Tᵢ − Tev) = ṁ(Tev, Tcd) Δh       solved for Tev each step
//	liquid       dMe/dt = K (pcd − pev)^0.4 · seal(Mc) − ṁ
//	compressor   ṁ = V̇ ηv ρ(Tev); ηv = 1 − c((pcd/pev)^(1/k) − 1)
//	condenser    Cc dTcd/dt = ṁ Δh + heat of compression − UAc (Tcd − inlet)
//	frost        dm/dt = (UAa/cp) (w_air − w_sat(Tᵢ)), melting at 0 °C
//
// Every parameter is drawn for each machine from a distribution that is wider than
// the machines one meets (see Design).
//
// # Randomness
//
// What people and weather do is drawn beforehand and does not depend on the
// machine's state. A twin, the same cabinet without its fault, thus lives the
// same days, and the first measurable effect of a fault is when the two differ.
//
// # Units
//
// °C, K, W, J, kg, s, m³/s and kPa throughout; bare float64 inside the plant.
package simulate
