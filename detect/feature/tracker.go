package feature

import (
	"math"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/runstate"
)

// bins split the time since a start or stop; edges in minutes.
const bins = 4

var edges = [bins]float32{3, 7, 13, 25}

func binOf(minutes float64) int {
	for b := bins - 1; b >= 0; b-- {
		if minutes >= float64(edges[b]) {
			return b
		}
	}
	return -1
}

// profile is one quantity's well state by time since the last start or stop,
// and how it stands now against it. 100 bytes.
type profile struct {
	mean [bins]float32
	n    [bins]float32 // minutes of well life behind the mean, capped
	vari float32       // variance about the bin's mean
	nv   float32       // minutes behind the variance

	fast, fastW float32 // mean z of late, and the weight behind it
	slow, slowW float32
	raw         float32 // mean level of late, not standardised
	bin         int8
	offSince    int32 // Unix time since which it has stood off
	at          collector.Millis
}

const (
	fastTau  = 12.0     // min in the carrying state
	slowTau  = 5 * 60.0 // min
	capMean  = 20 * 600 // min of well life: the mean stops following after so much
	priorMin = 40.0     // min that a prior variance is worth
)

// observe takes a level x in bin b lasting dt minutes. floor is the standard
// deviation that the sensors and life leave at the least, between the spread
// between machines that the first hours stand on, well the probability that
// the machine is well, by which the well state learns.
func (p *profile) observe(x float64, b int, dt, well, floor float64, at collector.Millis) {
	f := float32(x)
	if p.n[b] == 0 {
		p.mean[b] = p.start(b, f)
	}
	r := float64(f - p.mean[b])
	s2 := p.variance(floor) * (1 + 15/(float64(p.n[b])+1))
	z := r / math.Sqrt(s2)
	zc := math.Max(-40, math.Min(40, z))

	kf := float32(1 - math.Exp(-dt/fastTau))
	p.fast += kf * (float32(zc) - p.fast)
	p.fastW += kf * (1 - p.fastW)
	p.raw += max(kf, 1/(1+p.fastW*20)) * (f - p.raw)
	ks := float32(1 - math.Exp(-dt/slowTau))
	p.slow += ks * (float32(math.Max(-8, math.Min(8, zc))) - p.slow)
	p.slowW += ks * (1 - p.slowW)
	p.at, p.bin = at, int8(b)
	if math.Abs(float64(p.fast)) < 2*float64(p.fastW) || p.offSince == 0 {
		p.offSince = int32(at / 1000)
	}

	// Learn, by how sure it is that this is the well machine, and never from
	// what stands far off: a slow fault must not become the new normal.
	w := dt * well
	if p.n[b] > 60 && math.Abs(z) > 4 {
		w *= 16 / (z * z)
	}
	if w <= 0 {
		return
	}
	p.n[b] = min(p.n[b]+float32(w), capMean)
	p.mean[b] += float32(w) / p.n[b] * (f - p.mean[b])
	p.nv = min(p.nv+float32(w), capMean)
	rr := min(float32(r*r), float32(16*s2))
	p.vari += float32(w) / (p.nv + priorMin) * (rr - p.vari)
}

// start guesses an unseen bin from its nearest neighbour.
func (p *profile) start(b int, x float32) float32 {
	for d := 1; d < bins; d++ {
		if b-d >= 0 && p.n[b-d] > 10 {
			return p.mean[b-d]/2 + x/2
		}
	}
	return x
}

func (p *profile) variance(floor float64) float64 {
	prior := 2.25 * floor * floor
	v := (float64(p.vari)*(float64(p.nv)+priorMin) + prior*priorMin) / (float64(p.nv) + 2*priorMin)
	return math.Max(v, floor*floor)
}

// learnt returns the minutes of well life behind the profile.
func (p *profile) learnt() float64 {
	var n float32
	for _, k := range p.n {
		n = max(n, k)
	}
	return float64(n)
}

// Normal returns the well level in the bin that has most behind it, and its
// standard deviation.
func (p *profile) normal(floor float64) (mean, sd float64) {
	b := 0
	for i := range p.n {
		if p.n[i] > p.n[b] {
			b = i
		}
	}
	return float64(p.mean[b]), math.Sqrt(p.variance(floor))
}

// scalar is a quantity's well state without a profile.
type scalar struct{ mean, vari, n float32 }

