package sensitivity

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The shipped relation falls, and its inverse leads back.
func TestMeasured(t *testing.T) {
	m := Measured()
	least, most := m.Reach()
	if least >= most {
		t.Fatalf("reaches from %g to %g", least, most)
	}
	before := 1.0
	for i := range 200 {
		wanted := least * math.Pow(most/least, float64(i)/199)
		at := m.RaiseAt(wanted)
		if at > before {
			t.Fatalf("%g false alarms need a threshold of %g, fewer needed only %g", wanted, at, before)
		}
		before = at
		if got, _ := m.At(at); math.Abs(got/wanted-1) > 1e-9 {
			t.Fatalf("a threshold of %g causes %g false alarms, want %g", at, got, wanted)
		}
	}
	for _, p := range m.Points {
		if f, d := m.At(p.RaiseAt); math.Abs(f-p.FalseAlarms) > 1e-9 || math.Abs(d-p.Delay) > 1e-9 {
			t.Errorf("at %g it says %g, %g h, measured were %g, %g h", p.RaiseAt, f, d, p.FalseAlarms, p.Delay)
		}
	}
	if m.RaiseAt(least/10) != m.Points[len(m.Points)-1].RaiseAt || m.RaiseAt(most*10) != m.Points[0].RaiseAt {
		t.Error("beyond what was measured it does not stay at the last threshold")
	}
}

// Between two points the log rate is linear in the log odds: half-way, the rate is
// the geometric mean.
func TestBetweenPoints(t *testing.T) {
	m, err := New("x", "none", 10, []Point{{RaiseAt: 0.9, Counted: 40, Delay: 1}, {RaiseAt: 0.99, Counted: 10, Delay: 3}})
	if err != nil {
		t.Fatal(err)
	}
	middle := math.Sqrt(9 * 99) // odds of 9 and 99
	if got := m.RaiseAt(2); math.Abs(got-middle/(1+middle)) > 1e-12 {
		t.Errorf("two a year are at %g, want %g", got, middle/(1+middle))
	}
	if f, d := m.At(middle / (1 + middle)); math.Abs(f-2) > 1e-12 || math.Abs(d-2) > 1e-12 {
		t.Errorf("there, %g and %g h, want 2 and 2 h", f, d)
	}
}

// Pool adjacent violators: 1, 3, 2, 4 is 1, 2.5, 2.5, 4, and 3, 2, 1 its mean
// (worked by hand).
func TestIsotonic(t *testing.T) {
	for _, c := range []struct{ in, want []float64 }{
		{[]float64{1, 3, 2, 4}, []float64{1, 2.5, 2.5, 4}}, {[]float64{3, 2, 1}, []float64{2, 2, 2}}, {[]float64{1, 2}, []float64{1, 2}}, {nil, nil},
	} {
		isotonic(c.in)
		for i := range c.want {
			if c.in[i] != c.want[i] {
				t.Errorf("got %v, want %v", c.in, c.want)
			}
		}
	}
}

// Whatever is counted, what New makes can be inverted.
func TestNewIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var points []Point
		for _, at := range rapid.SliceOfNDistinct(rapid.IntRange(1, 998), 2, 12, rapid.ID[int]).Draw(t, "at") {
			points = append(points, Point{RaiseAt: float64(at) / 999, Counted: rapid.IntRange(0, 50).Draw(t, "n"), Delay: rapid.Float64Range(0, 10).Draw(t, "h")})
		}
		m, err := New("x", "none", 3.7, points)
		if err != nil {
			t.Fatal(err)
		}
		b, err := m.Write()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Parse(b); err != nil {
			t.Fatal(err)
		}
	})
}

func TestParseRefuses(t *testing.T) {
	for _, bad := range []string{"", "{}", `{"format":2}`, `{"format":1,"points":[{"raise_at":0.5,"false_alarms":1},{"raise_at":0.6,"false_alarms":2}]}`,
		`{"format":1,"points":[{"raise_at":0.5,"false_alarms":1},{"raise_at":1,"false_alarms":0.5}]}`} {
		if _, err := Parse([]byte(bad)); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
