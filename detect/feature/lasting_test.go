package feature_test

import (
	"math"
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/feature"
)

// minutesOf undoes the compression of a feature that counts minutes.
func minutesOf(v *feature.Vector, i feature.ID) float64 {
	if !v.Has[i] {
		return math.NaN()
	}
	return 5 * math.Sinh(float64(v.Value[i]))
}

// fanned gives a cabinet a fan of each sort that draws and turns as it should:
// the evaporator's all the time, the condenser's with the compressor (common
// practice, no source).
func fanned(r *collector.Reading) *collector.Reading {
	v := &r.Value
	r.Has = r.Has.With(collector.EvapFanCurrent).With(collector.CondFanCurrent).With(collector.MainsVoltage)
	v[collector.MainsVoltage], v[collector.EvapFanCurrent], v[collector.CondFanCurrent] = 230, 0.1, 0
	if v[collector.CompressorCurrent] > 0 {
		v[collector.CondFanCurrent] = 0.2
	}
	return r
}

// A fan that draws nothing while it should turn is counted by the minute; one
// that rests as it should is not.
func TestFansThatStand(t *testing.T) {
	for name, c := range map[string]struct {
		stop       collector.Channel
		fan, other feature.ID
	}{
		"evaporator": {collector.EvapFanCurrent, feature.EvapFanDead, feature.CondFanDead},
		"condenser":  {collector.CondFanCurrent, feature.CondFanDead, feature.EvapFanDead},
	} {
		t.Run(name, func(t *testing.T) {
			cab := newCabinet(5)
			tr := cab.tracker()
			for range 3 * 1440 {
				tr.Observe(fanned(cab.next()), 1)
			}
			if v := fill(&tr, cab.at); minutesOf(v, c.fan) != 0 || minutesOf(v, c.other) != 0 {
				t.Fatalf("well: %.0f and %.0f min", minutesOf(v, c.fan), minutesOf(v, c.other))
			}
			for range 120 {
				r := fanned(cab.next())
				r.Value[c.stop] = 0
				tr.Observe(r, 0)
			}
			v := fill(&tr, cab.at)
			if m := minutesOf(v, c.fan); m < 25 || m > 125 {
				t.Errorf("after two hours it has stood for %.0f min", m)
			}
			if m := minutesOf(v, c.other); m != 0 {
				t.Errorf("the other fan is said to stand for %.0f min", m)
			}
			for range 45 {
				tr.Observe(fanned(cab.next()), 0)
			}
			if m := minutesOf(fill(&tr, cab.at), c.fan); m != 0 {
				t.Errorf("it turns again and is said to stand for %.0f min", m)
			}
		})
	}
}

// A fan that a door switches stands for as long as somebody fills the machine, which
// nobody sees where no channel watches the door; it has failed when it stands for longer.
// What a fan that turns all the time does is no such thing.
func TestFanHeldByADoorUnseen(t *testing.T) {
	for _, c := range []struct {
		fan    fleet.FanControl
		filled bool // counts for nothing, to the end of the filling
	}{{fleet.FanDoorSwitched, true}, {fleet.FanUnknown, true}, {fleet.FanContinuous, false}} {
		cab := newCabinet(8)
		tr := feature.New(&fleet.Machine{ID: "cab-1", EvaporatorFan: c.fan})
		for range 3 * 1440 {
			tr.Observe(fanned(cab.next()), 1)
		}
		for cab.at/minute%30 != 19 { // just before a run
			tr.Observe(fanned(cab.next()), 1)
		}
		stand := func(minutes int) *feature.Vector {
			for range minutes {
				r := fanned(cab.next())
				r.Value[collector.EvapFanCurrent] = 0
				tr.Observe(r, 0)
			}
			return fill(&tr, cab.at)
		}
		v := stand(25)
		if m, z := minutesOf(v, feature.EvapFanDead), v.Value[feature.EvapFanRun]; (m == 0 && z > -0.5) != c.filled {
			t.Errorf("%v: in a filling it is said to stand for %.0f min, and its current is off by %.1f", c.fan, m, z)
		}
		if m := minutesOf(stand(95), feature.EvapFanDead); m < 15 {
			t.Errorf("%v: after two hours it is said to stand for %.0f min", c.fan, m)
		}
	}
}