func (s *scalar) learn(x, w, cap float64) {
	if w <= 0 {
		return
	}
	if s.n == 0 {
		s.mean = float32(x)
	}
	s.n = min(s.n+float32(w), float32(cap))
	d := float32(x) - s.mean
	s.mean += float32(w) / s.n * d
	s.vari += float32(w) / (s.n + 3) * (d*d - s.vari)
}

func (s *scalar) z(x, floor float64) float64 {
	v := float64(s.vari) + floor*floor*(1+3/(float64(s.n)+0.5))
	return (x - float64(s.mean)) / math.Sqrt(v)
}

// decay is a mean that forgets with a time constant.
type decay struct{ v, w float32 }

func (d *decay) add(x, dt, tau float64) {
	k := float32(1 - math.Exp(-dt/tau))
	d.w += k * (1 - d.w)
	d.v += k / max(d.w, 1e-6) * (float32(x) - d.v)
}

// Tracker keeps one machine's well state and how it stands now. It is a value
// of fixed size.
type Tracker struct {
	Run runstate.State

	spec struct {
		setpoint, differential float32
		fan                    fleet.FanControl
	}
	prof [NumProfiles]profile

	last                      collector.Millis
	first                     collector.Millis
	seen                      collector.ChannelSet
	lastAt                    [collector.NumChannels]collector.Millis
	latest                    [collector.NumChannels]float32
	anchorAt                  collector.Millis
	anchorAir                 float32
	anchorRun                 bool
	runLen, offLen            scalar
	lastRunZ, lastOffZ        float32
	lastRunAt, lastOffAt      collector.Millis
	frac2, frac3, frac10      decay
	dT2, dT3, dT10            decay
	load2, load10             scalar
	cutIn, cutOut             scalar // air at starts and stops
	recentIn, recentOut       decay
	nIn, nOut                 float32
	air5, air20, air80, air90 decay
	airMean, airTrend         scalar
	starts                    float32 // decayed count, per hour
	startBase                 scalar
	shortStops                decay
	inrush, failed            float32
	offWarm, runCold, runWarm float32
	callNoRun, noCallWarm     float32
	callCold                  float32
	doorOpenFor               float32
	doorShare                 decay
	noSupply                  float32
	volts                     scalar
	volt5                     decay
	habit                     [24]float32 // share of days it stood warm, by UTC hour
	habitWarm                 float32     // minutes of this hour it stood warm
	habitHour                 int8
	warmedAt                  collector.Millis // last time warm load or warm air came in at once
	disturbed                 collector.Millis // last long opening or warm load
	wellMinutes               float32
	sensor                    sensors
}

// New returns a tracker for a machine as the fleet file describes it.
func New(m *fleet.Machine) Tracker {
	var t Tracker
	t.spec.fan = m.EvaporatorFan
	// Where the file does not say, a drinks cabinet holds about 3 °C with a
	// differential of about 3.5 K (common practice, no source).
	t.spec.setpoint, t.spec.differential = 3.2, 3.5
	known := float32(0.5)
	if m.Setpoint != nil {
		t.spec.setpoint, known = float32(*m.Setpoint), 2
	}
	if m.Differential != nil {
		t.spec.differential = float32(*m.Differential)
	}
	// The thermostat's own temperature is not the air's: a starting point only.
	t.cutIn = scalar{t.spec.setpoint + t.spec.differential/2, 1, known}
	t.cutOut = scalar{t.spec.setpoint - t.spec.differential/2, 1, known}
	return t
}

// floors are the least standard deviations believed of the profile features:
// quantisation, lag and the little life that the first hours do not show.
var floors = [NumProfiles]float64{
	AirCoil: 0.5, AirCoilIn: 0.6, CoilSpread: 0.4, CondLift: 0.8, Current: 0.025, SupplyGap: 0.35, ShellLift: 2,
	EvapFanRun: 0.04, CondFanRun: 0.04, EvapSpeedRun: 0.03, CondSpeedRun: 0.03, RunSlope: 1.2, OffSlope: 0.05,
	OffCoilGap: 0.35, EvapFanOff: 0.04, MainsOff: 0.06, OffSupplyGap: 0.3,
}

// currentPerKelvin is how the logarithm of compressor current follows ambient
// through the condensing pressure: pooled over machines, 1/K.
const currentPerKelvin = 0.006

