package thermal

// Widen makes the prior say next to nothing.
func (l *Load) Widen() { l.cov, l.noise = [6]float64{1, 0, 0, 10, 0, 1}, 0.004 }

// Teach takes one observation of weight one.
func (l *Load) Teach(phi, dT, amb float64) { l.add(phi, dT, amb, 4) }
