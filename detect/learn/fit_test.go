package learn

import (
	"bytes"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"

	"gonum.org/v1/gonum/diff/fd"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
	"coilward/detect/truth"
)

var nan = float32(math.NaN())

// gaussians draws examples of every state in which two features are normal with
// a mean of the state's own and variance one, and the rest is missing. Then the
// true log-likelihood ratios are linear: (μ_s − μ_t)·x − (μ_s² − μ_t²)/2.
func gaussians(n int, seed uint64) []Example {
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([]Example, n)
	for i := range out {
		e := &out[i]
		e.State, e.Group = diagnose.State(i%diagnose.NumStates), -1
		for j := range e.Value {
			e.Value[j] = nan
		}
		a, b := means(e.State)
		e.Value[feature.AirCoil] = float32(a + rng.NormFloat64())
		e.Value[feature.Ambient] = float32(b + rng.NormFloat64())
		if e.State > 0 && e.State < diagnose.WarmLoad {
			e.Group = int32(e.State)
		}
	}
	return out
}

// one makes a fleet of examples.
func one(examples []Example) []Fleet { return []Fleet{{Weight: 1, Examples: examples}} }

func means(s diagnose.State) (a, b float64) { return float64(s%4) * 0.8, float64(s/4) * 0.6 }

func TestGradientAgainstDifferences(t *testing.T) {
	examples := gaussians(40*diagnose.NumStates, 3)
	for i := range examples { // some rows of which laws say something
		if i%3 == 0 {
			examples[i].Value[feature.EvapFanDead] = float32(i%5) / 2
		}
	}
	all, w := pool(one(examples))
	m := &Model{knots: knots(all, w)}
	// Larger penalties than in use, so that an error in them would show.
	o := m.objective(all, w, &Options{Seed: 4, Ridge: 3e-3, Smooth: 7e-3})
	rng := rand.New(rand.NewPCG(5, 5))
	x := make([]float64, o.dim())
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	g, scratch := make([]float64, len(x)), make([]float64, len(x))
	o.eval(x, g)
	f := func(x []float64) float64 { return o.eval(x, scratch) }
	along := make([]float64, len(x))
	for range 40 {
		for i := range along {
			along[i] = 0
		}
		along[rng.IntN(len(x))] = 1
		along[rng.IntN(len(x))] += rng.NormFloat64()
		want := fd.Derivative(func(h float64) float64 {
			y := make([]float64, len(x))
			for i := range y {
				y[i] = x[i] + h*along[i]
			}
			return f(y)
		}, 0, &fd.Settings{Formula: fd.Central, Step: 1e-5})
		got := 0.0
		for i := range g {
			got += g[i] * along[i]
		}
		if math.Abs(got-want) > 1e-7*(1+math.Abs(want)) {
			t.Fatalf("derivative is %v, by differences %v", got, want)
		}
	}
}

// A table learned from draws of known densities gives their log-likelihood
// ratios, also where only one of the two features is there.
func TestRecoversKnownDensities(t *testing.T) {
	examples := gaussians(1500*diagnose.NumStates, 7)
	t.Run("one fit", func(t *testing.T) { recovers(t, one(examples), Options{Seed: 1, Iterations: 80}) })
	many := Fleet{Weight: 1}
	for i := 0; i < len(examples); i += diagnose.NumStates {
		many.Add(examples[i : i+diagnose.NumStates])
	}
	t.Run("mean of three", func(t *testing.T) { recovers(t, []Fleet{many}, Options{Seed: 1, Iterations: 80, Bags: 3}) })
}

func recovers(t *testing.T, fleets []Fleet, o Options) {
	m, err := Fit(fleets, o)
	if err != nil {
		t.Fatal(err)
	}
	b, err := m.Table("test")
	if err != nil {
		t.Fatal(err)
	}
	table, err := diagnose.ParseTable(b)
	if err != nil {
		t.Fatal(err)
	}
	// States not too far apart, for ratios beyond the reach of the draws are
	// never seen.
	worst, sum, count := 0.0, 0.0, 0
	for _, hasB := range []bool{true, false} {
		for s := range diagnose.State(diagnose.NumStates) {
			for u := range s {
				sa, sb := means(s)
				ua, ub := means(u)
				if math.Abs(sa-ua) > 1 || math.Abs(sb-ub) > 0.7 {
					continue
				}
				for _, z := range []float64{-0.7, 0, 0.7} {
					var v feature.Vector
					a, b := (sa+ua)/2+z, (sb+ub)/2-z
					v.Has[feature.AirCoil], v.Value[feature.AirCoil] = true, float32(a)
					want := (sa-ua)*a - (sa*sa-ua*ua)/2
					if hasB {
						v.Has[feature.Ambient], v.Value[feature.Ambient] = true, float32(b)
						want += (sb-ub)*b - (sb*sb-ub*ub)/2
					}
					var got diagnose.Score
					table.Eval(&v, &got)
					off := math.Abs(float64(got[s]-got[u]) - want)
					worst, sum, count = max(worst, off), sum+off, count+1
				}
			}
		}
	}
	t.Logf("ratios of %d pairs: off by %.3f on average, %.3f at worst; %d iterations, %s", count, sum/float64(count), worst, m.Iterations, m.Status)
	if worst > 0.45 || sum/float64(count) > 0.12 {
		t.Errorf("log-likelihood ratios are off by %.3f on average, %.3f at worst", sum/float64(count), worst)
	}
}

