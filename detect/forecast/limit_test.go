package forecast_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coilward/detect/fault"
	"coilward/detect/forecast"
	"coilward/detect/thermal"
)

// none is no cause.
const none = fault.Fault(fault.Num)

// sure returns probabilities with one cause, or none.
func sure(f fault.Fault) *[fault.Num]float64 {
	var p [fault.Num]float64
	if f != none {
		p[f] = 1
	}
	return &p
}

func drawInput(t *rapid.T) forecast.Input {
	r := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
	start := r("start", -1, 12)
	product := start + r("risen", -2, 8)
	air := r("air", -6, 30)
	in := forecast.Input{
		Start: start, Elapsed: r("elapsed", 0, 48), Product: product, Ambient: r("ambient", 5, 45),
		Air: air, AirSlow: air - r("trend", -3, 6), NormalAir: r("normal", 0, 8), RunShare: r("run share", 0, 1),
		Warm: r("warm", 4, 10), Cold: r("cold", -2, 1),
	}
	if rapid.Bool().Draw(t, "nearest followed") {
		in.Nearest = new(thermal.Nearest)
		in.Nearest.Advance(product-r("colder", 0, 4), 0)
		in.Nearest.Advance(product-r("beside", -3, 12), r("for", 0, 5))
	}
	if rapid.Bool().Draw(t, "normal unknown") {
		in.NormalAir = math.NaN()
	}
	return in
}

func drawCauses(t *rapid.T) *[fault.Num]float64 {
	var p [fault.Num]float64
	for range rapid.IntRange(1, 5).Draw(t, "causes") {
		p[rapid.IntRange(int(fault.EvaporatorFanStopped), int(fault.SensorFault)).Draw(t, "cause")] = rapid.Float64Range(0.01, 1).Draw(t, "weight")
	}
	return &p
}

// slack is what rounding may do, in hours.
const slack = 1e-9

func TestEarlyMidLate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawInput(t)
		l := forecast.Limit(&in, drawCauses(t))
		if math.IsNaN(l.Early) || l.Early < 0 || l.Early > l.Mid || l.Mid > l.Late {
			t.Fatalf("early %v, mid %v, late %v h", l.Early, l.Mid, l.Late)
		}
	})
}

func TestHotterRoomNeverLengthens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, p := drawInput(t), drawCauses(t)
		a := forecast.Limit(&in, p)
		in.Ambient += rapid.Float64Range(0, 20).Draw(t, "hotter by")
		b := forecast.Limit(&in, p)
		if b.Early > a.Early+slack || b.Mid > a.Mid+slack || b.Late > a.Late+slack {
			t.Fatalf("%v h became %v h", a, b)
		}
	})
}

func TestProductNearerItsWarmLimitNeverLengthens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, p := drawInput(t), drawCauses(t)
		a := forecast.Limit(&in, p)
		if a.Cold {
			t.Skip("the cold limit is the one")
		}
		in.Product += rapid.Float64Range(0, 8).Draw(t, "warmer by")
		b := forecast.Limit(&in, p)
		if b.Cold {
			t.Skip("the cold limit is the one")
		}
		if b.Early > a.Early+slack || b.Mid > a.Mid+slack || b.Late > a.Late+slack {
			t.Fatalf("%v h became %v h", a, b)
		}
	})
}

// In a room just above the limit it takes long, and ever longer the nearer; a
// clamp there once made a hotter room the better one.
func TestRoomNearTheLimit(t *testing.T) {
	before := math.Inf(1)
	for _, above := range []float64{0, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 3, 10} {
		in := forecast.Input{Start: 3, Product: 3, Ambient: 7 + above, Warm: 7, Cold: -1, NormalAir: 3}
		l := forecast.Limit(&in, sure(fault.PowerLost))
		if l.Mid > before || above >= 3 && math.IsInf(l.Mid, 1) {
			t.Errorf("%.2f K above the limit: %v h, after %v h nearer to it", above, l.Mid, before)
		}
		before = l.Mid
	}
}

