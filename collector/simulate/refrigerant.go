package simulate

import "math"

// refrigerant holds the few properties that the plant needs.
//
// Saturation pressure is an Antoine form, ln p[kPa] = a − b/(T[°C] + c), with
// the constants fitted to the equations of state of Tillner-Roth & Baehr 1994
// (R-134a), Lemmon 2009 and Bücker & Wagner 2006 (R-600a) between −20
// and 40 °C. Latent heats at 0 °C, liquid heat capacities and isentropic
// exponents are handbook values from memory.
type refrigerant struct {
	name     string
	a, b, c  float64
	molar    float64 // kg/mol
	critT    float64 // °C
	critP    float64 // kPa
	latent0  float64 // J/kg at 0 °C
	liquidCp float64 // J/kgK
	vapourCp float64 // J/kgK
	isen     float64 // isentropic exponent
}

var refrigerants = []refrigerant{
	{"R-134a", 14.43296, 2112.209, 241.2995, 0.10203, 101.06, 4059.3, 198600, 1400, 900, 1.12},
	{"R-290", 14.09268, 2056.175, 259.2742, 0.04410, 96.74, 4251.2, 374900, 2600, 1750, 1.14},
	{"R-600a", 13.71978, 2116.155, 244.2528, 0.05812, 134.66, 3629.0, 354300, 2350, 1650, 1.10},
}

func refrigerantByName(name string) (*refrigerant, bool) {
	for i := range refrigerants {
		if refrigerants[i].name == name {
			return &refrigerants[i], true
		}
	}
	return nil, false
}

// pressure returns the saturation pressure in kPa at t °C.
func (r *refrigerant) pressure(t float64) float64 { return math.Exp(r.a - r.b/(t+r.c)) }

// vapour returns the density of suction vapour, kg/m³, at pressure p kPa and
// t °C, with a compressibility that falls linearly with reduced pressure.
func (r *refrigerant) vapour(p, t float64) float64 {
	z := 1 - 1.1*p/r.critP
	return p * 1e3 * r.molar / (8.314 * (t + 273.15) * z)
}

// latent returns the heat of evaporation, J/kg, at t °C (Watson's exponent 0.38).
func (r *refrigerant) latent(t float64) float64 {
	x := (r.critT - t) / r.critT
	if x < 0.05 {
		x = 0.05
	}
	return r.latent0 * math.Exp(0.38*math.Log(x))
}

// Constants of moist air and water.
const (
	airDensity  = 1.2     // kg/m³
	airCp       = 1006.0  // J/kgK
	latentFrost = 2.834e6 // J/kg, sublimation
	latentWater = 2.501e6 // J/kg, condensation
	latentMelt  = 3.34e5  // J/kg
	pressureAir = 101.325 // kPa
)

// satHumidity returns the humidity ratio, kg/kg, of saturated air at t °C, over
// ice below 0 °C (Magnus form; WMO constants, from memory).
func satHumidity(t float64) float64 {
	var p float64
	if t < 0 {
		p = 0.61112 * math.Exp(22.46*t/(272.62+t))
	} else {
		p = 0.61112 * math.Exp(17.62*t/(243.12+t))
	}
	return 0.622 * p / (pressureAir - p)
}
