// Package thermal estimates what spoils: the temperature of the product, from
// the air that has passed it.
//
// Two nodes, air and product, exchange heat through H (W/K):
//
//	C_p dTp/dt = H (Ta − Tp)
//
// so the product follows the air with the time constant τ = C_p/H. τ depends
// on the load and its packing and cannot be told from the air alone, so three
// products are followed side by side, a light, a middle and a heavy one; the
// spread between them is the uncertainty.
package thermal

import "math"

// taus are the time constants followed, hours: the middle one fits the warmest
// node of loaded cabinets best on average, the outer ones the 10th and 90th
// percentile (from simulated fleets; a single can in moving air is 0.65–2.6 h,
// see CHECK values in the tests).
var taus = [3]float64{1.2, 2.5, 5}

// Product is the product estimate of one machine. The zero value knows nothing.
type Product struct {
	temp  [3]float32
	known bool
}

// Known reports whether there is an estimate.
func (p *Product) Known() bool { return p.known }

// Advance lets the product stand for dt hours in air at ta °C.
func (p *Product) Advance(ta, dt float64) {
	if !p.known {
		for i := range p.temp {
			p.temp[i] = float32(ta)
		}
		p.known = true
		return
	}
	for i, tau := range taus {
		// Exact for constant air: Newton's law of cooling.
		p.temp[i] += float32((ta - float64(p.temp[i])) * (1 - math.Exp(-dt/tau)))
	}
}

// Estimate returns the product temperature and its bounds, °C.
func (p *Product) Estimate() (mid, low, high float64) {
	mid = float64(p.temp[1])
	low = float64(min(p.temp[0], p.temp[1], p.temp[2])) - 0.4
	high = float64(max(p.temp[0], p.temp[1], p.temp[2])) + 0.4
	return mid, low, high
}