// The lower the limit the sooner it is passed.
func TestStricterLimitNeverLengthens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, p := drawInput(t), drawCauses(t)
		a := forecast.Limit(&in, p)
		if a.Cold {
			t.Skip("the cold limit is the one")
		}
		in.Warm -= rapid.Float64Range(0, 3).Draw(t, "stricter by")
		if b := forecast.Limit(&in, p); !b.Cold && (b.Early > a.Early+slack || b.Mid > a.Mid+slack || b.Late > a.Late+slack) {
			t.Fatalf("%v h became %v h", a, b)
		}
	})
}

// A cabinet without power: from 3 °C in a room of 24 °C the air passes 5 °C
// after 14.03 min and the load, well mixed, after 264.75 min; 7.2 °C after
// 134.39 and 570.42 min (closed form of two lumps of 30 and 600 kJ/K, 5 W/K to
// the room and 25 W/K between; integrated in detect/thermal's tests). The
// warmest product of a load warms sooner than the load and later than the air,
// and what is forecast is the warmest.
func TestPowerLostLiesBetweenAirAndLoad(t *testing.T) {
	for _, c := range []struct{ warm, air, load float64 }{{5, 14.03, 264.75}, {7.2, 134.39, 570.42}} {
		in := forecast.Input{Start: 3, Product: 3, Ambient: 24, Air: 3, AirSlow: 3, NormalAir: 3, Warm: c.warm, Cold: -1}
		l := forecast.Limit(&in, sure(fault.PowerLost))
		t.Logf("%.1f °C: early %.0f, mid %.0f, late %.0f min; air %.0f, load %.0f min", c.warm, l.Early*60, l.Mid*60, l.Late*60, c.air, c.load)
		if l.Mid*60 < c.air || l.Mid*60 > c.load || l.Early*60 > c.load {
			t.Errorf("%.1f °C: middle %.0f min; the air takes %.0f, the load %.0f", c.warm, l.Mid*60, c.air, c.load)
		}
	}
}

// A closed refrigerator without power keeps for about 4 h (USDA and FDA,
// consumer advice): from 3 °C in 22 °C nothing passes 5 °C within minutes, and
// nobody is told that it holds for a day.
func TestPowerLostIsAMatterOfHours(t *testing.T) {
	in := forecast.Input{Start: 3, Product: 3, Ambient: 22, Air: 3, AirSlow: 3, NormalAir: 3, Warm: 5, Cold: -1}
	if l := forecast.Limit(&in, sure(fault.PowerLost)); l.Early < 0.5 || l.Late > 8 || l.Mid > 4 {
		t.Errorf("early %.1f, mid %.1f, late %.1f h", l.Early, l.Mid, l.Late)
	}
}

