package change

import (
	"math"
	"math/rand/v2"
	"testing"
	"unsafe"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

var observations = rapid.SliceOfN(rapid.Float64Range(-6, 6), 1, 200)

// Page–Hinkley by its definition, m − min m, equals a CUSUM with k = δ when
// the mean is known. Tolerance: float32 sums.
func TestPageHinkleyIsCusumWithKnownMean(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mean := rapid.Float64Range(-5, 5).Draw(t, "mean")
		delta := rapid.Float64Range(0, 1).Draw(t, "delta")
		rule := PageHinkleyRule{Tolerance: delta, Limit: 5, MeanKnown: true}
		cusum := CusumRule{Reference: delta, Limit: 5}
		var p PageHinkley
		var c Cusum
		p.Restart(mean)
		m, least := 0.0, 0.0
		for i, x := range observations.Draw(t, "x") {
			p.Step(&rule, mean+x)
			c.Step(&cusum, x)
			m += x - delta
			least = min(least, m)
			if math.Abs(float64(p.High)-(m-least)) > 1e-3 || math.Abs(float64(p.High-c.High)) > 1e-3 || math.Abs(float64(p.Low-c.Low)) > 1e-3 {
				t.Fatalf("step %d: Page–Hinkley %v/%v, definition %v, CUSUM %v/%v", i, p.High, p.Low, m-least, c.High, c.Low)
			}
		}
	})
}

func TestPageHinkleyLearnsTheMean(t *testing.T) {
	rule := PageHinkleyRule{Tolerance: 0.5, Limit: 8}
	r := rand.New(rand.NewPCG(1, 2))
	var p PageHinkley
	for i := range 300 {
		if s := p.Step(&rule, 40+r.NormFloat64()); s != Steady {
			t.Fatalf("alarm at %d on a steady mean", i)
		}
	}
	near(t, "mean", p.Mean, 40, 0.25)
	for i := range 60 {
		if p.Step(&rule, 38+r.NormFloat64()) == Down {
			return
		} else if i == 59 {
			t.Error("a fall by 2 was not seen in 60 observations")
		}
	}
}

// With forgetting 1 and a wide start, recursive is batch least squares
// (gonum's QR).
func TestRegressionIsBatchLeastSquares(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		const n = 40
		a, b := mat.NewDense(n, 4, nil), mat.NewVecDense(n, nil)
		var rls Regression4
		rls.Begin([4]float64{}, 1e9)
		rule := RegressionRule{Forgetting: 1}
		for i := range n {
			x := [4]float64{1, r.NormFloat64(), r.NormFloat64(), r.NormFloat64()}
			y := 2 - x[1] + 3*x[2] + 0.5*x[3] + 0.3*r.NormFloat64()
			a.SetRow(i, x[:])
			b.SetVec(i, y)
			rls.Step(&rule, x, y)
		}
		var theta mat.VecDense
		if err := theta.SolveVec(a, b); err != nil {
			t.Fatal(err)
		}
		for i := range 4 {
			if math.Abs(theta.AtVec(i)-rls.Theta[i]) > 1e-6 {
				t.Fatalf("coefficient %d: %v, batch %v", i, rls.Theta[i], theta.AtVec(i))
			}
		}
	})
}

// With forgetting λ, recursive is batch least squares with rows weighted by
// λ^age.
func TestRegressionForgetsByWeight(t *testing.T) {
	const n, lambda = 60, 0.95
	r := rand.New(rand.NewPCG(17, 18))
	a, b := mat.NewDense(n, 3, nil), mat.NewVecDense(n, nil)
	var rls Regression3
	rls.Begin([3]float64{}, 1e9)
	rule := RegressionRule{Forgetting: lambda}
	for i := range n {
		x := [3]float64{1, r.NormFloat64(), r.NormFloat64()}
		y := 2 - x[1] + 3*x[2] + r.NormFloat64()
		w := math.Pow(lambda, float64(n-1-i)/2)
		a.SetRow(i, []float64{w * x[0], w * x[1], w * x[2]})
		b.SetVec(i, w*y)
		rls.Step(&rule, x, y)
	}
	var theta mat.VecDense
	if err := theta.SolveVec(a, b); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		near(t, "coefficient", rls.Theta[i], theta.AtVec(i), 1e-6)
	}
}

