package feature

import (
	"math"

	"coilward/collector"
	"coilward/detect/forget"
)

// Suspect reports whether a channel contradicts itself too much to be used.
func (t *Tracker) Suspect(c collector.Channel) bool { return t.sensor.bad(c) }

// Resettle lets the learned band follow quickly: the setpoint was moved.
func (t *Tracker) Resettle() {
	for _, s := range []*scalar{&t.cutIn, &t.cutOut, &t.runLen, &t.offLen, &t.startBase} {
		s.n = min(s.n, 6)
	}
	for _, s := range []*scalar{&t.airMean, &t.load2, &t.load10} {
		s.n = min(s.n, 12)
	}
}

// Latest returns the newest value of every channel heard.
func (t *Tracker) Latest() (has collector.ChannelSet, v [collector.NumChannels]float64) {
	for c := range t.seen.All {
		v[c] = math.Round(float64(t.latest[c])*1000) / 1000
	}
	return t.seen, v
}

// RunsKnown reports whether the compressor was followed for half an hour, of the
// 10 h over which [Tracker.RunFraction] decays.
func (t *Tracker) RunsKnown() bool { return t.frac10.Weight > 0.05 }

// RunFraction returns the share of the last hours that the compressor ran, 0
// where nothing is known.
func (t *Tracker) RunFraction() float64 { return float64(t.frac10.Value) }

// Band returns the learned cut-in and cut-out of the air, °C.
func (t *Tracker) Band() (in, out float64, ok bool) {
	return float64(t.cutIn.mean), float64(t.cutOut.mean), t.cutIn.n > 4 && t.cutOut.n > 4
}

// CalledNotRunning reports whether the thermostat calls and nothing runs.
func (t *Tracker) CalledNotRunning() bool { return t.callNoRun.now > 1 }

// NoSupplyMinutes returns for how long there has been no sign of supply.
func (t *Tracker) NoSupplyMinutes() float64 { return float64(t.noSupply) }

// AmbientNow returns the ambient, °C, where it is measured and believed.
func (t *Tracker) AmbientNow() (float64, bool) { return t.ambient() }

// NormalAir returns the machine's own mean air, °C; NaN while unknown.
func (t *Tracker) NormalAir() float64 {
	if t.airMean.n < 5 {
		return math.NaN()
	}
	return float64(t.airMean.mean)
}

// habits learns at which hours of the day the machine is let stand warm: an
// energy saver does so every night, a fault does not keep hours.
func (t *Tracker) habits(at collector.Millis, warm bool, dt float64) {
	h := int8(at / 3600000 % 24)
	if h != t.habitHour {
		share := min(t.habitWarm/20, 1)
		const k = 0.3
		was := float32(t.habit[t.habitHour]) / 255
		t.habit[t.habitHour] = uint8(255*(was+k*(share-was)) + 0.5)
		t.habitHour, t.habitWarm = h, 0
	}
	if warm {
		t.habitWarm += float32(dt)
	}
}

// Trust is how far the machine's own standard can be believed, 0 to 1: it
// takes half a day of well life to see what the day does to it.
func (t *Tracker) Trust() float64 {
	const halfDay = 12 * 60 // min
	trust := 0.35 + 0.65*math.Min(float64(t.wellMinutes)/halfDay, 1)
	if t.ofKind {
		trust = 1 // its kind's standard was learned, and with it how far a machine may lie off it
	}
	if t.air5.Weight == 0 {
		trust /= 4 // without the air nobody can say whether it cools
	}
	return trust
}

// pullDown is how long a cabinet full of warm product may take to come back
// to its band, hours (common practice, no source).
const pullDown = 14

// firstPullDown is the same for one that has just been switched on, with all
// that is in it at the temperature of the room, h (common practice, no source: a
// new cooler is left a day), and switchedOnAt the air by which it is known, °C.
const (
	firstPullDown = 24
	switchedOnAt  = 12
)

const hour collector.Millis = 3600000

// PullingDown reports whether warm product or a long opening may still explain
// a high load at event time at.
func (t *Tracker) PullingDown(at collector.Millis) bool {
	return at < t.warmedAt+collector.Millis(t.pullHours)*hour
}

// What is left of a warm load falls: how long it may last, h, and by how much the load
// of two hours is then under that of ten at least, ln.
const (
	lastOfWarmLoad = 24
	loadFalls      = 0.1
)

// WarmLoadFalls reports whether warm product came in within a day and the load has been
// falling since, which that of a leak does not.
func (t *Tracker) WarmLoadFalls(at collector.Millis) bool {
	return t.warmedAt != 0 && at < t.warmedAt+lastOfWarmLoad*hour && t.frac2.Weight > 0.6 && t.frac10.Weight > 0.3 &&
		t.load(&t.frac2, &t.dT2) < t.load(&t.frac10, &t.dT10)-loadFalls
}

// SwitchedOn reports whether the cabinet may still be pulling down from where it was
// when it was switched on, at event time at.
func (t *Tracker) SwitchedOn(at collector.Millis) bool {
	return t.pullHours > pullDown && t.PullingDown(at)
}

