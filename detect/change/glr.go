package change

import "math"

const (
	glrLevels   = 8 // block lengths 1, 2, 4 … 128
	glrPerLevel = 4 // blocks of each length
)

// Glr is a generalised likelihood ratio test for a shift of the mean by an
// unknown amount at an unknown time in the last observations:
//
//	g = max over j of (x_{n−j+1} + … + x_n)² / 2j   (nats)
//
// All j up to 4 and from there on a geometric grid (each at most 1.5 times
// the one before), up to GlrSpan observations, are looked at; memory is 32
// block sums. A GLR needs no guess of the shift: it is nearly as fast as the
// best CUSUM for each. The zero value is ready.
//
// Source: Lai 1995, JRSS B 57 (window-limited and geometrically spaced GLR;
// from memory).
type Glr struct {
	sum  [glrLevels][glrPerLevel]float32 // oldest first within a level
	used [glrLevels]uint8
}

// GlrSpan is the longest stretch a Glr can hold, in observations. It holds
// at least half of it once that many have come.
const GlrSpan = glrPerLevel * (1<<glrLevels - 1)

// GlrShift is the likeliest change a Glr sees.
type GlrShift struct {
	Statistic float64 // g, nats
	Length    int     // observations since the change
	Mean      float64 // of those, in σ
}

// Restart forgets the past.
func (g *Glr) Restart() { *g = Glr{} }

// Step takes the next standardised observation and returns the likeliest
// change. Compare its Statistic with GlrLimit. A NaN is passed over.
func (g *Glr) Step(x float64) GlrShift {
	if x == x {
		g.push(float32(x))
	}
	var best GlrShift
	sum, length := 0.0, 0
	for level := range glrLevels {
		for i := int(g.used[level]) - 1; i >= 0; i-- {
			sum += float64(g.sum[level][i])
			length += 1 << level
			if s := sum * sum / float64(2*length); s > best.Statistic {
				best = GlrShift{s, length, sum / float64(length)}
			}
		}
	}
	return best
}

// push adds a block of one; a full level hands its two oldest blocks, joined,
// to the next.
func (g *Glr) push(x float32) {
	for level := range glrLevels {
		s := &g.sum[level]
		n := g.used[level]
		if n < glrPerLevel {
			s[n] = x
			g.used[level]++
			return
		}
		joined := s[0] + s[1]
		s[0], s[1], s[2] = s[2], s[3], x
		g.used[level] = glrPerLevel - 1
		x = joined
	}
}

// GlrARL returns the mean number of observations between false alarms of the
// two-sided GLR with threshold limit (nats) that looks at every stretch from
// 1 to span observations:
//
//	√(2π) e^{b²/2} / (b ∫ x ν²(x) dx),  b = √(2·limit), x from b/√span to b
//
// It is a lower bound for Glr, which looks at fewer stretches. Good for
// limits above about 5.
//
// Source: Siegmund & Venkatraman 1995, Annals of Statistics 23; ν as in
// Siegmund & Yakir 2007, The Statistics of Gene Mapping (both from memory;
// checked by simulation in the tests).
func GlrARL(limit float64, span int) float64 {
	b := math.Sqrt(2 * limit)
	lo := b / math.Sqrt(float64(span))
	const steps = 400 // Simpson
	w := (b - lo) / steps
	integral := 0.0
	for i := range steps + 1 {
		x := lo + float64(i)*w
		c := 2.0 + 2*float64(i%2)
		if i == 0 || i == steps {
			c = 1
		}
		n := overshoot(x)
		integral += c * x * n * n
	}
	integral *= w / 3
	return math.Sqrt(2*math.Pi) * math.Exp(limit) / (b * integral)
}

// overshoot is Siegmund's ν: what a discrete walk loses over a continuous one.
func overshoot(x float64) float64 {
	if x < 1e-6 {
		return 1
	}
	h := x / 2
	return (normalCDF(h) - 0.5) / h / (h*normalCDF(h) + normalDensity(h))
}

// GlrLimit returns the threshold in nats for a wanted mean number of
// observations between false alarms, at least 10.
func GlrLimit(arl0 float64, span int) (float64, error) {
	return solveLimit(arl0, 1, 60, func(h float64) (float64, error) { return GlrARL(h, span), nil })
}
