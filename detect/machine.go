package detect

import (
	"math"
	"sort"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect/channel"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
	"coilward/detect/forecast"
	"coilward/detect/forget"
	"coilward/detect/life"
	"coilward/detect/sensitivity"
	"coilward/detect/thermal"
)

// Library is what all machines of a fleet share: what is known of kinds and
// faults before a machine has said anything. It never changes.
type Library struct {
	// RaiseAt is the probability of trouble at which a finding is raised. The
	// posterior already holds how rare faults are, so it is the share of
	// findings that are right, not a knob without a meaning. A machine with a
	// wanted rate of false alarms has its own; see RaiseAtOf.
	RaiseAt float64

	table *diagnose.Table
	trade *sensitivity.Trade
	kinds []kinds // what is known of kinds, by the time from which it holds
}

// NewLibrary returns the library that ships with the program.
func NewLibrary() *Library {
	return &Library{RaiseAt: 0.9, table: diagnose.Learned(), trade: sensitivity.Measured()}
}

// WithTable returns a library with another likelihood table.
func (l *Library) WithTable(t *diagnose.Table) *Library {
	return &Library{RaiseAt: l.RaiseAt, table: t, trade: l.trade, kinds: l.kinds}
}

// lookEvery is how often a machine is weighed anew.
const lookEvery = 4 * 60 * 1000 // ms of event time

// Machine is the model of one machine: a function of what it was told, in
// order. It is not safe for use by several goroutines.
type Machine struct {
	spec *fleet.Machine
	lib  *Library
	s    state

	raiseAt float64
	prior   *diagnose.Prior
	list    [len(feature.Differences)]channel.Shift // scratch, as is
	score   diagnose.Score
}

// state is all that a machine's model remembers, of fixed size.
type state struct {
	Track     feature.Tracker
	Posterior diagnose.Posterior
	Product   thermal.Product
	Nearest   thermal.Nearest

	At           collector.Millis // newest event time seen
	Heard        collector.Millis // pipeline time of the newest message
	LookedAt     collector.Millis // event time of the last look
	AirAt        collector.Millis
	Interval     float32 // s between instants, learned
	Spacing      float32 // s between messages, learned
	Offline      bool    // the status topic said so
	Kinds        int32   // version of what was known of its kind as it began; 0: none
	WentWell     collector.Millis
	Serial       int32
	Returns      int32 // times the trouble came back soon after it was cleared
	ClearedAt    collector.Millis
	Now          collector.Millis
	Open         [slots]open
	NoSupply     bool             // the last that was heard spoke of a lost supply
	OutSince     collector.Millis // event time since which the product is outside its limits
	WellProduct  float32          // product estimate when it last looked well
	Life         life.Book        // the newest pieces of ordinary life
	Load         thermal.Load     // run fraction against the room
	Sensors      channel.Watch    // plain signs of broken sensors
	SensorSaid   channel.Verdict  // of the finding about the machine, if a sensor leads it
	SensorSaidAt collector.Millis // event time of it
	LoadAt       collector.Millis // event time of the last reading that it saw
	Listening    collector.Millis // pipeline time since which somebody listens without a break
	MeanAir      [2]float32       // 25 and 100 min means, for the trend
	Usual        usual
	Suspicion    suspicion
	Well, Learn  float32 // probability of being well; by how much its state is learned
}

// NewMachine returns the model of a machine nothing has been heard of.
func NewMachine(spec *fleet.Machine, lib *Library) *Machine {
	m := &Machine{spec: spec, lib: lib, raiseAt: lib.RaiseAtOf(spec), prior: diagnose.BuiltIn()}
	m.s.Track = feature.New(spec)
	m.s.Posterior = m.prior.Begin()
	m.learnBy()
	m.s.Load = thermal.NewLoad(spec.Kind)
	return m
}

// Spec returns what the fleet file says of the machine.
func (m *Machine) Spec() *fleet.Machine { return m.spec }

