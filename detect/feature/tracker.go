package feature

import (
	"math"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/forget"
	"coilward/detect/runstate"
)

// Tracker keeps one machine's well state and how it stands now. It is a value
// of fixed size.
type Tracker struct {
	Run runstate.State

	spec struct {
		setpoint, differential float32
		cold, warm             float32 // °C, between which its kind of product keeps, whatever limits are set
		fan                    fleet.FanControl
		setpointGiven          bool // in the fleet file, or supposed
		differentialGiven      bool
	}
	prof [NumProfiles]profile

	last                      collector.Millis
	first                     collector.Millis
	seen                      collector.ChannelSet
	lastAt                    [collector.NumChannels]uint32 // Unix s; 0: never
	latest                    [collector.NumChannels]float32
	anchorAt                  collector.Millis
	anchorAir                 float32
	anchorRun                 bool
	falls                     trend // of the air, in this run
	runLen, offLen            scalar
	lastRunZ, lastOffZ        float32
	lastRunAt, lastOffAt      collector.Millis
	frac2, frac3, frac10      forget.Mean
	dT2, dT3, dT10            forget.Mean
	load2, load10             scalar
	cutIn, cutOut             scalar // air at starts and stops
	recentIn, recentOut       forget.Mean
	restTop                   float32 // the warmest air since it fell last at rest
	restDips                  float32 // times the air fell by most of its band while the compressor is said to rest
	topIn                     float32 // the warmest at which it still started while well, slowly forgotten
	bottomOut                 float32 // the coldest at which it still ran then stopped, likewise
	nIn, nOut                 float32
	air5, air20, air80, air90 forget.Mean
	airMean, airTrend         scalar
	air300                    forget.Mean
	airLong                   scalar  // of air300, over days: a moved setpoint does not start it anew
	starts                    float32 // decayed count, per hour
	startBase                 scalar
	shortStops                forget.Mean
	inrush, failed            float32
	runWarm                   float32
	offWarm, runCold          spell
	runNoCool                 spell
	fellTo                    float32 // the air as it had last fallen, see noteFall
	callNoRun, noCallWarm     spell
	callCold                  spell
	doorOpenFor               float32
	pulling                   bool             // much warmer than it starts at; what is averaged until it has cooled down is of the load
	doorOpened                collector.Millis // when it was opened; 0 while shut
	doorShut                  collector.Millis // when it was last shut
	doorShare                 forget.Mean
	noSupply                  float32
	dark                      dark
	volts                     scalar
	volt5                     forget.Mean
	habit                     [24]uint8 // of 255: share of days it stood warm, by UTC hour
	habitWarm                 float32   // minutes of this hour it stood warm
	habitHour                 int8
	ofKind                    bool             // it began with what is known of its kind
	pullHours                 uint8            // h from warmedAt in which that may explain a high load
	warmedAt                  collector.Millis // last time warm load or warm air came in at once
	disturbed                 collector.Millis // last long opening or warm load
	visited                   collector.Millis // end of the last visit
	visitLong                 float32          // and its length, min
	wellMinutes               float32
	sensor                    sensors
	perKelvin                 slope            // of ln compressor current on ambient
	evapDead, condDead        float32          // minutes a fan stands though it should turn
	evapRests                 spell            // of the evaporator fan, while the compressor rests
	evapStood                 float32          // minutes the evaporator fan has stood, for whatever reason
	interrupted               collector.Millis // supply, link or door last interrupted
}

// New returns a tracker for a machine as the fleet file describes it.
func New(m *fleet.Machine) Tracker {
	var t Tracker
	t.Describe(m)
	t.offWarm.usual, t.runCold.usual, t.callNoRun.usual, t.runNoCool.usual = 8, 8, 6, 12
	t.evapRests.usual = 12 // a short defrost
	t.perKelvin = slope{prior: currentPerKelvin}
	// The thermostat's own temperature is not the air's: a starting point only.
	known := float32(0.5)
	if t.spec.setpointGiven {
		known = 2
	}
	t.cutIn = scalar{t.setIn(), 1, known}
	t.cutOut = scalar{t.setOut(), 1, known}
	return t
}

