package forget

import (
	"math"
	"testing"
)

func TestShare(t *testing.T) {
	if got := Share(0, 12); got != 0 {
		t.Errorf("of nothing: %v", got)
	}
	for x := 1e-9; x < 50; x *= 1.01 {
		got, want := Share(12*x, 12), -math.Expm1(-x)
		if math.Abs(got-want) > 2e-9*want {
			t.Errorf("%v time constants: %v, want %v", x, got, want)
		}
	}
	for _, x := range [2]float64{math.Nextafter(1.0/16, 0), 1.0 / 16} { // no step where one way ends
		if got, want := Share(x, 1), -math.Expm1(-1.0/16); math.Abs(got-want) > 1e-10 {
			t.Errorf("%v: %v, want %v", x, got, want)
		}
	}
}

func BenchmarkShare(b *testing.B) {
	x := 0.0
	for b.Loop() {
		x += Share(1, 300)
	}
}