// Observe takes the next reading in event order. well is the probability that
// the machine is well now; the standard learns by it.
func (t *Tracker) Observe(r *collector.Reading, well float64) {
	if t.first == 0 {
		t.first, t.last = r.At, r.At
	}
	dt := float64(r.At-t.last) / 60000
	t.last = r.At
	gap := dt > 15
	if gap {
		dt = 0 // what happened in the gap is unknown
		t.anchorAt = 0
	}
	t.seen |= r.Has
	for c := range r.Has.All {
		t.latest[c], t.lastAt[c] = float32(r.Value[c]), r.At
	}
	t.wellMinutes += float32(dt * well)
	ev := t.Run.Observe(r)
	t.sensor.observe(t, r, dt)
	t.decayCounts(dt)
	t.cycle(r, ev, well)
	t.supply(r, dt, well)
	if r.Has.Has(collector.CabinetAir) && !t.sensor.bad(collector.CabinetAir) {
		t.air(r, dt, well)
	}
	t.door(r, dt)
	t.profiles(r, dt, well)
}

func (t *Tracker) ambient() (float64, bool) {
	if t.lastAt[collector.Ambient] == 0 || t.last-t.lastAt[collector.Ambient] > 30*60000 || t.sensor.bad(collector.Ambient) {
		return 0, false
	}
	return float64(t.latest[collector.Ambient]), true
}

func (t *Tracker) decayCounts(dt float64) {
	k := float32(math.Exp(-dt / 60))
	t.starts *= k
	t.inrush *= k
	t.failed *= k
}

// cycle follows starts and stops.
func (t *Tracker) cycle(r *collector.Reading, ev runstate.Event, well float64) {
	air, hasAir := r.Celsius(collector.CabinetAir)
	hasAir = hasAir && !t.sensor.bad(collector.CabinetAir)
	if t.Run.Inrush() {
		t.inrush++
	}
	span := math.Max(float64(t.cutIn.mean-t.cutOut.mean), 0.8)
	switch ev {
	case runstate.Started:
		t.starts++
		if x := float64(t.Run.LastOff); x > 0.5 {
			l := math.Log(x)
			t.lastOffZ, t.lastOffAt = float32(t.offLen.z(l, 0.25)), r.At
			t.offLen.learn(l, well, 200)
		}
		if hasAir {
			t.recentIn.add(float64(air), 1, 3)
			t.nIn++
			if math.Abs(float64(air)-float64(t.cutIn.mean)) < 3+2*span {
				t.cutIn.learn(float64(air), well, 60)
			}
		}
	case runstate.Stopped, runstate.FailedStart:
		if ev == runstate.FailedStart {
			t.failed++
		}
		if x := float64(t.Run.LastRun); x > 0.5 {
			l := math.Log(x)
			t.lastRunZ, t.lastRunAt = float32(t.runLen.z(l, 0.25)), r.At
			t.runLen.learn(l, well, 200)
		}
		if hasAir {
			short := 0.0
			if float64(air) > float64(t.cutOut.mean)+0.5*span {
				short = 1
			}
			t.shortStops.add(short, 1, 3)
			t.recentOut.add(float64(air), 1, 3)
			t.nOut++
			if math.Abs(float64(air)-float64(t.cutOut.mean)) < 3+2*span {
				t.cutOut.learn(float64(air), well, 60)
			}
		}
	}
	if ev != runstate.None {
		t.anchorAt = 0
	}
}

// supply watches for signs of mains supply.
func (t *Tracker) supply(r *collector.Reading, dt, well float64) {
	dead, sign := false, false
	if r.Has.Has(collector.MainsVoltage) {
		v := r.Value[collector.MainsVoltage]
		sign, dead = true, v < 40
		if !dead {
			t.volt5.add(v, math.Max(dt, 0.2), 5)
			t.volts.learn(v, dt*well/10, 200)
		}
	} else if r.Has.Has(collector.MainsCurrent) {
		a := r.Value[collector.MainsCurrent]
		sign, dead = true, a < 0.02 && (t.prof[MainsOff].learnt() < 10 || t.prof[MainsOff].mean[bins-1] > -3)
	} else if r.Has.Has(collector.EvapFanCurrent) && r.Has.Has(collector.CompressorCurrent) && t.continuousFan() {
		dead = r.Value[collector.EvapFanCurrent] < 0.005 && r.Value[collector.CompressorCurrent] < 0.02
		sign = true
	}
	if !sign {
		return
	}
	if dead {
		t.noSupply += float32(math.Max(dt, 0.5))
	} else {
		t.noSupply = 0
	}
}

