package feature

import (
	"math"

	"coilward/collector"
	"coilward/detect/forget"
	"coilward/detect/runstate"
)

// sensors watches every channel for what no cabinet does: standing dead still
// while the others live, jumping by more than heat can move, leaving what its
// neighbours allow.
type sensors struct {
	ch [collector.NumChannels]channelHealth
}

type channelHealth struct {
	same    float32 // minutes without any change
	usual   float32 // longest time without change seen while well, min
	odd     float32 // evidence that it contradicts itself, decays
	missing float32 // minutes it has not reported though others have
	prev    float32
	started bool
}

const stillTemperatures = 1<<collector.CabinetAir | 1<<collector.SupplyAir | 1<<collector.CoilIn | 1<<collector.CoilOut |
	1<<collector.Condenser | 1<<collector.CompressorShell | 1<<collector.Ambient

// bad reports whether a channel must not be believed now.
func (s *sensors) bad(c collector.Channel) bool { return s.ch[c].odd >= 3 }

// worst returns how odd the oddest channel is, 0 for none.
func (s *sensors) worst() float64 {
	w := float32(0)
	for i := range s.ch {
		w = max(w, s.ch[i].odd)
	}
	return math.Min(float64(w), 8)
}

// retried is how odd a channel counts at most after somebody has worked on the machine:
// hardly enough not to be believed, so that one that lies on shows it again at once and
// one that is good is believed within a quarter of an hour.
const retried = 3.2

// RetryProbes forgets most of what is held against channels: somebody has worked on the
// machine, and may have put another probe in.
func (t *Tracker) RetryProbes() {
	for i := range t.sensor.ch {
		t.sensor.ch[i].odd = min(t.sensor.ch[i].odd, retried)
	}
}

// Oddest returns the oddest channel and how odd it is.
func (t *Tracker) Oddest() (collector.Channel, float64) {
	best, w := collector.Channel(0), float32(0)
	for i := range t.sensor.ch {
		if t.sensor.ch[i].odd > w {
			best, w = collector.Channel(i), t.sensor.ch[i].odd
		}
	}
	return best, float64(w)
}

func (s *sensors) observe(t *Tracker, r *collector.Reading, dt float64) {
	if dt <= 0 {
		return
	}
	moving := false // does anything that should move with the cycle move?
	for c := range (r.Has & stillTemperatures).All {
		h := &s.ch[c]
		if h.started && math.Abs(float64(float32(r.Value[c])-h.prev)) > 1e-6 {
			moving = true
		}
	}
	// A probe that breaks reads what admission refuses, so its channel falls
	// silent beside the others.
	for c := range (t.seen &^ r.Has).All {
		h := &s.ch[c]
		if h.missing += float32(dt); h.missing > 30 {
			h.odd = min(h.odd+float32(dt)/15, 8)
		}
	}
	for c := range r.Has.All {
		s.ch[c].missing = 0
		s.ch[c].odd *= float32(1 - forget.Share(dt, 240))
	}
	for c := range (r.Has & (stillTemperatures | currents)).All {
		h := &s.ch[c]
		x := float32(r.Value[c])
		if currents&(1<<c) != 0 && x < saysNothing {
			h.prev, h.started = x, false // a compressor at rest draws nothing, however long
			h.same = 0
			continue
		}
		if !h.started {
			h.prev, h.started = x, true
			continue
		}
		d := math.Abs(float64(x - h.prev))
		if d > 1e-6 {
			h.usual = max(h.usual*float32(1-forget.Share(dt, 14*1440)), min(h.same, 600))
			h.same = 0
		} else if moving {
			h.same += float32(dt)
			if h.same > stillFor(c, h.usual, t.wellMinutes) {
				h.odd = min(h.odd+float32(dt)/15, 8)
			}
		}
		// Air and tubes have mass: no reading moves so far, so fast.
		if jump := leap(c, dt); d > jump && currents&(1<<c) == 0 {
			h.odd = min(h.odd+1.5*float32(d/jump), 8)
		}
		h.prev = x
	}
}

// stillFor is how long a channel may show the same value while others move,
// minutes: by far the longest of its usual rests while its ways are little known,
// and somewhat longer than that once it has been watched for days.
func stillFor(c collector.Channel, usual, watched float32) float32 {
	if currents&(1<<c) != 0 {
		return 3*max(usual, 20) + 60 // a mains that is measured coarsely rests with its loads
	}
	if watched > 3*1440 {
		return 1.5*max(usual, 10) + 45
	}
	if c == collector.Ambient { // a room may rest all night
		return 3*max(usual, 60) + 180
	}
	return 3*max(usual, 15) + 60
}

// tubes are the channels whose sensor sits on a tube, which refrigerant heats
// and cools within a minute of a start.
const tubes = 1<<collector.CoilIn | 1<<collector.CoilOut | 1<<collector.Condenser

// leap is how far a channel may move in dt minutes, K.
func leap(c collector.Channel, dt float64) float64 {
	if tubes&(1<<c) != 0 {
		return 25 + 5*dt
	}
	return 12 + 2.5*dt
}

// saysNothing is the current under which a meter shows that nothing is drawn, A.
const saysNothing = 0.06

// currents are the channels that can only say that the compressor rests by
// saying nothing.
const currents = 1<<collector.CompressorCurrent | 1<<collector.MainsCurrent

// dipsAtRest is how often the air must fall by most of its band while a current
// says that the compressor rests. Once may be warm product that gives its heat to
// cold, and nothing cools a cabinet three times but its compressor.
const dipsAtRest = 3

// quickLook is how often a reading must come, minutes, for a dip to count in full:
// between slow ones the compressor may have run unseen.
const quickLook = 1.5

// atRest watches a compressor that is said to rest while the air goes on falling
// as if it ran: then the current is not measured.
func (t *Tracker) atRest(r *collector.Reading, dt float64) {
	src, ok := t.Run.Source()
	if !ok || !t.Run.Known || t.Run.Running || currents&(1<<src) == 0 || r.At-t.warmedAt < 45*60000 {
		t.restTop, t.restDips = float32(t.air5.Value), 0
		return
	}
	a := float32(t.air5.Value)
	t.restTop = max(t.restTop, a)
	if dip := max(0.6*(t.cutIn.mean-t.cutOut.mean), 1); t.restTop-a > dip {
		t.restTop = a
		if a < t.cutIn.mean { // over it, it is a cabinet that warms, and whose door is opened
			t.restDips += float32(math.Min(1, quickLook/math.Max(dt, 0.1)))
		}
	}
	if t.restDips >= dipsAtRest {
		t.sensor.ch[src].odd = 8
		t.restDips = 0
	}
}

// believed returns the reading without the current that told the run state, once
// that is not to be believed, and lets the state be found anew by other channels.
func (t *Tracker) believed(r *collector.Reading) *collector.Reading {
	doubted := collector.ChannelSet(0)
	for c := range (r.Has & currents).All {
		if t.sensor.bad(c) {
			doubted |= 1 << c
		}
	}
	if doubted == 0 {
		return r
	}
	if src, ok := t.Run.Source(); ok && doubted&(1<<src) != 0 {
		t.Run = runstate.State{}
	}
	x := *r
	x.Has &^= doubted
	return &x
}
