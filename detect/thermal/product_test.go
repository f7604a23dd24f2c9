package thermal_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coilward/detect/thermal"
)

// nodes is a shut, uncooled cabinet as two lumps: the room reaches the air
// through the walls, the air the product.
type nodes struct {
	ua, h    float64 // W/K
	air, can float64 // J/K
}

// The reference cabinet: 5 W/K of walls, 25 W/K between air and product,
// 30 kJ/K of air and liner, 600 kJ/K of product.
var reference = nodes{ua: 5, h: 25, air: 30e3, can: 600e3}

// run integrates from ta, tp in a room at amb and calls see at every second.
// Classical Runge–Kutta of fourth order: at 1 s its error is far below the
// digits compared.
func (n nodes) run(ta, tp, amb float64, seconds int, see func(s int, ta, tp float64)) {
	f := func(a, p float64) (da, dp float64) {
		return (n.ua*(amb-a) - n.h*(a-p)) / n.air, n.h * (a - p) / n.can
	}
	for s := 0; s <= seconds; s++ {
		see(s, ta, tp)
		a1, p1 := f(ta, tp)
		a2, p2 := f(ta+a1/2, tp+p1/2)
		a3, p3 := f(ta+a2/2, tp+p2/2)
		a4, p4 := f(ta+a3, tp+p3)
		ta += (a1 + 2*a2 + 2*a3 + a4) / 6
		tp += (p1 + 2*p2 + 2*p3 + p4) / 6
	}
}

// Source of the numbers: the closed form of the two coupled linear equations
// (sum of two exponentials), computed apart from this program.
func TestReferenceCabinetIsTheClosedForm(t *testing.T) {
	airAt, productAt := map[float64]float64{}, map[float64]float64{}
	var airHour, productHour float64
	reference.run(3, 3, 24, 40_000, func(s int, ta, tp float64) {
		for _, limit := range []float64{5, 7.2} {
			if _, ok := airAt[limit]; !ok && ta >= limit {
				airAt[limit] = float64(s) / 60
			}
			if _, ok := productAt[limit]; !ok && tp >= limit {
				productAt[limit] = float64(s) / 60
			}
		}
		if s == 3600 {
			airHour, productHour = ta, tp
		}
	})
	for _, c := range []struct {
		what      string
		got, want float64
		tol       float64 // half a second and the last digit quoted; °C: the last digit
	}{
		{"air passes 5 °C, min", airAt[5], 14.03, 0.025},
		{"product passes 5 °C, min", productAt[5], 264.75, 0.025},
		{"air passes 7.2 °C, min", airAt[7.2], 134.39, 0.025},
		{"product passes 7.2 °C, min", productAt[7.2], 570.42, 0.025},
		{"air after an hour, °C", airHour, 6.6113, 1e-4},
		{"product after an hour, °C", productHour, 3.3707, 1e-4},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %.4f, want %.4f", c.what, c.got, c.want)
		}
	}
}

// Whoever stands at the cabinet reads the air; the load is in the band that
// the follower draws from the air alone. The reference load, well mixed, has
// τ = 600/25 ks = 6.7 h, while the follower's heaviest product has 5 h because
// it is meant for the warmest row: below, on the side where nobody's food
// spoils, the band may run ahead of the mean by the accuracy of a probe; above
// there is no allowance.
func TestBandHoldsTheReferenceLoad(t *testing.T) {
	const probe = 0.3 // K
	var p thermal.Product
	ahead := 0.0
	reference.run(3, 3, 24, 10*3600, func(s int, ta, tp float64) {
		if s%60 != 0 {
			return
		}
		p.Advance(ta, 1.0/60)
		mid, low, high := p.Estimate()
		if ahead = max(ahead, low-tp); tp < low-probe || tp > high {
			t.Fatalf("minute %d: the load is at %.2f °C, the band %.2f … %.2f about %.2f", s/60, tp, low, high, mid)
		}
		if mid > ta+1e-3 { // single precision
			t.Fatalf("minute %d: the middle product, %.2f °C, is warmer than the air that warms it, %.2f °C", s/60, mid, ta)
		}
	})
	t.Logf("the band's lower bound is at most %.2f K above the mean of the load", ahead)
}

// steps lets a product of 3 °C stand in air of 24 °C.
func steps(hours float64, n int) *thermal.Product {
	p := new(thermal.Product)
	p.Advance(3, 0)
	for range n {
		p.Advance(24, hours/float64(n))
	}
	return p
}

// Newton's law of cooling: 3 to 5 °C in 24 °C takes τ ln(21/19), which is
// 1.00083 h for τ = 10 h (closed form; Incropera 6th ed., eq. 5.5, number from
// memory). The middle product has a time constant of 2.5 h.
func TestNewton(t *testing.T) {
	if h := 10 * math.Log(21.0/19); math.Abs(h-1.00083) > 1e-5 {
		t.Fatalf("closed form gives %.5f h", h)
	}
	for _, n := range []int{1, 7, 60, 900} { // the same in one step and in many
		mid, _, _ := steps(1.00083*2.5/10, n).Estimate()
		if math.Abs(mid-5) > 1e-3 { // single precision over 900 steps
			t.Errorf("in %d steps the middle product is at %.4f °C, want 5", n, mid)
		}
	}
}