// In a defrost the fan stands while the compressor rests; it has failed when it
// stands for longer than any defrost took, or while the compressor runs.
func TestFanRestsInADefrost(t *testing.T) {
	c := newCabinet(7)
	tr := c.tracker()
	observe := func(stands bool, well float64) {
		r := fanned(c.next())
		if stands {
			r.Value[collector.EvapFanCurrent] = 0
		}
		tr.Observe(r, well)
	}
	defrost := func(minutes int, well float64) float64 { // the cabinet rests for the first 20 min of each half hour
		for c.at/minute%30 != 0 {
			observe(false, 1)
		}
		for range minutes {
			observe(true, well)
		}
		return minutesOf(fill(&tr, c.at), feature.EvapFanDead)
	}
	for range 1440 {
		observe(false, 1)
	}
	for range 6 {
		if m := defrost(17, 1); m > 6 {
			t.Fatalf("a defrost of 17 min counts %.0f min", m)
		}
		for range 240 {
			observe(false, 1)
		}
	}
	if m := defrost(17, 1); m > 1 {
		t.Errorf("a defrost as long as the others counts %.0f min", m)
	}
	for range 40 {
		observe(true, 0)
	}
	if m := minutesOf(fill(&tr, c.at), feature.EvapFanDead); m < 12 {
		t.Errorf("it stood through a run and into the next rest: %.0f min", m)
	}
}

// What a machine does every day is its way: the same standstill counts as
// trouble at a machine that never did it, and not at one that does.
func TestStandstillAgainstItsOwnLongest(t *testing.T) {
	stands := func(nights bool) float64 {
		c := newCabinet(6)
		tr := c.tracker()
		still := func(minutes int, well float64) {
			for m := range minutes {
				r := c.next()
				r.Value[collector.CompressorCurrent] = 0
				r.Value[collector.CabinetAir] = 5 + float64(m)/60
				tr.Observe(r, well)
			}
		}
		for range 6 {
			if nights {
				still(100, 1)
			}
			c.live(&tr, 0.9, 1)
		}
		c.live(&tr, 0.5, 1) // at another hour of the day
		still(130, 0)
		return minutesOf(fill(&tr, c.at), feature.OffWarm)
	}
	if never, always := stands(false), stands(true); !(never > 45) || !(always < never/2) {
		t.Errorf("counts %.0f min where it never stood, %.0f where it does so daily", never, always)
	}
}

// A machine that runs and cools, however long, is pulled down; one that runs
// and does not cool is in trouble.
func TestRunsAndDoesNotCool(t *testing.T) {
	warm := func(perHour float64) float64 {
		c := newCabinet(8)
		tr := c.tracker()
		c.live(&tr, 5, 1)
		for m := range 90 {
			r := c.next()
			r.Value[collector.CompressorCurrent] = 2
			r.Value[collector.CabinetAir] = 14 + perHour*float64(m)/60
			tr.Observe(r, 0)
		}
		return minutesOf(fill(&tr, c.at), feature.RunNoCool)
	}
	if m := warm(-3); m > 1 {
		t.Errorf("falling by 3 K/h counts %.0f min", m)
	}
	if m := warm(0.5); m < 30 {
		t.Errorf("rising by half a kelvin an hour counts %.0f min", m)
	}
}

// A door that was not pushed to after a filling: the air falls half of the way within a
// quarter of an hour and stays. That is told within the next half hour, not once an
// average of the filling has worn off.
func TestADoorNotPushedToIsSeenSoon(t *testing.T) {
	stays := func(at float64) float64 {
		c := newCabinet(12)
		tr := c.tracker()
		c.live(&tr, 5, 1)
		air := 3.0
		for m := range 65 {
			to, tau := 17.0, 4.0
			if m >= 20 {
				to, tau = at, 5
			}
			air += (to - air) / tau
			r := c.next()
			r.Value[collector.CompressorCurrent] = 2
			r.Value[collector.CabinetAir] = math.Round(air*10) / 10
			tr.Observe(r, 0)
		}
		return minutesOf(fill(&tr, c.at), feature.RunNoCool)
	}
	if m := stays(8.9); m < 6 {
		t.Errorf("three quarters of an hour after the filling it counts %.0f min", m)
	}
	if m := stays(4.5); m > 0 {
		t.Errorf("pulled down to its band it counts %.0f min", m)
	}
}

