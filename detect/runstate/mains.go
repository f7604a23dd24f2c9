package runstate

import "math"

// mains tells whether the compressor runs from the whole machine's current.
//
// The reading is a base, which is fans, lights and maybe a defrost heater, and
// the step that the compressor adds. The base stands still for hours and then
// jumps; the step comes and goes many times a day and is always about the
// same. Both readings of a change are therefore followed, each with a base of
// its own, and the cheaper one is believed: a two-state Viterbi decoder whose
// costs are negative log-likelihoods in nats (Forney 1973). A light of half the
// compressor's step that was first taken for it is taken back as soon as the
// compressor itself starts above it.
type mains struct {
	step, spread float32    // A the compressor adds; standard deviation about it
	n            float32    // readings behind them, capped
	path         [2]path    // stopped, running
	usual        [2]float32 // bases that have stood for a while, A
	usualN       [2]float32 // minutes behind them, capped
	prev         float32
	edge         float32 // a change that must hold to be believed at first; 0 none
	falls        float32 // running median of falls, A
	nFalls       uint8
	seen, surge  bool // surge: the cheaper path says that the reading caught a start
}

// path is what the readings mean if the compressor is now in one state.
type path struct {
	base, level float32 // A: without the compressor; what the next reading will be if nothing changes
	cost        float32 // nats
	surge       bool    // the newest reading caught a start
}

// Costs, nats, over that of a reading that is just as expected. A machine starts
// some tens of times a day and its base jumps a few times, of readings that come
// about once a minute; a jump may go anywhere within some steps.
const (
	costSwitch = 3.0 // the compressor starts or stops between two readings
	costSurge  = 5.5 // a reading catches a start in the act
	costReturn = 5.5 // the base goes where it often is
	costJump   = 9.0 // the base goes anywhere
	costNever  = 30.0
	// A compressor whose contact is welded runs though nothing calls for it; far more
	// often that is the heater of a defrost.
	costUncalled = 4.0
	costUnheard  = 6.0 // a call begins, and the compressor does not start
)

// call is what is told of the thermostat's call.
type call uint8

const (
	callUntold call = iota // nothing, or nothing new
	callRests              // the compressor is told to rest
	callBegins             // the compressor is told to run
)

// ready reports whether the step is known.
func (m *mains) ready() bool { return m.n > 0 }

// begin looks for the first change that holds. A compressor adds about an
// ampere at least at 115 V and half that at 230 V.
func (m *mains) begin(a float32) (running, ok bool) {
	if !m.seen {
		m.seen, m.prev = true, a
		return false, false
	}
	d := a - m.prev
	if m.edge != 0 && abs(d) < 0.3*abs(m.edge) {
		running = m.edge > 0
		m.learnt(abs(m.edge), a, running)
		m.prev = a
		return running, true
	}
	m.edge = 0
	if abs(d) > 0.35 && max(a, m.prev) > 1.5*min(a, m.prev) {
		m.edge = d
	}
	m.prev = a
	return false, false
}

// learnt starts anew with a step.
func (m *mains) learnt(step, a float32, running bool) {
	m.step, m.spread, m.n = step, 0.12*step, 3
	m.path = [2]path{{base: a, level: a}, {base: a - step, level: a}}
	if running {
		m.path[0].cost = costNever
	} else {
		m.path[1].cost = costNever
	}
}

