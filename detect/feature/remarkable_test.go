package feature

import "testing"

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
