package change

import "math"

// EwmaRule is what every machine's EWMA of one kind shares.
type EwmaRule struct {
	Weight      float64 // λ, 0 < λ ≤ 1
	Limit       float64 // L, in standard deviations of the EWMA: see EwmaLimit
	FixedLimits bool    // limits for a long-running EWMA from the start on
}

// Ewma is an exponentially weighted moving average of standardised
// observations:
//
//	z ← (1−λ) z + λ x,  alarm when |z| > L √(λ/(2−λ) · (1 − (1−λ)^{2n}))
//
// The last factor is exact for the n-th observation: the limits are narrow at
// the start, so early shifts are seen early. The zero value is ready.
//
// Sources: Roberts 1959, Technometrics 1; Lucas & Saccucci 1990, Technometrics
// 32.
type Ewma struct {
	Z float32 // the average, in σ
	// 1 − (1−λ)^{2n}, built up so that the zero value is a fresh start
	settled float32
}

// Restart forgets the past.
func (e *Ewma) Restart() { *e = Ewma{} }

// Step takes the next standardised observation. A NaN is passed over.
func (e *Ewma) Step(r *EwmaRule, x float64) Side {
	if x != x {
		return Steady
	}
	keep := 1 - r.Weight
	e.Z = float32(keep*float64(e.Z) + r.Weight*x)
	e.settled = float32(1 - keep*keep*(1-float64(e.settled)))
	limit := e.Bound(r)
	switch z := float64(e.Z); {
	case z > limit:
		return Up
	case z < -limit:
		return Down
	}
	return Steady
}

// Bound returns the limit that applied to the last observation, in σ.
func (e *Ewma) Bound(r *EwmaRule) float64 {
	settled := float64(e.settled)
	if r.FixedLimits {
		settled = 1
	}
	return r.Limit * math.Sqrt(r.Weight/(2-r.Weight)*settled)
}
