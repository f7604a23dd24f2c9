package learn

import (
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

func ptr(x float64) *float64 { return &x }

func TestLabelWindows(t *testing.T) {
	const day, h = 86400.0, 3600.0
	m := &truth.Machine{
		DontCare: []truth.DontCare{{All: true, From: 0, To: h}, {Faults: []fault.Fault{fault.Silent}, From: 2 * h, To: 3 * h}},
		Life: truth.Life{
			Restocks:  []truth.Event{{At: day / 2, For: 9}},
			Turns:     []truth.Event{{At: day, For: 1.5}},
			Cleanings: []truth.Event{{At: 3 * day, For: 60}},
		},
		Episodes: []truth.Episode{
			{Fault: fault.CoilIced, Onset: 4 * day, Material: ptr(4*day + 6*h), Ended: ptr(6 * day)},
			{Fault: fault.DoorLeak, Onset: 8 * day, Ended: ptr(9 * day)}, // too slight to matter
			{Fault: fault.CondenserFanStopped, Onset: 10 * day, Material: ptr(10 * day), Ended: ptr(11 * day),
				Intervals: []truth.Span{{From: 10 * day, To: 10*day + 2*h}}},
			{Fault: fault.Silent, Onset: 12 * day, Material: ptr(12 * day)},
			{Fault: fault.PowerLost, Onset: 13 * day, Material: ptr(13 * day)}, // to the end
		},
	}
	well := diagnose.State(fault.Well)
	for _, c := range []struct {
		name    string
		at      float64
		state   diagnose.State
		weight  float64
		episode int
	}{
		{"out of limits without a fault", h / 2, well, 0, -1},
		{"well", 1.5 * h, well, 1, -1},
		{"silence is not to be cared about, the machine is well", 2.5 * h, well, 1, -1},
		{"restocked", day/2 + 4*h, diagnose.WarmLoad, 1, -1},
		{"pulled down again", day/2 + 5.1*h, well, 1, -1},
		{"setpoint moved, nothing to be seen yet", day + h/2, well, 1, -1},
		{"setpoint moved", day + 10*h, diagnose.Resettled, 1, -1},
		{"learned anew", 2*day + h, well, 1, -1},
		{"unplugged", 3*day + 3.9*h, diagnose.Unplugged, 1, -1},
		{"running again", 3*day + 4.1*h, well, 1, -1},
		{"before the fault can be seen", 4*day + 5*h, well, 0, -1},
		{"early", 4*day + 7*h, diagnose.State(fault.CoilIced), 3, 0},
		{"next", 4*day + 20*h, diagnose.State(fault.CoilIced), 1, 0},
		{"late", 5*day + 8*h, diagnose.State(fault.CoilIced), 0.3, 0},
		{"just repaired", 6*day + h/4, well, 0, -1},
		{"pulling down after the repair", 6*day + 2*h, diagnose.WarmLoad, 0.3, -1},
		{"repair still felt", 6*day + 7*h, well, 0, -1},
		{"repair over", 6*day + 9*h, well, 1, -1},
		{"a fault nobody could measure", 8*day + 5*h, well, 0, -1},
		{"and after it", 9*day + 5*h, well, 0, -1},
		{"long after it", 9*day + 7*h, well, 1, -1},
		{"intermittent, there", 10*day + h, diagnose.State(fault.CondenserFanStopped), 3, 2},
		{"intermittent, just back", 10*day + 60, well, 0, -1},
		{"intermittent, resting", 10*day + 3*h, well, 0, -1},
		{"silence", 12*day + h, well, 1, -1},
		{"to the end", 14 * day, diagnose.State(fault.PowerLost), 0.3, 4},
	} {
		got := LabelAt(m, c.at, 14*day)
		if got.Weight != c.weight || got.Episode != c.episode || (c.weight > 0 && got.State != c.state) {
			t.Errorf("%s: got %+v, want state %d, weight %v, episode %d", c.name, got, c.state, c.weight, c.episode)
		}
	}
}
