package life

import "coilward/collector"

// A blip is a loss of supply too short to be a fault; what is longer and comes back
// within some hours is a plug that was pulled, to clean or to move the machine, min.
const (
	blipMost  = 12
	cleanMost = 150
)

// supply watches for the supply going and coming back.
type supply struct {
	gone  seconds // since when; 0 it is there
	usual float32 // lowest mains current of a machine with its supply, A
	air   float32 // °C of the cabinet air before this reading
}

// power reads the signs of supply in a reading.
func (m *moment) power() {
	r := m.Reading
	switch {
	case r.Has.Has(collector.MainsVoltage):
		m.dark = r.Value[collector.MainsVoltage] < 40
		m.lit = !m.dark
	case r.Has.Has(collector.MainsCurrent):
		m.dark = r.Value[collector.MainsCurrent] < 0.02
		m.lit = !m.dark
	}
}

func (b *Book) blips(m *moment) {
	s := &b.supply
	switch {
	case m.dark && b.last != 0 && (b.running || s.usual > 0.15 || m.Reading.Has.Has(collector.MainsVoltage)):
		if s.gone == 0 {
			s.gone = b.last
		}
		return
	case m.lit && s.gone != 0:
		if minutes := float32(m.at-s.gone) / 60; minutes <= blipMost {
			b.add(Event{Kind: PowerBlip, Way: 1, from: s.gone, to: m.at, A: max(minutes-m.dt, m.dt/2)})
		} else if minutes <= cleanMost {
			b.add(Event{Kind: Cleaning, Way: 1, from: s.gone, to: m.at, A: minutes})
		}
		s.gone = 0
		return
	}
	if m.lit && m.Reading.Has.Has(collector.MainsCurrent) {
		if a := float32(m.Reading.Value[collector.MainsCurrent]); s.usual == 0 || a < s.usual {
			s.usual = a
		}
	}
	// A machine that was only not heard keeps its band meanwhile.
	if m.dt > 10 && m.dt <= cleanMost && m.air == m.air && m.In == m.In && m.air > max(m.In+0.8, s.air+1.5) && b.last != 0 {
		b.add(Event{Kind: Cleaning, Way: 2, from: b.last, to: m.at, A: m.air})
	}
	if m.air == m.air {
		s.air = m.air
	}
	// Where the electronics go dark with the rest, the readings pause, and the
	// compressor that ran stands afterwards though the air is not cold yet.
	if m.stopped && m.dt >= 2.4*m.Interval/60 && m.dt <= blipMost &&
		m.air == m.air && m.In == m.In && m.air > m.Out+0.5*max(m.In-m.Out, 1) {
		b.add(Event{Kind: PowerBlip, Way: 2, from: b.last, to: m.at, A: m.dt})
	}
}
