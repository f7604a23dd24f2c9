package feature

import "coilward/collector"

// dark is what a machine shows of resting without drawing anything that is read: its
// fan stops with the compressor, or is small, and its lights go off by a clock. Where
// only the mains current tells of the supply, zero is then no sign of a lost one.
type dark struct {
	rest   spell // minutes that it has drawn nothing, and the longest that the compressor ended
	rested int32 // Unix time of the last of those, 0: never
}

const (
	nothing = 0.02 // A, below which a machine draws nothing
	// passesAnyway is how long nothing may be drawn without consequence, whatever it
	// was: a defrost of a machine whose lights are off, or a blip, min.
	passesAnyway = 45
	// darkKept is for how long a rest without a draw is remembered: the lights of a site
	// that is shut on Sundays come back on Monday, s.
	darkKept    = 4 * 86400
	startsAgain = 0.3 // K over the warmest start, at which the compressor ends a rest
	// lightsKnown is how much of its rests must have been seen before it is known that it
	// never rests without a draw, min: two days of a machine that rests for half of them.
	lightsKnown = 24 * 60
	// fanKnown is the same where a fan turns in every rest, min: a small one may draw too
	// little to be read.
	fanKnown = 40
)

// supplyByMains judges the supply by the current of the whole machine: whether that is
// a sign at all, and whether of a lost supply. A rest without a draw was one where the
// compressor ends it at the air at which it always starts; a machine that may rest so
// passes for one that did for a while at any.
func (t *Tracker) supplyByMains(r *collector.Reading, dt float64) (sign, dead bool) {
	d := &t.dark
	draws, rests := r.Value[collector.MainsCurrent] >= nothing, t.restsDark(r.At)
	starts := float64(t.air5.Value) < t.startsBelow()+startsAgain
	proof := 0.0 // that it only rested
	if draws && t.Run.Known && t.Run.Running && (starts || rests && d.rest.now <= passesAnyway) {
		proof = 1
		if d.rest.now > 3 {
			d.rested = int32(r.At / 1000)
		}
	}
	d.rest.grow(!draws, draws, dt, proof)
	switch {
	case draws:
		return true, false
	case !rests:
		return true, true
	case t.air5.Weight > 0 && float64(t.air5.Value) < t.startsBelow():
		return false, false // there is nothing to start for
	}
	return true, d.rest.excess() > 0
}

// restsDark reports whether the machine may draw nothing while it rests: whether it did
// of late, or has not been seen for long enough to know.
func (t *Tracker) restsDark(at collector.Millis) bool {
	if t.dark.rested != 0 && int32(at/1000)-t.dark.rested < darkKept {
		return true
	}
	seen, enough := float32(0), float32(lightsKnown)
	if t.continuousFan() {
		enough = fanKnown
	}
	for _, n := range t.prof[MainsOff].n {
		seen += n
	}
	return seen < enough
}
