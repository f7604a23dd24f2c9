package thermal

import (
	"math"

	"coilward/collector/fleet"
	"coilward/detect/forget"
)

// Load is the steady side of the two nodes: over whole cycles nothing is stored,
// so what the compressor takes out while it runs is what comes in:
//
//	φ q(Tamb) = UA (Tamb − Ta) + W      q(Tamb) = q₂₅ (1 − c (Tamb − 25))
//
// with the run fraction φ. Divided by q₂₅ that is linear in three unknowns,
//
//	φ = u (Tamb − Ta) + w + c φ (Tamb − 25)      u = UA/q₂₅, w = W/q₂₅
//
// which are followed by recursive least squares (a Kalman filter without
// motion, Durbin & Koopman ch. 4) from a prior for the machine's kind, whole
// cycles at a time. A room's few kelvin say little about u and w apart and next
// to nothing about c; the covariance keeps what they do not say, and the prior
// fills it in.
type Load struct {
	theta [3]float64 // u 1/K, w, c 1/K
	cov   [6]float64 // upper triangle, row by row: uu uw uc ww wc cc
	noise float32    // variance of φ about the line
	n     float32    // cycles' hours behind it, capped
	room  float32    // °C: mean ambient of those hours

	// The cycles being gathered.
	run, hours float32 // h of running; h in all
	air, amb   float32 // K·h: integrals of the temperatures

	// Capacity by the cycle: the air falls by the difference of capacity and
	// load, and rises by the load.
	stopAir, startAir float32 // °C at the last stop and start
	pull, usual       float32 // logarithm of capacity over heat held, now and when well
	pulls, usuals     float32 // cycles behind them, capped
	expect, ran       forget.Mean
	was, known        bool // the compressor ran at the reading before
}

// kindPrior is what is known of a kind before one of it has said anything: the run
// fraction in a room of 24 °C at 3 °C inside, with its spread, and the part of
// it that comes from fans, lights and doors. Glass doors run 40–60 % at 24–32 °C
// (from memory); the rest is common practice, no source.
type kindPrior struct{ fraction, sd, inside float64 }

var kindPriors = [fleet.NumKinds]kindPrior{
	fleet.StackVendor:      {0.36, 0.13, 0.08},
	fleet.GlassFrontVendor: {0.42, 0.14, 0.11},
	fleet.GlassDoor:        {0.45, 0.14, 0.12},
	fleet.OpenFront:        {0.60, 0.15, 0.12},
}

// Capacity falls by about 1.2 % a kelvin of ambient, as the condensing
// temperature rises with it (from memory).
const (
	fallOff   = 0.012
	fallOffSD = 0.005
)

// NewLoad returns the prior of a kind.
func NewLoad(k fleet.Kind) Load { return newLoad(kindPriors[k]) }

func newLoad(p kindPrior) Load {
	u := (p.fraction - p.inside) / 21
	sdU, sdW := p.sd*0.8/21, p.inside*0.6
	return Load{theta: [3]float64{u, p.inside, fallOff},
		cov:   [6]float64{sdU * sdU, 0, 0, sdW * sdW, 0, fallOffSD * fallOffSD},
		noise: 0.004}
}

// Fraction returns the run fraction to expect in a room of amb °C with the air at
// air °C, not cut at 1: above it the machine could not hold.
func (l *Load) Fraction(amb, air float64) float64 {
	u, w, c := l.theta[0], l.theta[1], l.theta[2]
	return (u*(amb-air) + w) / math.Max(1-c*(amb-25), 0.2)
}

// Line returns u, w and c with their covariance.
func (l *Load) Line() (u, w, c float64, cov [3][3]float64) {
	n := 0
	for i := range cov {
		for j := i; j < len(cov); j++ {
			cov[i][j] = l.cov[n]
			cov[j][i] = cov[i][j]
			n++
		}
	}
	return l.theta[0], l.theta[1], l.theta[2], cov
}

// Room returns the mean ambient of the hours that the estimate rests on, °C.
func (l *Load) Room() float64 { return float64(l.room) }

// Hours returns the hours of whole cycles that the estimate rests on.
func (l *Load) Hours() float64 { return float64(l.n) }

