package life

import "coilward/collector"

// A sensor that is replaced, or moved, reads another value from then on, and the
// machine does not. It is told by the mean over whole cycles before and after a step.
const (
	numTemps  = 7    // cabinet_air … ambient, the first of the channels
	stepLeast = 0.9  // K
	stepMost  = 6.0  // K
	airTau    = 150  // min: of the air's mean, over some cycles
	tubeTau   = 30   // min of running: of a tube against its air
	roomTau   = 30   // min: the room has no cycles, but it has hours
	proof     = 7    // hours after the step until it is judged
	roomProof = 1.5  // hours
	handLeast = 150  // s for which a hand keeps a channel silent
	handMost  = 5400 // s
)

const temps = collector.ChannelSet(1<<numTemps - 1)

// tubes are the channels that a step of the air is held against. Without one only a
// hand at the sensor tells it from a moved band.
const tubes = 1<<collector.SupplyAir | 1<<collector.CoilIn | 1<<collector.CoilOut

// replaced keeps a mean of every temperature: of the air and the room as they
// are, of supply air and coil below the air, and of the condenser over the room, both
// while running, where they stand still.
type replaced struct {
	mean   [numTemps]float32 // °C or K
	before [numTemps]int16   // the means at the step that is being judged, K/100
	prev   [numTemps]int16   // last value, K/100
	swift  [numTemps]float32 // the largest change between two readings of late, K
	gone   [numTemps]uint16  // s for which it alone has been silent
	have   uint8             // bit a channel: prev holds
	known  uint8             // bit a channel: mean holds
	which  uint8
	ready  float32 // minutes behind the means, capped
	at     seconds // of the step that is being judged; 0 none
	size   float32 // K that it stepped by; 0 where a hand was at it and only the means tell
}

// replacements returns what has just been found to be replaced, or nil.
func (b *Book) replacements(m *moment) (found *Event) {
	s := &b.sensors
	if m.dt <= 0 {
		return nil
	}
	s.ready = min(s.ready+min(m.dt, 60), 720)
	which, size := b.steps(m)
	switch due := seconds(proof * 3600); {
	case which >= 0 && s.at == 0 && s.ready >= 720 && !m.doorIsOpen:
		s.at, s.which, s.size = m.at, uint8(which), size
		for c := range s.before {
			s.before[c] = int16(s.mean[c] * 100)
		}
	case s.at == 0:
	case collector.Channel(s.which) == collector.Ambient && m.at-s.at > roomProof*3600, m.at-s.at > due:
		found = b.judgeStep()
		s.at = 0
	}
	if which < 0 {
		s.follow(m)
	}
	return found
}

// steps looks for a channel that has stepped, or has come back from a hand.
func (b *Book) steps(m *moment) (which int, size float32) {
	s, r := &b.sensors, m.Reading
	which = -1
	fade := 1 - min(m.dt/(4*1440), 0.5)
	// A condenser that blows its own air at the room's sensor does so from a start on.
	settled := !m.Run.Known || m.Run.Minutes(r.At) > 8
	for c := range ((r.Has | collector.ChannelSet(s.have)) & temps).All {
		bit := uint8(1) << c
		if !r.Has.Has(c) {
			if s.have&bit != 0 {
				s.gone[c] = uint16(min(float32(s.gone[c])+m.dt*60, 60000))
			}
			continue
		}
		x := float32(r.Value[c])
		gone := s.gone[c]
		s.gone[c] = 0
		if s.have&bit == 0 {
			s.have |= bit
			s.prev[c] = int16(x * 100)
			continue
		}
		d := x - float32(s.prev[c])/100
		s.prev[c] = int16(x * 100)
		// Only what is out of all proportion is a step: air and room have mass, and
		// what they do of themselves they do every day. Tubes leap at every start.
		usual := s.swift[c]
		s.swift[c] = max(usual*fade, min(abs(d), stepMost))
		slow := c == collector.Ambient || c == collector.CabinetAir
		switch {
		case gone >= handLeast && gone <= handMost && m.interval:
			which, size = int(c), 0
			if c == collector.Ambient {
				size = d
			}
		case slow && (c == collector.Ambient && settled || c != collector.Ambient && s.known&tubes != 0) && abs(d) >= stepLeast && abs(d) <= stepMost && abs(d) > 1.7*usual+0.3 && m.dt <= 90:
			which, size = int(c), d
		}
	}
	return which, size
}

// follow lets the means follow.
func (s *replaced) follow(m *moment) {
	r := m.Reading
	runs := m.Run.Known && m.Run.Running && m.Run.Minutes(r.At) > 5
	for c := range (r.Has & temps).All {
		x, tau := float32(r.Value[c]), float32(airTau)
		switch c {
		case collector.CabinetAir:
		case collector.Ambient:
			tau = roomTau
		case collector.Condenser, collector.CompressorShell:
			if !runs || !r.Has.Has(collector.Ambient) {
				continue
			}
			x, tau = x-float32(r.Value[collector.Ambient]), tubeTau
		default:
			if !runs || m.air != m.air {
				continue
			}
			x, tau = x-m.air, tubeTau
		}
		if bit := uint8(1) << c; s.known&bit == 0 {
			s.known |= bit
			s.mean[c] = x
		}
		s.mean[c] += min(m.dt/tau, 0.3) * (x - s.mean[c])
	}
}

// judgeStep compares the means after a step with those before it. It returns what was
// replaced, or nil.
func (b *Book) judgeStep() *Event {
	s := &b.sensors
	which := collector.Channel(s.which)
	shift := func(c collector.Channel) float32 { return s.mean[c] - float32(s.before[c])/100 }
	own := shift(which)
	if abs(own) < stepLeast || abs(own) > stepMost || s.size != 0 && abs(own-s.size) > 0.4*abs(s.size)+0.3 {
		return nil
	}
	for c := range collector.Channel(numTemps) {
		if c == which || s.known&(1<<c) == 0 || which == collector.Ambient {
			continue // the room does not step, whatever the machine does
		}
		moved := shift(c)
		switch {
		case c == collector.Ambient || c == collector.CompressorShell, c == collector.CabinetAir && which != collector.Condenser:
			continue
		case which == collector.CabinetAir && c != collector.Condenser:
			moved += own // they are held against it
		}
		if abs(moved) > 0.5*abs(own) {
			return nil // the machine moved with it
		}
	}
	if which == collector.CabinetAir { // the band has not moved, its measure has
		for i := range b.events {
			if e := &b.events[i]; e.Is && e.Kind == SetpointMoved && e.from > s.at-3600 {
				b.drop(e)
			}
		}
		b.saver.slow, b.saver.base = b.saver.slow+own, b.saver.base+own
	}
	return b.add(Event{Kind: SensorReplaced, Way: s.which, from: s.at, to: s.at, A: own})
}
