package feature

import (
	"math"
	"testing"
)

// People are told of what stands apart from the machine's own normal, by whichever
// of its features the model was moved.
func TestRemarkable(t *testing.T) {
	for _, c := range []struct {
		name string
		id   ID
		set  map[ID]float32
		want bool
	}{
		{"a difference at its normal", AirCoil, map[ID]float32{AirCoil: 0.4}, false},
		{"one far off", AirCoil, map[ID]float32{AirCoil: -1.6}, true},
		{"its level, where the difference is at its normal", AbsAirCoil, map[ID]float32{AbsAirCoil: 3, AirCoil: 0.2, Slow(AirCoil): -0.1}, false},
		{"its level, where the difference is far off", AbsAirCoil, map[ID]float32{AbsAirCoil: 3, AirCoil: -1.6}, true},
		{"its level, where the slow mean is far off", AbsCoil, map[ID]float32{AbsCoil: 3, Slow(AirCoil): 2}, true},
		{"how much it runs, where that is as ever for this room", AbsRunFrac, map[ID]float32{AbsRunFrac: 0.5, Load: 0.3}, false},
		{"mains as ever", VoltageLow, map[ID]float32{VoltageLow: 0.002}, false},
		{"mains a tenth low", VoltageLow, map[ID]float32{VoltageLow: -0.1}, true},
		{"a door that is open", DoorMinutes, map[ID]float32{DoorMinutes: 2}, true},
	} {
		var v Vector
		for id, x := range c.set {
			v.set(id, float64(x))
		}
		if got := c.id.Remarkable(&v); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A difference is told by the way it points, and by its size.
func TestDifferencesSayWhichWay(t *testing.T) {
	nan := float32(math.NaN())
	for _, c := range []struct {
		id              ID
		now, normal, sd float32
		want            string
	}{
		{CoilSpread, 2.8, 0.5, 0.9, "coil outlet 2.8 K warmer than the inlet while running; this machine's normal is 0.5 ± 0.9 K"},
		{CoilSpread, -0.7, 0.4, 0.3, "coil outlet 0.7 K colder than the inlet while running; this machine's normal is 0.4 ± 0.3 K the other way"},
		{CoilSpread, -0.7, -0.4, 0.3, "coil outlet 0.7 K colder than the inlet while running; this machine's normal is 0.4 ± 0.3 K"},
		{CoilSpread, 0.7, -0.4, 0.3, "coil outlet 0.7 K warmer than the inlet while running; this machine's normal is 0.4 ± 0.3 K the other way"},
		{CoilSpread, -0.02, 0.4, 0.3, "coil outlet 0.0 K warmer than the inlet while running; this machine's normal is 0.4 ± 0.3 K"},
		{OffSupplyGap, -3.1, -0.4, 0.7, "supply air 3.1 K above the return air while stopped; this machine's normal is 0.4 ± 0.7 K"},
		{AirCoil, -1.2, nan, nan, "coil outlet 1.2 K above the cabinet air while running"},
		{Slow(CondLift), -1, 4, nan, "condenser 1.0 K under ambient while running, on average of 5 h; this machine's normal is 4.0 K the other way"},
		{RunSlope, -7.6, -4, 1, "cabinet air changes by -7.6 K/h while running; this machine's normal is -4.0 ± 1.0 K/h"},
		{OffSlope, -0.01, 0.2, 0.1, "cabinet air warms by -0.01 K/h per K to ambient while stopped; this machine's normal is 0.20 ± 0.10"},
	} {
		if got := (Note{ID: c.id, Now: c.now, Normal: c.normal, SD: c.sd}).Text(); got != c.want {
			t.Errorf("%v %v:\n got %s\nwant %s", c.id, c.now, got, c.want)
		}
	}
}
