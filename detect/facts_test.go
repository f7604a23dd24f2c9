package detect

import (
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

const aMinute = collector.Millis(60_000)

// someDays is a machine that has run ten minutes of every thirty for two days, and the
// time.
func someDays() (*Machine, collector.Millis) {
	m, at := NewMachine(&fleet.Machine{ID: "cab-1", Site: "site-1"}, NewLibrary()), collector.Millis(1_760_000_000_000)
	for i := range 2 * 1440 {
		at += aMinute
		air, amps := 2+3*float64(i%30)/20, 0.0
		if i%30 >= 20 {
			air, amps = 5-3*float64(i%30-20)/10, 2
		}
		m.s.Track.Observe(instant(at, air, amps, 230), 1)
	}
	return m, at
}

func instant(at collector.Millis, air, amps, voltage float64) *collector.Reading {
	r := &collector.Reading{At: at, Has: 1<<collector.CabinetAir | 1<<collector.CompressorCurrent | 1<<collector.MainsVoltage}
	r.Value[collector.CabinetAir], r.Value[collector.CompressorCurrent] = air, amps
	r.Value[collector.MainsVoltage] = voltage
	return r
}

// What speaks against a thermostat that is stuck on, and while such a one is open against
// a broken probe, is a long rest in the cold that nothing else explains.
func TestOnlyALongRestInTheColdTells(t *testing.T) {
	for _, c := range []struct {
		name         string
		hours        int
		air, voltage float64
		open         fault.Fault
		stat, probe  bool // it speaks against the thermostat, and against a probe
	}{
		{"a rest of four hours, frozen", 4, -4, 230, fault.ThermostatStuckOn, true, true},
		{"the same with another finding open", 4, -4, 230, fault.CoilIced, true, false},
		{"a rest of one hour", 1, -4, 230, fault.ThermostatStuckOn, false, false},
		{"a rest though it is warm", 4, 9, 230, fault.ThermostatStuckOn, false, false},
		{"no supply to run by", 4, -4, 0, fault.ThermostatStuckOn, false, false},
	} {
		m, at := someDays()
		for i := range 60 { // a run that freezes it, or does not
			at += aMinute
			m.s.Track.Observe(instant(at, 3+(c.air-3)*float64(i)/60, 2, 230), 0)
		}
		for range c.hours * 60 {
			at += aMinute
			m.s.Track.Observe(instant(at, c.air, 0, c.voltage), 0)
		}
		m.s.Open[slotMachine] = open{Is: true, Fault: c.open}
		var score diagnose.Score
		m.thaws(&score, at)
		if stat, probe := score[fault.ThermostatStuckOn] < -1, score[fault.SensorFault] < -1; stat != c.stat || probe != c.probe {
			t.Errorf("%s: thermostat %.1f, probe %.1f nats", c.name, score[fault.ThermostatStuckOn], score[fault.SensorFault])
		}
	}
}

// Ten minutes of values that a channel cannot have say more than ten of a wrong unit.
func TestImpossibleValuesCountMoreThanAWrongUnit(t *testing.T) {
	after := func(spoil func(r *collector.Reading)) float32 {
		m, at := someDays()
		m.s.Sensors.Observe(instant(at, 3, 0, 230), false)
		for range 10 {
			at += aMinute
			r := instant(at, 3, 0, 230)
			spoil(r)
			m.s.Sensors.Observe(r, false)
		}
		var score diagnose.Score
		m.sensorFact(&score, &feature.Vector{}, at)
		return score[fault.SensorFault]
	}
	unit := after(func(r *collector.Reading) { r.Value[collector.CabinetAir] = 3*1.8 + 32 })
	open := after(func(r *collector.Reading) {
		r.Has &^= 1 << collector.CabinetAir
		r.Extra = []collector.Extra{{Name: collector.CabinetAir.String(), Unit: "Cel", Value: -127}}
	})
	if unit <= 0 || open < 2*unit {
		t.Errorf("after ten minutes a wrong unit says %.1f nats, impossible values %.1f", unit, open)
	}
}