// Step takes the next reading in event order. now is pipeline time and only
// dates what is said.
func (m *Machine) Step(r *collector.Reading, now collector.Millis, emit func(*Finding)) {
	s := &m.s
	s.Now = max(s.Now, now)
	m.heard(r, emit)
	if r.Status != collector.NoStatus {
		s.Offline = r.Status == collector.Offline
		return
	}
	if r.At <= s.At {
		return // the orderer has let it pass: it is older than the model
	}
	dt := r.At - s.At
	if s.At != 0 && dt < 20*60000 {
		k := float32(0.05)
		if s.Interval == 0 {
			k = 1
		}
		s.Interval += k * (float32(dt)/1000 - s.Interval)
	}
	first := s.At == 0
	if first {
		m.begin(r)
	}
	if !first && dt > max(shortestWork, 4*collector.Millis(s.Interval*1000)) {
		s.Track.NoteVisit(r.At, float64(dt)/60000)
	}
	s.At = r.At
	learn := float64(s.Learn)
	if s.Open[slotMachine].Is {
		learn = 0 // an intermittent fault rests; what it shows meanwhile is not this machine's well state
	}
	s.Track.Observe(r, learn)
	m.live(r, learn)
	m.air(r)
	if first {
		s.LookedAt = r.At
	}
	if r.At-s.LookedAt >= lookEvery {
		m.look(r.At, emit)
	}
}

// air follows the product and the trend.
func (m *Machine) air(r *collector.Reading) {
	s := &m.s
	a, ok := r.Celsius(collector.CabinetAir)
	if !ok || s.Track.Suspect(collector.CabinetAir) {
		return
	}
	dt := float64(r.At-s.AirAt) / 3600000
	if s.AirAt == 0 || dt > 12 {
		dt = 0
		s.MeanAir = [2]float32{float32(a), float32(a)}
	}
	s.AirAt = r.At
	s.Product.Advance(float64(a), dt)
	s.Nearest.Advance(m.beside(r, float64(a)), dt)
	for i, tau := range [...]float64{25.0 / 60, 100.0 / 60} {
		s.MeanAir[i] += float32((float64(a) - float64(s.MeanAir[i])) * forget.Share(dt, tau))
	}
}

// beside is the air that the product next to the supply meets, °C, by what the machine
// measures; a is the cabinet air.
func (m *Machine) beside(r *collector.Reading, a float64) float64 {
	if x, ok := r.Celsius(collector.SupplyAir); ok && !m.s.Track.Suspect(collector.SupplyAir) {
		return thermal.BesideSupply(a, float64(x))
	}
	if x, ok := r.Celsius(collector.CoilOut); ok && !m.s.Track.Suspect(collector.CoilOut) {
		return thermal.BesideCoil(a, float64(x))
	}
	return a - forecast.ColdestBelow
}

// look weighs the causes on what has come in since the last look.
func (m *Machine) look(at collector.Millis, emit func(*Finding)) {
	s := &m.s
	dt := float64(at-s.LookedAt) / 3600000
	s.LookedAt = at
	var v feature.Vector
	score := &m.score
	m.visited(at)
	s.Track.Fill(&v, at)
	m.probe(&v, at, emit)
	m.lib.table.Eval(&v, score)
	s.Usual.take(score, dt*float64(s.Well))
	m.withhold(score, &v, at)
	if s.Open[slotProbe].Is { // said already
		score[fault.SensorFault] = min(score[fault.SensorFault], score[fault.Well]-probeSaid)
	}
	m.prior.Advance(&s.Posterior, score, s.Track.Trust(), dt)
	q := s.Posterior.Probabilities()
	if q[diagnose.Resettled] > 0.5 {
		s.Track.Resettle()
	}
	m.ordinaryLife(&q, at)
	m.judge(&q, m.prior.WellNow(score), &v, at, emit)
	m.learnBy()
}

// LookedAt returns the event time of the last look; 0: never.
func (m *Machine) LookedAt() collector.Millis { return m.s.LookedAt }

// Features writes what the last look saw.
func (m *Machine) Features(v *feature.Vector) { m.s.Track.Fill(v, m.s.LookedAt) }

// learnBy sets by what probability of being well the machine's own state is
// learned until the next look.
func (m *Machine) learnBy() {
	q := m.s.Posterior.Probabilities()
	m.s.Well = float32(q[fault.Well])
	m.s.Learn = float32(q[fault.Well] + q[diagnose.Resettled] + 0.2*q[diagnose.WarmLoad])
}

// shortestWork is the shortest time a machine is unplugged to work on it, ms.
const shortestWork = 10 * 60000

