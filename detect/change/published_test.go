package change

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.7g, want %.7g ± %g", what, got, want, tolerance)
	}
}

// Source: computed with R's package spc 0.6.7 (Knoth), xcusum.arl. Tolerance:
// the digits quoted.
func TestCusumRunLengths(t *testing.T) {
	for _, c := range []struct {
		rule        CusumRule
		shift, want float64
	}{
		{CusumRule{Reference: .5, Limit: 4}, 0, 167.68},
		{CusumRule{Reference: .5, Limit: 4}, 1, 8.38},
		{CusumRule{Reference: .5, Limit: 5}, 0, 465.44},
		{CusumRule{Reference: .5, Limit: 5}, 1, 10.38},
		{CusumRule{Reference: .5, Limit: 4, OneSided: true}, 0, 335.37},
		{CusumRule{Reference: .5, Limit: 5, OneSided: true}, 0, 930.89},
		{CusumRule{Reference: .5, Limit: 5, HeadStart: 2.5}, 0, 430.39},
		{CusumRule{Reference: .5, Limit: 5, HeadStart: 2.5}, 1, 6.35},
	} {
		got, err := CusumARL(c.rule, c.shift)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("ARL of %+v at %g", c.rule, c.shift), got, c.want, 0.006)
	}
}

// Source: Lucas & Saccucci 1990, Technometrics 32, ARL0 500 designs and their
// run length at a shift of 1σ (fixed limits). Tolerance: the third decimal of
// L moves ARL0 by about 0.3 %.
func TestEwmaRunLengths(t *testing.T) {
	for _, c := range []struct{ weight, limit, shifted float64 }{
		{.4, 3.054, 14.3}, {.25, 2.998, 11.1}, {.2, 2.962, 10.5}, {.1, 2.814, 10.3}, {.05, 2.615, 11.4},
	} {
		r := EwmaRule{Weight: c.weight, Limit: c.limit, FixedLimits: true}
		well, err := EwmaARL(r, 0)
		if err != nil {
			t.Fatal(err)
		}
		shifted, err := EwmaARL(r, 1)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("ARL0 of λ %g", c.weight), well, 500, 2.5)
		near(t, fmt.Sprintf("ARL of λ %g at 1σ", c.weight), shifted, c.shifted, 0.06)
		solved, err := EwmaLimit(500, r)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("L of λ %g", c.weight), solved.Limit, c.limit, 0.0015)
	}
	// Source: R spc xewma.arl(.1, 2.814, …, limits="vacl").
	varying := EwmaRule{Weight: .1, Limit: 2.814}
	for _, c := range []struct{ shift, want float64 }{{0, 486.4293}, {1, 8.157027}} {
		got, err := EwmaARL(varying, c.shift)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("time-varying ARL at %g", c.shift), got, c.want, 0.001*c.want)
	}
}

// Closed form: 1/(2Φ(−3)) and its shift by 1σ.
func TestShewhartRunLength(t *testing.T) {
	near(t, "3-sigma ARL", ShewhartARL(3, 0), 370.40, 0.005)
	near(t, "3-sigma ARL at 1σ", ShewhartARL(3, 1), 43.89, 0.006)
	got, err := EwmaARL(EwmaRule{Weight: 1, Limit: 3}, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "EWMA with λ 1", got, 370.40, 0.005)
}

// Source: Wald 1945.
func TestWaldBounds(t *testing.T) {
	for _, c := range []struct{ alpha, beta, upper, lower float64 }{
		{.05, .05, 2.9444, -2.9444}, {.01, .01, 4.5951, -4.5951}, {.05, .10, 2.8904, -2.2513},
	} {
		lower, upper := WaldBounds(c.alpha, c.beta)
		near(t, "upper", upper, c.upper, 5e-5)
		near(t, "lower", lower, c.lower, 5e-5)
	}
}

func nile(t *testing.T) []float64 {
	t.Helper()
	b, err := os.ReadFile("testdata/nile.csv")
	if err != nil {
		t.Fatal(err)
	}
	var flow []float64
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n")[1:] {
		var year int
		var f float64
		if _, err := fmt.Sscanf(line, "%d,%f", &year, &f); err != nil || year != 1871+len(flow) {
			t.Fatalf("testdata/nile.csv: %q: year %d wanted: %v", line, 1871+len(flow), err)
		}
		flow = append(flow, f)
	}
	if len(flow) != 100 {
		t.Fatalf("%d years, want 100", len(flow))
	}
	return flow
}