// A door that opens for a can is no visit; one that stands open is, and so is a
// plug that was pulled.
func TestVisits(t *testing.T) {
	for name, c := range map[string]struct {
		open, dead int
		want       bool
	}{
		"a can":         {1, 0, false},
		"a repair":      {12, 0, true},
		"a pulled plug": {0, 9, true},
	} {
		cab := newCabinet(9)
		tr := cab.tracker()
		at := func(m int) {
			r := fanned(cab.next())
			r.Has = r.Has.With(collector.Door)
			if m < c.open {
				r.Value[collector.Door] = 1
			}
			if m < c.dead {
				r.Value[collector.MainsVoltage] = 0
			}
			tr.Observe(r, 0)
		}
		for range 600 {
			at(100)
		}
		for m := range 30 {
			at(m)
		}
		if got := tr.VisitedAt(false) != 0; got != c.want {
			t.Errorf("%s: a visit: %v", name, got)
		}
	}
}

// Somebody who fills a machine leaves it warm: what counts is for how long it
// stays so once the door is shut.
func TestDoorThatWasJustShut(t *testing.T) {
	c := newCabinet(8)
	tr := c.tracker()
	with := func(open float64) *collector.Reading {
		r := c.next()
		r.Has = r.Has.With(collector.Door)
		r.Value[collector.Door] = open
		return r
	}
	for range 2 * 1440 {
		tr.Observe(with(0), 1)
	}
	// From here on it runs all the time, and its air is warm.
	warm := func(open float64) {
		r := with(open)
		r.Value[collector.CabinetAir], r.Value[collector.CompressorCurrent] = 11, c.amps
		tr.Observe(r, 0)
	}
	for range 24 {
		warm(1)
	}
	if m := tr.WarmMinutes(c.at); m < 23 || m > 25 {
		t.Errorf("with the door open for 24 min: %.0f min", m)
	}
	for m := range 20 {
		warm(0)
		if got := tr.WarmMinutes(c.at); got > float64(m) {
			t.Fatalf("%d min after it was shut: %.0f min", m, got)
		}
	}
	if got := tr.WarmMinutes(c.at); got < 18 {
		t.Errorf("19 min after it was shut it is still warm: %.0f min", got)
	}
}

// While a warm load is cooled down, what is averaged is the load; at the first
// ordinary cut-out the averages begin anew.
func TestAveragesBeginAfterThePullDown(t *testing.T) {
	c := newCabinet(9)
	tr := c.tracker()
	c.live(&tr, 3, 1)
	slow := feature.Slow(feature.AirCoil)
	if v := fill(&tr, c.at); !v.Has[slow] || !v.Has[feature.LoadSlow] {
		t.Fatal("nothing is averaged yet")
	}
	c.warm = 6
	c.live(&tr, 3.0/24, 0)
	if v := fill(&tr, c.at); !v.Has[slow] {
		t.Fatal("averages are gone while it is warm")
	}
	c.warm = 0
	c.live(&tr, 1.5/24, 0)
	if v := fill(&tr, c.at); v.Has[slow] || v.Has[feature.LoadSlow] {
		t.Error("averages over the warm load are kept after it is cold")
	}
	c.live(&tr, 1, 0)
	if v := fill(&tr, c.at); !v.Has[slow] || !v.Has[feature.LoadSlow] {
		t.Error("a day later nothing is averaged")
	}
}

// How warm is too warm to rest is what this machine's own starts say: the same
// air is a standstill at one that always starts at once, and not at one whose
// starts scatter.
func TestRestsWarmByItsOwnStarts(t *testing.T) {
	rests := func(scatter float64) float64 {
		c := newCabinet(10)
		tr := c.tracker()
		for day := range 5 * 48 { // half hours
			c.warm = scatter * float64(day%2)
			c.live(&tr, 0.5/24, 1)
		}
		c.warm = 0
		for range 90 { // it rests at 5.7 °C; it used to start at 5
			r := c.next()
			r.Value[collector.CabinetAir], r.Value[collector.CompressorCurrent] = 5.7, 0
			tr.Observe(r, 0)
		}
		return minutesOf(fill(&tr, c.at), feature.OffWarm)
	}
	if prompt, ragged := rests(0), rests(1.5); prompt < 60 || ragged > 5 {
		t.Errorf("over its starts for %.0f min, and %.0f min where they scatter; want over 60 and none", prompt, ragged)
	}
}
