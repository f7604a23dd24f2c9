package change

// CusumRule is what every machine's CUSUM of one kind shares.
type CusumRule struct {
	Reference float64 // k ≥ 0, in σ: half the shift to be caught
	Limit     float64 // h > 0, in σ: see CusumLimit
	HeadStart float64 // where both sums start, 0..h; h/2 is the usual fast initial response
	OneSided  bool    // only a rise is looked for
}

// Cusum is a tabular cumulative sum for a shift of the mean of standardised
// observations:
//
//	S⁺ ← max(0, S⁺ + x − k),  S⁻ ← max(0, S⁻ − x − k),  alarm when S > h
//
// Its zero value is ready, without a head start; Restart applies one.
//
// Sources: Page 1954, Biometrika 41; head start: Lucas & Crosier 1982,
// Technometrics 24 (from memory).
type Cusum struct {
	High, Low       float32 // the two sums, in σ
	HighRun, LowRun uint32  // observations since the sum last was zero
}

// Restart puts the sums at the rule's head start.
func (c *Cusum) Restart(r *CusumRule) {
	*c = Cusum{High: float32(r.HeadStart)}
	if !r.OneSided {
		c.Low = float32(r.HeadStart)
	}
}

// Step takes the next standardised observation and says on which side the
// limit is passed; of both, the larger sum. The sums go on afterwards: whoever
// acts on the alarm calls Restart. A NaN is passed over.
func (c *Cusum) Step(r *CusumRule, x float64) Side {
	if x != x {
		return Steady
	}
	if r.OneSided {
		return c.StepScores(r.Limit, x-r.Reference, 0)
	}
	return c.StepScores(r.Limit, x-r.Reference, -x-r.Reference)
}

// StepScores adds log-likelihood increments (or any scores with negative mean
// while nothing is wrong) to the two sums; see Huber and StudentScore.
func (c *Cusum) StepScores(limit, up, down float64) Side {
	c.High, c.HighRun = accumulate(c.High, c.HighRun, up)
	c.Low, c.LowRun = accumulate(c.Low, c.LowRun, down)
	switch {
	case float64(c.High) > limit && c.High >= c.Low:
		return Up
	case float64(c.Low) > limit:
		return Down
	}
	return Steady
}

// Began returns how many observations ago the change on side s most likely
// began: the sum last was zero before it (the maximum-likelihood estimate).
func (c *Cusum) Began(s Side) int {
	switch s {
	case Up:
		return int(c.HighRun)
	case Down:
		return int(c.LowRun)
	}
	return 0
}

func accumulate(s float32, run uint32, score float64) (float32, uint32) {
	s = float32(float64(s) + score)
	if !(s > 0) {
		return 0, 0
	}
	return s, run + 1
}
