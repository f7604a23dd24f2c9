package feature

import (
	"math"

	"coilward/collector"
)

// profiles takes the quantities that have a profile.
func (t *Tracker) profiles(r *collector.Reading, dt, well float64) {
	if !t.Run.Known || dt <= 0 {
		return
	}
	m := t.Run.Minutes(r.At)
	b := binOf(m)
	if b < 0 {
		return
	}
	running := t.Run.Running
	ok := func(c collector.Channel) bool { return r.Has.Has(c) && !t.sensor.bad(c) }
	v := func(c collector.Channel) float64 { return r.Value[c] }
	obs := func(p ID, x float64) { t.prof[p].observe(x, b, dt, well, floors[p], r.At) }
	air, amb := ok(collector.CabinetAir), ok(collector.Ambient)
	held := t.mayBeHeld()
	if running {
		if air && ok(collector.CoilOut) {
			obs(AirCoil, v(collector.CabinetAir)-v(collector.CoilOut))
		}
		if air && ok(collector.CoilIn) {
			obs(AirCoilIn, v(collector.CabinetAir)-v(collector.CoilIn))
		}
		if ok(collector.CoilIn) && ok(collector.CoilOut) {
			obs(CoilSpread, v(collector.CoilOut)-v(collector.CoilIn))
		}
		if ok(collector.Condenser) && amb {
			obs(CondLift, v(collector.Condenser)-v(collector.Ambient))
		}
		if air && ok(collector.SupplyAir) {
			obs(SupplyGap, v(collector.CabinetAir)-v(collector.SupplyAir))
		}
		t.currents(r, b, dt, well, amb)
		if ok(collector.EvapFanCurrent) && !held {
			obs(EvapFanRun, math.Log(v(collector.EvapFanCurrent)+0.004))
		}
		if ok(collector.CondFanCurrent) {
			obs(CondFanRun, math.Log(v(collector.CondFanCurrent)+0.004))
		}
		if ok(collector.EvapFanSpeed) && !held {
			obs(EvapSpeedRun, v(collector.EvapFanSpeed)/1500)
		}
		if ok(collector.CondFanSpeed) {
			obs(CondSpeedRun, v(collector.CondFanSpeed)/1500)
		}
	} else {
		if air && ok(collector.CoilOut) {
			obs(OffCoilGap, v(collector.CabinetAir)-v(collector.CoilOut))
		}
		if air && ok(collector.SupplyAir) {
			obs(OffSupplyGap, v(collector.CabinetAir)-v(collector.SupplyAir))
		}
		if ok(collector.EvapFanCurrent) && !held {
			obs(EvapFanOff, math.Log(v(collector.EvapFanCurrent)+0.004))
		}
		if ok(collector.MainsCurrent) {
			obs(MainsOff, math.Log(v(collector.MainsCurrent)+0.02))
		}
	}
	if ok(collector.CompressorShell) && amb {
		obs(ShellLift, v(collector.CompressorShell)-v(collector.Ambient))
	}
	if air {
		t.slopes(r, b, well)
	}
}

func (t *Tracker) currents(r *collector.Reading, b int, dt, well float64, amb bool) {
	if t.Run.Inrush() {
		return
	}
	a := 0.0
	switch src, _ := t.Run.Source(); src {
	case collector.CompressorCurrent:
		a = r.Value[collector.CompressorCurrent]
	case collector.MainsCurrent:
		a = r.Value[collector.MainsCurrent] - t.Run.Beside() // lights come on, and are no fault of the compressor
	}
	if a <= 0.05 || !r.Has.Has(collector.CompressorCurrent) && !r.Has.Has(collector.MainsCurrent) {
		return
	}
	x := math.Log(a)
	if amb {
		k := r.Value[collector.Ambient] - 25
		if b >= 2 {
			t.perKelvin.learn(k, x, dt*well/10)
		}
		x -= t.perKelvin.at() * k
	}
	t.prof[Current].observe(x, b, dt, well, floors[Current], r.At)
}

// slopes measures the air's slope over at least five minutes in one state, so
// that quantisation does not drown it.
func (t *Tracker) slopes(r *collector.Reading, b int, well float64) {
	a := float32(r.Value[collector.CabinetAir])
	if t.anchorAt == 0 || t.anchorRun != t.Run.Running {
		t.anchorAt, t.anchorAir, t.anchorRun = r.At, a, t.Run.Running
		return
	}
	h := float64(r.At-t.anchorAt) / 3600000
	if h < 5.0/60 {
		return
	}
	s := float64(a-t.anchorAir) / h
	if t.Run.Running {
		t.prof[RunSlope].observe(s, b, h*60, well, floors[RunSlope], r.At)
	} else {
		x := 20.0
		if amb, ok := t.ambient(); ok {
			x = math.Max(amb-float64(a), 4)
		}
		t.prof[OffSlope].observe(s/x, b, h*60, well, floors[OffSlope], r.At)
	}
	t.anchorAt, t.anchorAir = r.At, a
}