// Describe tells what the fleet file says of the machine from here on. What was learned
// of it stays.
func (t *Tracker) Describe(m *fleet.Machine) {
	t.spec.fan = m.EvaporatorFan
	// By what kind of product is kept, machines are built and set. A limit that an admin
	// moves says when to call somebody, and nothing of what is wrong with the machine.
	keeps := m.Product.Limits()
	t.spec.cold, t.spec.warm = float32(keeps.Cold), float32(keeps.Warm)
	// Where the file does not say, a drinks cabinet holds about 3 °C with a
	// differential of about 3.5 K (common practice, no source).
	t.spec.setpoint, t.spec.differential = 3.2, 3.5
	t.spec.setpointGiven, t.spec.differentialGiven = m.Setpoint != nil, m.Differential != nil
	if m.Setpoint != nil {
		t.spec.setpoint = float32(*m.Setpoint)
	}
	if m.Differential != nil {
		t.spec.differential = float32(*m.Differential)
	}
}

// longHours is over how many hours what a machine keeps is averaged to tell what creeps.
const longHours = 14 * 24

// seconds is at to the whole second, which is enough for when something was, in half
// of the room.
func seconds(at collector.Millis) uint32 { return uint32(at / 1000) }

// heard reports whether a channel has been heard of within the last ms before at.
func (t *Tracker) heard(c collector.Channel, at, within collector.Millis) bool {
	return t.lastAt[c] != 0 && at-collector.Millis(t.lastAt[c])*1000 <= within
}

// setIn and setOut return the air at which the thermostat is set, or supposed to be
// set, to start and to stop the compressor, °C.
func (t *Tracker) setIn() float32  { return t.spec.setpoint + t.spec.differential/2 }
func (t *Tracker) setOut() float32 { return t.spec.setpoint - t.spec.differential/2 }

// floors are the least standard deviations believed of the profile features:
// quantisation, lag and the little life that the first hours do not show.
var floors = [NumProfiles]float64{
	AirCoil: 0.5, AirCoilIn: 0.6, CoilSpread: 0.4, CondLift: 0.8, Current: 0.025, SupplyGap: 0.35, ShellLift: 2,
	EvapFanRun: 0.04, CondFanRun: 0.04, EvapSpeedRun: 0.03, CondSpeedRun: 0.03, RunSlope: 1.2, OffSlope: 0.05,
	OffCoilGap: 0.35, EvapFanOff: 0.04, MainsOff: 0.06, OffSupplyGap: 0.3,
}

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
		t.interrupted = r.At
	}
	t.seen |= r.Has
	for c := range r.Has.All {
		t.latest[c], t.lastAt[c] = float32(r.Value[c]), seconds(r.At)
	}
	t.wellMinutes += float32(dt * well)
	ev := t.Run.Observe(t.believed(r))
	t.sensor.observe(t, r, dt)
	t.decayCounts(dt)
	t.cycle(r, ev, well)
	t.supply(r, dt, well)
	if r.Has.Has(collector.CabinetAir) && !t.sensor.bad(collector.CabinetAir) {
		t.air(r, dt, well)
	}
	t.door(r, dt)
	t.fans(r, dt, well)
	t.profiles(r, dt, well)
}

func (t *Tracker) ambient() (float64, bool) {
	if !t.heard(collector.Ambient, t.last, 30*60000) || t.sensor.bad(collector.Ambient) {
		return 0, false
	}
	return float64(t.latest[collector.Ambient]), true
}

func (t *Tracker) decayCounts(dt float64) {
	k := float32(1 - forget.Share(dt, 60))
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
			t.recentIn.Add(float64(air), 1, 3)
			t.nIn++
			if math.Abs(float64(air)-float64(t.cutIn.mean)) < 3+2*span {
				t.cutIn.learn(float64(air), well, 60)
				t.topOfStarts(float64(t.air5.Value), well)
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
			if t.pulling && short == 0 {
				t.pulling = false
				t.Restart()
			}
			t.shortStops.Add(short, 1, 3)
			t.recentOut.Add(float64(air), 1, 3)
			t.nOut++
			if math.Abs(float64(air)-float64(t.cutOut.mean)) < 3+2*span {
				t.cutOut.learn(float64(air), well, 60)
				t.bottomOfStops(float64(t.air5.Value), well)
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
			t.volt5.Add(v, math.Max(dt, 0.2), 5)
			t.volts.learn(v, dt*well/10, 200)
		}
	} else if r.Has.Has(collector.MainsCurrent) {
		sign, dead = t.supplyByMains(r, dt)
	} else if r.Has.Has(collector.EvapFanCurrent) && r.Has.Has(collector.CompressorCurrent) && t.continuousFan() {
		dead = r.Value[collector.EvapFanCurrent] < 0.005 && r.Value[collector.CompressorCurrent] < 0.02
		sign = true
	}
	if !sign {
		return
	}
	switch {
	case dead:
		t.interrupted = r.At
		t.noSupply += float32(math.Max(dt, 0.5))
	default:
		if t.noSupply >= visitMinutes {
			t.visited, t.visitLong = r.At, t.noSupply // a plug was pulled and put back
		}
		t.noSupply = 0
	}
}

