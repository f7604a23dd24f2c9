package feature

// spell counts for how long something lasts that a well machine does only for
// a while, and how long that while is at this machine: defrosts, a saver's
// nights and rests between two starts differ from one to the next.
type spell struct {
	now   float32 // minutes it has lasted
	usual float32 // the longest while the machine was well, slowly forgotten, minutes
	doubt float32 // the longest while nobody could say, minutes
}

// longestUsual is the longest spell taken for ordinary, min; fade is how much
// of the longest is kept at the end of a shorter one.
const (
	longestUsual = 240
	fade         = 0.995
)

// grow adds dt minutes while on, and ends the spell when off; between the two
// it stands. well is the probability that the machine is well.
func (s *spell) grow(on, off bool, dt, well float64) {
	switch {
	case on:
		s.now += float32(dt)
	case off:
		switch {
		case s.now <= 1:
		case well > 0.5:
			s.usual = max(s.usual*fade, min(s.now, longestUsual))
		default:
			s.doubt = max(s.doubt, s.now)
		}
		s.now = 0
	}
}

// excess returns by how many minutes it has outlasted what is usual.
func (s *spell) excess() float32 { return max(s.now-s.usual, 0) }

// settle decides what was in doubt: what passed by itself is this machine's way.
func (s *spell) settle(byItself bool) {
	if byItself {
		s.usual = max(s.usual, min(s.doubt, longestUsual))
	}
	s.doubt = 0
}

// Settle tells the tracker that a trouble is over, and whether it went by
// itself, without a visit.
func (t *Tracker) Settle(byItself bool) {
	for _, s := range [...]*spell{&t.offWarm, &t.runCold, &t.runNoCool, &t.callNoRun, &t.noCallWarm, &t.callCold, &t.evapRests} {
		s.settle(byItself)
	}
}
