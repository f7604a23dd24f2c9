// Package forget says how much a mean that forgets takes of what is new.
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
