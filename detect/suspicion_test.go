package detect

import "testing"

// One flicker over the mark raises nothing, a probability that stays does, and
// a sure one does at once: what a cumulative sum is for (Page 1954).
func TestSuspicion(t *testing.T) {
	minutes := func(pressing bool, p ...float64) int {
		var s suspicion
		for n := 1; n < 500; n++ {
			if s.take(p[(n-1)%len(p)], 0.93, pressing) {
				return n * lookEvery / 60000
			}
		}
		return -1
	}
	if got := minutes(false, 0.96, 0.1, 0.1, 0.1); got != -1 {
		t.Errorf("flickering: raised after %d min", got)
	}
	sure, likely, doubtful := minutes(false, 0.9995), minutes(false, 0.93), minutes(false, 0.6)
	if !(0 < sure && sure <= 8 && sure < likely && likely < 60 && doubtful == -1) {
		t.Errorf("sure after %d min, likely after %d, doubtful after %d", sure, likely, doubtful)
	}
	if at := minutes(true, 0.93); at >= likely {
		t.Errorf("with the air outside the limits after %d min, else after %d", at, likely)
	}
}