func TestRegressionForgetsAndKeeps(t *testing.T) {
	var r2 Regression2
	r2.Begin([2]float64{}, 1000)
	rule := RegressionRule{Forgetting: 0.95, Ceiling: 2000}
	r := rand.New(rand.NewPCG(3, 4))
	for i := range 600 {
		slope := 1.0
		if i >= 300 {
			slope = 2
		}
		x := [2]float64{1, r.NormFloat64()}
		r2.Step(&rule, x, 5+slope*x[1])
	}
	near(t, "slope after it changed", r2.Theta[1], 2, 1e-3)
	for range 100_000 { // nothing new: always the same regressors
		r2.Step(&rule, [2]float64{1, 0}, 5)
	}
	if trace := r2.Covariance[0] + r2.Covariance[2]; !(trace <= 2000) {
		t.Errorf("covariance wound up to %g", trace)
	}
	near(t, "slope after days without news", r2.Theta[1], 2, 1e-3)
}

func TestCusumIsSymmetric(t *testing.T) {
	rule := CusumRule{Reference: 0.5, Limit: 5}
	rapid.Check(t, func(t *rapid.T) {
		var a, b Cusum
		for _, x := range observations.Draw(t, "x") {
			if sa, sb := a.Step(&rule, x), b.Step(&rule, -x); sa != -sb && a.High != a.Low {
				t.Fatalf("%v on x, %v on −x", sa, sb)
			}
		}
	})
}

func TestMissingObservationsChangeNothing(t *testing.T) {
	nan := math.NaN()
	c, e, s, p := Cusum{High: 1}, Ewma{Z: 1}, Sprt{Ratio: 1}, PageHinkley{High: 1}
	var g Glr
	g.Step(2)
	before := g
	c.Step(&CusumRule{Limit: 5}, nan)
	e.Step(&EwmaRule{Weight: .1, Limit: 3}, nan)
	s.Step(&SprtRule{Shift: 1, Lower: -3, Upper: 3}, nan)
	p.Step(&PageHinkleyRule{Limit: 5}, nan)
	g.Step(nan)
	if c != (Cusum{High: 1}) || e != (Ewma{Z: 1}) || s != (Sprt{Ratio: 1}) || p != (PageHinkley{High: 1}) || g != before {
		t.Error("a missing observation moved a test")
	}
}

func TestEwmaLimitsWidenToTheFixedOnes(t *testing.T) {
	rule := EwmaRule{Weight: 0.2, Limit: 3}
	var e Ewma
	e.Step(&rule, 0)
	near(t, "first bound", e.Bound(&rule), 3*0.2, 1e-6) // Var z₁ = λ²
	e.Step(&rule, 0)
	near(t, "second bound", e.Bound(&rule), 3*0.2*math.Sqrt(1+0.64), 1e-6)
	for range 100 {
		e.Step(&rule, 0)
	}
	near(t, "settled bound", e.Bound(&rule), 3*math.Sqrt(0.2/1.8), 1e-6)
	if e.Step(&rule, 20) != Up {
		t.Error("no alarm")
	}
}

// Wald: error rates stay within α/(1−β) and β/(1−α).
func TestSprtErrorRates(t *testing.T) {
	lower, upper := WaldBounds(.05, .10)
	rule := SprtRule{Shift: 1, Lower: lower, Upper: upper}
	r := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct {
		mean  float64
		wrong Verdict
		most  float64
	}{{0, Changed, .05 / .9}, {1, Unchanged, .10 / .95}} {
		var s Sprt
		wrong, all := 0, 0
		for all < 20000 {
			if v := s.Step(&rule, c.mean+r.NormFloat64()); v != Undecided {
				all++
				if v == c.wrong {
					wrong++
				}
			}
		}
		if rate := float64(wrong) / float64(all); rate > c.most || rate < c.most/4 {
			t.Errorf("mean %g: wrong in %.4f, want at most %.4f and not far below", c.mean, rate, c.most)
		}
	}
	rule = SprtRule{Shift: 1, Lower: -100, Upper: 100, Longest: 5}
	var s Sprt
	for i := range 5 {
		v := s.Step(&rule, 1)
		if want := i == 4; (v == Changed) != want {
			t.Errorf("observation %d: %v", i, v)
		}
	}
}

// meanRun is the mean of n simulated run lengths.
func meanRun(n int, run func() int) float64 {
	sum := 0
	for range n {
		sum += run()
	}
	return float64(sum) / float64(n)
}

