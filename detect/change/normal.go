package change

import "math"

// NormalRule says how a machine's normal is learned.
type NormalRule struct {
	Memory    float64 // observations remembered, > 1
	Clip      float64 // Huber's c: an observation counts no further out than this many deviations, > 1
	MinimumSD float64 // deviation is never believed smaller: sensor resolution, in units of x
}

// Normal is the running mean and variance of one feature of a machine while it
// is well: exponentially weighted, with observations limited to Clip
// deviations so that outliers and a beginning fault move it little. The
// variance is corrected for the limiting, so it is right for normal
// observations. Begin must be called first.
type Normal struct {
	Mean     float64
	Variance float64
	Weight   float64 // observations' worth of knowledge, up to Memory
}

// Begin starts from a prior worth weight observations (> 0).
func (n *Normal) Begin(mean, sd, weight float64) { *n = Normal{mean, sd * sd, weight} }

// SD returns the deviation, never below the rule's minimum.
func (n *Normal) SD(r *NormalRule) float64 { return max(math.Sqrt(n.Variance), r.MinimumSD) }

// Standard returns x in deviations from the mean, as Step would see it before
// learning from it. While little is known the mean's own uncertainty counts.
func (n *Normal) Standard(r *NormalRule, x float64) float64 {
	return (x - n.Mean) / (n.SD(r) * math.Sqrt(1+1/n.Weight))
}

// Step learns from an observation taken while the machine is well with
// probability well (0..1): with 0 it learns nothing, so that a fault is not
// taken for normal. It returns what Standard would have.
func (n *Normal) Step(r *NormalRule, x, well float64) float64 {
	z := n.Standard(r, x)
	if z != z || !(well > 0) {
		return z
	}
	sd := n.SD(r)
	e := Huber((x-n.Mean)/sd, r.Clip)
	n.Weight = min(n.Weight+well, r.Memory)
	gain := well / n.Weight
	n.Mean += gain * e * sd
	n.Variance += gain * (e*e*sd*sd/clippedVariance(r.Clip) - n.Variance)
	return z
}

// clippedVariance is E[Huber(z, c)²] for z ~ N(0,1):
// 1 − 2Φ(−c) − 2cφ(c) + 2c²Φ(−c).
func clippedVariance(c float64) float64 {
	tail := normalCDF(-c)
	return 1 - 2*tail - 2*c*normalDensity(c) + 2*c*c*tail
}
