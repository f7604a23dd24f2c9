package quantity

// RPM is a speed of rotation in revolutions a minute, the SenML unit 1/min.
type RPM float64

// Hertz returns revolutions a second.
func (n RPM) Hertz() float64 { return float64(n) / 60 }
