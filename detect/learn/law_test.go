package learn

import (
	"math"
	"math/rand/v2"
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// dead is a fan that has stood for an hour, as the feature compresses minutes.
var dead = float32(math.Asinh(60. / 5))

// fans draws examples in which the evaporator fan is seen to stand in most of
// those in which it has stopped (it may also turn too slowly), and in no other.
func fans(n int) []Example {
	examples := gaussians(n, 11)
	rng := rand.New(rand.NewPCG(12, 12))
	for i := range examples {
		e := &examples[i]
		if rng.Float64() < 0.3 { // of fans that nobody watches
			continue
		}
		e.Value[feature.EvapFanDead] = 0
		if e.State == diagnose.State(fault.EvaporatorFanStopped) && rng.Float64() < 0.8 {
			e.Value[feature.EvapFanDead] = dead
		}
	}
	return examples
}

func noLaws(*feature.Vector, *diagnose.Score) {}

// fitted learns from examples, with the laws or as if there were none, and
// returns how much a standing fan was learned to speak for a stopped one, beside
// the law.
func fitted(t *testing.T, examples []Example, withLaws bool) (learned float64, m *Model) {
	t.Helper()
	all, w := pool(one(examples))
	m = &Model{knots: knots(all, w)}
	for i, e := range all {
		m.prior[e.State] += w[i]
	}
	o := Options{Seed: 1, Steps: 1500}.Filled()
	laws := diagnose.Laws
	if !withLaws {
		laws = noLaws
	}
	fit := m.newTraining(all, w, 0, &o, laws)
	fit.run(func(int, float64) {})
	m.fits = []*network{fit.net}
	says := func(minutes float32) float64 {
		var x [feature.NumFeatures]float32
		for i := range x {
			x[i] = nan
		}
		x[feature.EvapFanDead] = minutes
		var r row
		r.set(&m.knots, &fit.first, &x, noLaws)
		p := newPass(fit.net)
		fit.net.forward(p, &r, 0)
		return p.z[fault.EvaporatorFanStopped] - p.z[fault.Well]
	}
	return says(dead) - says(0), m
}

// What a law says is not learned a second time.
func TestLawIsNotLearnedTwice(t *testing.T) {
	wholeFit(t)
	examples := fans(120 * diagnose.NumStates)
	with, m := fitted(t, examples, true)
	without, _ := fitted(t, examples, false)
	t.Logf("learned of a standing fan: %.2f nats beside the law, %.2f without it", with, without)
	if without < 3 {
		t.Errorf("without the law only %.2f nats are learned: this test shows nothing", without)
	}
	// Where a feature tells everything, a fit is rewarded for every nat more, ever
	// less; what the law has said is not rewarded again.
	if with > 0.7*without {
		t.Errorf("%.2f nats are learned beside a law that says 8, and %.2f without it", with, without)
	}
	table := tableOf(t, m)
	var still, turning diagnose.Score
	var v feature.Vector
	v.Has[feature.EvapFanDead] = true
	table.Eval(&v, &turning)
	v.Value[feature.EvapFanDead] = dead
	table.Eval(&v, &still)
	s := fault.EvaporatorFanStopped
	if said := still[s] - turning[s] - (still[0] - turning[0]); float64(said) < 8 || float64(said) > 8+0.7*without {
		t.Errorf("law and table together say %.1f nats, want the law's 8 and not all of what is learned without it", said)
	}
}

// Laws are of what an example shows: where the channel is taken away, so is the
// law.
func TestLawsGoWithTheirChannel(t *testing.T) {
	var e Example
	for i := range e.Value {
		e.Value[i] = nan
	}
	e.Value[feature.EvapFanDead] = dead
	var k [feature.NumFeatures][]float32
	for i := range k {
		k[i] = []float32{0, 1}
	}
	first, _ := firstColumns(&k)
	var r row
	r.set(&k, &first, &e.Value, diagnose.Laws)
	if r.law == nil || r.law[fault.EvaporatorFanStopped] != 8 || len(r.column) != 1 {
		t.Errorf("a fan that stands: laws say %v of %d features", r.law, len(r.column))
	}
	e.Value[feature.EvapFanDead] = nan
	if r.set(&k, &first, &e.Value, diagnose.Laws); r.law != nil || len(r.column) != 0 {
		t.Errorf("nothing is there, and laws say %v of %d features", r.law, len(r.column))
	}
}

// Whoever loses a fan's current, or the supply's voltage, loses what a law
// concludes from it.
func TestLawsFeaturesAreThinnedWithTheirChannels(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, pair := range [][2]feature.ID{{feature.EvapFanRun, feature.EvapFanDead}, {feature.CondFanRun, feature.CondFanDead}, {feature.VoltageLow, feature.Uninterrupted}} {
		taken := 0
		for range 200 {
			var x [feature.NumFeatures]float32
			thin(&x, rng)
			with, of := x[pair[0]] != x[pair[0]], x[pair[1]] != x[pair[1]]
			if with != of {
				t.Fatalf("%v is gone: %v, %v: %v", pair[0], with, pair[1], of)
			}
			if of {
				taken++
			}
		}
		if taken == 0 || taken == 200 {
			t.Errorf("%v is taken away %d times of 200", pair[1], taken)
		}
	}
}

// Single features are taken away at every rate about the mean, but never what a
// law says all of.
func TestDroppedFeatures(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	const examples = 2000
	gone, most := 0, 0
	for range examples {
		var x [feature.NumFeatures]float32
		drop(&x, rng)
		n := 0
		for i := range x {
			if x[i] != x[i] {
				n++
				if saidByLaw[i] {
					t.Fatalf("%v is gone", feature.ID(i))
				}
			}
		}
		gone += n
		most = max(most, n)
	}
	laws := 0
	for _, said := range saidByLaw {
		if said {
			laws++
		}
	}
	if share := float64(gone) / float64(examples*(feature.NumFeatures-laws)); math.Abs(share-dropped) > 0.02 || float64(most) < 1.5*dropped*float64(feature.NumFeatures) {
		t.Errorf("a share of %.3f is taken away, and at most %d features of an example, want %v and some with many more", share, most, dropped)
	}
}
