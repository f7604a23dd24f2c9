package detect

import "testing"

// One flicker over the mark raises nothing, a probability that stays does, and
// a sure one does at once: what a cumulative sum is for (Page 1954).
func TestSuspicion(t *testing.T) {
	const days = 10_000 // min that the product has left
	minutes := func(left float64, p ...float64) int {
		var s suspicion
		for n := 1; n < 500; n++ {
			if s.take(p[(n-1)%len(p)], 0.93, needed(left)) {
				return n * lookEvery / 60000
			}
		}
		return -1
	}
	if got := minutes(days, 0.96, 0.1, 0.1, 0.1); got != -1 {
		t.Errorf("flickering: raised after %d min", got)
	}
	sure, likely, doubtful := minutes(days, 0.9995), minutes(days, 0.93), minutes(days, 0.6)
	if !(0 < sure && sure <= 40 && sure < likely && likely < 180 && doubtful == -1) {
		t.Errorf("sure after %d min, likely after %d, doubtful after %d", sure, likely, doubtful)
	}
	// The less time there is, the sooner it is said; a twentieth of it is what may
	// be spent on being surer.
	last := likely
	for _, left := range []float64{600, 240, 60, 0} {
		at := minutes(left, 0.9995)
		if at < 0 || at > last || float64(at) > left*watching+2*lookEvery/60000 {
			t.Errorf("with %.0f min left after %d min, with more after %d", left, at, last)
		}
		last = at
	}
}