// continuousFan reports whether the evaporator fan turns while the compressor rests,
// by the fleet file or, where that does not say, by what it did in every part of a
// rest: a fan that stops with the compressor still turns in a defrost.
func (t *Tracker) continuousFan() bool {
	switch t.spec.fan {
	case fleet.FanContinuous:
		return true
	case fleet.FanWithCompressor:
		return false
	case fleet.FanDoorSwitched:
		return !t.seen.Has(collector.Door) || t.DoorShut() // unseen, an open door is short beside a lost supply
	}
	p := &t.prof[EvapFanOff]
	for b, n := range p.n {
		if n > 10 && p.mean[b] <= -3.5 {
			return false
		}
	}
	return p.learnt() > 60
}

// air follows the cabinet air's level against the machine's own band.
func (t *Tracker) air(r *collector.Reading, dt, well float64) {
	a := r.Value[collector.CabinetAir]
	d := math.Max(dt, 0.1)
	if t.air5.Weight == 0 && a > switchedOnAt {
		t.warmed(r.At, firstPullDown)
	}
	t.air5.Add(a, d, 4)
	t.air20.Add(a, d, 20)
	t.air80.Add(a, d, 80)
	t.air90.Add(a, d, 90)
	t.air300.Add(a, d, 300)
	if dt > 0 {
		t.airMean.learn(float64(t.air90.Value), dt*well/30, 400)
		t.airLong.learn(float64(t.air300.Value), dt*well/60, longHours)
		t.airTrend.learn(float64(t.air20.Value-t.air80.Value), dt*well/20, 600)
	}
	// What lifts the air so fast is not a leak but a door and what came in by it.
	if t.air5.Value-t.air20.Value > 2.5 {
		t.warmed(r.At, pullDown)
		if !t.seen.Has(collector.Door) {
			t.visited, t.visitLong = r.At, sealedMinutes // no switch tells, but only an open door warms it so
		}
	}
	t.habits(r.At, a > float64(t.cutIn.mean)+0.8, dt)
	in, out := float64(t.cutIn.mean), float64(t.cutOut.mean)
	// Cold is what goes towards freezing the product, not a tenth under the usual.
	t.atRest(r, dt)
	t.pulling = t.pulling || float64(t.air20.Value) > in+pullsFrom
	high, low := a > in+0.8, a < out-math.Max(0.7, 0.4*(out-float64(t.spec.cold)))
	if dt > 0 && t.Run.Known && t.Run.Running {
		t.falls.add(a, dt)
	} else {
		t.falls = trend{}
	}
	if t.Run.Known {
		t.offWarm.grow(!t.Run.Running && float64(t.air5.Value) > t.startsBelow(), t.Run.Running && t.Run.Minutes(r.At) > 4 || a < in, dt, well)
		grow(&t.runWarm, t.Run.Running && high, a < in+0.3, dt)
		fell := t.noteFall()
		t.runNoCool.grow(t.Run.Running && t.Run.Minutes(r.At) > 6 && high && t.doorOpenFor == 0 && !fell, a < in+0.3 || fell, dt, well)
		t.runCold.grow(t.Run.Running && float64(t.air5.Value) < t.runsAbove(), !t.Run.Running || a > out-0.2, dt, well)
		run := 0.0
		if t.Run.Running {
			run = 1
		}
		t.frac2.Add(run, d, 120)
		t.frac3.Add(run, d, 180)
		t.frac10.Add(run, d, 600)
		if amb, ok := t.ambient(); ok {
			x := math.Max(amb-a, 2)
			t.dT2.Add(x, d, 120)
			t.dT3.Add(x, d, 180)
			t.dT10.Add(x, d, 600)
		}
		if dt > 0 && t.frac2.Weight > 0.9 {
			t.load2.learn(t.load(&t.frac2, &t.dT2), dt*well/60, 300)
		}
		if dt > 0 && t.frac10.Weight > 0.8 {
			t.load10.learn(t.load(&t.frac10, &t.dT10), dt*well/200, 100)
		}
		if dt > 0 {
			t.startBase.learn(math.Log(float64(t.starts)+0.3), dt*well/60, 300)
		}
	}
	if t.lastAt[collector.CompressorCall] == seconds(r.At) {
		call := r.Value[collector.CompressorCall] > 0.5
		if t.Run.Known {
			t.callNoRun.grow(call && !t.Run.Running, !call || t.Run.Running && !t.Run.Inrush(), dt, well)
		}
		t.noCallWarm.grow(!call && high, call || a < in, dt, well)
		t.callCold.grow(call && low, !call || a > out-0.2, dt, well)
	}
}

