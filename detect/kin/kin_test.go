package kin

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"coilward/collector/fleet"
	"coilward/detect/fault"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, tolerance)
	}
}

// batters are the averages of 18 players over their first 45 times at bat in 1970
// and over the rest of that season: Efron and Morris, "Data analysis using
// Stein's estimator and its generalizations", Journal of the American Statistical
// Association 70 (1975), table 1; the averages are retold in their "Stein's
// paradox in statistics", Scientific American 236 (May 1977). From memory.
var batters = []struct{ early, rest float64 }{
	{.400, .346}, {.378, .298}, {.356, .276}, {.333, .222}, {.311, .273}, {.311, .270}, {.289, .263}, {.267, .210}, {.244, .269},
	{.244, .230}, {.222, .264}, {.222, .256}, {.222, .303}, {.222, .264}, {.222, .226}, {.200, .285}, {.178, .316}, {.156, .200},
}

// With one error for all, the shrinkage is that of James and Stein. The article of
// 1977 gives the grand average 0.265, the shrinking factor 0.212, the estimate
// 0.294 for the first player, and a total squared error of 0.022 against 0.077 of
// the averages themselves.
func TestBaseballOfEfronAndMorris(t *testing.T) {
	mean := 0.0
	for _, b := range batters {
		mean += b.early / float64(len(batters))
	}
	levels := make([]Level, len(batters))
	for i, b := range batters {
		levels[i] = Level{Mean: b.early, Error: math.Sqrt(mean * (1 - mean) / 45)}
	}
	s, ok := spreadOf(levels, math.Inf(1))
	if !ok {
		t.Fatal("18 players are too few")
	}
	near(t, "grand average", s.Centre, 0.265, 0.0005)
	var own, shrunk float64
	for i, b := range batters {
		own += square(b.early - b.rest)
		shrunk += square(s.Shrink(levels[i]) - b.rest)
	}
	near(t, "shrinking factor", (s.Shrink(levels[0])-s.Centre)/(levels[0].Mean-s.Centre), 0.212, 0.001)
	near(t, "estimate of the first player", s.Shrink(levels[0]), 0.294, 0.0005)
	near(t, "total squared error of the averages", own, 0.077, 0.002)
	near(t, "total squared error of the estimates", shrunk, 0.022, 0.002)
	// The bounded residuals that are used change little where nobody stands apart.
	robust, _ := SpreadOf(levels)
	near(t, "centre with bounded residuals", robust.Centre, s.Centre, 0.003)
}

// Thirteen trials of a vaccine against tuberculosis, log relative risks and their
// variances: Colditz and others, Journal of the American Medical Association 271
// (1994), as in many textbooks on random effects. The values of Paule and Mandel's
// equation, τ² = 0.318 and μ = −0.714, are from memory of such textbooks.
func TestRandomEffectsOfAVaccine(t *testing.T) {
	trials := [][2]float64{{-0.8893, 0.3256}, {-1.5854, 0.1946}, {-1.3481, 0.4154}, {-1.4416, 0.0200}, {-0.2175, 0.0512}, {-0.7861, 0.0069}, {-1.6209, 0.2230},
		{0.0120, 0.0040}, {-0.4694, 0.0564}, {-1.3713, 0.0730}, {-0.3394, 0.0124}, {0.4459, 0.5325}, {-0.0173, 0.0714}}
	var levels []Level
	for _, y := range trials {
		levels = append(levels, Level{Mean: y[0], Error: math.Sqrt(y[1])})
	}
	s, _ := spreadOf(levels, math.Inf(1))
	near(t, "τ²", square(s.Between), 0.318, 0.003)
	near(t, "μ", s.Centre, -0.715, 0.003)
}

// A kind of which a tenth was faulty from the first day keeps its centre and its
// spread.
func TestFaultyMachinesDoNotWidenTheirKind(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	var plain, all []Level
	for range 90 {
		plain = append(plain, Level{Mean: 8 + 1.2*r.NormFloat64(), SD: 0.5, Error: 0.1})
	}
	all = slices.Clone(plain)
	for range 9 {
		all = append(all, Level{Mean: 20, SD: 0.5, Error: 0.1})
	}
	s, _ := SpreadOf(all)
	mean, _ := spreadOf(all, math.Inf(1))
	near(t, "centre", s.Centre, 8, 0.6)
	near(t, "between", s.Between, 1.2, 0.6)
	if mean.Between < 2*s.Between {
		t.Errorf("without bounds the spread is %.2f, with them %.2f: the bounds do nothing", mean.Between, s.Between)
	}
}

