package detect

import (
	"testing"

	"coilward/collector"
	"coilward/detect/fault"
)

// Another cause gives a finding its name when it has led clearly and for a while, and
// for longer the more often the name has changed.
func TestRename(t *testing.T) {
	const minute = 60_000
	for _, c := range []struct {
		name    string
		renames uint8
		led     collector.Millis // min
		by      float64
		want    bool
	}{
		{"at once", 0, 0, 0.5, false},
		{"after forty minutes", 0, 40, 0.5, true},
		{"hardly ahead", 0, 400, 0.1, false},
		{"the second time so soon", 1, 76, 0.5, false},
		{"the second time", 1, 80, 0.5, true},
		{"the fifth time", mostDoubled, 639, 0.5, false},
		{"the fifth time, half a day later", mostDoubled, 640, 0.5, true},
	} {
		var m Machine
		m.s.LookedAt = 1000 * minute
		was := &open{Fault: fault.EvaporatorFanStopped, Renames: c.renames}
		now := &open{Fault: fault.CoilIced, RivalSince: m.s.LookedAt - c.led*minute, NumCand: 2}
		now.Cand[0] = held{float32(0.4 + c.by), fault.CoilIced}
		now.Cand[1] = held{0.4, fault.EvaporatorFanStopped}
		if got := m.material(was, now); got != c.want {
			t.Errorf("%s: renamed %v", c.name, got)
		}
	}
}
