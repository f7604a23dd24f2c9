package feature

import (
	"coilward/collector"
	"coilward/collector/fleet"
)

// dark is what a machine shows of resting without drawing anything that is read: its
// fan stops with the compressor, or is small, and its lights go off by a clock. Where
// only the mains current tells of the supply, zero is then no sign of a lost one.
type dark struct {
	now    float32 // minutes that it has drawn nothing
	usual  float32 // the longest of them that ended by the compressor, minutes
	rested int32   // Unix time of the last rest without a draw, 0: never
}

const (
	nothing = 0.02 // A, below which a machine draws nothing
	// passesAnyway is how long nothing may be drawn without consequence, whatever it
	// was: a defrost of a machine whose lights are off, or a blip, min.
	passesAnyway = 45
	// darkKept is for how long a rest without a draw is remembered: the lights of a site
	// that is shut on Sundays come back on Monday, s.
	darkKept = 4 * 86400
	// lightsKnown is how much of its rests must have been seen before it is known that it
	// never rests without a draw, min: two days of a machine that rests for half of them.
	lightsKnown = 24 * 60
	// fanKnown is the same where a fan turns in every rest, min: a small one may draw too
	// little to be read.
	fanKnown = 40
)

// mains judges the supply by the current of the whole machine: whether that is a sign
// at all, and whether of a lost supply.
func (t *Tracker) mains(r *collector.Reading, dt float64) (sign, dead bool) {
	if a := r.Value[collector.MainsCurrent]; a >= nothing {
		t.drawsAgain(r.At)
		return true, false
	}
	t.dark.now += float32(dt)
	if !t.restsDark(r.At) {
		return true, true
	}
	if t.air5.Weight > 0 && float64(t.air5.Value) < t.startsBelow() {
		return false, false // there is nothing to start for
	}
	return true, t.dark.now > t.dark.usual
}

// drawsAgain ends what was drawn nothing in. Where the compressor ends it at the air
// at which it always starts, the supply was there; a machine that may rest so passes
// for one that did for a while at any.
func (t *Tracker) drawsAgain(at collector.Millis) {
	d := &t.dark
	if d.now > 3 && t.Run.Known && t.Run.Running && (d.now <= passesAnyway && t.restsDark(at) || float64(t.air5.Value) < t.startsBelow()+0.3) {
		d.usual, d.rested = max(d.usual, min(d.now, longestUsual)), int32(at/1000)
	}
	d.now = 0
}

// restsDark reports whether the machine may draw nothing while it rests: whether it did
// of late, or has not been seen for long enough to know.
func (t *Tracker) restsDark(at collector.Millis) bool {
	if t.dark.rested != 0 && int32(at/1000)-t.dark.rested < darkKept {
		return true
	}
	seen, enough := float32(0), float32(lightsKnown)
	if t.spec.fan == fleet.FanContinuous || t.spec.fan == fleet.FanDoorSwitched {
		enough = fanKnown
	}
	for _, n := range t.prof[MainsOff].n {
		seen += n
	}
	return seen < enough
}