// What is said of a new machine's level holds: of machines drawn from the kinds'
// own distribution 95 in 100 lie within two standard deviations (1.96).
func TestPriorCoversNewMachines(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, k := range []int{5, 12, 40} {
		inside, all := 0, 700
		for range all {
			levels := make([]Level, k)
			for i := range levels {
				e := 0.2 + 0.3*r.Float64()
				levels[i] = Level{Mean: 3 + r.NormFloat64() + e*r.NormFloat64(), SD: 1, Error: e}
			}
			s, _ := SpreadOf(levels)
			if math.Abs(3+r.NormFloat64()-s.Centre) < 1.96*s.Prior() {
				inside++
			}
		}
		near(t, fmt.Sprintf("share of new machines covered by %d", k), float64(inside)/float64(all), 0.95, 0.035)
	}
}

func TestAlikeMachinesHaveNoSpread(t *testing.T) {
	levels := make([]Level, 8)
	for i := range levels {
		levels[i] = Level{Mean: 5, Error: 0.3, SD: 1}
	}
	s, _ := SpreadOf(levels)
	near(t, "centre", s.Centre, 5, 1e-9)
	near(t, "between", s.Between, 0, 1e-6)
	if _, ok := SpreadOf(levels[:Least-1]); ok {
		t.Errorf("%d machines are enough", Least-1)
	}
}

// The mean of a Dirichlet posterior is (α p_f + n_f)/(α + Σ n), and a share's own
// distribution is Beta(a, b) with the variance ab/((a+b)²(a+b+1)) (Gelman and
// others, Bayesian Data Analysis, 3rd ed., appendix A).
func TestSharesAreADirichletPosterior(t *testing.T) {
	built := [fault.Num]float64{fault.CoilIced: 0.5, fault.DoorLeak: 0.3, fault.PowerLost: 0.2}
	n := Found{fault.Well: 7, fault.CoilIced: 6, fault.DoorLeak: 34, fault.Silent: 3}
	got := n.Shares(&built, 60)
	for f, want := range map[fault.Fault]float64{fault.CoilIced: (30.0 + 6) / 100, fault.DoorLeak: (18.0 + 34) / 100, fault.PowerLost: 12.0 / 100, fault.Well: 0, fault.Silent: 0} {
		near(t, f.String(), got[f], want, 1e-12)
	}
	a, b := 52.0, 48.0
	near(t, "its standard deviation", ShareSD(0.52, 100), math.Sqrt(a*b/((a+b)*(a+b)*(a+b+1))), 1e-12)
	none := Found{}
	if none.Shares(&built, 60) != built {
		t.Error("without visits the built-in shares do not hold")
	}
}

func invented(n int) Evidence {
	r := rand.New(rand.NewPCG(8, 8))
	var e Evidence
	for i := range n {
		e.Machines = append(e.Machines, Summary{Machine: fmt.Sprint("m", i), Kind: fleet.GlassDoor, Hours: 80,
			Levels: map[string]Level{"a": {Mean: r.NormFloat64(), SD: 0.2, Error: 0.1}, "b": {Mean: 9 + r.NormFloat64(), SD: 0.2, Error: 0.1}}})
	}
	return e
}

func TestLearn(t *testing.T) {
	if v := Learn(invented(Least - 1)); v != nil {
		t.Errorf("something was learned from %d machines", Least-1)
	}
	e := invented(12)
	built := [fault.Num]float64{fault.CoilIced: 0.5, fault.DoorLeak: 0.5}
	e.Built = &built
	e.Found[fault.Well][fault.DoorLeak] = 2 // of the first kind, which has no machines
	v := Learn(e)
	if len(v.Kinds) != 2 || len(v.Kinds["glass-door"].Levels) != 2 || v.Kinds["glass-door"].Shares != nil || v.Kinds["stack-vendor"].Shares["door-leak"] <= 0.5 {
		t.Fatalf("learned %+v", v)
	}
	if shares, ok := v.Kinds["stack-vendor"].SharesOf(); !ok || math.Abs(shares[fault.DoorLeak]+shares[fault.CoilIced]-1) > 1e-12 {
		t.Errorf("shares %v do not add up to 1", shares)
	}
	slices.Reverse(e.Machines)
	if w := Learn(e); !reflect.DeepEqual(v, w) {
		t.Error("the order of the machines matters")
	}
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Parse(b)
	if err != nil || !reflect.DeepEqual(again, v) {
		t.Errorf("read back %+v, %v", again, err)
	}
	if Differs(v, again) || !Differs(nil, v) {
		t.Error("what is the same differs, or what is new does not")
	}
	s := again.Kinds["glass-door"].Levels["b"]
	s.Centre += 0.3 * s.Prior()
	again.Kinds["glass-door"].Levels["b"] = s
	if !Differs(v, again) {
		t.Error("a centre that moved by three tenths of its spread is no difference")
	}
}

func TestParseRefuses(t *testing.T) {
	for _, text := range []string{`{`, `{"kinds":{"glass-door":null}}`, `{"kinds":{"glass-door":{"levels":{"a":{"machines":3}}}}}`,
		`{"kinds":{"glass-door":{"levels":{"a":{"machines":9,"between":-1}}}}}`} {
		if v, err := Parse([]byte(text)); err == nil {
			t.Errorf("%s was read as %+v", text, v)
		}
	}
}
