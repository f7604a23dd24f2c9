// Package runstate tells whether the compressor runs, from whatever channel
// says so best, and when it started, stopped, or tried to start and failed.
package runstate

import (
	"math"

	"coilward/collector"
)

// Event is what one reading changed.
type Event uint8

// Events; at most one a reading.
const (
	None Event = iota
	Started
	Stopped
	FailedStart // inrush was seen, and nothing ran after it
)

// inrushRatio is how many times the running current a reading must carry to
// be a start caught in the act. Locked-rotor current is 4 to 6 times running
// current (from memory); readings are RMS over a part of a second to some
// seconds, so a caught start reads anywhere between.
const inrushRatio = 2.2

// State is the run state of one machine. The zero value knows nothing.
type State struct {
	Known    bool
	Running  bool
	inrush   bool // the newest reading was a start caught in the act
	uncalled bool // the newest reading that tells of the call tells of none
	calls    bool // it was ever called for

	Since   collector.Millis // event time of the last change
	last    collector.Millis
	LastRun float32 // minutes of the last whole run; 0 none yet
	LastOff float32 // minutes of the last whole stop; 0 none yet

	high       float32 // running current learned, A
	nHigh      float32 // readings behind it, capped
	mains      mains
	source     collector.Channel
	haveSource bool
	reread     bool    // nothing changed but the meaning of what was read before
	sinceCall  float32 // minutes since it was last called for
	tempPrev   float32
	tempPrevAt collector.Millis
}

// callTold is for how long after the last call a channel that tells of none is believed,
// min: one that always tells of none is broken, and a well machine calls some times a day.
const callTold = 120

// call takes what a reading tells of the thermostat's call, dt minutes after the last one.
func (s *State) call(r *collector.Reading, dt float32) call {
	s.sinceCall += dt
	switch {
	case !r.Has.Has(collector.CompressorCall):
		return callUntold
	case r.Value[collector.CompressorCall] > 0.5:
		begins := s.uncalled
		s.sinceCall, s.calls, s.uncalled = 0, true, false
		if begins {
			return callBegins
		}
	default:
		s.uncalled = true
		if s.calls && s.sinceCall <= callTold {
			return callRests
		}
	}
	return callUntold
}

// Source returns the channel that the run state comes from.
func (s *State) Source() (collector.Channel, bool) { return s.source, s.haveSource }

// Level returns the running current learned, A; 0 when unknown. For a mains
// channel it is the step that the compressor adds.
func (s *State) Level() float64 {
	switch {
	case s.source == collector.MainsCurrent && s.mains.ready():
		return float64(s.mains.step)
	case s.source != collector.MainsCurrent && s.nHigh >= 3:
		return float64(s.high)
	}
	return 0
}

// Beside returns what the rest of the machine draws while the compressor runs, A:
// fans, lights, heaters. It is 0 where the compressor's own current is measured.
func (s *State) Beside() float64 {
	if s.source != collector.MainsCurrent || !s.mains.ready() {
		return 0
	}
	return math.Max(float64(s.mains.path[1].base), 0)
}

// Inrush reports whether the newest reading caught a start.
func (s *State) Inrush() bool { return s.inrush }

// Minutes returns for how long the present state has lasted at event time t.
func (s *State) Minutes(t collector.Millis) float64 { return float64(t-s.Since) / 60000 }

// Observe takes the next reading in event order.
func (s *State) Observe(r *collector.Reading) Event {
	caught := s.inrush
	running, ok := s.read(r)
	if !ok {
		return None
	}
	ev := None
	switch {
	case !s.Known:
		s.Known, s.Running, s.Since = true, running, r.At
	case r.At-s.last > maxGap:
		// What happened in the gap is unknown, so no length counts.
		s.Running, s.Since = running, r.At
	case running != s.Running && s.reread:
		s.Running, s.Since = running, r.At // since when, and for how long, is not known
	case running != s.Running:
		// The change lies between the last reading and this one.
		at := s.last + (r.At-s.last)/2
		m := float32(at-s.Since) / 60000
		if running {
			s.LastOff, ev = m, Started
		} else {
			s.LastRun, ev = m, Stopped
			if caught && s.brief(m, r) {
				ev = FailedStart
			}
		}
		s.Running, s.Since = running, at
	}
	s.last = r.At
	return ev
}