// A can of 355 ml, 0.0321 m² and 1496 J/K, for films of 5, 8, 10 and 20 W/m²K
// has τ = C/(hA) = 155, 97, 78 and 39 min (closed form). The light product
// followed must be one that a can in moving air may be, and the heavy one
// slower than any single can.
func TestTimeConstantsAreThoseOfCans(t *testing.T) {
	tau := map[float64]float64{}
	for h, want := range map[float64]float64{5: 155, 8: 97, 10: 78, 20: 39} {
		tau[h] = 1496 / (h * 0.0321) / 60
		if math.Abs(tau[h]-want) > 0.5 {
			t.Errorf("film of %v W/m²K: τ %.1f min, want %v", h, tau[h], want)
		}
	}
	const margin = 0.4 // K, kept on either side
	mid, low, high := steps(1, 1).Estimate()
	of := func(x float64) float64 { return -60 / math.Log(1-(x-3)/(24-3)) } // min
	light, middle, heavy := of(high-margin), of(mid), of(low+margin)
	if light < tau[20] || light > tau[5] {
		t.Errorf("light product: τ %.0f min, a can has %.0f to %.0f", light, tau[20], tau[5])
	}
	if middle < tau[20] || middle > tau[5] {
		t.Errorf("middle product: τ %.0f min, a can has %.0f to %.0f", middle, tau[20], tau[5])
	}
	if heavy <= tau[5] {
		t.Errorf("heavy product: τ %.0f min, a lone can in still air has %.0f", heavy, tau[5])
	}
}

func TestNothingIsKnownBeforeTheFirstAir(t *testing.T) {
	var p thermal.Product
	if p.Known() {
		t.Error("known before any reading")
	}
	p.Advance(4, 99)
	if mid, low, high := p.Estimate(); !p.Known() || mid != 4 || low > mid || high < mid {
		t.Errorf("after air of 4 °C: %v (%v … %v)", mid, low, high)
	}
}

// The product never leaves the span of the airs it has stood in, its band
// always holds its middle, and warmer air never makes it colder.
func TestProductLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p, warmer thermal.Product
		least, most := math.Inf(1), math.Inf(-1)
		for range rapid.IntRange(1, 40).Draw(t, "n") {
			ta := rapid.Float64Range(-30, 50).Draw(t, "air")
			dt := rapid.Float64Range(0, 30).Draw(t, "hours")
			least, most = min(least, ta), max(most, ta)
			p.Advance(ta, dt)
			warmer.Advance(ta+rapid.Float64Range(0, 5).Draw(t, "more"), dt)
			mid, low, high := p.Estimate()
			if !(low <= mid && mid <= high) {
				t.Fatalf("band %v … %v does not hold %v", low, high, mid)
			}
			if mid < least-1e-4 || mid > most+1e-4 {
				t.Fatalf("%v °C outside the airs %v … %v", mid, least, most)
			}
			if m, _, _ := warmer.Estimate(); m < mid-1e-4 {
				t.Fatalf("warmer air made the product colder: %v < %v", m, mid)
			}
		}
	})
}

// The product next to the supply freezes by Newton's law of cooling: its time is the
// closed form, and it is there then.
func TestNearestOfTheClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start, air := rapid.Float64Range(0, 8).Draw(t, "start"), rapid.Float64Range(-20, -2).Draw(t, "air")
		const cold = -1.0
		var n thermal.Nearest
		n.Advance(start, 0)
		for range 600 { // until its air is of the last hours
			n.Advance(start, 0.02)
		}
		if left := n.Until(cold); !math.IsInf(left, 1) {
			t.Fatalf("freezes in %v h beside air of %v °C", left, start)
		}
		for range 500 {
			n.Advance(air, 0.001)
		}
		for range 9 { // the air it has met of late comes to what it is
			n.Advance(air, 0.5)
		}
		product, met := n.Estimate()
		if math.Abs(met-air) > 0.3 {
			t.Fatalf("met %v °C, want %v", met, air)
		}
		left := n.Until(cold)
		if product <= cold {
			if left != 0 {
				t.Fatalf("%v °C is cold already, and is said to be in %v h", product, left)
			}
			return
		}
		n.Advance(met, left)
		if got, _ := n.Estimate(); math.Abs(got-cold) > 0.01 {
			t.Fatalf("after %v h it is at %v °C, want %v", left, got, cold)
		}
	})
}

// Colder supply air, and a colder coil, never make what stands beside it warmer, and a
// coil far colder than any air that leaves it counts no more than the coldest air.
func TestBeside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		air := rapid.Float64Range(-5, 25).Draw(t, "air")
		a, b := rapid.Float64Range(-40, 30).Draw(t, "a"), rapid.Float64Range(-40, 30).Draw(t, "b")
		if a > b {
			a, b = b, a
		}
		if thermal.BesideSupply(air, a) > thermal.BesideSupply(air, b) || thermal.BesideCoil(air, a) > thermal.BesideCoil(air, b) {
			t.Fatalf("at %v °C: colder %v is warmer beside than %v", air, a, b)
		}
		if x := thermal.BesideSupply(air, a); x < math.Min(air, a) || x > math.Max(air, a) {
			t.Fatalf("air of %v and %v °C mix to %v", air, a, x)
		}
	})
	if x := thermal.BesideCoil(4, -30); x < 0 {
		t.Errorf("beside a frozen coil whose fan stands: %v °C", x)
	}
}
