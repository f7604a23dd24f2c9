package change

import "math"

// Verdict is what a sequential probability ratio test has decided.
type Verdict int8

// Verdicts; the zero value is that more observations are needed.
const (
	Undecided Verdict = iota
	Unchanged         // the first hypothesis: nothing is wrong
	Changed           // the second: the mean has moved
)

// SprtRule is what every machine's test of one kind shares.
type SprtRule struct {
	Shift   float64 // mean under the second hypothesis, in σ; the first has 0
	Lower   float64 // < 0; at or below it, the first hypothesis is taken
	Upper   float64 // > 0; at or above it, the second
	Longest uint32  // then the likelier one is taken; 0: no end
}

// WaldBounds returns the bounds of the log-likelihood ratio for the wanted
// probabilities of a false alarm (alpha) and of a miss (beta):
//
//	ln(β/(1−α)) and ln((1−β)/α)
//
// Source: Wald 1945, Annals of Mathematical Statistics 16.
func WaldBounds(alpha, beta float64) (lower, upper float64) {
	return math.Log(beta / (1 - alpha)), math.Log((1 - beta) / alpha)
}

// Sprt is Wald's sequential probability ratio test, started again after every
// verdict. The zero value is ready.
type Sprt struct {
	Ratio float32 // log-likelihood ratio, second over first hypothesis, nats
	N     uint32  // observations since the last verdict
}

// Step takes the next standardised observation. A NaN is passed over.
func (s *Sprt) Step(r *SprtRule, x float64) Verdict {
	if x != x {
		return Undecided
	}
	return s.StepScore(r, r.Shift*(x-r.Shift/2))
}

// StepScore takes a log-likelihood increment in nats, of any distribution.
func (s *Sprt) StepScore(r *SprtRule, increment float64) Verdict {
	s.Ratio = float32(float64(s.Ratio) + increment)
	s.N++
	verdict := Undecided
	switch ratio := float64(s.Ratio); {
	case ratio >= r.Upper:
		verdict = Changed
	case ratio <= r.Lower:
		verdict = Unchanged
	case r.Longest > 0 && s.N >= r.Longest && ratio > 0:
		verdict = Changed
	case r.Longest > 0 && s.N >= r.Longest:
		verdict = Unchanged
	}
	if verdict != Undecided {
		*s = Sprt{}
	}
	return verdict
}
