package feature

import (
	"math"
	"strconv"

	"coilward/collector"
	"coilward/detect/kin"
)

// levelWords name the profiles for what is kept of a kind, with their units.
var levelWords = [NumProfiles]string{
	AirCoil: "air to coil outlet, K", AirCoilIn: "air to coil inlet, K", CoilSpread: "coil inlet to outlet, K", CondLift: "condenser over ambient, K",
	Current: "ln compressor current, A", SupplyGap: "air to supply air, K", ShellLift: "compressor shell over ambient, K",
	EvapFanRun: "ln evaporator fan current, A", CondFanRun: "ln condenser fan current, A", EvapSpeedRun: "evaporator fan speed, 1500/min",
	CondSpeedRun: "condenser fan speed, 1500/min", RunSlope: "air, K/h", OffSlope: "air per K to ambient, 1/h",
	OffCoilGap: "air to coil outlet, K", EvapFanOff: "ln evaporator fan current, A", MainsOff: "ln mains current, A", OffSupplyGap: "air to supply air, K",
}

// levelNames add the minutes since the start or stop from which a bin counts. A
// current of the whole machine is another quantity than one of the compressor alone.
var levelNames, mainsNames = func() (n [NumProfiles][bins]string, mains [bins]string) {
	for p := range n {
		when := " min into a run"
		switch {
		case ofStop&(1<<p) != 0:
			when = " min into a rest"
		case ofRun&(1<<p) == 0:
			when = " min into either"
		}
		for b := range n[p] {
			n[p][b] = levelWords[p] + ", " + strconv.Itoa(int(edges[b])) + when
		}
	}
	for b := range mains {
		mains[b] = n[Current][b] + ", by the mains"
	}
	return n, mains
}()

func (t *Tracker) levelName(p ID, b int, whole bool) string {
	if p == Current && whole {
		return mainsNames[b]
	}
	return levelNames[p][b]
}

// kinScalar is a quantity without a profile that a machine may begin with.
type kinScalar struct {
	name    string
	s       *scalar
	offset  float64 // what the fleet file says of this machine, taken off before machines are compared
	floor   float64 // of scalar.z where it is used
	believe float32 // how much the machine must have shown, as n counts it, to be learned from
}

// kinScalars are those that come often enough for the machine's own to take over
// within a day. What is averaged over half a day is not among them: the kind's
// spread would still be in it when the machine's own is known.
func (t *Tracker) kinScalars(room bool) [5]kinScalar {
	in, out := float64(t.setIn()), float64(t.setOut())
	load := "ln load, 2 h"
	if room {
		load += ", by the room"
	}
	return [...]kinScalar{
		{"cut-in over the thermostat's", &t.cutIn, in, 0.35, 20},
		{"cut-out over the thermostat's", &t.cutOut, out, 0.35, 20},
		{"ln run, min", &t.runLen, 0, 0.25, 20},
		{"ln rest, min", &t.offLen, 0, 0.25, 20},
		{load, &t.load2, 0, 0.2, 24},
	}
}

// kinLeastMinutes is how long a bin must have been watched while well to be
// learned from, min.
const kinLeastMinutes = 60

// alikeMinutes is for how long readings of one bin say nearly the same, min: a
// mean over n minutes is off by its readings' variance times alikeMinutes over n.
const alikeMinutes = 15

// WellHours returns the hours of well life behind the machine's own state.
func (t *Tracker) WellHours() float64 { return float64(t.wellMinutes) / 60 }

// Levels writes the machine's own well state into to.
func (t *Tracker) Levels(to map[string]kin.Level) {
	src, _ := t.Run.Source()
	for i := range t.prof {
		p := &t.prof[i]
		for b := range p.n {
			if n := float64(p.n[b]); n >= kinLeastMinutes {
				v := p.variance(floors[i])
				to[t.levelName(ID(i), b, src == collector.MainsCurrent)] = kin.Level{Mean: float64(p.mean[b]), SD: math.Sqrt(v), Error: math.Sqrt(v * alikeMinutes / (n + 1))}
			}
		}
	}
	for _, q := range t.kinScalars(t.seen.Has(collector.Ambient)) {
		if q.s.n >= q.believe {
			v := float64(q.s.vari)
			to[q.name] = kin.Level{Mean: float64(q.s.mean) - q.offset, SD: math.Sqrt(v), Error: math.Sqrt((v + q.floor*q.floor) * 3 / (float64(q.s.n) + 0.5))}
		}
	}
}

// Bounds of what the kind's centre is worth to a machine that begins: minutes
// for a profile, cycles or hours for the rest.
const (
	kinMostMinutes = 240
	kinMostOthers  = 20
	kinLeastOthers = 1
)

// Begin makes what is known of the machine's kind its well state, before its
// first reading, of which has is what it says. Each centre counts as much as the
// spread between machines leaves it.
func (t *Tracker) Begin(k *kin.Kind, has collector.ChannelSet) {
	whole := !has.Has(collector.CompressorCurrent)
	for i := range t.prof {
		p := &t.prof[i]
		for b := range p.n {
			s, ok := k.Levels[t.levelName(ID(i), b, whole)]
			if !ok {
				continue
			}
			if p.nv == 0 {
				// As start after an hour of the machine's own.
				p.vari, p.nv = float32(s.Within*s.Within), 60
			}
			// The variance of a first reading is that of a machine's readings and
			// that between machines; observe works it out from n.
			n := float64(kinMostMinutes)
			if between := square(s.Prior()); between > 0 {
				n = math.Min(alikeMinutes*p.variance(floors[i])/between-1, kinMostMinutes)
			}
			p.n[b] = float32(n)
			if p.n[b] == 0 {
				p.n[b] = 0.01 // 0 says that nothing is known
			}
			p.mean[b] = float32(s.Centre)
			p.ofKind |= 1 << b
		}
	}
	for _, q := range t.kinScalars(has.Has(collector.Ambient)) {
		s, ok := k.Levels[q.name]
		if !ok {
			continue
		}
		within, between := square(s.Within), square(s.Prior())
		n := float64(kinMostOthers)
		if between > 0 {
			n = math.Max(kinLeastOthers, math.Min(3*(within+q.floor*q.floor)/between, kinMostOthers))
		}
		*q.s = scalar{mean: float32(s.Centre + q.offset), vari: float32(within + between), n: float32(n)}
	}
	t.ofKind = true
}

func square(x float64) float64 { return x * x }

// ofOwn takes bin b's well state from its nearest earlier neighbour that the
// machine has filled itself, as start does, where that says more than the kind: a
// machine is more like itself than like others.
func (p *profile) ofOwn(b int) {
	if p.ofKind&(1<<(b+bins)) != 0 {
		return
	}
	p.ofKind |= 1 << (b + bins)
	for d := 1; b-d >= 0; d++ {
		if p.ofKind&(1<<(b-d+bins)) != 0 && p.n[b-d] > 10 {
			if n := min(p.n[b-d], 8); n > p.n[b] {
				p.mean[b], p.n[b] = p.mean[b-d], n
				p.ofKind &^= 1 << b
			}
			return
		}
	}
}