func TestSameTableWhateverTheProcessors(t *testing.T) {
	examples := gaussians(60*diagnose.NumStates, 2)
	tables := make([][]byte, 2)
	for i, procs := range []int{1, 4} {
		was := runtime.GOMAXPROCS(procs)
		m, err := Fit(one(examples), Options{Seed: 9, Iterations: 15})
		runtime.GOMAXPROCS(was)
		if err != nil {
			t.Fatal(err)
		}
		tables[i], err = m.Table("x")
		if err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(tables[0], tables[1]) {
		t.Error("one processor learns another table than four")
	}
	m, err := Fit(one(examples), Options{Seed: 10, Iterations: 15})
	if err != nil {
		t.Fatal(err)
	}
	other, err := m.Table("x")
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(tables[0], other) {
		t.Error("the seed makes no difference")
	}
}

func TestFitNamesMissingStates(t *testing.T) {
	var some []Example
	for _, e := range gaussians(20*diagnose.NumStates, 2) {
		if e.State != diagnose.Resettled {
			some = append(some, e)
		}
	}
	_, err := Fit(one(some), Options{})
	if err == nil || !strings.Contains(err.Error(), "resettled") {
		t.Errorf("error is %v", err)
	}
}

func TestSampleIsBoundedAndWeighted(t *testing.T) {
	const days = 4
	f := &truth.Fleet{Days: days}
	m := &truth.Machine{Machine: "m", Episodes: []truth.Episode{{Fault: 3, Onset: 86400, Material: ptr(86400)}},
		Life: truth.Life{Restocks: []truth.Event{{At: 3600}}}}
	c := NewCollector(f, m)
	var v feature.Vector
	for s := 0.0; s < days*86400; s += 240 {
		v.Has[feature.AbsAir], v.Value[feature.AbsAir] = true, float32(s)
		v.Has[feature.Ambient], v.Has[feature.Learnt], v.Has[feature.AbsAirSlow] = true, true, true
		c.Look(&v, s)
	}
	o := SampleOptions{Episode: 100, Ordinary: 20, Well: 30}
	got := c.Sample(o, 1)
	counts, early := map[diagnose.State]int{}, 0
	for i, e := range got {
		counts[e.State]++
		if i > 0 && e.Value[feature.AbsAir] <= got[i-1].Value[feature.AbsAir] {
			t.Fatal("not in the order of time, or twice")
		}
		if e.State == 3 && e.Value[feature.AbsAir] < 86400+8*3600 {
			early++
		}
		for _, id := range []feature.ID{feature.Ambient, feature.Learnt, feature.AbsAirSlow} {
			if x := e.Value[id]; x == x {
				t.Fatalf("%v is learned from", id)
			}
		}
	}
	if counts[3] != 100 || counts[diagnose.WarmLoad] != 20 || counts[0] != 30 || len(got) != 150 {
		t.Errorf("counts %v", counts)
	}
	// 8 of the 72 h, of weight 3·8/(3·8 + 16 + 0.3·48) = 0.44.
	if early < 30 || early > 60 {
		t.Errorf("%d of 100 examples are of the first 8 h", early)
	}
	again := c.Sample(o, 1)
	for i := range got {
		if got[i].Value[feature.AbsAir] != again[i].Value[feature.AbsAir] {
			t.Fatal("the same seed gives another sample")
		}
	}
}

// A model that carries half of a table lies half way between what it learned and
// the table, in what each state says against each other.
func TestCarry(t *testing.T) {
	table := func(m *Model) *diagnose.Table {
		b, err := m.Table("test")
		if err != nil {
			t.Fatal(err)
		}
		out, err := diagnose.ParseTable(b)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	fit := func(seed uint64) *Model {
		m, err := Fit(one(gaussians(200*diagnose.NumStates, seed)), Options{Seed: seed, Iterations: 20})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	mixed := fit(3)
	before, other := table(mixed), table(fit(4))
	mixed.Carry(other, 0.5)
	after := table(mixed)
	for i, knots := range mixed.knots {
		for _, k := range knots {
			var v feature.Vector
			v.Has[i], v.Value[i] = true, k
			var a, b, got diagnose.Score
			before.Eval(&v, &a)
			other.Eval(&v, &b)
			after.Eval(&v, &got)
			for s := range got {
				if want := (a[s] + b[s]) / 2; math.Abs(float64(got[s]-want)) > 1e-2 {
					t.Fatalf("%v = %v, state %d: %v, want %v", feature.ID(i), k, s, got[s], want)
				}
			}
		}
	}
}
