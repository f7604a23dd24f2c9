package change

import "math"

// Huber limits an observation to ±c, so that one outlier, however far out,
// counts no more than an observation at c. Under a normal distribution it
// turns the log-likelihood increments of a mean shift into the ones that are
// best against the worst contamination (Huber 1965, Annals of Mathematical
// Statistics 36; from memory). c of 1.5 to 2 is usual (common practice).
func Huber(x, c float64) float64 { return max(-c, min(c, x)) }

// StudentScore gives log-likelihood increments for a shift of the mean when
// standardised observations are Student's t: far outliers say nothing about a
// shift of size Shift, so their increments return to zero.
type StudentScore struct {
	DegreesOfFreedom float64 // > 0; 3 to 6 for field sensors (common practice)
	Shift            float64 // in scale units of the t
}

// Increment returns ln f(x − shift) − ln f(x) in nats.
func (s StudentScore) Increment(x float64) float64 {
	a := x * x / s.DegreesOfFreedom
	d := x - s.Shift
	b := d * d / s.DegreesOfFreedom
	return (s.DegreesOfFreedom + 1) / 2 * (math.Log1p(a) - math.Log1p(b))
}

// LongRunDeviation returns the factor by which the standard deviation of
// residuals must be multiplied before a sequential test that assumes
// independence is given residuals with lag-one correlation phi:
//
//	√((1+φ)/(1−φ))
//
// the long-run over the marginal standard deviation of an AR(1) process: sums
// of many residuals then have the variance the test expects. phi is taken no
// further than ±0.99. Source: Johnson & Bagshaw 1974, Technometrics 16 (from
// memory).
func LongRunDeviation(phi float64) float64 {
	phi = max(-0.99, min(0.99, phi))
	return math.Sqrt((1 + phi) / (1 - phi))
}

// normalCDF is Φ.
func normalCDF(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// normalDensity is φ.
func normalDensity(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
