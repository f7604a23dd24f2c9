// Package forget has means that forget: of the last minutes, or hours.
package forget

import "math"

// Share returns 1 − exp(−dt/tau), the share that dt of something new has in a mean
// that forgets with the time constant tau, to two parts in 1e9. Both in one unit, dt not
// below 0.
//
// Readings mostly come much closer together than a mean forgets, and many means are
// followed of every reading: there the first terms of the series stand for the
// exponential, which takes several times as long.
func Share(dt, tau float64) float64 {
	x := dt / tau
	if x < 1.0/16 {
		return x * (1 - x/2*(1-x/3*(1-x/4*(1-x/5))))
	}
	return -math.Expm1(-x)
}

// Mean is a mean that forgets with a time constant. The zero value has seen nothing.
type Mean struct {
	Value  float32
	Weight float32 // of what it has seen, 1 after many time constants; 0: nothing
}

// Add takes in that x was so for dt, in the unit of tau. Before it has seen a whole
// time constant it is the mean of what it has seen.
func (m *Mean) Add(x, dt, tau float64) {
	k := float32(Share(dt, tau))
	m.Weight += k * (1 - m.Weight)
	m.Value += k / max(m.Weight, 1e-6) * (float32(x) - m.Value)
}