func (t *Tracker) continuousFan() bool {
	p := &t.prof[EvapFanOff]
	return t.spec.fan == fleet.FanContinuous || p.learnt() > 60 && p.mean[bins-1] > -3.5
}

// air follows the cabinet air's level against the machine's own band.
func (t *Tracker) air(r *collector.Reading, dt, well float64) {
	a := r.Value[collector.CabinetAir]
	d := math.Max(dt, 0.1)
	t.air5.add(a, d, 4)
	t.air20.add(a, d, 20)
	t.air80.add(a, d, 80)
	t.air90.add(a, d, 90)
	if dt > 0 {
		t.airMean.learn(float64(t.air90.v), dt*well/30, 400)
		t.airTrend.learn(float64(t.air20.v-t.air80.v), dt*well/20, 600)
	}
	// What lifts the air so fast is not a leak but a door and what came in by it.
	if t.air5.v-t.air20.v > 2.5 {
		t.warmedAt = r.At
	}
	t.habits(r.At, a > float64(t.cutIn.mean)+0.8, dt)
	in, out := float64(t.cutIn.mean), float64(t.cutOut.mean)
	high, low := a > in+0.8, a < out-0.7
	if t.Run.Known {
		grow(&t.offWarm, !t.Run.Running && high, t.Run.Running && t.Run.Minutes(r.At) > 4 || a < in, dt)
		grow(&t.runWarm, t.Run.Running && high, a < in+0.3, dt)
		grow(&t.runCold, t.Run.Running && low, !t.Run.Running || a > out-0.2, dt)
		run := 0.0
		if t.Run.Running {
			run = 1
		}
		t.frac2.add(run, d, 120)
		t.frac3.add(run, d, 180)
		t.frac10.add(run, d, 600)
		if amb, ok := t.ambient(); ok {
			x := math.Max(amb-a, 2)
			t.dT2.add(x, d, 120)
			t.dT3.add(x, d, 180)
			t.dT10.add(x, d, 600)
		}
		if dt > 0 && t.frac2.w > 0.9 {
			t.load2.learn(t.load(&t.frac2, &t.dT2), dt*well/60, 300)
		}
		if dt > 0 && t.frac10.w > 0.8 {
			t.load10.learn(t.load(&t.frac10, &t.dT10), dt*well/200, 100)
		}
		if dt > 0 {
			t.startBase.learn(math.Log(float64(t.starts)+0.3), dt*well/60, 300)
		}
	}
	if t.lastAt[collector.CompressorCall] == r.At {
		call := r.Value[collector.CompressorCall] > 0.5
		if t.Run.Known {
			grow(&t.callNoRun, call && !t.Run.Running, !call || t.Run.Running && !t.Run.Inrush(), dt)
		}
		grow(&t.noCallWarm, !call && high, call || a < in, dt)
		grow(&t.callCold, call && low, !call || a > out-0.2, dt)
	}
}

// grow adds to a duration while a condition holds and takes it back when its
// contrary does; between the two it stays.
func grow(m *float32, on, off bool, dt float64) {
	switch {
	case on:
		*m += float32(dt)
	case off:
		*m = 0
	}
}

// load is the logarithm of the share of capacity that a kelvin of ambient over
// air takes; without an ambient channel, of the share alone.
func (t *Tracker) load(frac, dT *decay) float64 {
	f := math.Min(math.Max(float64(frac.v), 0.02), 0.995)
	if dT.w > 0 {
		return math.Log(f / float64(dT.v) * 20)
	}
	return math.Log(f)
}

func (t *Tracker) door(r *collector.Reading, dt float64) {
	if !r.Has.Has(collector.Door) {
		return
	}
	open := r.Value[collector.Door] > 0.5
	if open {
		t.doorOpenFor += float32(math.Max(dt, 0.2))
		t.doorShare.add(1, dt, 60)
		if t.doorOpenFor > 4 {
			t.disturbed, t.warmedAt = r.At, r.At
		}
		return
	}
	t.doorOpenFor = 0
	t.doorShare.add(0, dt, 60)
}