// Siegmund & Venkatraman's approximation against a plain GLR over all
// stretches up to span, and the bounded-memory one, which may only be slower.
func TestGlrRunLength(t *testing.T) {
	const span, limit = 50, 5.5
	r := rand.New(rand.NewPCG(7, 8))
	full := meanRun(1500, func() int {
		var past [span]float64
		for n := 1; ; n++ {
			past[n%span] = r.NormFloat64()
			s := 0.0
			for j := 1; j <= min(n, span); j++ {
				s += past[(n-j+1)%span]
				if s*s > 2*limit*float64(j) {
					return n
				}
			}
		}
	})
	near(t, "simulated over formula", full/GlrARL(limit, span), 1, 0.12)
	bounded := meanRun(1500, func() int {
		var g Glr
		for n := 1; ; n++ {
			if g.Step(r.NormFloat64()).Statistic > limit {
				return n
			}
		}
	})
	if f := GlrARL(limit, GlrSpan); bounded < 0.9*f || bounded > 2.5*f {
		t.Errorf("bounded-memory ARL %.0f, formula for every stretch %.0f", bounded, f)
	}
}

// The block sums are the sums they stand for.
func TestGlrBlocksSumTheLatest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-3, 3), 1, 3000).Draw(t, "x")
		var g Glr
		var got GlrShift
		for _, x := range xs {
			got = g.Step(x)
		}
		if got.Length > min(len(xs), GlrSpan) {
			t.Fatalf("looked %d back of %d", got.Length, len(xs))
		}
		sum := 0.0
		for _, x := range xs[len(xs)-got.Length:] {
			sum += x
		}
		if got.Length > 0 && math.Abs(sum-got.Mean*float64(got.Length)) > 1e-2 {
			t.Fatalf("mean %v over %d, want sum %v", got.Mean, got.Length, sum)
		}
	})
}

func TestLimitsGiveTheRunLengthsAskedFor(t *testing.T) {
	for _, arl0 := range []float64{100, 1e4, 1e7} {
		for _, r := range []CusumRule{{Reference: .5}, {Reference: .25, OneSided: true}, {Reference: 1, Limit: 1, HeadStart: .5}} {
			solved, err := CusumLimit(arl0, r)
			if err != nil {
				t.Fatal(err)
			}
			got, err := CusumARL(solved, 0)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "ARL0", got/arl0, 1, 1e-5)
		}
	}
	if _, err := CusumLimit(1e15, CusumRule{Reference: .5}); err == nil {
		t.Error("1e15 was not refused")
	}
	near(t, "Siegmund over exact", SiegmundARL(.5, 5, 0)/930.89, 1, .02)
}

// Brook & Evans' chain on plain scores equals the integral equation, and on
// robust scores what simulation gives.
func TestScoreRunLengths(t *testing.T) {
	plain, err := ScoreARL(func(x float64) float64 { return x - .5 }, 5, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "chain over integral equation", plain/930.89, 1, 0.01)
	r := rand.New(rand.NewPCG(9, 10))
	for name, score := range map[string]func(float64) float64{
		"Huber":   func(x float64) float64 { return Huber(x, 1.5) - .5 },
		"Student": StudentScore{DegreesOfFreedom: 4, Shift: 1}.Increment,
	} {
		limit, err := ScoreLimit(300, score)
		if err != nil {
			t.Fatal(err)
		}
		got := meanRun(4000, func() int {
			var c Cusum
			for n := 1; ; n++ {
				if c.StepScores(limit, score(r.NormFloat64()), 0) != Steady {
					return n
				}
			}
		})
		near(t, name+" simulated over wanted", got/300, 1, 0.06)
	}
}

func TestOneOutlierDoesNotTrip(t *testing.T) {
	student := StudentScore{DegreesOfFreedom: 4, Shift: 1}
	for name, score := range map[string]func(float64) float64{
		"Huber":   func(x float64) float64 { return Huber(x, 1.5) - .5 },
		"Student": student.Increment,
	} {
		limit, err := ScoreLimit(1000, score)
		if err != nil {
			t.Fatal(err)
		}
		var c Cusum
		if c.StepScores(limit, score(1000), 0) != Steady {
			t.Errorf("%s: an outlier of 1000σ trips", name)
		}
	}
	var plain Cusum
	if plain.Step(&CusumRule{Reference: .5, Limit: 5}, 1000) != Up {
		t.Error("the plain CUSUM should trip, or this test shows nothing")
	}
}