// visited starts judging afresh when somebody has been at a machine in trouble.
func (m *Machine) visited(at collector.Millis) {
	o := &m.s.Open[slotMachine]
	if !o.Is {
		return
	}
	v := m.s.Track.VisitedAt(o.Fault == fault.RefrigerantLow || o.Fault == fault.CompressorWeak)
	if o.Fault == fault.PowerLost && m.s.Track.SupplyWatched() && m.s.Track.Run.Known && m.s.Track.Run.Running {
		v = at // somebody gave it back its supply; where that is not watched, it may only have rested for long
	}
	if o.VisitedAt == 0 && m.signGone(o, channel.Fahrenheit, channel.Swapped) {
		v = at // a label or two plugs do not put themselves right
	}
	if v <= o.RaisedAt || v <= o.VisitedAt || o.Fault == fault.PowerLost && o.VisitedAt != 0 {
		return
	}
	o.VisitedAt = v
	if o.Fault == fault.SensorFault {
		m.s.Track.RetryProbes()
	}
	m.prior.Visit(&m.s.Posterior)
	m.s.Track.Restart()
}

// fillMinutes is how long filling and service may take before a warm cabinet
// with an open door is a fault, min. (FDA Food Code 4-204.111 lets the air of a
// vending machine pass 5 °C for 30 min after it was filled or serviced; at 28
// there is still time to say so.)
const fillMinutes = 28

// serviceMinutes is how long a service with the door open takes, on average
// (common practice, no source).
const serviceMinutes = 10

// shutMinutes is the same where the door's own switch says that it is shut.
const shutMinutes = 12

// reportsOn is what a machine's going on to report says against a lost supply where no
// channel tells of that, nats: its controller would need a battery, and what the other
// channels show a thermostat that does not call shows too, or a fan that stopped in a
// rest. (Of 27 that were called so in simulated fleets, with a probability of 0.9, 8
// were.)
const reportsOn = 3

// How long a compressor must rest in the cold to be no longer stuck on, min; for how long
// each nat takes that speaks against it then, and how many do (from memory).
const (
	restsProve  = 75
	restsPerNat = 15
	restsMost   = 8
)

// withhold keeps back what cannot be judged yet: a load fault while warm
// product is being pulled down, an open door while somebody may be filling.
func (m *Machine) withhold(score *diagnose.Score, v *feature.Vector, at collector.Millis) {
	t := &m.s.Track
	if falls := t.WarmLoadFalls(at); falls || t.PullingDown(at) {
		ahead := float32(0)
		if falls || t.SwitchedOn(at) { // this load is known to last, and does not end by the clock
			ahead = diagnose.StillWarm
		}
		for _, f := range [...]fault.Fault{fault.DoorLeak, fault.CompressorWeak} {
			score[f] = min(score[f], score[diagnose.WarmLoad]-ahead)
		}
	}
	m.keepsBand(score)
	fill := float64(fillMinutes)
	if t.DoorShut() {
		fill = shutMinutes // nobody fills through a door that is shut
	}
	// Supply is a fact, not a likelihood: a meter that reads nothing has none
	// behind it, one that reads the mains has. It counts by the minute, for a
	// plug is also pulled to clean.
	if dead, known := t.SupplyDead(); known {
		if dead > 0 {
			score[fault.PowerLost] += float32(math.Min(dead/2, 10))
		} else {
			score[fault.PowerLost] -= 10
		}
	} else if !t.SupplyWatched() {
		score[fault.PowerLost] -= reportsOn
	}
	m.sensorFact(score, v, at)
	m.thaws(score, at)
	// Services end: their length is about exponential, and the longer the door
	// stands open past what they are allowed, the less it is one of them.
	if open := t.DoorMinutes(); open > fillMinutes {
		score[fault.DoorOpen] += float32(math.Min((open-fillMinutes)/serviceMinutes+2, 10))
	}
	if t.WarmMinutes(at) < fill {
		score[fault.DoorOpen] = min(score[fault.DoorOpen], score[diagnose.WarmLoad])
	}
}

// thaws weighs a compressor's rest in the cold. Who has repaired a thermostat that was
// stuck on waits for a day until what is frozen is warm enough for the next start. That
// it rests all that time is the proof; what rests for an hour may have been unplugged.
// A machine that was so cold and does nothing looks like no other, and where no sign
// shows that a probe is broken that is no reason to take one for it.
func (m *Machine) thaws(score *diagnose.Score, at collector.Millis) {
	rests := m.s.Track.RestsCold(at)
	if rests <= restsProve {
		return
	}
	against := float32(math.Min((rests-restsProve)/restsPerNat, restsMost))
	score[fault.ThermostatStuckOn] -= against
	o := &m.s.Open[slotMachine]
	if _, sign := m.s.Sensors.Worst(); !sign && !m.broken() && o.Is && o.Fault == fault.ThermostatStuckOn {
		score[fault.SensorFault] -= against
	}
}

