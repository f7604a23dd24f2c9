package change

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// ErrLimit is returned when no limit gives the wanted run length.
var ErrLimit = errors.New("no limit gives the wanted mean time between false alarms")

// SiegmundARL approximates the average run length of a one-sided CUSUM without
// head start on normal observations with mean shift, in observations:
//
//	(e^{−2Δb} + 2Δb − 1) / 2Δ²,  Δ = shift − k, b = h + 1.166
//
// It starts the exact solution off; within a few per cent. Source: Siegmund
// 1985, Sequential Analysis (from memory).
func SiegmundARL(k, h, shift float64) float64 {
	d, b := shift-k, h+1.166
	if math.Abs(d) < 1e-9 {
		return b * b
	}
	return (math.Exp(-2*d*b) + 2*d*b - 1) / (2 * d * d)
}

// CusumARL returns the average run length of a CUSUM on independent normal
// observations of mean shift and deviation 1, in observations. It solves
// Page's integral equation
//
//	L(z) = 1 + L(0) Φ(k − z − μ) + ∫₀ʰ L(y) φ(y + k − z − μ) dy
//
// at Gauss–Legendre nodes (Nyström). The two sides combine as in Lucas &
// Crosier 1982; without head start that is 1/L = 1/L⁺ + 1/L⁻.
func CusumARL(r CusumRule, shift float64) (float64, error) {
	if !(r.Limit > 0) || r.Reference < 0 || r.HeadStart < 0 || r.HeadStart > r.Limit {
		return 0, fmt.Errorf("cusum rule %+v: limit must be positive, reference not negative, head start within the limit", r)
	}
	up0, up, err := oneSidedARL(r, shift)
	if err != nil || r.OneSided {
		return up, err
	}
	down0, down, err := oneSidedARL(r, -shift)
	if err != nil {
		return 0, err
	}
	return (up*down0 + down*up0 - up0*down0) / (up0 + down0), nil
}

// oneSidedARL returns the run length from zero and from the head start.
func oneSidedARL(r CusumRule, shift float64) (fromZero, fromStart float64, err error) {
	n := 30 + int(6*r.Limit)
	y, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(y, w, 0, r.Limit)
	// Unknowns: L at the nodes, then L(0).
	a, b := mat.NewDense(n+1, n+1, nil), mat.NewVecDense(n+1, nil)
	row := func(z float64, set func(j int, v float64)) {
		m := r.Reference - z - shift
		for j := range n {
			set(j, w[j]*normalDensity(y[j]+m))
		}
		set(n, normalCDF(m))
	}
	for i := range n + 1 {
		z := 0.0
		if i < n {
			z = y[i]
		}
		row(z, func(j int, v float64) { a.Set(i, j, -v) })
		a.Set(i, i, a.At(i, i)+1)
		b.SetVec(i, 1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, b); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) {
			return 0, 0, fmt.Errorf("cusum run length: %w", err)
		}
	}
	fromStart = 1
	row(r.HeadStart, func(j int, v float64) { fromStart += v * l.AtVec(j) })
	return l.AtVec(n), fromStart, nil
}

// CusumLimit returns rule r with the limit that gives arl0 observations
// between false alarms on average (10 < arl0 < 1e11). A head start is kept as
// the same share of the limit: r.HeadStart is a share, 0..1, of r.Limit when
// r.Limit is 1.
func CusumLimit(arl0 float64, r CusumRule) (CusumRule, error) {
	share := 0.0
	if r.HeadStart > 0 {
		if !(r.Limit > 0) {
			return r, errors.New("cusum rule: a head start needs Limit set to the value it is a share of")
		}
		share = r.HeadStart / r.Limit
	}
	at := func(h float64) CusumRule {
		r.Limit, r.HeadStart = h, share*h
		return r
	}
	h, err := solveLimit(arl0, 0.05, 60, func(h float64) (float64, error) { return CusumARL(at(h), 0) })
	return at(h), err
}

// EwmaARL returns the average run length of a two-sided EWMA on independent
// normal observations of mean shift and deviation 1, in observations. With
// fixed limits it solves
//
//	L(u) = 1 + 1/λ ∫ L(y) φ((y − (1−λ)u)/λ − μ) dy   (Crowder 1987)
//
// With time-varying ones the density of the average is carried forward until
// the limits have settled.
func EwmaARL(r EwmaRule, shift float64) (float64, error) {
	if !(r.Weight > 0 && r.Weight <= 1) || !(r.Limit > 0) {
		return 0, fmt.Errorf("ewma rule %+v: weight must be in (0, 1] and limit positive", r)
	}
	if r.Weight == 1 {
		return ShewhartARL(r.Limit, shift), nil
	}
	lambda, keep := r.Weight, 1-r.Weight
	bound := r.Limit * math.Sqrt(lambda/(2-lambda))
	n := 40 + int(4*bound/lambda) // the kernel is λ wide
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)
	kernel := func(from, to float64) float64 { return normalDensity((to-keep*from)/lambda-shift) / lambda }

	a, one := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		for j := range n {
			a.Set(i, j, -w[j]*bound*kernel(bound*x[i], bound*x[j]))
		}
		a.Set(i, i, a.At(i, i)+1)
		one.SetVec(i, 1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, one); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) {
			return 0, fmt.Errorf("ewma run length: %w", err)
		}
	}
	settledARL := func(u float64) float64 { // for a single start
		s := 1.0
		for j := range n {
			s += w[j] * bound * kernel(u, bound*x[j]) * l.AtVec(j)
		}
		return s
	}
	if r.FixedLimits {
		return settledARL(0), nil
	}
	// density[i]: of the average at b·x[i] without alarm so far, b the limit
	// of this step.
	density, next := make([]float64, n), make([]float64, n)
	unsettled := keep * keep
	b := bound * math.Sqrt(1-unsettled)
	for i := range n {
		density[i] = kernel(0, b*x[i])
	}
	arl := 1.0
	for ; unsettled > 1e-7; unsettled *= keep * keep {
		to := bound * math.Sqrt(1-unsettled*keep*keep)
		for j := range n {
			next[j] = 0
			for i := range n {
				next[j] += w[i] * b * density[i] * kernel(b*x[i], to*x[j])
			}
		}
		for i := range n {
			arl += w[i] * b * density[i] // alive after this step: one more at least
		}
		density, next, b = next, density, to
	}
	for i := range n {
		arl += w[i] * b * density[i] * settledARL(b*x[i])
	}
	return arl, nil
}

