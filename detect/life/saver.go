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
	begin, end  int16 // UTC minutes of the day of the last lift
	hasHours    bool
	announced   bool
	firstHeight float32
}

// nights looks at a stop.
func (b *Book) nights(m *moment) {
	s := &b.saver
	if m.Run.LastRun < 2 {
		return
	}
	before := s.lastStop
	s.lastStop = m.at
	if s.n < 6 {
		s.n++
		s.base += (m.air - s.base) / float32(s.n)
		return
	}
	up := m.air - s.base
	if !s.lifted {
		switch {
		case up < liftLeast:
			s.above = 0
			k := float32(0.12)
			s.base += k * up
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
			s.base, s.lifted, s.above, s.days = m.air, false, 0, 0
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
