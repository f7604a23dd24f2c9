package change

// PageHinkleyRule is what every machine's test of one kind shares.
type PageHinkleyRule struct {
	Tolerance float64 // δ ≥ 0: drift of the mean that is of no interest, in units of x
	Limit     float64 // alarm above it, in units of x
	Memory    float64 // observations the running mean remembers; 0: all
	MeanKnown bool    // Mean is given with Restart and stays
}

// PageHinkley looks for a shift of a mean that is not known beforehand: with
// x̄ the mean of what came so far and m = Σ (x − x̄ − δ), it alarms when
// m − min m passes the limit, and likewise downwards. The differences are kept
// in their reflected form, so they never grow out of precision. With a known
// mean it is a CUSUM with reference δ.
//
// The zero value is ready. Source: Page 1954; Hinkley 1971, Biometrika 58
// (from memory).
type PageHinkley struct {
	Mean      float64
	N         uint32
	High, Low float32
}

// Restart starts again; mean matters only where the rule says it is known.
func (p *PageHinkley) Restart(mean float64) { *p = PageHinkley{Mean: mean} }

// Step takes the next observation, in its own units. A NaN is passed over.
func (p *PageHinkley) Step(r *PageHinkleyRule, x float64) Side {
	if x != x {
		return Steady
	}
	p.N++
	if !r.MeanKnown {
		n := float64(p.N)
		if r.Memory > 0 {
			n = min(n, r.Memory)
		}
		p.Mean += (x - p.Mean) / n
	}
	d := x - p.Mean
	p.High = float32(max(0, float64(p.High)+d-r.Tolerance))
	p.Low = float32(max(0, float64(p.Low)-d-r.Tolerance))
	switch {
	case float64(p.High) > r.Limit && p.High >= p.Low:
		return Up
	case float64(p.Low) > r.Limit:
		return Down
	}
	return Steady
}