const maxGap = 20 * 60 * 1000 // ms; a longer gap hides whole cycles

// brief reports whether a run lasted no longer than one reading can tell.
func (s *State) brief(minutes float32, r *collector.Reading) bool {
	return minutes < 1.6*float32(r.At-s.last)/60000+0.5
}

// read decides whether the compressor runs in this reading.
func (s *State) read(r *collector.Reading) (running, ok bool) {
	prevInrush := s.inrush
	s.inrush, s.reread = false, false
	switch {
	case r.Has.Has(collector.CompressorCurrent):
		s.source, s.haveSource = collector.CompressorCurrent, true
		running = s.current(float32(r.Value[collector.CompressorCurrent]))
	case s.haveSource && s.source == collector.CompressorCurrent:
		s.inrush = prevInrush
		return false, false // it will come again
	case r.Has.Has(collector.MainsCurrent):
		s.source, s.haveSource = collector.MainsCurrent, true
		a := float32(r.Value[collector.MainsCurrent])
		if !s.mains.ready() {
			return s.mains.begin(a)
		}
		dt := float32(r.At-s.last) / 60000
		running, s.reread = s.mains.observe(a, dt, s.call(r, dt))
		s.inrush = s.mains.surge
	case s.haveSource && s.source == collector.MainsCurrent:
		return false, false
	case r.Has.Has(collector.CondFanCurrent):
		s.source, s.haveSource = collector.CondFanCurrent, true
		running = r.Value[collector.CondFanCurrent] > 0.02
	case r.Has.Has(collector.CondFanSpeed):
		s.source, s.haveSource = collector.CondFanSpeed, true
		running = r.Value[collector.CondFanSpeed] > 100
	case r.Has.Has(collector.CompressorCall):
		s.source, s.haveSource = collector.CompressorCall, true
		running = r.Value[collector.CompressorCall] > 0.5
	default:
		return s.temperatures(r)
	}
	return running, true
}

// current reads a compressor's own current: it is next to zero when stopped.
func (s *State) current(a float32) bool {
	threshold := float32(0.3)
	if s.nHigh >= 3 {
		threshold = max(0.15, 0.3*s.high)
	}
	if a < threshold {
		return false
	}
	if s.nHigh >= 3 && a > inrushRatio*s.high {
		s.inrush = true
		return true
	}
	s.learn(&s.high, &s.nHigh, a)
	return true
}

// temperatures is the last resort: a coil or condenser tells by its slope.
func (s *State) temperatures(r *collector.Reading) (running, ok bool) {
	c := collector.CoilIn
	if !r.Has.Has(c) {
		c = collector.CoilOut
	}
	if !r.Has.Has(c) || !r.Has.Has(collector.CabinetAir) {
		return false, false
	}
	s.source, s.haveSource = c, true
	v := float32(r.Value[c])
	gap := float32(r.Value[collector.CabinetAir]) - v
	dt := float32(r.At-s.tempPrevAt) / 60000
	slope := float32(math.NaN())
	if s.tempPrevAt != 0 && dt > 0 && dt < 15 {
		slope = (v - s.tempPrev) / dt
	}
	s.tempPrev, s.tempPrevAt = v, r.At
	switch {
	case gap < 1.5:
		return false, true
	case slope > 0.5:
		return false, true
	case slope < -0.5:
		return true, true
	default:
		return s.Known && s.Running || gap > 6, true
	}
}

// learn moves a level towards a reading: a plain mean at first, then slowly.
func (s *State) learn(level, n *float32, a float32) {
	*n = min(*n+1, 60)
	*level += (a - *level) / *n
}