// add takes whole cycles that ran for the share phi of some hours.
func (l *Load) add(phi, dT, amb, hours float64) {
	x := [3]float64{dT, 1, phi * (amb - 25)}
	// Symmetric 3 × 3 by hand: its inverse is never needed.
	at := func(i, j int) float64 {
		if i > j {
			i, j = j, i
		}
		return l.cov[[3]int{0, 3, 5}[i]+j-i]
	}
	var px [3]float64
	var s, fit float64
	for i := range px {
		for j := range x {
			px[i] += at(i, j) * x[j]
		}
		s += px[i] * x[i]
		fit += l.theta[i] * x[i]
	}
	r := phi - fit
	// The hours' weather and people make neighbouring cycles alike: an hour counts
	// as a quarter of one.
	v := float64(l.noise) * 4 / math.Min(hours, 4)
	if r*r > 9*(v+s) {
		r = math.Copysign(3*math.Sqrt(v+s), r) // a restock, a door left open
	}
	k := float32(hours / (hours + 40))
	l.noise += k * (float32(r*r) - l.noise)
	l.noise = min(max(l.noise, 4e-4), 0.03)
	for i := range px {
		l.theta[i] += px[i] / (s + v) * r
	}
	n := 0
	for i := range px {
		for j := i; j < len(px); j++ {
			l.cov[n] -= px[i] * px[j] / (s + v)
			n++
		}
	}
	for _, d := range [...]int{0, 3, 5} {
		l.cov[d] = max(l.cov[d], 1e-9)
	}
	l.n = min(l.n+float32(hours), 24*60)
	l.room += float32(hours) / l.n * (float32(amb) - l.room)
}

// Seen is one reading of a machine that measures its room.
type Seen struct {
	Hours    float64 // since the reading before
	Air, Amb float64 // °C
	Running  bool
	RanFor   float64 // h of the run that this stop has ended
	StoodFor float64 // h of the stop that this start has ended
	Well     float64 // probability that the machine is well and nothing is being pulled down
}

// Bounds of what is gathered before it counts, h.
const (
	gatherLeast = 2.5
	gatherMost  = 9
	longRun     = 3    // a run so long is no cycle
	usualMost   = 1000 // cycles behind the usual capacity: a slow loss must not become usual
)

// Observe takes a reading.
func (l *Load) Observe(s *Seen) {
	started, stopped := s.Running && !l.was && l.known, !s.Running && l.was && l.known
	l.was, l.known = s.Running, true
	if s.Hours <= 0 || s.Hours > 0.5 {
		l.run, l.hours, l.air, l.amb = 0, 0, 0, 0
		return
	}
	run := 0.0
	if s.Running {
		run = 1
	}
	l.ran.Add(run, s.Hours, 3)
	l.expect.Add(l.Fraction(s.Amb, s.Air), s.Hours, 3)
	h := float32(s.Hours)
	l.run += float32(run) * h
	l.hours += h
	l.air += float32(s.Air) * h
	l.amb += float32(s.Amb) * h
	if started && l.hours >= gatherLeast || l.hours >= gatherMost {
		// From start to start nothing is stored.
		if started && s.Well > 0.5 {
			n := float64(l.hours)
			amb := float64(l.amb) / n
			l.add(float64(l.run)/n, amb-float64(l.air)/n, amb, n)
		}
		l.run, l.hours, l.air, l.amb = 0, 0, 0, 0
	}
	l.cycle(s, started, stopped)
}

// cycle compares how fast the air falls while running with how fast it rises.
func (l *Load) cycle(s *Seen, started, stopped bool) {
	switch {
	case started:
		l.startAir = float32(s.Air)
	case stopped && l.startAir > l.stopAir+0.5 && s.RanFor > 1.0/60 && s.StoodFor > 1.0/60 && s.RanFor < longRun:
		rise, fall := float64(l.startAir-l.stopAir)/s.StoodFor, (float64(l.startAir)-s.Air)/s.RanFor
		if fall > 0 && rise > 0 {
			x := math.Log(rise + fall)
			// What ambient takes from the capacity is no fault.
			x -= math.Log(math.Max(1-l.theta[2]*(s.Amb-25), 0.2))
			l.pulls = min(l.pulls+1, 8)
			l.pull += (float32(x) - l.pull) / l.pulls
			if s.Well > 0.5 {
				l.usuals = min(l.usuals+float32(s.Well), usualMost)
				l.usual += (float32(x) - l.usual) / l.usuals * float32(s.Well)
			}
		}
		l.stopAir = float32(s.Air)
	case stopped:
		l.stopAir = float32(s.Air)
	}
}

// CapacityShare returns the cooling capacity now over this machine's own when
// well; NaN while that is not known. Where it still cycles it is told by how fast
// the air falls and rises; where it runs on and on, by the run fraction that
// would be normal in this room, since a machine that runs all the time gives
// what it has.
func (l *Load) CapacityShare() float64 {
	switch {
	case l.n < 24 || l.usuals < 12:
		return math.NaN()
	case l.ran.Weight > 0.6 && l.ran.Value > 0.97:
		return math.Min(float64(l.expect.Value), 1)
	case l.pulls < 4:
		return math.NaN()
	}
	return math.Exp(float64(l.pull - l.usual))
}
