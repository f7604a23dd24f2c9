package detect

import (
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// A compressor that runs again has its supply back, and somebody gave it back, where a
// channel watches the supply. Elsewhere it may only have rested for long, as it does
// after its setpoint was turned.
func TestOnlyAWatchedSupplyIsGivenBack(t *testing.T) {
	for _, watched := range []bool{false, true} {
		m := NewMachine(&fleet.Machine{ID: "cab-1", Site: "site-1"}, NewLibrary())
		at := collector.Millis(1_782_864_000_000)
		for range 30 {
			at += 60000
			r := &collector.Reading{Machine: "cab-1", Site: "site-1", At: at}
			set := func(c collector.Channel, v float64) { r.Has, r.Value[c] = r.Has.With(c), v }
			set(collector.CabinetAir, 6)
			set(collector.CompressorCurrent, 2)
			if watched {
				set(collector.MainsVoltage, 230)
			}
			m.Step(r, at, func(*Finding) {})
		}
		m.s.Track.Run.Known, m.s.Track.Run.Running = true, true
		o := &m.s.Open[slotMachine]
		*o = open{Is: true, Fault: fault.PowerLost, RaisedAt: at - 30*60000}
		m.visited(at)
		if (o.VisitedAt != 0) != watched {
			t.Errorf("supply watched: %t; visited: %t", watched, o.VisitedAt != 0)
		}
	}
}
