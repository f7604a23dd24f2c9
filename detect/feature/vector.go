package feature

import (
	"math"

	"coilward/collector"
)

// staleAfter is how long a profile feature still says something after the
// state that carries it was last seen.
const staleAfter = 75 * 60000 // ms

// Fill writes the features as they stand at event time at.
func (t *Tracker) Fill(v *Vector, at collector.Millis) {
	*v = Vector{}
	for i := range t.prof {
		p := &t.prof[i]
		id := ID(i)
		if p.at != 0 && at-p.at < staleAfter && p.fastW > 0.15 {
			v.set(id, asinh(float64(p.fast/p.fastW)))
		}
		if p.at != 0 && at-p.at < 4*staleAfter && p.slowW > 0.3 && p.learnt() > 120 {
			v.set(Slow(id), asinh(float64(p.slow/p.slowW)*2))
		}
	}
	t.fillCycle(v, at)
	t.fillAir(v, at)
	t.fillLevels(v, at)
	if t.lastAt[collector.Door] != 0 && at-t.lastAt[collector.Door] < staleAfter {
		v.set(DoorMinutes, minutes(t.doorOpenFor))
		v.set(DoorShare, float64(t.doorShare.v))
	}
	if t.seen&(1<<collector.MainsVoltage|1<<collector.MainsCurrent|1<<collector.EvapFanCurrent) != 0 {
		v.set(NoSupply, minutes(t.noSupply))
	}
	if t.volt5.w > 0.5 && t.volts.n > 1 {
		v.set(VoltageLow, math.Log(float64(t.volt5.v)/math.Max(float64(t.volts.mean), 1))*10)
	}
	if t.disturbed != 0 {
		v.set(SinceRestock, math.Min(float64(at-t.disturbed)/3600000, 12))
	} else {
		v.set(SinceRestock, 12)
	}
	v.set(SensorOdd, t.sensor.worst())
	v.set(Learnt, math.Log1p(float64(t.wellMinutes)/60))
}

func asinh(z float64) float64 { return math.Asinh(z / 2) }

func minutes(m float32) float64 { return math.Asinh(float64(m) / 5) }

func (t *Tracker) fillCycle(v *Vector, at collector.Millis) {
	if !t.Run.Known {
		return
	}
	now := math.Log(math.Max(t.Run.Minutes(at), 0.5))
	if t.runLen.n >= 2 {
		z, ok := float64(t.lastRunZ), t.lastRunAt != 0 && at-t.lastRunAt < 3*staleAfter
		if t.Run.Running {
			if zn := t.runLen.z(now, 0.25); zn > 0 && (!ok || zn > z) {
				z, ok = zn, true
			}
		}
		if ok {
			v.set(RunLength, asinh(z))
		}
	}
	if t.offLen.n >= 2 {
		z, ok := float64(t.lastOffZ), t.lastOffAt != 0 && at-t.lastOffAt < 3*staleAfter
		if !t.Run.Running {
			if zn := t.offLen.z(now, 0.25); zn > 0 && (!ok || zn > z) {
				z, ok = zn, true
			}
		}
		if ok {
			v.set(OffLength, asinh(z))
		}
	}
	if t.frac2.w > 0.6 && t.load2.n > 1 {
		v.set(Load, asinh(t.load2.z(t.load(&t.frac2, &t.dT2), 0.2)*2))
	}
	if t.frac10.w > 0.6 && t.load10.n > 1 {
		v.set(LoadSlow, asinh(t.load10.z(t.load(&t.frac10, &t.dT10), 0.1)*2))
	}
	if t.startBase.n > 3 {
		v.set(StartRate, asinh(t.startBase.z(math.Log(float64(t.starts)+0.3), 0.3)*2))
	}
	if t.nOut > 0 && at-t.lastRunAt < staleAfter { // what a long run has left behind says nothing
		v.set(ShortStops, float64(t.shortStops.v))
	}
	v.set(Inrush, math.Asinh(float64(t.inrush)))
	v.set(FailedStarts, math.Asinh(float64(t.failed)))
	if t.frac3.w > 0.3 {
		v.set(AbsRunFrac, float64(t.frac3.v))
		if t.dT3.w > 0 {
			v.set(AbsLoad, math.Log(math.Max(float64(t.frac3.v), 0.02)/float64(t.dT3.v)*20))
		}
	}
	v.set(OffWarm, minutes(t.offWarm))
	v.set(RunWarm, minutes(t.runWarm))
	v.set(RunCold, minutes(t.runCold))
	if t.lastAt[collector.CompressorCall] != 0 {
		v.set(CallNoRun, minutes(t.callNoRun))
		v.set(NoCallWarm, minutes(t.noCallWarm))
		v.set(CallCold, minutes(t.callCold))
	}
}

func (t *Tracker) fillAir(v *Vector, at collector.Millis) {
	if t.air5.w == 0 || t.sensor.bad(collector.CabinetAir) {
		return
	}
	v.set(AirHigh, asinh(2*t.cutIn.z(float64(t.air5.v), 0.35)))
	v.set(AirLow, asinh(-2*t.cutOut.z(float64(t.air5.v), 0.35)))
	v.set(AbsAir, float64(t.air20.v))
	v.set(AbsAirSlow, float64(t.air90.v))
	if t.airMean.n > 3 {
		v.set(AirMean, asinh(2*t.airMean.z(float64(t.air90.v), 0.25)))
		v.set(AirTrend, asinh(2*t.airTrend.z(float64(t.air20.v-t.air80.v), 0.25)))
	}
	if t.nIn >= 2 && at-t.lastOffAt < 2*staleAfter {
		v.set(CutInMoved, asinh(2*t.cutIn.z(float64(t.recentIn.v), 0.3)))
	}
	if t.nOut >= 2 && at-t.lastRunAt < 2*staleAfter {
		v.set(CutOutMoved, asinh(2*t.cutOut.z(float64(t.recentOut.v), 0.3)))
	}
}

func (t *Tracker) fillLevels(v *Vector, at collector.Millis) {
	level := func(id ID, p ID) {
		if q := &t.prof[p]; q.at != 0 && at-q.at < staleAfter && q.fastW > 0.3 {
			v.set(id, float64(q.raw))
		}
	}
	level(AbsAirCoil, AirCoil)
	level(AbsCoilSpread, CoilSpread)
	level(AbsCondLift, CondLift)
	level(AbsSupplyGap, SupplyGap)
	level(AbsOffCoilGap, OffCoilGap)
	if q := &t.prof[AirCoil]; q.at != 0 && at-q.at < staleAfter && t.air20.w > 0 {
		v.set(AbsCoil, float64(t.air20.v-q.raw))
	}
	if amb, ok := t.ambient(); ok {
		v.set(Ambient, amb)
	}
	// The saver keeps the clock, not the hour's first minute.
	h := int(at / 3600000 % 24)
	v.set(Habit, float64(max(t.habit[h], t.habit[(h+23)%24], t.habit[(h+1)%24])))
}