// Above how much over the usual start, at least, a machine at rest is warm, K:
// where its starts are not known yet, and where they are.
const (
	restsWarm      = 0.8
	restsWarmKnown = 0.35
	topKept        = 0.99 // of the warmest start's distance, from one start to the next
)

// topOfStarts takes in at what air it started.
func (t *Tracker) topOfStarts(air, well float64) {
	if well < 0.5 {
		return
	}
	in := float64(t.cutIn.mean)
	t.topIn = float32(math.Max(in+(float64(t.topIn)-in)*topKept, air))
}

// bottomOfStops takes in at what air it stopped.
func (t *Tracker) bottomOfStops(air, well float64) {
	if well < 0.5 {
		return
	}
	out := float64(t.cutOut.mean)
	t.bottomOut = float32(math.Min(out+(float64(t.bottomOut)-out)*topKept, air))
}

// runsAbove returns the air that a machine does not run under while it is well:
// the coldest at which it used to stop, and a little; where that is not known,
// what goes towards freezing the product, not a tenth under the usual.
func (t *Tracker) runsAbove() float64 {
	out := float64(t.cutOut.mean)
	if t.nOut < 12 || t.bottomOut == 0 {
		return out - math.Max(0.7, 0.4*(out-float64(t.spec.cold)))
	}
	return math.Min(float64(t.bottomOut)-0.3, out-0.7)
}

// startsBelow returns the air that a machine at rest does not reach while it is
// well: the warmest at which it used to start, and a little.
func (t *Tracker) startsBelow() float64 {
	in := float64(t.cutIn.mean)
	if t.nIn < 12 || t.topIn == 0 {
		return in + restsWarm
	}
	return math.Max(float64(t.topIn)+0.15, in+restsWarmKnown)
}

// How far the air falls before it is said to cool, and at most how far its peak is
// above where that is counted from, K: more than what the noise and the steps of a
// tenth to half a kelvin leave in a mean of minutes; at the end of a pull-down, when
// it falls by a kelvin and a half an hour, it does so every quarter of an hour.
const (
	fallsBy   = 0.35
	fromUnder = 0.6
)

// noteFall follows the air down and reports whether it has just fallen by fallsBy since
// it did last. While the door is open it counts as falling: what an open door does to
// the air is no sign.
func (t *Tracker) noteFall() bool {
	a := t.air5.Value
	if a < t.fellTo-fallsBy || t.doorOpenFor > 0 {
		t.fellTo = a
		return true
	}
	t.fellTo = max(t.fellTo, a-fromUnder)
	return false
}

// pullsFrom is how far over its usual start the air of a machine is that cools
// down a warm load, K.
const pullsFrom = 2

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
func (t *Tracker) load(frac, dT *forget.Mean) float64 {
	f := math.Min(math.Max(float64(frac.Value), 0.02), 0.995)
	if dT.Weight > 0 {
		return math.Log(f / float64(dT.Value) * 20)
	}
	return math.Log(f)
}

func (t *Tracker) door(r *collector.Reading, dt float64) {
	if !r.Has.Has(collector.Door) {
		return
	}
	open := r.Value[collector.Door] > 0.5
	if open {
		if t.doorOpened == 0 {
			t.doorOpened = r.At
		}
		t.doorOpenFor += float32(math.Max(dt, 0.2))
		t.doorShare.Add(1, dt, 60)
		if t.doorOpenFor > 4 {
			t.interrupted = r.At
			t.disturbed = r.At
			t.warmed(r.At, pullDown)
		}
		return
	}
	if t.doorOpened != 0 && r.At-t.doorOpened >= visitMinutes*60000 {
		t.visited, t.visitLong = r.At, float32(r.At-t.doorOpened)/60000 // who unplugs it to work is silent meanwhile
	}
	if t.doorOpened != 0 {
		t.doorShut = r.At
	}
	t.doorOpenFor, t.doorOpened = 0, 0
	t.doorShare.Add(0, dt, 60)
}