// Source: Durbin & Koopman 2012, ch. 2: variances, steady state, last level;
// log-likelihoods computed with their recursion, exact diffuse and with the
// large initial variance 1e7.
func TestNileLocalLevel(t *testing.T) {
	r := LevelRule{Noise: 15099, Walk: 1469.1}
	var exact, large Level
	large.Begin(0, 1e7)
	var last Innovation
	for _, y := range nile(t) {
		last = exact.Step(&r, y)
		large.Step(&r, y)
	}
	near(t, "diffuse log-likelihood", exact.LogLikelihood, -632.5456, 5e-5)
	near(t, "log-likelihood with P1 1e7", large.LogLikelihood, -641.5856, 5e-5)
	near(t, "gain", last.Gain, 0.267048, 5e-7)
	near(t, "last level", exact.Mean, 798.370, 5e-4)
}

// The one break in the Nile's mean is after 1898 (Cobb 1978; R strucchange).
// The well state is learned on the first 20 years.
func TestNileBreak(t *testing.T) {
	flow := nile(t)
	mean, sd := 0.0, 0.0
	for _, y := range flow[:20] {
		mean += y / 20
	}
	for _, y := range flow[:20] {
		sd += (y - mean) * (y - mean) / 19
	}
	sd = math.Sqrt(sd)
	rule, err := CusumLimit(1000, CusumRule{Reference: .5})
	if err != nil {
		t.Fatal(err)
	}
	limit, err := GlrLimit(1000, GlrSpan)
	if err != nil {
		t.Fatal(err)
	}
	var c Cusum
	var g Glr
	cusumBreak, glrBreak := 0, 0
	for i, y := range flow {
		z := (y - mean) / sd
		if s := c.Step(&rule, z); s != Steady && cusumBreak == 0 {
			if s != Down {
				t.Errorf("CUSUM says up in %d", 1871+i)
			}
			cusumBreak = 1871 + i - c.Began(s)
		}
		if s := g.Step(z); s.Statistic > limit && glrBreak == 0 {
			if s.Mean >= 0 {
				t.Errorf("GLR says up in %d", 1871+i)
			}
			glrBreak = 1871 + i - s.Length
		}
	}
	if cusumBreak != 1898 || glrBreak != 1898 {
		t.Errorf("last year before the break: CUSUM %d, GLR %d, want 1898", cusumBreak, glrBreak)
	}
}

// A grid of run lengths computed live by R's spc.
func TestRunLengthsAgainstR(t *testing.T) {
	script := `suppressMessages(library(spc))
for (k in c(.25,.5,1)) for (h in c(2,4,8)) for (mu in c(0,.5,2)) for (s in c("one","two")) for (f in c(0,.5))
 cat("C",k,h,mu,s,f*h,format(xcusum.arl(k,h,mu,hs=f*h,sided=s,r=60),digits=12),"\n")
for (l in c(.05,.2,.5)) for (c in c(2,3)) for (mu in c(0,1)) for (v in c("fix","vacl"))
 cat("E",l,c,mu,v,0,format(xewma.arl(l,c,mu,sided="two",limits=v,r=60),digits=12),"\n")
`
	out, err := exec.Command("Rscript", "-e", script).Output()
	if err != nil {
		if os.Getenv("COILWARD_REAL") == "1" {
			t.Fatalf("Rscript with package spc: %v", err)
		}
		t.Skip("needs R with package spc (Debian: r-cran-spc)")
	}
	rows := 0
	for line := range strings.Lines(string(out)) {
		var test, variant string
		var a, limit, shift, start, want, got float64
		if _, err := fmt.Sscan(line, &test, &a, &limit, &shift, &variant, &start, &want); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		tolerance := 1e-5
		if test == "C" {
			got, err = CusumARL(CusumRule{Reference: a, Limit: limit, HeadStart: start, OneSided: variant == "one"}, shift)
		} else {
			got, err = EwmaARL(EwmaRule{Weight: a, Limit: limit, FixedLimits: variant == "fix"}, shift)
			tolerance = 1e-4
		}
		if err != nil {
			t.Fatal(err)
		}
		near(t, strings.TrimSpace(line), got, want, tolerance*want)
		rows++
	}
	if rows != 108+24 {
		t.Errorf("%d rows compared, want %d", rows, 108+24)
	}
}