// EwmaLimit returns rule r with the limit that gives arl0 observations
// between false alarms on average.
func EwmaLimit(arl0 float64, r EwmaRule) (EwmaRule, error) {
	at := func(l float64) EwmaRule { r.Limit = l; return r }
	l, err := solveLimit(arl0, 0.5, 8, func(l float64) (float64, error) { return EwmaARL(at(l), 0) })
	return at(l), err
}

// ShewhartARL returns the average run length of a chart that alarms when
// |x| > limit: 1/(1 − Φ(L−μ) + Φ(−L−μ)).
func ShewhartARL(limit, shift float64) float64 {
	return 1 / (normalCDF(shift-limit) + normalCDF(-limit-shift))
}

// ScoreARL returns the average run length of a one-sided sum of scores,
// S ← max(0, S + score(x)), alarm above limit, for independent normal x with
// mean shift. Scores may be clipped or bend back (Huber, StudentScore). It is
// the Markov chain of Brook & Evans 1972 (Biometrika 59) over a discretised
// sum, extrapolated in the width of its cells.
func ScoreARL(score func(x float64) float64, limit, shift float64) (float64, error) {
	const points = 20000 // quantiles that stand for the distribution of x
	scores := make([]float64, points)
	for i := range scores {
		scores[i] = score(shift + normalQuantile((float64(i)+0.5)/points))
	}
	slices.Sort(scores)
	return markovARL(scores, limit, 240)
}

// markovARL solves the chain with n cells above the one at zero. Cell 0 is
// centred on zero and half as wide on the positive side (Brook & Evans).
func markovARL(scores []float64, limit float64, n int) (float64, error) {
	w := 2 * limit / float64(2*n-1)
	cdf := func(s float64) float64 {
		// Mid-distribution function: an atom on the edge counts half.
		lo, _ := slices.BinarySearch(scores, s-1e-12)
		hi, _ := slices.BinarySearch(scores, s+1e-12)
		return float64(lo+hi) / 2 / float64(len(scores))
	}
	a, one := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		z := float64(i) * w
		below := 0.0
		for j := range n {
			upTo := cdf((float64(j)+0.5)*w - z)
			a.Set(i, j, below-upTo)
			below = upTo
		}
		a.Set(i, i, a.At(i, i)+1)
		one.SetVec(i, 1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, one); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) {
			return 0, fmt.Errorf("run length of scores: %w", err)
		}
	}
	return l.AtVec(0), nil
}

// ScoreLimit returns the limit of a one-sided sum of scores that gives arl0
// observations between false alarms on average.
func ScoreLimit(arl0 float64, score func(x float64) float64) (float64, error) {
	return solveLimit(arl0, 0.2, 60, func(h float64) (float64, error) { return ScoreARL(score, h, 0) })
}

// normalQuantile is Φ⁻¹.
func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// solveLimit finds the limit between lo and hi with run length arl0. The
// logarithm of a run length is nearly a straight line in the limit, so regula
// falsi (Illinois) needs few steps.
func solveLimit(arl0, lo, hi float64, arl func(limit float64) (float64, error)) (float64, error) {
	if !(arl0 >= 10 && arl0 <= 1e11) {
		return 0, fmt.Errorf("%w: asked for %g observations; ask for 10 to 1e11", ErrLimit, arl0)
	}
	miss := func(h float64) (float64, error) {
		l, err := arl(h)
		if err == nil && !(l > 0) {
			l = math.Inf(1) // past what double precision resolves
		}
		return math.Log(l) - math.Log(arl0), err
	}
	// Walk up from below: large limits cost more and lose precision.
	a, fa := lo, 0.0
	fa, err := miss(a)
	if err != nil {
		return 0, err
	}
	if fa > 0 {
		return 0, fmt.Errorf("%w: already longer at the smallest limit %g", ErrLimit, lo)
	}
	b, fb := a, fa
	for step := 1.0; fb < 0; {
		a, fa = b, fb
		b = min(b+step, hi)
		if fb, err = miss(b); err != nil {
			return 0, err
		}
		if fb < 0 && b == hi {
			return 0, fmt.Errorf("%w: still shorter at the largest limit %g", ErrLimit, hi)
		}
	}
	for range 60 {
		h := (a + b) / 2
		if !math.IsInf(fb, 0) && !math.IsInf(fa, 0) {
			h = (a*fb - b*fa) / (fb - fa)
		}
		f, err := miss(h)
		if err != nil {
			return 0, err
		}
		if math.Abs(f) < 1e-8 || b-a < 1e-9 {
			return h, nil
		}
		if f < 0 {
			a, fa = h, f
			fb /= 2
		} else {
			b, fb = h, f
			fa /= 2
		}
	}
	return (a + b) / 2, nil
}
