package feature

import "coilward/detect/forget"

// trendTau is how far a trend looks back, min: over it the tenth of a kelvin to which
// probes are read makes half a kelvin an hour, and an open door's air stands still
// where a warm load's falls by several.
const trendTau = 12.0

// trend is the slope of a straight line through what was seen of late, by least
// squares whose weights fade with age u, e^(−u/τ):
//
//	slope = (Σw Σwux − Σwu Σwx) / (Σw Σwu² − (Σwu)²)     u ≤ 0 back from now
//
// The zero value has seen nothing.
type trend struct{ w, u, x, uu, ux float32 }

// add takes in that x was so for the dt minutes up to now.
func (t *trend) add(x, dt float64) {
	w, u, uu := float64(t.w), float64(t.u), float64(t.uu)
	keep := 1 - forget.Share(dt, trendTau)
	// What was seen is dt older now.
	t.ux = float32(keep * (float64(t.ux) - dt*float64(t.x)))
	t.uu = float32(keep * (uu - 2*dt*u + dt*dt*w))
	t.u = float32(keep * (u - dt*w))
	t.w = float32(keep*w + dt)
	t.x = float32(keep*float64(t.x) + dt*x)
}

// slope returns the slope per hour; ok is false before it has seen enough.
func (t *trend) slope() (perHour float64, ok bool) {
	w, u := float64(t.w), float64(t.u)
	spread := w*float64(t.uu) - u*u
	if spread <= w*w*trendLeast*trendLeast {
		return 0, false
	}
	return 60 * (w*float64(t.ux) - u*float64(t.x)) / spread, true
}

// trendLeast is how widely in time what a slope is told from must spread, min, as a
// standard deviation.
const trendLeast = 3.0
