package learn

import (
	"math"
	"testing"

	"coilward/detect/diagnose"
)

// Every episode of a fault counts alike, and every fault.
func TestWeights(t *testing.T) {
	examples := []Example{{State: 0, Group: -1}, {State: 1, Group: 0}, {State: 1, Group: 0}, {State: 1, Group: 1}, {State: 2, Group: 2}, {State: diagnose.WarmLoad, Group: -1}}
	w := weights(examples)
	for i, want := range []float64{0.45, 0.35 / 2 / 4, 0.35 / 2 / 4, 0.35 / 2 / 2, 0.35 / 2, 0.20} {
		if math.Abs(w[i]-want) > 1e-15 {
			t.Errorf("example %d weighs %v, want %v", i, w[i], want)
		}
	}
	for name, examples := range map[string][]Example{
		"all states":       gaussians(50*diagnose.NumStates, 1),
		"no ordinary life": examples[:5],
		"nothing but well": examples[:1],
		"faults only":      examples[1:5],
	} {
		sum := 0.0
		for _, x := range weights(examples) {
			sum += x
		}
		if math.Abs(sum-1) > 1e-12 {
			t.Errorf("%s: weights sum to %v", name, sum)
		}
	}
}

// A fleet counts its weight times its episodes, however many looks were taken.
func TestFleetsCountByTheirEpisodes(t *testing.T) {
	machine := []Example{{State: 0, Group: -1}, {State: 1, Group: 0}, {State: 1, Group: 0}, {State: 3, Group: 1}}
	big, small, sound := Fleet{Weight: 1}, Fleet{Weight: 15}, Fleet{Weight: 2}
	for range 6 {
		big.Add(machine)
	}
	small.Add(machine[:3]) // one episode
	sound.Add(machine[:1]) // none
	if b, s := big.Episodes(), small.Episodes(); b != 12 || s != 1 {
		t.Fatalf("%d and %d episodes, want 12 and 1", b, s)
	}
	all, w := pool([]Fleet{big, small, sound, {Weight: 100}})
	if len(all) != 28 {
		t.Fatalf("%d examples of 28", len(all))
	}
	var of [3]float64
	for i := range w {
		switch {
		case i < 24:
			of[0] += w[i]
		case i < 27:
			of[1] += w[i]
		default:
			of[2] += w[i]
		}
	}
	for i, want := range []float64{12. / 29, 15. / 29, 2. / 29} {
		if math.Abs(of[i]-want) > 1e-12 {
			t.Errorf("fleet %d has %v of the weight, want %v", i, of[i], want)
		}
	}
}

// The ordinary life of a fleet counts what it is given, with no look at a fault.
func TestCalm(t *testing.T) {
	f := Fleet{Name: "a", Weight: 2}
	for range 3 {
		f.Add([]Example{{State: 0, Group: -1}, {State: 1, Group: 0}, {State: diagnose.WarmLoad, Group: -1}})
	}
	f.Add([]Example{{State: 1, Group: 0}})
	calm := f.Calm(6)
	if len(calm.Examples) != 6 || calm.Episodes() != 0 || calm.Total() != 6 || len(calm.machines) != 4 || calm.machines[3] != 6 {
		t.Fatalf("%d examples of %d episodes on machines that begin at %v, in all %v", len(calm.Examples), calm.Episodes(), calm.machines, calm.Total())
	}
	all, w := pool([]Fleet{f, calm})
	var life, faults float64
	for i, e := range all {
		if e.Group < 0 {
			life += w[i]
		} else {
			faults += w[i]
		}
	}
	// The fleet counts 2 for each of its 4 faults, 0.35 of it for the faults.
	if want := 0.35 * 8 / 14; math.Abs(faults-want) > 1e-12 || math.Abs(life+faults-1) > 1e-12 {
		t.Errorf("faults weigh %v and the rest %v, want %v and what is left of one", faults, life, want)
	}
}
