package diagnose

import (
	"fmt"
	"math"
	"slices"

	"coilward/detect/fault"
)

// Posterior is the probability of each state, kept as a hidden Markov model's
// forward filter: what has been seen so far, in logarithms. The zero value is
// not ready; use [Prior.Begin].
type Posterior struct {
	logp [NumStates]float32 // what is remembered
	now  [NumStates]float32 // with the newest look
}

// Rates of moving between states, per hour. A fault is rare: eight a year and
// machine, doors left ajar and pulled plugs among them, shared between the
// causes by how often the trade meets them (from memory). Ordinary life comes
// and goes within a day.
const (
	faultsAnHour    = 8.0 / 8766
	repairsAnHour   = 1.0 / 60
	turnsAnHour     = 1.0 / 400 // one fault into another
	warmLoadsAnHour = 1.0 / 30
	unplugsAnHour   = 1.0 / 150
	settlesAnHour   = 1.0 / 300

	warmLoadsEndAnHour = 1.0 / 3
)

// share is each fault's share of all faults.
var share = [fault.Num]float64{
	fault.EvaporatorFanStopped: .09, fault.CoilIced: .08, fault.CondenserFanStopped: .08, fault.CondenserBlocked: .10,
	fault.CompressorNotStarting: .08, fault.CompressorWeak: .07, fault.RefrigerantLow: .10, fault.ThermostatStuckOn: .06,
	fault.ThermostatStuckOff: .06, fault.DoorOpen: .09, fault.DoorLeak: .07, fault.PowerLost: .05, fault.SensorFault: .07,
}

// rates are how often one state turns into another, per hour.
type rates [NumStates][NumStates]float64

// transition is rates as they are used: most of them are alike, so that what passes
// in a while is worked out once for each that differs.
type transition struct {
	rate []float64                   // each that differs; the first is 0
	of   [NumStates][NumStates]uint8 // from, to: its place in rate
}

// mostRates is how many rates may differ.
const mostRates = 80

func (r *rates) transition() *transition {
	t := &transition{rate: []float64{0}}
	for from := range r {
		for to, x := range r[from] {
			if from == to {
				continue // nothing passes
			}
			at := slices.Index(t.rate, x)
			if at < 0 {
				at = len(t.rate)
				t.rate = append(t.rate, x)
			}
			t.of[from][to] = uint8(at)
		}
	}
	if len(t.rate) > mostRates {
		panic(fmt.Sprintf("%d rates differ", len(t.rate)))
	}
	return t
}

// Prior is what is held of a machine before it has said anything: how often which
// fault comes. It never changes.
type Prior struct {
	share      [fault.Num]float64
	transition *transition
}

// builtIn is the prior by the built-in shares.
var builtIn = NewPrior(&share)

// NewPrior returns the prior by some shares of the faults.
func NewPrior(share *[fault.Num]float64) *Prior {
	return &Prior{*share, newRates(share).transition()}
}

// BuiltIn returns the prior by the built-in shares.
func BuiltIn() *Prior { return builtIn }

// Shares returns each fault's share of all faults.
func (r *Prior) Shares() [fault.Num]float64 { return r.share }

func newRates(share *[fault.Num]float64) *rates {
	t := new(rates)
	for _, from := range []State{State(fault.Well), WarmLoad, Unplugged, Resettled} {
		for f := firstFault; f <= lastFault; f++ {
			t[from][f] = faultsAnHour * share[f]
		}
		t[from][WarmLoad] += warmLoadsAnHour
		t[from][Unplugged] += unplugsAnHour
		t[from][Resettled] += settlesAnHour
	}
	t[WarmLoad][fault.Well] = warmLoadsEndAnHour
	t[Unplugged][fault.Well] = 1.0 / 3
	t[Unplugged][WarmLoad] = 1.0 / 3
	t[Resettled][fault.Well] = 1.0 / 20
	for f := firstFault; f <= lastFault; f++ {
		t[f][fault.Well] = repairsAnHour
		t[f][WarmLoad] = repairsAnHour / 2
		for g := firstFault; g <= lastFault; g++ {
			t[f][g] += turnsAnHour * share[g]
		}
	}
	// Consequences.
	t[fault.EvaporatorFanStopped][fault.CoilIced] += 1.0 / 30
	t[fault.DoorLeak][fault.CoilIced] += 1.0 / 100
	t[fault.DoorOpen][fault.Well] = 1
	return t
}

const (
	firstFault = int(fault.EvaporatorFanStopped)
	lastFault  = int(fault.SensorFault)
)

// Begin returns the probabilities before anything has been seen: one machine in
// fifty is installed or taken over already faulty.
func (r *Prior) Begin() (p Posterior) {
	const already = 0.02
	for s := range p.logp {
		p.logp[s] = float32(math.Log(0.01))
	}
	p.logp[fault.Well] = float32(math.Log(1 - already))
	for f := firstFault; f <= lastFault; f++ {
		p.logp[f] = float32(math.Log(already * r.share[f]))
	}
	p.now = p.logp
	return p
}