// profiles takes the quantities that have a profile.
func (t *Tracker) profiles(r *collector.Reading, dt, well float64) {
	if !t.Run.Known || dt <= 0 {
		return
	}
	m := t.Run.Minutes(r.At)
	b := binOf(m)
	if b < 0 {
		return
	}
	running := t.Run.Running
	ok := func(c collector.Channel) bool { return r.Has.Has(c) && !t.sensor.bad(c) }
	v := func(c collector.Channel) float64 { return r.Value[c] }
	obs := func(p ID, x float64) { t.prof[p].observe(x, b, dt, well, floors[p], r.At) }
	air, amb := ok(collector.CabinetAir), ok(collector.Ambient)
	if running {
		if air && ok(collector.CoilOut) {
			obs(AirCoil, v(collector.CabinetAir)-v(collector.CoilOut))
		}
		if air && ok(collector.CoilIn) {
			obs(AirCoilIn, v(collector.CabinetAir)-v(collector.CoilIn))
		}
		if ok(collector.CoilIn) && ok(collector.CoilOut) {
			obs(CoilSpread, v(collector.CoilOut)-v(collector.CoilIn))
		}
		if ok(collector.Condenser) && amb {
			obs(CondLift, v(collector.Condenser)-v(collector.Ambient))
		}
		if air && ok(collector.SupplyAir) {
			obs(SupplyGap, v(collector.CabinetAir)-v(collector.SupplyAir))
		}
		t.currents(r, b, dt, well, amb)
		if ok(collector.EvapFanCurrent) {
			obs(EvapFanRun, math.Log(v(collector.EvapFanCurrent)+0.004))
		}
		if ok(collector.CondFanCurrent) {
			obs(CondFanRun, math.Log(v(collector.CondFanCurrent)+0.004))
		}
		if ok(collector.EvapFanSpeed) {
			obs(EvapSpeedRun, v(collector.EvapFanSpeed)/1500)
		}
		if ok(collector.CondFanSpeed) {
			obs(CondSpeedRun, v(collector.CondFanSpeed)/1500)
		}
	} else {
		if air && ok(collector.CoilOut) {
			obs(OffCoilGap, v(collector.CabinetAir)-v(collector.CoilOut))
		}
		if air && ok(collector.SupplyAir) {
			obs(OffSupplyGap, v(collector.CabinetAir)-v(collector.SupplyAir))
		}
		if ok(collector.EvapFanCurrent) {
			obs(EvapFanOff, math.Log(v(collector.EvapFanCurrent)+0.004))
		}
		if ok(collector.MainsCurrent) {
			obs(MainsOff, math.Log(v(collector.MainsCurrent)+0.02))
		}
	}
	if ok(collector.CompressorShell) && amb {
		obs(ShellLift, v(collector.CompressorShell)-v(collector.Ambient))
	}
	if air {
		t.slopes(r, b, well)
	}
}

func (t *Tracker) currents(r *collector.Reading, b int, dt, well float64, amb bool) {
	if t.Run.Inrush() {
		return
	}
	a := 0.0
	switch src, _ := t.Run.Source(); src {
	case collector.CompressorCurrent:
		a = r.Value[collector.CompressorCurrent]
	case collector.MainsCurrent:
		a = r.Value[collector.MainsCurrent]
	}
	if a <= 0.05 || !r.Has.Has(collector.CompressorCurrent) && !r.Has.Has(collector.MainsCurrent) {
		return
	}
	x := math.Log(a)
	if amb {
		x -= currentPerKelvin * (r.Value[collector.Ambient] - 25)
	}
	t.prof[Current].observe(x, b, dt, well, floors[Current], r.At)
}

// slopes measures the air's slope over at least five minutes in one state, so
// that quantisation does not drown it.
func (t *Tracker) slopes(r *collector.Reading, b int, well float64) {
	a := float32(r.Value[collector.CabinetAir])
	if t.anchorAt == 0 || t.anchorRun != t.Run.Running {
		t.anchorAt, t.anchorAir, t.anchorRun = r.At, a, t.Run.Running
		return
	}
	h := float64(r.At-t.anchorAt) / 3600000
	if h < 5.0/60 {
		return
	}
	s := float64(a-t.anchorAir) / h
	if t.Run.Running {
		t.prof[RunSlope].observe(s, b, h*60, well, floors[RunSlope], r.At)
	} else {
		x := 20.0
		if amb, ok := t.ambient(); ok {
			x = math.Max(amb-float64(a), 4)
		}
		t.prof[OffSlope].observe(s/x, b, h*60, well, floors[OffSlope], r.At)
	}
	t.anchorAt, t.anchorAir = r.At, a
}

