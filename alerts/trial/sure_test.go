package trial

import (
	"math"
	"testing"
)

// Upper limits of a Poisson mean, one-sided 95 %, as tables of them give it (Pearson
// and Hartley, Biometrika Tables for Statisticians I, table 40; from memory). For none,
// it is the rule of three: Hanley and Lippman-Hand, JAMA 249 (1983) 1743.
func TestRateBelow(t *testing.T) {
	for n, want := range map[int]float64{0: 2.996, 1: 4.744, 2: 6.296, 3: 7.754, 5: 10.513, 10: 16.962, 20: 29.062} {
		if got := RateBelow(n, 1); math.Abs(got-want) > 0.002 {
			t.Errorf("%d events in a year: below %.3f, want %.3f", n, got, want)
		}
		// It is where so few events have a chance of one in twenty.
		mean, p, sum := RateBelow(n, 4)*4, 1.0, 0.0
		for i := range n + 1 {
			sum += p
			p *= mean / float64(i+1)
		}
		if chance := sum * math.Exp(-mean); math.Abs(chance-0.05) > 1e-6 {
			t.Errorf("%d events or fewer have a chance of %g at that rate", n, chance)
		}
	}
}
