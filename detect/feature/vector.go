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
		stale := t.staleAfter(id, at)
		if p.at != 0 && at-p.at < stale && p.fastW > 0.15 {
			v.set(id, asinh(float64(p.fast/p.fastW)))
		}
		if p.at != 0 && at-p.at < 2*stale && p.slowW > 0.3 && p.learnt() > 120 {
			if slow := asinh(float64(p.slow/p.slowW) * 2); !v.Has[id] || agree(slow, float64(v.Value[id])) {
				v.set(Slow(id), slow)
			}
		}
	}
	t.fillCycle(v, at)
	t.fillAir(v, at)
	t.fillLevels(v, at)
	if t.heard(collector.Door, at, staleAfter) {
		v.set(DoorMinutes, minutes(t.doorOpenFor))
		v.set(DoorShare, float64(t.doorShare.Value))
	}
	if t.seen&(1<<collector.MainsVoltage|1<<collector.MainsCurrent|1<<collector.EvapFanCurrent) != 0 {
		v.set(NoSupply, minutes(t.noSupply))
	}
	if t.volt5.Weight > 0.5 && t.volts.n > 1 {
		v.set(VoltageLow, math.Log(float64(t.volt5.Value)/math.Max(float64(t.volts.mean), 1))*10)
	}
	if t.disturbed != 0 {
		v.set(SinceRestock, math.Min(float64(at-t.disturbed)/3600000, 12))
	} else {
		v.set(SinceRestock, 12)
	}
	t.fillFans(v, at)
	v.set(SensorOdd, t.sensor.worst())
	v.set(Learnt, math.Log1p(float64(t.wellMinutes)/60))
}

// ofRun and ofStop are the profiles that only a running, and only a stopped,
// compressor carries.
const (
	ofRun = 1<<AirCoil | 1<<AirCoilIn | 1<<CoilSpread | 1<<CondLift | 1<<Current | 1<<SupplyGap | 1<<EvapFanRun | 1<<CondFanRun |
		1<<EvapSpeedRun | 1<<CondSpeedRun | 1<<RunSlope
	ofStop = 1<<OffSlope | 1<<OffCoilGap | 1<<EvapFanOff | 1<<MainsOff | 1<<OffSupplyGap
)

// staleAfter returns for how long a profile still says something after it was
// last measured, ms. What was so in the last run is history once the machine
// rests for longer than it used to, and the other way round.
func (t *Tracker) staleAfter(p ID, at collector.Millis) collector.Millis {
	usual, other := &t.offLen, !t.Run.Running && ofRun&(1<<p) != 0
	if t.Run.Running {
		usual, other = &t.runLen, ofStop&(1<<p) != 0
	}
	if !other || usual.n < 3 {
		return staleAfter
	}
	return collector.Millis(math.Min(math.Max(1.5*math.Exp(float64(usual.mean)), 20)*60000, staleAfter))
}

// agree reports whether a slow twin says what the fast one says. What was so
// for hours and is so no more is history, not evidence.
func agree(slow, fast float64) bool {
	return math.Abs(slow-fast) <= 0.7+0.4*math.Max(math.Abs(slow), math.Abs(fast))
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
	if t.frac2.Weight > 0.6 && t.load2.n > 1 {
		v.set(Load, asinh(t.load2.z(t.load(&t.frac2, &t.dT2), 0.2)*2))
	}
	if t.frac10.Weight > 0.6 && t.load10.n > 1 {
		v.set(LoadSlow, asinh(t.load10.z(t.load(&t.frac10, &t.dT10), 0.1)*2))
	}
	if t.startBase.n > 3 {
		v.set(StartRate, asinh(t.startBase.z(math.Log(float64(t.starts)+0.3), 0.3)*2))
	}
	if t.nOut > 0 && at-t.lastRunAt < staleAfter { // what a long run has left behind says nothing
		v.set(ShortStops, float64(t.shortStops.Value))
	}
	v.set(Inrush, math.Asinh(float64(t.inrush)))
	v.set(FailedStarts, math.Asinh(float64(t.failed)))
	if t.frac3.Weight > 0.3 {
		v.set(AbsRunFrac, float64(t.frac3.Value))
		if t.dT3.Weight > 0 {
			v.set(AbsLoad, math.Log(math.Max(float64(t.frac3.Value), 0.02)/float64(t.dT3.Value)*20))
		}
	}
	if t.cutIn.n > 2 && t.cutOut.n > 2 { // before, nobody knows what is warm for it
		k := t.daysKnown()
		v.set(OffWarm, minutes(t.offWarm.excess()*k*(1-t.habitual(at))))
		v.set(RunCold, minutes(t.runCold.excess()*k))
		v.set(RunNoCool, minutes(t.runNoCool.excess()*k))
	}
	v.set(RunWarm, minutes(t.runWarm))
	if t.lastAt[collector.CompressorCall] != 0 {
		v.set(CallNoRun, minutes(t.callNoRun.excess()))
		v.set(NoCallWarm, minutes(t.noCallWarm.excess()))
		v.set(CallCold, minutes(t.callCold.excess()))
	}
}