// False alarms on AR(1) residuals: scaled by LongRunDeviation they come no
// more often than wanted; unscaled, far more often.
func TestAutocorrelationIsAllowedFor(t *testing.T) {
	const phi, wanted = 0.6, 300.0
	rule, err := CusumLimit(wanted, CusumRule{Reference: .25})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(11, 12))
	run := func(scale float64) float64 {
		return meanRun(1500, func() int {
			var c Cusum
			x := r.NormFloat64()
			for n := 1; ; n++ {
				x = phi*x + math.Sqrt(1-phi*phi)*r.NormFloat64()
				if c.Step(&rule, x/scale) != Steady {
					return n
				}
			}
		})
	}
	allowed, naive := run(LongRunDeviation(phi)), run(1)
	if allowed < 0.8*wanted || allowed > 3*wanted || naive > wanted/3 {
		t.Errorf("mean run %.0f allowed for, %.0f not; wanted %.0f", allowed, naive, wanted)
	}
	near(t, "factor at φ 0.6", LongRunDeviation(.6), 2, 1e-12)
}

func TestNormalLearnsAndIsNotLedAstray(t *testing.T) {
	rule := NormalRule{Memory: 500, Clip: 2, MinimumSD: 0.05}
	r := rand.New(rand.NewPCG(13, 14))
	var n Normal
	n.Begin(5, 2, 5)
	for i := range 3000 {
		x := 6 + 0.5*r.NormFloat64()
		if i%50 == 0 {
			x = 60 // a bad reading in fifty
		}
		n.Step(&rule, x, 1)
	}
	near(t, "mean", n.Mean, 6, 0.1)
	near(t, "SD", n.SD(&rule), 0.5, 0.08)
	was := n
	for range 1000 {
		n.Step(&rule, 9, 0)
	}
	if n != was {
		t.Error("learned from a machine that is not well")
	}
	for range 5000 {
		n.Step(&rule, 6, 1)
	}
	if sd := n.SD(&rule); sd != rule.MinimumSD {
		t.Errorf("SD %g below what the sensor resolves", sd)
	}
}

func TestStateStaysSmall(t *testing.T) {
	for name, s := range map[string][2]uintptr{
		"Cusum": {unsafe.Sizeof(Cusum{}), 16}, "Ewma": {unsafe.Sizeof(Ewma{}), 8}, "Sprt": {unsafe.Sizeof(Sprt{}), 8},
		"PageHinkley": {unsafe.Sizeof(PageHinkley{}), 24}, "Glr": {unsafe.Sizeof(Glr{}), 136},
		"Level": {unsafe.Sizeof(Level{}), 32}, "Normal": {unsafe.Sizeof(Normal{}), 24}, "Regression2": {unsafe.Sizeof(Regression2{}), 40},
	} {
		if s[0] > s[1] {
			t.Errorf("%s takes %d bytes, want at most %d", name, s[0], s[1])
		}
	}
}

func TestStepsDoNotAllocate(t *testing.T) {
	for name, step := range steps() {
		if n := testing.AllocsPerRun(100, step); n != 0 {
			t.Errorf("%s allocates %g times a step", name, n)
		}
	}
}

func BenchmarkStep(b *testing.B) {
	for name, step := range steps() {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				step()
			}
		})
	}
}

func steps() map[string]func() {
	var (
		xs [256]float64
		i  uint8
		c  Cusum
		e  Ewma
		s  Sprt
		p  PageHinkley
		g  Glr
		l  Level
		n  Normal
		r  Regression4
	)
	random := rand.New(rand.NewPCG(15, 16))
	for j := range xs {
		xs[j] = random.NormFloat64()
	}
	next := func() float64 { i++; return xs[i] }
	cr, er, sr := CusumRule{Reference: .5, Limit: 5}, EwmaRule{Weight: .1, Limit: 3}, SprtRule{Shift: 1, Lower: -3, Upper: 3}
	pr, lr, nr := PageHinkleyRule{Tolerance: .5, Limit: 5}, LevelRule{Noise: 1, Walk: .1}, NormalRule{Memory: 500, Clip: 2, MinimumSD: .01}
	rr := RegressionRule{Forgetting: .999, Ceiling: 1e6}
	n.Begin(0, 1, 5)
	r.Begin([4]float64{}, 100)
	return map[string]func(){
		"Cusum":       func() { c.Step(&cr, next()) },
		"Ewma":        func() { e.Step(&er, next()) },
		"Sprt":        func() { s.Step(&sr, next()) },
		"PageHinkley": func() { p.Step(&pr, next()) },
		"Glr":         func() { g.Step(next()) },
		"Level":       func() { l.Step(&lr, next()) },
		"Normal":      func() { n.Step(&nr, next(), 1) },
		"Regression4": func() { r.Step(&rr, [4]float64{1, next(), next(), next()}, next()) },
	}
}
