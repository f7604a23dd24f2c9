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

// CelsiusOfFahrenheit returns the temperature of f °F.
func CelsiusOfFahrenheit(f float64) Celsius { return Celsius((f - 32) * 5 / 9) }

// Fahrenheit returns the difference d in Fahrenheit degrees: 9/5 of one for
// every kelvin, and no 32.
func (d Kelvin) Fahrenheit() float64 { return float64(d) * 9 / 5 }

// KelvinOfFahrenheit returns the difference of f Fahrenheit degrees.
func KelvinOfFahrenheit(f float64) Kelvin { return Kelvin(f * 5 / 9) }