func (t *Tracker) fillAir(v *Vector, at collector.Millis) {
	if t.air5.Weight == 0 || t.sensor.bad(collector.CabinetAir) {
		return
	}
	v.set(AirHigh, asinh(2*t.cutIn.z(float64(t.air5.Value), 0.35)))
	v.set(AirLow, asinh(-2*t.cutOut.z(float64(t.air5.Value), 0.35)))
	v.set(AbsAir, float64(t.air20.Value))
	if s, ok := t.falls.slope(); ok {
		v.set(AbsRunSlope, asinh(s))
	}
	v.set(AbsAirSlow, float64(t.air90.Value))
	if t.airMean.n > 3 {
		v.set(AirMean, asinh(2*t.airMean.z(float64(t.air90.Value), 0.25)))
		v.set(AirTrend, asinh(2*t.airTrend.z(float64(t.air20.Value-t.air80.Value), 0.25)))
	}
	starts, stops := t.nIn >= 2 && at-t.lastOffAt < 2*staleAfter, t.nOut >= 2 && at-t.lastRunAt < 2*staleAfter
	if starts {
		v.set(CutInMoved, asinh(2*t.cutIn.z(float64(t.recentIn.Value), 0.3)))
	}
	if stops {
		v.set(CutOutMoved, asinh(2*t.cutOut.z(float64(t.recentOut.Value), 0.3)))
	}
	if t.air300.Weight > 0.5 {
		v.set(WarmRoom, float64(t.spec.warm-t.air300.Value))
		if t.airLong.n > 12 {
			t.fillAgainst(v, AirMoved)
		}
	}
	if !t.spec.setpointGiven {
		return
	}
	t.fillAgainst(v, SetAir)
	t.fillAgainst(v, SetAirSlow)
	if starts && t.spec.differentialGiven {
		t.fillAgainst(v, SetIn)
	}
	if stops && t.spec.differentialGiven {
		t.fillAgainst(v, SetOut)
	}
}

// fillAgainst writes how far the air stands over what a feature holds it against, in
// units of the half kelvin that bulb and probe, which hang in different places, differ by
// in well machines.
func (t *Tracker) fillAgainst(v *Vector, i ID) {
	if air, other, ok := t.heldAgainst(i); ok {
		v.set(i, asinh(float64(air-other)/0.5))
	}
}

func (t *Tracker) fillLevels(v *Vector, at collector.Millis) {
	level := func(id ID, p ID) {
		if q := &t.prof[p]; q.at != 0 && at-q.at < t.staleAfter(p, at) && q.fastW > 0.3 {
			v.set(id, float64(q.raw))
		}
	}
	level(AbsAirCoil, AirCoil)
	level(AbsCoilSpread, CoilSpread)
	level(AbsCondLift, CondLift)
	level(AbsSupplyGap, SupplyGap)
	level(AbsOffCoilGap, OffCoilGap)
	if q := &t.prof[AirCoil]; q.at != 0 && at-q.at < t.staleAfter(AirCoil, at) && t.air20.Weight > 0 {
		v.set(AbsCoil, float64(t.air20.Value-q.raw))
	}
	if amb, ok := t.ambient(); ok {
		v.set(Ambient, amb)
	}
	v.set(Habit, float64(t.habitual(at)))
}

// habitual returns the share of past days on which it stood warm at this hour.
// A saver keeps the clock, not the hour's first minute.
func (t *Tracker) habitual(at collector.Millis) float32 {
	h := int(at / 3600000 % 24)
	return float32(max(t.habit[h], t.habit[(h+23)%24], t.habit[(h+1)%24])) / 255
}

// Of past days, the share on which a machine stands warm at an hour from which that may
// be its way: it did so yesterday. And of hours, the share over which it is no saver
// that lets it: one that gets warmer by the day stands warm at all of them.
const (
	itsWay    = 0.2
	saverMost = 0.7
)

// SavesNow reports whether the machine lets its cabinet get warm at this hour of the
// day, and not at others.
func (t *Tracker) SavesNow(at collector.Millis) bool {
	if t.habitual(at) < itsWay {
		return false
	}
	n := 0
	for _, share := range t.habit {
		if float64(share) >= itsWay*255 {
			n++
		}
	}
	return float64(n) < saverMost*float64(len(t.habit))
}

// daysKnown is how far the machine's ways can be called known, 0 to 1: what it
// does every night, or in the first heat, takes days to be seen.
func (t *Tracker) daysKnown() float32 {
	hours := t.wellMinutes / 60
	return min(max((hours-24)/48, 0.15), 1)
}
