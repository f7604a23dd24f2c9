package alerts

import (
	"math"
	"time"

	"coilward/detect/fault"
)

// shared reports whether the fault is one that a whole site can have at once.
func shared(f fault.Fault) bool { return f == fault.Silent || f == fault.PowerLost }

// Coincidence decides whether machines that fell silent or lost power together
// have one cause.
type Coincidence struct {
	Window    time.Duration // raised within this of each other
	Machine   time.Duration // mean time between such failures of one machine
	Site      time.Duration // mean time between failures of what a site shares
	Fleet     time.Duration // mean time between failures of what sites share
	Certainty float64       // posterior needed
}

// DefaultCoincidence: common practice, no source.
func DefaultCoincidence() Coincidence {
	const day = 24 * time.Hour
	return Coincidence{Window: 10 * time.Minute, Machine: 14 * day, Site: 14 * day, Fleet: 90 * day, Certainty: 0.99}
}

// OneCause is the posterior that k of n things which failed within the window
// have one cause, by rates:
//
//	odds = (1/common) / ( n/own · P(K ≥ k−1) ),  K ~ Binomial(n−1, 1 − exp(−2w/own))
//
// The first failure is given; the tail is that of the others falling within the
// window of it on their own.
func OneCause(k, n int, window, own, common time.Duration) float64 {
	if k < 2 || n < k {
		return 0
	}
	q := -math.Expm1(-2 * window.Hours() / own.Hours())
	tail := binomialTail(n-1, k-1, q)
	odds := (1 / common.Hours()) / (float64(n) / own.Hours() * tail)
	if math.IsInf(odds, 1) {
		return 1
	}
	return odds / (1 + odds)
}

// binomialTail is P(K ≥ k) for K ~ Binomial(n, q).
func binomialTail(n, k int, q float64) float64 {
	sum := 0.0
	for i := k; i <= n; i++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(i + 1))
		c, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(a - b - c + float64(i)*math.Log(q) + float64(n-i)*math.Log1p(-q))
	}
	return math.Min(1, sum)
}
