package simulate

import (
	"math"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

const gridSeconds = 300.0 // of limits and blocks

// record gathers the truth of one machine while it runs.
type record struct {
	limits    fleet.Limits
	hourly    []hour
	episodes  []episodeTruth
	outs      [][2]float64 // s: product out of limits without a fault (or with, where there is no twin)
	ices      [][2]float64 // s: coil iced over without a fault
	gaps      [][2]float64
	lastHeard float64
	twinBlock float64
	tooWarm   float64 // h above 5 °C
	materials []watch
	sinceGrid float64
	recover   []recovery
	defrosts  [][2]float64 // s
}

type hour struct {
	warm, cold, run, room float64
	n                     int
}

type episodeTruth struct {
	material    float64 // s; <0 none
	limit       float64
	side        string
	confounded  bool
	shared      bool
	outAtOnset  bool
	block       float64
	trips       int
	trips0      int
	iced        float64
	tripped     float64
	hoursAbove5 float64
	begun       bool
}

// recovery is the time from a fault's end until the product is back in.
type recovery struct {
	from, to float64
	done     bool
}

// watch compares one quantity of the machine with its twin's.
type watch struct {
	name       string
	base       float64 // difference that can be measured
	tau        float64 // s
	real, twin float64
	sd, mean   float64 // of the twin's own swing
	n          float64
	on         func(m *Machine) (real, twin float64, ok bool)
	relative   bool
}

func newRecord(m *Machine, days int) *record {
	r := &record{hourly: make([]hour, days*24), episodes: make([]episodeTruth, len(m.Episodes)), limits: limitsOf(m.Design.Product)}
	for i := range r.hourly {
		r.hourly[i].warm, r.hourly[i].cold = math.Inf(-1), math.Inf(1)
	}
	for i := range r.episodes {
		r.episodes[i] = episodeTruth{material: -1, limit: -1, iced: -1, tripped: -1}
	}
	has := m.sampler.Has
	felt := func(c collector.Channel) func(m *Machine) (float64, float64, bool) {
		return func(m *Machine) (float64, float64, bool) {
			return m.sampler.probes[c].felt, m.twinSampler.probes[c].felt, true
		}
	}
	running := func(c, minus collector.Channel) func(m *Machine) (float64, float64, bool) {
		return func(m *Machine) (float64, float64, bool) {
			a, b := &m.sampler.probes, &m.twinSampler.probes
			x, y := a[c].felt, b[c].felt
			if minus != c {
				x, y = x-a[minus].felt, y-b[minus].felt
			}
			return x, y, m.real.Running && m.twin.Running && m.real.onFor > 240 && m.twin.onFor > 240
		}
	}
	add := func(w watch) { r.materials = append(r.materials, w) }
	for c := range has.All {
		switch {
		case c.IsTemperature() && c != collector.Ambient && c != collector.CompressorShell:
			base := 1.0
			if c == collector.Condenser {
				base = 2.5
			}
			add(watch{name: c.String(), base: base, tau: 3600, on: felt(c)})
		case c == collector.CompressorCurrent || c == collector.MainsCurrent:
			add(watch{name: "run", base: 0.12, tau: 3600, on: func(m *Machine) (float64, float64, bool) {
				return truthOf(m.real.Running), truthOf(m.twin.Running), true
			}})
			add(watch{name: c.String(), base: 0.06, tau: 900, relative: true, on: running(c, c)})
			add(watch{name: "inrush", base: 0.3, tau: 600, on: func(m *Machine) (float64, float64, bool) {
				return truthOf(m.real.Locked), truthOf(m.twin.Locked), true
			}})
		case c == collector.CompressorCall:
			add(watch{name: "call", base: 0.2, tau: 1800, on: felt(c)})
		case c == collector.Door:
			add(watch{name: "door", base: 0.4, tau: 240, on: felt(c)})
		case c == collector.EvapFanCurrent || c == collector.CondFanCurrent || c == collector.EvapFanSpeed || c == collector.CondFanSpeed:
			add(watch{name: c.String(), base: 0.15, tau: 240, relative: true, on: running(c, c)})
		case c == collector.MainsVoltage:
			add(watch{name: "volts", base: 20, tau: 60, on: felt(c)})
		}
	}
	if has.Has(collector.CoilOut) {
		add(watch{name: "air-coil", base: 1.2, tau: 900, on: running(collector.CabinetAir, collector.CoilOut)})
		if has.Has(collector.CoilIn) {
			add(watch{name: "spread", base: 1.2, tau: 900, on: running(collector.CoilOut, collector.CoilIn)})
		}
	}
	if has.Has(collector.Condenser) && has.Has(collector.Ambient) {
		add(watch{name: "lift", base: 2, tau: 600, on: running(collector.Condenser, collector.Ambient)})
	}
	if has.Has(collector.SupplyAir) {
		add(watch{name: "gap", base: 1.2, tau: 900, on: running(collector.CabinetAir, collector.SupplyAir)})
	}
	return r
}

func limitsOf(p fleet.Product) fleet.Limits {
	if p == fleet.SealedBeverage {
		return fleet.Limits{Warm: 7, Cold: -1}
	}
	return fleet.Limits{Warm: 5, Cold: -1}
}

func (r *record) out(c *Cabinet) (string, bool) {
	switch {
	case c.Warmest() > float64(r.limits.Warm):
		return "warm", true
	case c.Coldest() < float64(r.limits.Cold):
		return "cold", true
	}
	return "", false
}

// step takes the state after a step; m.now is its time.
func (r *record) step(m *Machine) {
	if r == nil {
		return
	}
	t := m.now
	if h := int((t - 1) / 3600); h < len(r.hourly) {
		x := &r.hourly[h]
		x.warm, x.cold = math.Max(x.warm, m.real.Warmest()), math.Min(x.cold, m.real.Coldest())
		x.run += truthOf(m.real.Running)
		x.room += m.world.Room
		x.n++
	}
	if m.real.Defrosting {
		if n := len(r.defrosts); n == 0 || r.defrosts[n-1][1] < t-1.5*stepSeconds {
			r.defrosts = append(r.defrosts, [2]float64{t - stepSeconds, t})
		} else {
			r.defrosts[n-1][1] = t
		}
	}
	if m.twin != nil {
		r.compare(m, t)
	}
	r.sinceGrid += stepSeconds
	if r.sinceGrid >= gridSeconds {
		r.sinceGrid = 0
		r.grid(m, t)
	}
}

func (r *record) compare(m *Machine, t float64) {
	apart := math.Abs(m.real.Warmest()-m.twin.Warmest()) > 1 || math.Abs(m.real.Coldest()-m.twin.Coldest()) > 1
	for i := range r.materials {
		w := &r.materials[i]
		x, y, ok := w.on(m)
		if !ok {
			continue
		}
		a := stepSeconds / w.tau
		if w.n == 0 {
			w.real, w.twin, w.mean = x, y, y
		}
		w.real += a * (x - w.real)
		w.twin += a * (y - w.twin)
		w.n++
		// How much the twin's own average swings within a day.
		slow := stepSeconds / 43200.0
		w.mean += slow * (w.twin - w.mean)
		w.sd += slow * ((w.twin-w.mean)*(w.twin-w.mean) - w.sd)
		need := w.base
		if w.relative {
			need *= math.Abs(w.twin) + 0.01
		}
		need += 1.5 * math.Sqrt(w.sd)
		if w.relative || w.tau < 1000 {
			need -= 0.5 * math.Sqrt(w.sd)
		}
		if math.Abs(w.real-w.twin) > need {
			apart = true
		}
	}
	if !apart {
		return
	}
	for i := range m.Episodes {
		ep, tr := &m.Episodes[i], &r.episodes[i]
		if ep.Physical() && tr.material < 0 && t > ep.Onset && t < ep.End {
			tr.material = t
		}
	}
}

// grid looks at limits, ice and trips every gridSeconds.
func (r *record) grid(m *Machine, t float64) {
	well := m.real
	if m.twin != nil {
		well = m.twin
	}
	r.twinBlock = math.Max(r.twinBlock, well.Blocked())
	r.ices = lengthened(r.ices, t, well.Blocked() > icedToTheEye)
	side, out := r.out(m.real)
	_, wellOut := r.out(well)
	r.outs = lengthened(r.outs, t, wellOut)
	if m.real.Warmest() > 5 {
		r.tooWarm += gridSeconds / 3600
	}
	for i := range m.Episodes {
		ep, tr := &m.Episodes[i], &r.episodes[i]
		if !ep.Physical() || t < ep.Onset {
			continue
		}
		if !tr.begun {
			tr.begun, tr.outAtOnset, tr.trips0 = true, out && !ep.Preexisting, m.real.Trips
		}
		if t >= ep.End {
			continue
		}
		tr.block = math.Max(tr.block, m.real.Blocked())
		tr.trips = m.real.Trips - tr.trips0
		if m.real.Blocked() > 0.45 && tr.iced < 0 {
			tr.iced = t
		}
		if tr.trips >= 2 && tr.tripped < 0 {
			tr.tripped = t
		}
		if m.real.Warmest() > 5 {
			tr.hoursAbove5 += gridSeconds / 3600
		}
		if out && tr.limit < 0 {
			if wellOut {
				tr.shared = true
			} else if !tr.outAtOnset {
				tr.limit, tr.side = t, side
				n := len(r.outs)
				tr.confounded = n > 0 && r.outs[n-1][1] > t-12*3600
			}
		}
	}
	// After a fault the product needs time to come back.
	for i := range m.Episodes {
		ep := &m.Episodes[i]
		if math.IsInf(ep.End, 1) || t < ep.End || t-ep.End > gridSeconds {
			continue
		}
		r.recover = append(r.recover, recovery{from: ep.End - 3600, to: ep.End + 2*3600})
	}
	for i := range r.recover {
		x := &r.recover[i]
		if x.done {
			continue
		}
		if out || m.real.Blocked() > 0.3 || t < x.from+3*3600 || m.twin != nil && math.Abs(m.real.Product[1]-m.twin.Product[1]) > 1 {
			x.to = t + 7200
		} else if t > x.to {
			x.done = true
		}
	}
}

// lengthened takes in that something is so at t, s, in the newest of times that lie an
// hour apart.
func lengthened(times [][2]float64, t float64, is bool) [][2]float64 {
	switch n := len(times); {
	case !is:
	case n > 0 && times[n-1][1] >= t-3600:
		times[n-1][1] = t
	default:
		times = append(times, [2]float64{t, t})
	}
	return times
}

// heard takes the messages sent in a step.
func (r *record) heard(list []Message) {
	if r == nil {
		return
	}
	for i := range list {
		if list[i].Status {
			continue
		}
		t := list[i].Received
		if t > r.lastHeard {
			if t-r.lastHeard > 1200 {
				r.gaps = append(r.gaps, [2]float64{r.lastHeard, t})
			}
			r.lastHeard = t
		}
	}
}

// aliases are the other names that this machine's channels cannot tell from the
// fault.
func aliases(ep *Episode, has collector.ChannelSet, battery bool) []fault.Fault {
	evap := has.Has(collector.EvapFanCurrent) || has.Has(collector.EvapFanSpeed)
	cond := has.Has(collector.CondFanCurrent) || has.Has(collector.CondFanSpeed)
	call := has.Has(collector.CompressorCall)
	coil := has.Has(collector.CoilOut) || has.Has(collector.CoilIn)
	head := has.Has(collector.Condenser)
	amps := has.Has(collector.CompressorCurrent) || has.Has(collector.MainsCurrent)
	var a []fault.Fault
	switch ep.Fault {
	case fault.EvaporatorFanStopped:
		if !evap {
			a = append(a, fault.CoilIced)
		}
		if !coil {
			a = append(a, fault.RefrigerantLow, fault.CompressorWeak)
		}
	case fault.CoilIced:
		if !evap {
			a = append(a, fault.EvaporatorFanStopped)
		}
		if !coil {
			a = append(a, fault.RefrigerantLow, fault.CompressorWeak)
		}
	case fault.CondenserFanStopped:
		if !cond {
			a = append(a, fault.CondenserBlocked)
		}
		if !head && !has.Has(collector.Ambient) {
			a = append(a, fault.CompressorNotStarting)
		}
	case fault.CondenserBlocked:
		if !cond {
			a = append(a, fault.CondenserFanStopped)
		}
	case fault.CompressorNotStarting:
		if ep.Mode == "open" && !call || !amps {
			a = append(a, fault.ThermostatStuckOff)
		}
	case fault.CompressorWeak:
		if ep.Mode == "windings" {
			a = append(a, fault.CompressorNotStarting)
		}
		if !coil || !has.Has(collector.CoilIn) && ep.Mode != "windings" {
			a = append(a, fault.RefrigerantLow)
		}
		if !coil {
			a = append(a, fault.CoilIced, fault.DoorLeak)
		}
	case fault.RefrigerantLow:
		if !coil {
			a = append(a, fault.CompressorWeak, fault.CoilIced, fault.DoorLeak)
		}
	case fault.ThermostatStuckOff:
		if !call {
			a = append(a, fault.CompressorNotStarting)
		}
	case fault.DoorOpen:
		if ep.Mode == "unseen" || !has.Has(collector.Door) {
			a = append(a, fault.DoorLeak)
		}
	case fault.DoorLeak:
		if !has.Has(collector.Door) {
			a = append(a, fault.DoorOpen)
		}
		if !coil {
			a = append(a, fault.CompressorWeak, fault.RefrigerantLow)
		}
	case fault.PowerLost:
		if !battery {
			a = append(a, fault.Silent)
		} else if !has.Has(collector.MainsVoltage) && !has.Has(collector.MainsCurrent) {
			a = append(a, fault.CompressorNotStarting, fault.ThermostatStuckOff)
		}
	case fault.Silent:
		a = append(a, fault.PowerLost)
	}
	return a
}