func TestCases(t *testing.T) {
	holds := forecast.Input{Start: 3, Elapsed: 2, Product: 3, Ambient: 24, Air: 3, AirSlow: 3, NormalAir: 3, RunShare: 0.5, Warm: 7, Cold: -1}
	with := func(change func(*forecast.Input)) forecast.Input {
		in := holds
		change(&in)
		return in
	}
	for _, c := range []struct {
		name  string
		in    forecast.Input
		cause fault.Fault
		ok    func(l forecast.Times) bool
	}{
		{"a weak compressor that holds its air is given no time", holds, fault.CompressorWeak,
			func(l forecast.Times) bool { return l == forecast.Never() }},
		{"one whose air climbs is", with(func(in *forecast.Input) { in.Air, in.AirSlow, in.RunShare = 6, 4.5, 1 }), fault.CompressorWeak,
			func(l forecast.Times) bool { return l.Mid > 0 && l.Mid < 6 && !l.Cold }},
		{"a load that is over its limit has none left", with(func(in *forecast.Input) { in.Product = 7.5 }), fault.PowerLost,
			func(l forecast.Times) bool { return l.Early == 0 && l.Mid == 0 && l.Late == 0 }},
		{"a cold room takes nothing over its limit", with(func(in *forecast.Input) { in.Ambient = 6 }), fault.PowerLost,
			func(l forecast.Times) bool { return math.IsInf(l.Mid, 1) }},
		{"a compressor that never stops freezes", with(func(in *forecast.Input) { in.Air, in.AirSlow, in.Product = -4, -2, 2.5 }), fault.ThermostatStuckOn,
			func(l forecast.Times) bool { return l.Cold && l.Mid > 0 && l.Mid < 6 }},
		{"and does not while the air is above the limit", holds, fault.ThermostatStuckOn,
			func(l forecast.Times) bool { return math.IsInf(l.Mid, 1) }},
		{"a coil that lets little air through freezes what stands beside the supply first", with(func(in *forecast.Input) {
			in.Nearest = new(thermal.Nearest)
			in.Nearest.Advance(2, 0)
			for range 40 { // an hour of air of -12 °C from the supply
				in.Nearest.Advance(thermal.BesideSupply(3, -12), 0.025)
			}
		}), fault.CoilIced, func(l forecast.Times) bool { return l.Cold && l.Mid > 0 && l.Mid < 3 }},
		{"without cooling nothing gets colder, however cold it was", with(func(in *forecast.Input) {
			in.Nearest = new(thermal.Nearest)
			in.Nearest.Advance(0, 0)
			in.Nearest.Advance(-6, 1)
		}), fault.PowerLost, func(l forecast.Times) bool { return l.Mid > 0 && !l.Cold }},
		{"one that lets it through does not", with(func(in *forecast.Input) {
			in.Nearest = new(thermal.Nearest)
			in.Nearest.Advance(2, 0)
			in.Nearest.Advance(thermal.BesideSupply(3, -3), 4)
		}), fault.CoilIced, func(l forecast.Times) bool { return l == forecast.Never() }},
		{"no causes, no forecast", with(func(in *forecast.Input) { in.Nearest = new(thermal.Nearest); in.Nearest.Advance(-5, 0) }), none,
			func(l forecast.Times) bool { return math.IsInf(l.Mid, 1) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			if l := forecast.Limit(&c.in, sure(c.cause)); !c.ok(l) {
				t.Errorf("early %.2f, mid %.2f, late %.2f h, cold %v", l.Early, l.Mid, l.Late, l.Cold)
			}
		})
	}
}

// The faster a cause takes the cooling away, the sooner: an open door before a
// lost supply, a lost supply before a stopped fan over a coil that still cools.
func TestOrderOfCauses(t *testing.T) {
	in := forecast.Input{Start: 3, Product: 3, Ambient: 24, Air: 3, AirSlow: 3, NormalAir: 3, Warm: 5, Cold: -1}
	door := forecast.Limit(&in, sure(fault.DoorOpen)).Mid
	power := forecast.Limit(&in, sure(fault.PowerLost)).Mid
	fan := forecast.Limit(&in, sure(fault.EvaporatorFanStopped)).Mid
	if !(door < power && power < fan) {
		t.Errorf("door %.2f, power %.2f, fan %.2f h", door, power, fan)
	}
}

// Nearer to freezing never means longer.
func TestProductNearerItsColdLimitNeverLengthens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawInput(t)
		in.Air = rapid.Float64Range(-8, in.Cold+1).Draw(t, "cold air")
		in.AirSlow = in.Air + rapid.Float64Range(0.3, 4).Draw(t, "falling by") // so that it is falling in any case
		a := forecast.Limit(&in, sure(fault.ThermostatStuckOn))
		in.Product -= rapid.Float64Range(0, 4).Draw(t, "colder by")
		b := forecast.Limit(&in, sure(fault.ThermostatStuckOn))
		if b.Early > a.Early+slack || b.Mid > a.Mid+slack || b.Late > a.Late+slack {
			t.Fatalf("%v h became %v h", a, b)
		}
	})
}
