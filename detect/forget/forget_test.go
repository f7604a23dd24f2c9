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

// A mean is that of what was seen, however little; after a step it closes the gap by
// Newton's law of cooling, in one piece or in many.
func TestMean(t *testing.T) {
	var m Mean
	m.Add(3, 1, 60)
	if m.Value != 3 || math.Abs(float64(m.Weight)-(1-math.Exp(-1.0/60))) > 1e-6 {
		t.Errorf("after the first minute: %+v", m)
	}
	m.Add(5, 1, 60)
	if math.Abs(float64(m.Value)-4.008) > 0.001 { // the newer counts a 60th more
		t.Errorf("after 3 and 5: %v", m.Value)
	}
	for _, pieces := range []int{1, 7, 1000} {
		m := Mean{Value: 10, Weight: 1}
		for range pieces {
			m.Add(20, 90/float64(pieces), 60)
		}
		if want := 20 - 10*math.Exp(-1.5); math.Abs(float64(m.Value)-want) > 0.001 || m.Weight < 0.999 {
			t.Errorf("90 min in %d pieces: %+v, want %v", pieces, m, want)
		}
	}
}

func BenchmarkShare(b *testing.B) {
	x := 0.0
	for b.Loop() {
		x += Share(1, 300)
	}
}
