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

import (
	"math"

	"coilward/detect/forget"
)

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
		p.temp[i] += float32((ta - float64(p.temp[i])) * forget.Share(dt, tau))
	}
}

// Estimate returns the product temperature and its bounds, °C.
func (p *Product) Estimate() (mid, low, high float64) {
	mid = float64(p.temp[1])
	low = float64(min(p.temp[0], p.temp[1], p.temp[2])) - 0.4
	high = float64(max(p.temp[0], p.temp[1], p.temp[2])) + 0.4
	return mid, low, high
}

// onItsWay is by how much a light product must be ahead of a heavy one for both to be
// said to go its way, K: more than what a cycle leaves between them.
const onItsWay = 0.5

// Cooling reports whether the product is on its way down.
func (p *Product) Cooling() bool { return p.temp[0] < p.temp[len(p.temp)-1]-onItsWay }

// Warming reports whether the product is on its way up.
func (p *Product) Warming() bool { return p.temp[0] > p.temp[len(p.temp)-1]+onItsWay }

// Nearest is the product that freezes first: what stands next to the supply. It meets
// air that is partly the supply's and follows it as the bulk follows the return air.
type Nearest struct {
	temp, air float32 // air: the mean of what it meets, over airTau
	known     bool
}

const (
	nearestTau = 2.0 // h
	airTau     = 1.0 // h, about the longest usual cycle
)

// How much of what the nearest product meets is the supply's air, and, where only the
// coil's outlet is measured, how far under the return air it is for every kelvin that
// the coil is. An iced or starved coil is far colder than any air that comes off it,
// so more than coilMost counts for no more. (Fitted to simulated fleets, as are the
// time constants: 0.6 K rms with the supply, 0.9 K with the coil.)
const (
	ofSupply = 0.45
	ofCoil   = 0.3
	coilMost = 9.0 // K
)

// BesideSupply is the air that the nearest product meets, °C: from the return air and
// the supply air.
func BesideSupply(air, supply float64) float64 { return air - ofSupply*(air-supply) }

// BesideCoil is the same from the return air and the coil's outlet, °C.
func BesideCoil(air, coil float64) float64 {
	return air - ofCoil*math.Min(math.Max(air-coil, -3), coilMost)
}

// Known reports whether there is an estimate.
func (n *Nearest) Known() bool { return n.known }

// Advance lets the product meet air of a temperature, °C, for dt hours.
func (n *Nearest) Advance(air, dt float64) {
	if !n.known {
		*n = Nearest{temp: float32(air), air: float32(air), known: true}
		return
	}
	n.temp += float32((air - float64(n.temp)) * forget.Share(dt, nearestTau))
	n.air += float32((air - float64(n.air)) * forget.Share(dt, airTau))
}

// Estimate returns the product's temperature and that of the air it has met over the
// last hour or so, °C.
func (n *Nearest) Estimate() (product, air float64) { return float64(n.temp), float64(n.air) }

// Until returns after how many hours the nearest product is at a temperature under its
// own, °C, if the air that it meets stays; +Inf if it never is.
func (n *Nearest) Until(cold float64) float64 {
	t, a := float64(n.temp), float64(n.air)
	switch {
	case t <= cold:
		return 0
	case a >= cold:
		return math.Inf(1)
	}
	return nearestTau * math.Log((t-a)/(cold-a)) // Newton's law of cooling
}
