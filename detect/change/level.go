package change

import "math"

// LevelRule is the local level model: a level that walks at random, seen
// through noise.
type LevelRule struct {
	Noise float64 // variance of an observation about the level, > 0
	Walk  float64 // variance the level gains a step, ≥ 0
}

// Level is the Kalman filter of a local level model with an exact diffuse
// start: the first observation becomes the level. The zero value is ready.
//
//	v = y − a,  F = P + σ²ε,  K = P/F,  a ← a + K v,  P ← P (1 − K) + σ²η
//
// Source: Durbin & Koopman 2012, Time Series Analysis by State Space Methods,
// 2nd ed., ch. 2.
type Level struct {
	Mean          float64 // filtered level, before the next step's walk
	Variance      float64 // of the prediction of the next level
	LogLikelihood float64 // diffuse, of all observations so far, nats
	N             uint32
}

// Innovation is what an observation had that the filter did not expect.
type Innovation struct {
	Value    float64 // v
	Variance float64 // F; +Inf for the first observation
	Gain     float64 // K
}

// Standard returns the innovation in standard deviations: independent N(0,1)
// while the model holds.
func (i Innovation) Standard() float64 { return i.Value / math.Sqrt(i.Variance) }

// Step takes the next observation. A NaN is a missing one: the level walks on.
func (l *Level) Step(r *LevelRule, y float64) Innovation {
	if y != y {
		if l.N > 0 {
			l.Variance += r.Walk
		}
		return Innovation{Variance: math.Inf(1)}
	}
	l.N++
	if l.N == 1 {
		l.Mean, l.Variance = y, r.Noise+r.Walk
		return Innovation{Variance: math.Inf(1), Gain: 1}
	}
	i := Innovation{Value: y - l.Mean, Variance: l.Variance + r.Noise}
	i.Gain = l.Variance / i.Variance
	l.Mean += i.Gain * i.Value
	l.Variance = l.Variance*(1-i.Gain) + r.Walk
	l.LogLikelihood -= (math.Log(2*math.Pi*i.Variance) + i.Value*i.Value/i.Variance) / 2
	return i
}

// Begin starts from a level known with a variance, instead of diffusely.
func (l *Level) Begin(mean, variance float64) { *l = Level{Mean: mean, Variance: variance, N: 1} }
