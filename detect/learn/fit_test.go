package learn

import (
	"bytes"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"coilward/collector/racetest"
	"coilward/detect/diagnose"
	"coilward/detect/feature"
	"coilward/detect/truth"
)

var nan = float32(math.NaN())

// wholeFit skips a test of what comes out of a whole fit where races are looked for:
// TestSameTableWhateverTheProcessors runs the same goroutines for a few steps.
func wholeFit(t *testing.T) {
	t.Helper()
	if racetest.Enabled {
		t.Skip("a whole fit, ten times as long under the race detector")
	}
}

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

// fit is Fit where nothing goes wrong.
func fit(t *testing.T, fleets []Fleet, o Options) *Model {
	t.Helper()
	m, err := Fit(fleets, o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// tableOf returns the table that a model is written as.
func tableOf(t *testing.T, m *Model) *diagnose.Table {
	t.Helper()
	b, err := m.Table("test")
	if err != nil {
		t.Fatal(err)
	}
	table, err := diagnose.ParseTable(b)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// one makes a fleet of examples.
func one(examples []Example) []Fleet { return []Fleet{{Weight: 1, Examples: examples}} }

func means(s diagnose.State) (a, b float64) { return float64(s%4) * 0.8, float64(s/4) * 0.6 }

// A table learned from draws of known densities gives their log-likelihood
// ratios, also where only one of the two features is there.
func TestRecoversKnownDensities(t *testing.T) {
	wholeFit(t)
	examples := gaussians(1500*diagnose.NumStates, 7)
	t.Run("mean of two fits", func(t *testing.T) {
		recovers(t, one(examples), Options{Seed: 1, Fits: 2, Units: 8, Steps: 800, Batch: 512, Rate: 0.01, Decay: 0.003})
	})
	t.Run("each feature for itself", func(t *testing.T) {
		recovers(t, one(examples), Options{Seed: 1, Fits: 1, Units: -1, Steps: 800, Batch: 512, Rate: 0.01, Decay: 0.003})
	})
}

func recovers(t *testing.T, fleets []Fleet, o Options) {
	table := tableOf(t, fit(t, fleets, o))
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
	t.Logf("ratios of %d pairs: off by %.3f on average, %.3f at worst", count, sum/float64(count), worst)
	if worst > 0.6 || sum/float64(count) > 0.12 {
		t.Errorf("log-likelihood ratios are off by %.3f on average, %.3f at worst", sum/float64(count), worst)
	}
}

func TestSameTableWhateverTheProcessors(t *testing.T) {
	examples := gaussians(60*diagnose.NumStates, 2)
	tables := make([][]byte, 2)
	for i, procs := range []int{1, 4} {
		was := runtime.GOMAXPROCS(procs)
		m, err := Fit(one(examples), Options{Seed: 9, Steps: 40})
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
	m, err := Fit(one(examples), Options{Seed: 10, Steps: 40})
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

// What cannot be is said before anything is read for it.
func TestOptionsThatCannotBe(t *testing.T) {
	for want, o := range map[string]Options{
		"128 in all":   {Fits: 3, Units: 64},
		"-1 fits":      {Fits: -1},
		"of -5 steps":  {Steps: -5},
		"of 2 example": {Batch: 2},
		"decay of -1":  {Decay: -1},
		"decay of 900": {Decay: 900},
	} {
		if err := o.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", o, err, want)
		}
		if _, err := Fit(nil, o); err == nil {
			t.Errorf("%+v: is fitted all the same", o)
		}
	}
	if err := (Options{Units: -1}).Check(); err != nil {
		t.Errorf("each feature for itself: %v", err)
	}
	for _, o := range []Options{{}, {Units: -3}, {Fits: 1, Units: 5, Steps: 9}} {
		if once := o.Filled(); !reflect.DeepEqual(once.Filled(), once) {
			t.Errorf("%+v filled twice is another than once", o)
		}
	}
}
