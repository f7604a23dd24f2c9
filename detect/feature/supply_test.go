package feature_test

import (
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/feature"
)

// An evaporator fan that stops with the compressor turns all the same in a defrost
// by air (common practice, no source). Its rests are then no lost supply, and that it
// starts again no visit; a fan that never stops tells both.
func TestRestingFanIsNoLostSupply(t *testing.T) {
	for _, c := range []struct {
		fan        fleet.FanControl
		rests      bool
		door       bool // it has a switch that tells
		dead, seen bool // 15 min without any current are taken for a lost supply, and what follows for a visit
	}{
		{fleet.FanWithCompressor, true, true, false, false},
		{fleet.FanUnknown, true, true, false, false},
		{fleet.FanUnknown, false, true, true, true},
		{fleet.FanContinuous, false, true, true, true},
		{fleet.FanDoorSwitched, false, true, true, true},
		{fleet.FanDoorSwitched, false, false, true, true},
	} {
		cab := newCabinet(5)
		cab.has = cab.has.With(collector.EvapFanCurrent)
		if c.door {
			cab.has = cab.has.With(collector.Door)
		}
		m := spec()
		m.EvaporatorFan = c.fan
		tr := feature.New(m)
		supply := true
		next := func() *collector.Reading {
			r := cab.next()
			v := &r.Value
			on := v[collector.CompressorCurrent] > 0
			defrost := cab.at/minute%360 >= 340 // in place of every twelfth run
			if defrost || !supply {
				v[collector.CompressorCurrent] = 0
			}
			v[collector.EvapFanCurrent] = 0.1
			if c.rests && !on && !defrost || !supply {
				v[collector.EvapFanCurrent] = 0
			}
			return r
		}
		for range 2 * 1440 {
			tr.Observe(next(), 1)
		}
		if at := tr.VisitedAt(false); at != 0 {
			t.Errorf("fan %v, rests %v: somebody was there, %v min before the end", c.fan, c.rests, (cab.at-at)/minute)
		}
		supply = false
		for range 15 {
			tr.Observe(next(), 1)
		}
		if got := fill(&tr, cab.at).Value[feature.NoSupply] > 1; got != c.dead {
			t.Errorf("fan %v, rests %v: the lost supply is seen %v, want %v", c.fan, c.rests, got, c.dead)
		}
		supply = true
		for range 30 {
			tr.Observe(next(), 1)
		}
		if got := tr.VisitedAt(false) != 0; got != c.seen {
			t.Errorf("fan %v, rests %v: a visit is seen %v, want %v", c.fan, c.rests, got, c.seen)
		}
	}
}