// correlation is for how long two looks at the same machine say nearly the
// same, hours. A look counts in full once, for what it says now; what it says
// is then added to the memory at the rate of new information.
const correlation = 8.0

// StillWarm is what a warm load has to be ahead of a fault that stays, in every
// look, not to lose to it by the clock alone where it is known to last, nats.
const StillWarm = correlation * warmLoadsEndAnHour

// sharpness makes up for the decay of weights under which the table is learned,
// which flattens it: set where, on fleets it was not learned from, more of it costs
// more in false alarms than it wins in time.
const sharpness = 1.5

// ordinaryLeast bounds how impossible the memory may hold ordinary life to be,
// nats: however long a fault has lasted, a repair must show within hours.
const ordinaryLeast = -6

// Advance lets dt hours pass and takes in a score. trust, 0 to 1, tempers the
// score while the machine's own well state is still being learned. The features behind a score
// average over a while themselves, so successive scores are not independent:
// each is remembered by the share of new information in it.
func (r *Prior) Advance(p *Posterior, score *Score, trust, dt float64) {
	dt = math.Min(dt, 1)
	prob := shares(&p.logp)
	var next [NumStates]float64
	var passed [mostRates]float64
	for i, rate := range r.transition.rate {
		passed[i] = passes(rate * dt)
	}
	for s := range prob {
		stay := 1.0
		for u, i := range r.transition.of[s] {
			if i == 0 {
				continue
			}
			m := passed[i]
			next[u] += prob[s] * m
			stay -= m
		}
		next[s] += prob[s] * math.Max(stay, 0)
	}
	k := float32(trust * math.Min(dt/correlation, 1))
	best, bestNow := float32(math.Inf(-1)), float32(math.Inf(-1))
	for s := range p.logp {
		p.logp[s] = float32(math.Log(math.Max(next[s], 1e-12))) + k*score[s]
		p.now[s] = p.logp[s] + float32(trust*sharpness)*score[s]
		best, bestNow = max(best, p.logp[s]), max(bestNow, p.now[s])
	}
	for s := range p.logp {
		least := float32(-28)
		if State(s).Fault() == fault.Well {
			least = ordinaryLeast
		}
		p.logp[s] = max(p.logp[s]-best, least)
		p.now[s] = max(p.now[s]-bestNow, -28)
	}
}

// passes is 1 − exp(−x), the probability that something of rate x happens, by
// its series where that is exact to a millionth.
func passes(x float64) float64 {
	if x < 0.05 {
		return x * (1 - x*(1./2-x/6))
	}
	return -math.Expm1(-x)
}

// repairsAVisit is the share of visits to a machine in trouble after which the
// trouble is gone (common practice, no source: half of them only fill it).
const repairsAVisit = 0.5

// Visit takes in that somebody has just worked on the machine: half of what
// was known of a fault holds no more, and warm product is to be expected.
func (r *Prior) Visit(p *Posterior) {
	fresh := r.Begin().logp
	fresh[WarmLoad] = float32(math.Log(0.3))
	for _, l := range [...]*[NumStates]float32{&p.logp, &p.now} {
		z, zf := logSumExp(l[:]), logSumExp(fresh[:])
		for s := range l {
			l[s] = logSumExp([]float32{l[s] - z + float32(math.Log(1-repairsAVisit)), fresh[s] - zf + float32(math.Log(repairsAVisit))})
		}
	}
}

// Probabilities returns the probability of every state.
func (p *Posterior) Probabilities() [NumStates]float64 { return shares(&p.now) }

// shares returns the probabilities of which l are the logarithms, up to a constant
// that keeps the greatest about zero.
func shares(l *[NumStates]float32) (q [NumStates]float64) {
	sum := 0.0
	for s, x := range l {
		q[s] = math.Exp(float64(x))
		sum += q[s]
	}
	for s := range q {
		q[s] /= sum
	}
	return q
}

// Well returns the probability that nothing is wrong, ordinary life included.
func (p *Posterior) Well() float64 {
	q := p.Probabilities()
	return q[fault.Well] + q[WarmLoad] + q[Unplugged] + q[Resettled]
}

// WellNow returns how probable ordinary life is by the newest look alone, with
// nothing remembered and even odds before: what proves a repair.
func (r *Prior) WellNow(score *Score) float64 {
	var ordinary, all float64
	best := float32(math.Inf(-1))
	for _, x := range score {
		best = max(best, x)
	}
	for s, x := range score {
		w := math.Exp(float64(x - best))
		if f := State(s).Fault(); f == fault.Well {
			w /= 4
			ordinary += w
		} else {
			w *= r.share[f]
		}
		all += w
	}
	return ordinary / all
}
