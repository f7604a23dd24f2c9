package detect_test

import "testing"

// What is left of a warm load wanes over the day after a filling. That is no leak.
func TestWaningLoadIsNoLeak(t *testing.T) {
	for _, warm := range []float64{6, 10, 14} {
		cab, m := newCabinet(14), newMachine()
		play(m, cab.live(3*day))
		cab.product += warm
		cab.air += 8
		for _, f := range play(m, cab.live(36*hour)) {
			t.Errorf("product %g K warmer: %v %v", warm, f.Change, f.Fault)
		}
	}
}