// Suspect reports whether a channel contradicts itself too much to be used.
func (t *Tracker) Suspect(c collector.Channel) bool { return t.sensor.bad(c) }

// Resettle lets the learned band follow quickly: the setpoint was moved.
func (t *Tracker) Resettle() {
	for _, s := range []*scalar{&t.cutIn, &t.cutOut, &t.runLen, &t.offLen, &t.startBase} {
		s.n = min(s.n, 6)
	}
	for _, s := range []*scalar{&t.airMean, &t.load2, &t.load10} {
		s.n = min(s.n, 12)
	}
}

// Latest returns the newest value of every channel heard.
func (t *Tracker) Latest() (has collector.ChannelSet, v [collector.NumChannels]float64) {
	for c := range t.seen.All {
		v[c] = math.Round(float64(t.latest[c])*1000) / 1000
	}
	return t.seen, v
}

// RunFraction returns the share of the last hours that the compressor ran.
func (t *Tracker) RunFraction() float64 { return float64(t.frac10.v) }

// Band returns the learned cut-in and cut-out of the air, °C.
func (t *Tracker) Band() (in, out float64, ok bool) {
	return float64(t.cutIn.mean), float64(t.cutOut.mean), t.cutIn.n > 4 && t.cutOut.n > 4
}

// CalledNotRunning reports whether the thermostat calls and nothing runs.
func (t *Tracker) CalledNotRunning() bool { return t.callNoRun > 1 }

// NoSupplyMinutes returns for how long there has been no sign of supply.
func (t *Tracker) NoSupplyMinutes() float64 { return float64(t.noSupply) }

// AmbientNow returns the ambient, °C, where it is measured and believed.
func (t *Tracker) AmbientNow() (float64, bool) { return t.ambient() }

// NormalAir returns the machine's own mean air, °C; NaN while unknown.
func (t *Tracker) NormalAir() float64 {
	if t.airMean.n < 5 {
		return math.NaN()
	}
	return float64(t.airMean.mean)
}

// habits learns at which hours of the day the machine is let stand warm: an
// energy saver does so every night, a fault does not keep hours.
func (t *Tracker) habits(at collector.Millis, warm bool, dt float64) {
	h := int8(at / 3600000 % 24)
	if h != t.habitHour {
		share := min(t.habitWarm/20, 1)
		k := float32(0.3)
		t.habit[t.habitHour] += k * (share - t.habit[t.habitHour])
		t.habitHour, t.habitWarm = h, 0
	}
	if warm {
		t.habitWarm += float32(dt)
	}
}

// Trust is how far the machine's own standard can be believed, 0 to 1: it
// takes half a day of well life to see what the day does to it.
func (t *Tracker) Trust() float64 {
	const halfDay = 12 * 60 // min
	trust := 0.35 + 0.65*math.Min(float64(t.wellMinutes)/halfDay, 1)
	if t.air5.w == 0 {
		trust /= 4 // without the air nobody can say whether it cools
	}
	return trust
}

// pullDown is how long a cabinet full of warm product may take to come back
// to its band, hours (common practice, no source).
const pullDown = 14

// PullingDown reports whether warm product or a long opening may still explain
// a high load at event time at.
func (t *Tracker) PullingDown(at collector.Millis) bool {
	return t.warmedAt != 0 && at-t.warmedAt < pullDown*3600000
}

// WarmMinutes returns for how long the door has been open, or the compressor
// has run without getting the air down, whichever is longer.
func (t *Tracker) WarmMinutes() float64 { return float64(max(t.doorOpenFor, t.runWarm)) }

// DoorShut reports whether a door switch says that the door is shut, and has
// said so for the last hour.
func (t *Tracker) DoorShut() bool {
	return t.seen.Has(collector.Door) && t.doorOpenFor == 0 && t.doorShare.v < 0.05
}
