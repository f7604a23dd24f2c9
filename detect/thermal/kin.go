package thermal

import (
	"math"

	"coilward/collector/fleet"
	"coilward/detect/kin"
)

// fractionName is the run fraction in the room of the kinds' priors, 24 °C, with
// 3 °C inside.
const fractionName = "run fraction at 24 °C"

// leastHours is how many hours of whole cycles must lie behind a load for others
// to begin with it.
const leastHours = 36

// Level writes what the machine's load says of its kind into to.
func (l *Load) Level(to map[string]kin.Level) {
	if l.n < leastHours {
		return
	}
	const amb, air = 24, 3
	phi := l.Fraction(amb, air)
	x := [3]float64{amb - air, 1, phi * (amb - 25)}
	_, _, _, cov := l.Line()
	v := 0.0
	for i := range x {
		for j := range x {
			v += x[i] * cov[i][j] * x[j]
		}
	}
	to[fractionName] = kin.Level{Mean: phi, SD: math.Sqrt(float64(l.noise)), Error: math.Sqrt(math.Max(v, 0))}
}

// NewLoadOf returns the prior of a kind by what the fleet's own machines show.
// What of it fans, lights and doors bring in stays in the built-in proportion.
func NewLoadOf(k fleet.Kind, known *kin.Kind) Load {
	s, ok := known.Levels[fractionName]
	if !ok || !(s.Centre > 0) {
		return NewLoad(k)
	}
	p := kindPriors[k]
	p.inside *= s.Centre / p.fraction
	p.fraction, p.sd = s.Centre, math.Max(s.Prior(), 0.02)
	return newLoad(p)
}
