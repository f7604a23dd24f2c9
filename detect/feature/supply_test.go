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

// A machine whose fan stops with the compressor and whose lights go off by night draws
// nothing in every rest of the night. That is no lost supply while its air is in its
// band, and is one once the compressor ought to have started; where something always
// turns or shines, nothing drawn is a lost supply within minutes.
func TestDarkRestIsNoLostSupply(t *testing.T) {
	const lost = 40
	for _, c := range []struct {
		name         string
		fan          fleet.FanControl
		draws        float64 // A at rest, lights on
		byNight      float64 // and lights off
		soon, indeed bool    // said 8 min after it is lost in the middle of a rest, and when the air is warm
	}{
		{"dark by night", fleet.FanWithCompressor, 0.1, 0, false, true},
		{"dark by night, fan not known", fleet.FanUnknown, 0.1, 0, false, true},
		{"lights always on", fleet.FanWithCompressor, 0.1, 0.1, true, true},
		{"fan always on", fleet.FanContinuous, 0.3, 0.2, true, true},
		{"fan too small to be read", fleet.FanContinuous, 0, 0, false, true},
	} {
		cab := newCabinet(8)
		cab.has = 1<<collector.CabinetAir | 1<<collector.MainsCurrent
		m := spec()
		m.EvaporatorFan = c.fan
		tr := feature.New(m)
		supply := true
		next := func() *collector.Reading {
			was := cab.warm
			if !supply {
				cab.warm = was + 0.2 // nothing cools
			}
			r := cab.next()
			v := &r.Value
			v[collector.MainsCurrent] = c.draws
			if cab.at/(60*minute)%24 < 12 {
				v[collector.MainsCurrent] = c.byNight
			}
			v[collector.MainsCurrent] += v[collector.CompressorCurrent]
			if !supply {
				v[collector.MainsCurrent] = 0
			}
			return r
		}
		for range 4*1440 + 6*60 + 2 { // to early in a rest of the fifth night
			tr.Observe(next(), 1)
			if at := cab.at - midnight; at > 60*minute && tr.NoSupplyMinutes() > 0 {
				t.Fatalf("%s: no supply for %.0f min, %d min after the beginning", c.name, tr.NoSupplyMinutes(), at/minute)
			}
		}
		if at := tr.VisitedAt(false); at != 0 {
			t.Errorf("%s: somebody was there, %v min before the end", c.name, (cab.at-at)/minute)
		}
		supply = false
		for i := range lost {
			tr.Observe(next(), 0.3)
			if i == 8 && tr.NoSupplyMinutes() > 4 != c.soon {
				t.Errorf("%s: after %d min no supply for %.0f min, soon: want %v", c.name, i, tr.NoSupplyMinutes(), c.soon)
			}
		}
		if got := tr.NoSupplyMinutes() > 5; got != c.indeed {
			t.Errorf("%s: after %d min no supply for %.0f min, want %v", c.name, lost, tr.NoSupplyMinutes(), c.indeed)
		}
	}
}
