package feature_test

import (
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/feature"
)

// A cabinet that was just switched on has a day to cool down, one that was opened
// for long fourteen hours, whichever ends later; one that is cold has nothing to.
func TestPullingDown(t *testing.T) {
	const hour = 60 * minute
	play := func(first float64, opened collector.Millis) *feature.Tracker {
		tr := feature.New(&fleet.Machine{})
		for at := collector.Millis(0); at < 2*hour; at += minute {
			r := collector.Reading{At: midnight + at, Has: 1<<collector.CabinetAir | 1<<collector.Door}
			air := first
			if at > 0 {
				air = 3
			}
			r.Value[collector.CabinetAir] = air
			door := 0.0
			if opened > 0 && at >= opened && at < opened+6*minute {
				door = 1
			}
			r.Value[collector.Door] = door
			tr.Observe(&r, 1)
		}
		return &tr
	}
	for _, c := range []struct {
		name   string
		tr     *feature.Tracker
		until  collector.Millis
		within collector.Millis
	}{
		{"cold from the first", play(3, 0), 0, 0},
		{"just switched on", play(20, 0), 24 * hour, minute},
		{"opened for long", play(3, hour), 15*hour + 5*minute, 5 * minute},
		{"just switched on, and opened", play(20, hour), 24 * hour, hour},
	} {
		last := -minute
		for at := collector.Millis(0); at < 40*hour; at += minute {
			if c.tr.PullingDown(midnight + at) {
				last = at
			}
		}
		if d := last + minute - c.until; d < -c.within || d > c.within {
			t.Errorf("%s: pulls down until %.1f h, want %.1f", c.name, float64(last+minute)/float64(hour), float64(c.until)/float64(hour))
		}
	}
}