// observe takes a reading of a A that ends dt minutes, and what it tells of the call.
// reread is true where nothing changed but the reading of what was before.
func (m *mains) observe(a, dt float32, told call) (running, reread bool) {
	step := m.step
	noise := 0.03 + 0.03*abs(a)
	var next [2]path
	for r := range 2 {
		next[r].cost = 3 * costNever
		for q := range 2 {
			p := m.path[q]
			// Staying must be as cheap in both states, or the cheaper one wins by
			// waiting; a compressor settles for minutes after a start.
			expect, sd := p.level, noise+0.06*step
			switch {
			case q == 0 && r == 1:
				expect, sd = p.base+step, noise+m.spread
			case q == 1 && r == 0:
				expect, sd = p.base, noise
			}
			d := a - expect
			c, to := 0.5*(d/sd)*(d/sd), path{base: p.base, level: p.level + 0.6*(a-p.level)}
			if q != r {
				to.level = a
			}
			if r == 0 {
				to.base = to.level
			}
			// Or the base has jumped as well.
			jump := float32(costJump)
			if b := p.base + d; b < -2*noise {
				jump = costNever // no base is below nothing
			} else {
				for i, u := range m.usual {
					if z := (b - u) / (sd + 0.03); m.usualN[i] >= 30 {
						jump = min(jump, costReturn+0.5*z*z)
					}
				}
			}
			if jump < c {
				c, to.level, to.base = jump, a, p.base+d
			}
			if r == 1 && (q == 0 || p.surge) && a-p.base > inrushRatio*step && costSurge < c {
				c, to = costSurge, path{base: p.base, level: p.base + step, surge: true}
			}
			switch {
			case told == callBegins && r == 0:
				c += costUnheard
			case told == callBegins: // as expected
			case q != r:
				c += costSwitch
			}
			if told == callRests && r == 1 {
				c += costUncalled
			}
			if c += p.cost; c < next[r].cost {
				to.cost = c
				next[r] = to
			}
		}
	}
	best := min(next[0].cost, next[1].cost)
	was, held := m.path[1].cost < m.path[0].cost, m.path[1].surge
	running = next[1].cost < next[0].cost
	for r := range next {
		next[r].cost = min(next[r].cost-best, costNever)
	}
	m.path, m.surge = next, running && next[1].surge
	reread = running != was && abs(a-m.prev) < 0.4*step
	if running && !was && !reread && !m.surge { // the spread is that of starts
		d := a - m.path[1].base - step
		v := m.spread*m.spread + (d*d-m.spread*m.spread)/10
		m.spread = min(max(float32(math.Sqrt(float64(v))), 0.06*step), 0.3*step)
	}
	m.follow(a, dt, running && was && !held && !m.surge, !running && !was)
	m.fell(m.prev-a, a, running)
	m.prev = a
	return running, reread
}

// follow learns the step while running, and the usual bases while stopped.
func (m *mains) follow(a, dt float32, runs, rests bool) {
	if runs {
		if d := a - m.path[1].base - m.step; abs(d) < 0.5*m.step {
			m.n = min(m.n+1, 60)
			m.step += d / m.n
		}
	}
	if !rests || dt > 15 {
		return
	}
	b, at := m.path[0].base, 0
	switch near := 0.1*m.step + 0.05; {
	case abs(b-m.usual[0]) < near && m.usualN[0] > 0:
	case abs(b-m.usual[1]) < near && m.usualN[1] > 0:
		at = 1
	case abs(abs(b-m.usual[0])-m.step) < 0.2*m.step || abs(abs(b-m.usual[1])-m.step) < 0.2*m.step:
		return // that is the compressor
	default: // in place of the one that has stood less
		if m.usualN[1] < m.usualN[0] {
			at = 1
		}
		if m.usualN[at] -= 4 * dt; m.usualN[at] > 0 {
			return
		}
		m.usual[at], m.usualN[at] = b, 0
	}
	m.usualN[at] = min(m.usualN[at]+dt, 600)
	m.usual[at] += (b - m.usual[at]) * min(1, 2*dt/(m.usualN[at]+dt))
}

// fell follows how far the current falls. The commonest fall is the
// compressor's; where the step is far from it, something else was taken for the
// compressor.
func (m *mains) fell(d, a float32, running bool) {
	if d < 0.3 || d > inrushRatio*max(m.step, m.falls) && m.nFalls > 0 {
		return
	}
	if m.nFalls == 0 {
		m.falls = d
	}
	m.nFalls = min(m.nFalls+1, 12)
	if k := 1.05 + 0.5/float32(m.nFalls); d > m.falls {
		m.falls *= k
	} else {
		m.falls /= k
	}
	if m.nFalls >= 4 && (m.falls > 1.45*m.step || m.falls < 0.69*m.step) {
		m.learnt(m.falls, a, running)
		m.nFalls = 1
	}
}

func abs(x float32) float32 { return float32(math.Abs(float64(x))) }