// warmed says that what has just come in takes up to some hours to cool down. What
// came in before may take longer.
func (t *Tracker) warmed(at collector.Millis, hours uint8) {
	left := (t.warmedAt + collector.Millis(t.pullHours)*hour - at + hour - 1) / hour
	t.warmedAt, t.pullHours = at, uint8(max(collector.Millis(hours), left))
}

// RestsCold returns for how many minutes longer than it used to the compressor has
// rested by now while the cabinet is colder than it starts at, though it could run: what
// a thermostat does that opens when it is cold.
func (t *Tracker) RestsCold(at collector.Millis) float64 {
	if !t.Run.Known || t.Run.Running || t.noSupply > 0 || t.offLen.n < 3 || t.air5.Weight == 0 || float64(t.air5.Value) >= float64(t.cutIn.mean) {
		return 0
	}
	return math.Max(t.Run.Minutes(at)-math.Exp(float64(t.offLen.mean)+math.Sqrt(float64(t.offLen.vari))), 0)
}

// WarmMinutes returns for how long something may have stood open: the door, where
// a switch says so; else the compressor has run for so long without getting the
// air down, counted from when the switch, if there is one, said that it was shut.
func (t *Tracker) WarmMinutes(at collector.Millis) float64 {
	switch {
	case t.doorOpenFor > 0:
		return float64(t.doorOpenFor)
	case t.doorShut != 0:
		return math.Min(float64(t.runWarm), float64(at-t.doorShut)/60000)
	}
	return float64(t.runWarm)
}

// DoorMinutes returns for how long the door's switch has said that it is open.
func (t *Tracker) DoorMinutes() float64 { return float64(t.doorOpenFor) }

// DoorShut reports whether a door switch says that the door is shut.
func (t *Tracker) DoorShut() bool { return t.seen.Has(collector.Door) && t.doorOpenFor == 0 }

// SupplyDead returns for how many minutes there has been no mains supply; known
// is false on a machine none of whose channels can tell.
func (t *Tracker) SupplyDead() (minutes float64, known bool) {
	if !t.SupplyWatched() {
		return 0, false
	}
	return float64(t.noSupply), t.noSupply > 0 || t.lastAt[collector.MainsVoltage] == seconds(t.last)
}

// SupplyWatched reports whether a channel tells of the mains supply itself.
func (t *Tracker) SupplyWatched() bool {
	return t.seen&(1<<collector.MainsVoltage|1<<collector.MainsCurrent) != 0
}

// visitMinutes is the shortest time a door stands open, or a plug is out, when
// somebody works on a machine and does not only take a can, min.
const visitMinutes = 6

// sealedMinutes is the shortest work on a sealed system: to find the leak or
// the restriction takes longer than to fill the machine (common practice, no source).
const sealedMinutes = 18

// VisitedAt returns the event time at which the last visit ended that could
// have repaired something, the sealed system if sealed is set: the door stood
// open for long, or the supply was gone and came back. 0 if there was none.
func (t *Tracker) VisitedAt(sealed bool) collector.Millis {
	if sealed && t.visitLong < sealedMinutes {
		return 0
	}
	return t.visited
}

// NoteVisit takes in that the machine was silent for so many minutes that
// somebody may have pulled its plug to work on it.
func (t *Tracker) NoteVisit(at collector.Millis, minutes float64) {
	t.visited, t.visitLong = at, float32(minutes)
}

// Restart forgets what is averaged over hours, but not the machine's well
// state: after a visit the machine is judged by what it does from then on.
func (t *Tracker) Restart() {
	for i := range t.prof {
		p := &t.prof[i]
		p.slow, p.slowW = 0, 0
	}
	for _, d := range []*forget.Mean{&t.frac2, &t.frac3, &t.frac10, &t.dT2, &t.dT3, &t.dT10, &t.recentIn, &t.recentOut, &t.shortStops, &t.air80, &t.air90, &t.air300} {
		*d = forget.Mean{}
	}
	t.nIn, t.nOut = 0, 0
	t.lastRunAt, t.lastOffAt = 0, 0
}

// Cycles reports whether, since Restart, the machine has cooled down to its
// cut-out, rested, started and cooled down again, which no machine in trouble
// does for long.
func (t *Tracker) Cycles() bool {
	return t.nIn >= 1 && t.nOut >= 2 && t.shortStops.Value < 0.3 && float64(t.air5.Value) < float64(t.cutIn.mean)+0.8
}

// Keeps reports the mean of the air that the thermostat keeps now and the one
// that it is set to keep, or kept while well where nobody says what it is set to, °C;
// ok is false unless it has started and stopped regularly of late and does so still.
func (t *Tracker) Keeps() (now, well float64, ok bool) {
	if t.nIn < 2 || t.nOut < 2 || t.last-max(t.lastOffAt, t.lastRunAt) > 3*3600000 || t.airMean.n < 5 || t.air90.Weight < 0.5 {
		return 0, 0, false
	}
	ok = t.recentIn.Value > t.recentOut.Value+0.3 && t.air5.Value < t.recentIn.Value+0.7 && t.air5.Value > t.recentOut.Value-0.7
	if t.spec.setpointGiven {
		return float64(t.air90.Value), float64(t.spec.setpoint), ok
	}
	return float64(t.air90.Value), float64(t.airMean.mean), ok
}
