package detect

import (
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// heard is a machine of which something was heard for half an hour: the compressor's
// current, and the mains voltage where that is watched.
func heard(amps, volts float64, watched bool) (m *Machine, at collector.Millis) {
	m = NewMachine(&fleet.Machine{ID: "cab-1", Site: "site-1"}, NewLibrary())
	at = collector.Millis(1_782_864_000_000)
	for range 30 {
		at += 60000
		r := &collector.Reading{Machine: "cab-1", Site: "site-1", At: at}
		set := func(c collector.Channel, v float64) { r.Has, r.Value[c] = r.Has.With(c), v }
		set(collector.CabinetAir, 6)
		set(collector.CompressorCurrent, amps)
		if watched {
			set(collector.MainsVoltage, volts)
		}
		m.Step(r, at, func(*Finding) {})
	}
	return m, at
}

// What is measured of the supply is a fact. Where nothing is, that the machine goes on
// to report speaks against its having none, though less.
func TestReportingOnSpeaksAgainstALostSupply(t *testing.T) {
	says := func(volts float64, watched bool) float32 {
		m, at := heard(0, volts, watched)
		var score diagnose.Score
		var v feature.Vector
		m.withhold(&score, &v, at)
		return score[fault.PowerLost]
	}
	none, dead, alive := says(0, false), says(0, true), says(230, true)
	if !(alive < none-2 && none < -1 && dead > 2) {
		t.Errorf("for a lost supply speak %.1f nats where it is measured dead, %.1f where alive, %.1f where nothing measures it", dead, alive, none)
	}
}

// A compressor that runs again has its supply back, and somebody gave it back, where a
// channel watches the supply. Elsewhere it may only have rested for long, as it does
// after its setpoint was turned.
func TestOnlyAWatchedSupplyIsGivenBack(t *testing.T) {
	for _, watched := range []bool{false, true} {
		m, at := heard(2, 230, watched)
		m.s.Track.Run.Known, m.s.Track.Run.Running = true, true
		o := &m.s.Open[slotMachine]
		*o = open{Is: true, Fault: fault.PowerLost, RaisedAt: at - 30*60000}
		m.visited(at)
		if (o.VisitedAt != 0) != watched {
			t.Errorf("supply watched: %t; visited: %t", watched, o.VisitedAt != 0)
		}
	}
}
