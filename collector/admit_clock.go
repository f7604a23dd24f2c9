package collector

import "time"

// Clock is what admission holds of a machine's clock.
type Clock struct {
	// Correction is added to the machine's own times: −4 h for a clock that is
	// 4 h ahead. 0 for a clock that is right to within AdmitOptions.Ahead.
	Correction time.Duration

	// OnArrival is true of a machine that counts from its own start instead of
	// sending the time: what it says is taken as measured when it came in.
	OnArrival bool

	Changes int    // how often the correction changed
	Since   Millis // pipeline time of the latest change; 0: never
}

// clock judges the times of one machine.
//
// What can be seen of a message is d = Received − At, and
//
//	d = delay − error,  delay ≥ 0
//
// where error is how far the machine's clock is ahead. A negative d can only be
// a clock ahead. A positive d is either lateness, which is common (a gateway
// delivers hours at once after an outage), or a clock behind. They differ in
// how d goes on: a backlog is delivered faster than it was measured, so d falls
// with each message; under a wrong clock, times advance in step with arrival
// and d stays. So a correction is taken up only from successive messages whose
// times keep step with their arrival, no message meanwhile fitting the
// correction in force; and the less the other explanation costs, the more of
// them are asked for (see wanted). The correction is the least d among
// them, the one with the least delay. Until then a message is judged under the
// correction in force: late ones pass as late, future ones are refused, so one
// wild time stamp neither moves the clock nor gets in.
//
// A clock that was wrong and is right again is believed from its first message
// on when the correction in force cannot be: it would put the message in the
// future, or before what was already heard.
//
// Times that advance twice as fast as arrival come from a machine that sends
// seconds since its start: below 2^28 SenML reads them as relative to now.
//
// All of it is a function of the stream of (Received, At) alone, so a replay
// finds the same corrections at the same messages. A gateway that holds
// every message back by the same hours cannot be told from a clock that is
// that far behind; its times come out as the times of arrival.
type clock struct {
	correction Millis
	newest     Millis // latest corrected time admitted
	since      Millis
	changes    uint32
	onArrival  bool

	// The candidate for another correction.
	agreed   uint16 // messages that keep step, 0: no candidate
	missed   uint8  // messages since that do not
	received Millis // of the first message
	at       Millis // of the first message
	latest   Millis // latest at that counted
	least    Millis // least d
}

// What keeps step: over a span of arrival, times may run off by a fifth of it
// and the jitter of delivery.
const (
	stepShare  = 5
	stepJitter = Millis(5_000)
)

// judge returns the correction for a message whose newest instant is at.
func (c *clock) judge(received, at, ahead, age Millis) (correction Millis) {
	d := received - at
	fits := func(correction Millis) bool { return -ahead <= d-correction && d-correction <= ahead }
	late := d - c.correction
	goesBack := c.newest != 0 && at+c.correction < c.newest
	switch {
	case !c.onArrival && fits(c.correction):
		c.agreed = 0
		return c.correction
	case c.correction != 0 && fits(0) && (late < -ahead || goesBack):
		if c.weigh(received, at, ahead, wanted{3, 20_000}) {
			return c.correction
		}
		return 0
	}
	c.weigh(received, at, ahead, c.wanted(late, ahead, age, goesBack))
	if c.onArrival {
		return d
	}
	return c.correction
}

// wanted is the evidence for a new correction: messages, and the span of
// their arrival.
type wanted struct {
	messages uint16
	span     Millis
}

const quarterHour = Millis(15 * 60_000)

func (c *clock) wanted(late, ahead, age Millis, goesBack bool) wanted {
	switch {
	case late < -ahead, late > age, c.onArrival:
		// It would be refused: there is nothing to lose.
		return wanted{3, 20_000}
	case goesBack:
		// A machine that spoke of the present speaks of the past only.
		return wanted{5, 5 * 60_000}
	case c.agreed > 0 && c.least < 14*3_600_000 && (c.least+60_000)%quarterHour <= 120_000:
		// Local time taken for UTC: zones are whole quarters of an hour.
		return wanted{5, 10 * 60_000}
	}
	return wanted{20, 3_600_000}
}

// weigh takes the message as evidence and reports whether the correction
// changed by it.
func (c *clock) weigh(received, at, ahead Millis, want wanted) bool {
	span, advance := received-c.received, at-c.at
	if c.agreed == 0 || span < 0 {
		c.propose(received, at)
		return false
	}
	if advance < span-ahead || advance > 2*span+ahead {
		if c.missed++; c.missed >= 3 {
			c.propose(received, at)
		}
		return false
	}
	if at <= c.latest {
		return false // heard before: says nothing of the clock
	}
	c.missed = 0
	c.latest = at
	c.least = min(c.least, received-at)
	if c.agreed++; c.agreed < want.messages || span < want.span {
		return false
	}
	off := span/stepShare + stepJitter
	switch {
	case within(advance-span, off):
		if !c.onArrival && within(c.least-c.correction, ahead) {
			c.agreed = 0 // it is the one in force
			return false
		}
		c.correction, c.onArrival = c.least, false
		if within(c.correction, ahead) {
			c.correction = 0
		}
	case within(advance-2*span, off) && received < at-ahead:
		if c.onArrival {
			c.propose(received, at) // as before; watch on
			return false
		}
		c.correction, c.onArrival = 0, true
	default:
		if c.agreed > 4*want.messages {
			c.propose(received, at) // began with one that was delayed
		}
		return false
	}
	c.agreed = 0
	c.newest = 0
	c.changes++
	c.since = received
	return true
}

func (c *clock) propose(received, at Millis) {
	c.agreed, c.missed = 1, 0
	c.received, c.at, c.latest, c.least = received, at, at, received-at
}

func within(d, most Millis) bool { return -most <= d && d <= most }
