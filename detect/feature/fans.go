package feature

import (
	"math"

	"coilward/collector"
	"coilward/collector/fleet"
)

// standsBelow is the share of its own well current or speed under which a fan
// moves nothing (common practice, no source).
const standsBelow = 0.3

// fans counts for how long a fan stands that should turn: the condenser fan
// while the compressor runs, the evaporator fan then too, and at a machine
// where it turns all the time also when the compressor rests, if there is
// supply and it stands for longer than it ever did: in a defrost it stands too. A
// door that is open may hold it.
func (t *Tracker) fans(r *collector.Reading, dt, well float64) {
	if !t.Run.Known {
		return
	}
	m := t.Run.Minutes(r.At)
	running := t.Run.Running && m > 1 && !t.Run.Inrush()
	resting := !t.Run.Running && m > 1 && t.alive(r) && t.turnsAlways()
	shut := t.doorOpenFor == 0 && t.spec.fan != fleet.FanWithCompressor || running && t.doorOpenFor == 0
	if stands, known := t.stands(r, collector.EvapFanCurrent, collector.EvapFanSpeed, EvapFanRun, EvapSpeedRun); known {
		t.noteStand(stands, dt)
		shut = shut && !t.mayBeHeld()
		grow(&t.evapDead, stands && shut && running, !stands, dt)
		t.evapRests.grow(stands && shut && resting, !stands, dt, well)
	}
	if stands, known := t.stands(r, collector.CondFanCurrent, collector.CondFanSpeed, CondFanRun, CondSpeedRun); known {
		grow(&t.condDead, stands && running, !stands, dt)
	}
}

// fillingTakes is for how long a door is open for at a stretch while a machine is filled,
// min (common practice, no source).
const fillingTakes = 30

// noteStand keeps for how long the evaporator fan has stood.
func (t *Tracker) noteStand(stands bool, dt float64) {
	if !stands {
		t.evapStood = 0
		return
	}
	t.evapStood += float32(dt)
}

// mayBeHeld reports whether the evaporator fan stands as one does that a door switches,
// where nobody sees the door.
func (t *Tracker) mayBeHeld() bool {
	return t.evapStood > 0 && t.evapStood <= fillingTakes && !t.seen.Has(collector.Door) && (t.spec.fan == fleet.FanDoorSwitched || t.spec.fan == fleet.FanUnknown)
}

// alive reports whether a reading shows that there is mains supply.
func (t *Tracker) alive(r *collector.Reading) bool {
	return r.Has.Has(collector.MainsVoltage) && r.Value[collector.MainsVoltage] > 40 ||
		r.Has.Has(collector.MainsCurrent) && r.Value[collector.MainsCurrent] > 0.05 ||
		r.Has.Has(collector.CondFanCurrent) && r.Value[collector.CondFanCurrent] > 0.02
}

// turnsAlways reports whether the evaporator fan was seen to turn while the
// compressor rested.
func (t *Tracker) turnsAlways() bool {
	p := &t.prof[EvapFanOff]
	return p.learnt() > 30 && float64(p.mean[p.commonest()]) > math.Log(0.3*math.Exp(float64(t.prof[EvapFanRun].mean[t.prof[EvapFanRun].commonest()])))
}

// stands reports whether a fan draws or turns next to nothing against its own
// well level; known is false where no channel tells, or none has shown it
// turning yet.
func (t *Tracker) stands(r *collector.Reading, current, speed collector.Channel, draws, turns ID) (stands, known bool) {
	if r.Has.Has(speed) {
		if p := &t.prof[turns]; p.learnt() > 10 {
			return r.Value[speed]/1500 < standsBelow*float64(p.mean[p.commonest()]), true
		}
	}
	if r.Has.Has(current) {
		if p := &t.prof[draws]; p.learnt() > 10 {
			return r.Value[current] < standsBelow*math.Exp(float64(p.mean[p.commonest()])), true
		}
	}
	return false, false
}

func (t *Tracker) fillFans(v *Vector, at collector.Millis) {
	fresh := func(a, b collector.Channel) bool {
		return t.heard(a, at, staleAfter) || t.heard(b, at, staleAfter)
	}
	if fresh(collector.EvapFanCurrent, collector.EvapFanSpeed) {
		v.set(EvapFanDead, minutes(t.evapDead+t.evapRests.excess()))
	}
	if fresh(collector.CondFanCurrent, collector.CondFanSpeed) {
		v.set(CondFanDead, minutes(t.condDead))
	}
	if t.lastAt[collector.MainsVoltage] != 0 || t.lastAt[collector.MainsCurrent] != 0 {
		v.set(Uninterrupted, math.Min(float64(at-max(t.first, t.interrupted))/3600000, 12))
	}
}
