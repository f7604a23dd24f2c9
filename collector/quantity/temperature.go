// Package quantity holds the physical units that cross package borders, one
// type a unit, and the conversions between them that are exact.
package quantity

// A temperature and a difference of two temperatures are different things:
// adding two temperatures does not compile.
type (
	Celsius float64 // a temperature, °C
	Kelvin  float64 // a difference of two temperatures, K
)

// Sub returns t − u.
func (t Celsius) Sub(u Celsius) Kelvin { return Kelvin(t - u) }

// Add returns the temperature d warmer than t.
func (t Celsius) Add(d Kelvin) Celsius { return t + Celsius(d) }

// Fahrenheit returns t in °F, for people who read °F. It is exact by
// definition: °F = 9/5 °C + 32.
func (t Celsius) Fahrenheit() float64 { return float64(t)*9/5 + 32 }
