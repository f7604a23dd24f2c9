package life

// Bounds of an energy saver's hours. It keeps them to the minute, but the first
// stop in the lifted band comes up to a cycle later.
const (
	liftLeast   = 0.7      // K
	liftMost    = 4.5      // K
	saverLeast  = 2.5 * 60 // min
	saverMost   = 16 * 60  // min
	sameHour    = 100      // min
	minutesADay = 24 * 60  //
)

// saver follows the air at the stops, which is the thermostat's cut-out.
type saver struct {
	base, lift  float32 // °C at ordinary stops; K above it now
	n           uint8   // stops behind base, capped
	above       uint8   // stops in a row above it
	days        uint8   // days in a row with the same hours
	lifted      bool
	firstAbove  seconds
	lastStop    seconds
	slow        float32 // °C at the stops, over days
	away        uint8   // ordinary stops in a row far from slow
	awayFrom    seconds
	first       seconds // the first stop
	begin, end  int16   // UTC minutes of the day of the last lift
	hasHours    bool
	announced   bool
	firstHeight float32
}

// nights looks at a stop.
func (b *Book) nights(m *moment) {
	s := &b.saver
	if m.Run.LastRun < 2 || m.Ill {
		return // a machine in trouble stops where it can
	}
	before := s.lastStop
	s.lastStop = m.at
	if s.n < 6 {
		s.n++
		s.base += (m.air - s.base) / float32(s.n)
		s.slow = s.base
		if s.first == 0 {
			s.first = m.at
		}
		return
	}
	up := m.air - s.base
	if !s.lifted {
		switch {
		case up < liftLeast:
			s.above = 0
			s.base += 0.12 * up
			b.moved(m)
		case up > liftMost:
			s.above = 0 // that is no thermostat
		case s.above == 0:
			s.above, s.firstAbove, s.firstHeight = 1, max(before, m.at-3*3600), up
		default:
			s.above++
			if abs(up-s.firstHeight) > 0.6 {
				s.above, s.firstHeight = 1, up
				break
			}
			s.lifted, s.lift = true, (up+s.firstHeight)/2
			if s.hasHours && s.days >= 2 && near(s.firstAbove, s.begin) {
				b.add(Event{Kind: EnergySaver, from: s.firstAbove, A: s.lift, B: float32(s.days)})
				s.announced = true
			}
		}
		return
	}
	length := float32(m.at-s.firstAbove) / 60
	if up > 0.5*s.lift {
		s.lift += 0.2 * (up - s.lift)
		if length > saverMost { // not a night: the band has moved
			b.add(Event{Kind: SetpointMoved, from: s.firstAbove, to: s.firstAbove, A: s.lift})
			s.base, s.slow, s.lifted, s.above, s.days, s.away = m.air, m.air, false, 0, 0, 0
			b.saverOver(m, false)
		}
		return
	}
	// Back: the band fell somewhere between the last stop above and this one,
	// which ends a long run.
	end := m.at - seconds(min(m.Run.LastRun, 240)*60)
	length = float32(end-s.firstAbove) / 60
	s.lifted, s.above = false, 0
	if length < saverLeast {
		b.saverOver(m, false)
		return
	}
	same := s.hasHours && near(s.firstAbove, s.begin) && near(end, s.end)
	if same {
		s.days = min(s.days+1, 200)
	} else {
		s.days = 0
	}
	s.hasHours, s.begin, s.end = true, minuteOf(s.firstAbove), minuteOf(end)
	if same && s.days >= 2 && !s.announced {
		b.add(Event{Kind: EnergySaver, from: s.firstAbove, to: end, A: s.lift, B: float32(s.days)})
		return
	}
	if e := b.Lasting(EnergySaver); e != nil {
		e.to, e.A, e.B = end, s.lift, float32(s.days)
	}
	s.announced = false
}

// Bounds of a band that has moved for good.
const (
	movedLeast = 0.45      // K
	movedStops = 10        // in a row
	movedFor   = 10 * 3600 // s
	movedKnown = 40 * 3600 // s that must have been seen before
)

// moved looks for a band that stands apart from that of the days before.
func (b *Book) moved(m *moment) {
	s := &b.saver
	d := s.base - s.slow
	if abs(d) < movedLeast || m.at-s.first < movedKnown {
		if s.away = 0; m.at-s.first < movedKnown {
			s.slow += 0.1 * (s.base - s.slow)
		}
		s.slow += 0.02 * (m.air - s.slow)
		return
	}
	if s.away == 0 {
		s.awayFrom = m.at
	}
	if s.away = min(s.away+1, 200); s.away >= movedStops && m.at-s.awayFrom >= movedFor {
		b.add(Event{Kind: SetpointMoved, from: s.awayFrom, to: s.awayFrom, A: d})
		s.slow, s.away = s.base, 0
	}
}

// saverOver closes what was announced; where it was no saver after all it is
// taken back.
func (b *Book) saverOver(m *moment, was bool) {
	b.saver.announced = false
	if e := b.Lasting(EnergySaver); e != nil {
		if was {
			e.to = m.at
		} else {
			b.drop(e)
		}
	}
}

func minuteOf(s seconds) int16 { return int16(s / 60 % minutesADay) }

// near reports whether a time has about the given minute of the day.
func near(s seconds, minute int16) bool {
	d := int(minuteOf(s)) - int(minute)
	if d < 0 {
		d = -d
	}
	return min(d, minutesADay-d) <= sameHour
}