// keepsBand weighs a band that has moved by how much of the way to the
// product's limit it has gone: a thermostat that still keeps the product well
// inside is set, not broken; one that lets it out is broken, or set as nobody
// should.
func (m *Machine) keepsBand(score *diagnose.Score) {
	now, well, ok := m.s.Track.Keeps()
	if !ok {
		return
	}
	room, gone := float64(m.spec.Limits.Warm)-well, now-well
	if gone < 0 {
		room, gone = well-float64(m.spec.Limits.Cold)-forecast.ColdestBelow, -gone
	}
	share := gone / math.Max(room, 0.5)
	if share < 0.5 {
		set := max(score[diagnose.Resettled], score[fault.Well])
		score[fault.ThermostatStuckOff], score[fault.ThermostatStuckOn] = min(score[fault.ThermostatStuckOff], set), min(score[fault.ThermostatStuckOn], set)
		return
	}
	score[diagnose.Resettled] -= float32(math.Min((share-0.5)*10, 5))
}

// candidates lists the faults worth naming, most probable first.
func candidates(q *[diagnose.NumStates]float64) []Candidate {
	var c []Candidate
	for f := fault.EvaporatorFanStopped; f <= fault.SensorFault; f++ {
		if q[f] >= 0.005 {
			c = append(c, Candidate{f, q[f]})
		}
	}
	sort.SliceStable(c, func(i, j int) bool { return c[i].Probability > c[j].Probability })
	if len(c) > 5 {
		c = c[:5]
	}
	for i := range c {
		c[i].Probability = math.Round(c[i].Probability*1000) / 1000
	}
	return c
}

// View returns what the model believes now.
func (m *Machine) View() View {
	s := &m.s
	v := View{Machine: m.spec.ID, Site: m.spec.Site, At: s.At, LastHeard: s.Heard, LinkLost: s.Offline, CapacityShare: math.NaN(),
		CutOut: quantity.Celsius(math.NaN()), CutIn: quantity.Celsius(math.NaN()), WellProbability: s.Posterior.Well()}
	v.Has, v.Value = s.Track.Latest()
	v.Run, v.RunFraction = m.run(), math.NaN()
	if s.Track.RunsKnown() {
		v.RunFraction = s.Track.RunFraction()
	}
	if s.Product.Known() {
		mid, low, high := s.Product.Estimate()
		v.HasProduct, v.ProductTemperature, v.ProductSD = true, quantity.Celsius(mid), quantity.Kelvin((high-low)/4)
	}
	if in, out, ok := s.Track.Band(); ok {
		v.Learned, v.CutIn, v.CutOut = true, quantity.Celsius(in), quantity.Celsius(out)
	}
	v.Happenings = m.happenings()
	m.hotDay(&v)
	for i := range s.Open {
		if o := &s.Open[i]; o.Is {
			v.OpenFindings = append(v.OpenFindings, o.finding(m))
		}
	}
	return v
}

func (m *Machine) run() RunState {
	r := &m.s.Track.Run
	switch {
	case !r.Known:
		return RunUnknown
	case r.Running:
		return Running
	case m.s.Track.CalledNotRunning():
		return Tripped
	}
	return Stopped
}

// Trace returns the model's state now, for charts.
func (m *Machine) Trace() TracePoint {
	s := &m.s
	nan := quantity.Celsius(math.NaN())
	p := TracePoint{At: s.At, Run: m.run(), AirLow: nan, AirHigh: nan, Product: nan, ProductLow: nan, ProductHigh: nan}
	if in, out, ok := s.Track.Band(); ok {
		p.AirLow, p.AirHigh = quantity.Celsius(out-0.7), quantity.Celsius(in+0.8)
	}
	if s.Product.Known() {
		mid, low, high := s.Product.Estimate()
		p.Product, p.ProductLow, p.ProductHigh = quantity.Celsius(mid), quantity.Celsius(low), quantity.Celsius(high)
	}
	return p
}
