package detect

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect/channel"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// What can be open of one machine at a time: one thing wrong with the machine, one
// with hearing from it, and one with a probe or a wire, without which the machine is
// judged by its other channels.
const (
	slotMachine = iota
	slotSilence
	slotProbe
	slots
)

// open is a finding that is not cleared, of fixed size. Its fields are in order of their
// size, which leaves hardly a hole between them.
type open struct {
	RaisedAt   collector.Millis
	Since      collector.Millis
	QuietFrom  collector.Millis // event time since which the machine has looked well; 0 while not
	VisitedAt  collector.Millis // the last visit taken into account
	RivalSince collector.Millis // since when another cause leads without a break
	SaidAt     collector.Millis

	LimitAt, LimitEarly, LimitLate collector.Millis

	Evidence        [5]feature.Note
	RuledOut        [2]against
	Cand            [5]held
	Serial          int32
	Seq             int32
	SickMinutes     float32 // event time that it has looked sick
	Product         float32
	SaidProbability float32
	SilenceInterval float32

	Is          bool
	Fault       fault.Fault
	Rival       fault.Fault
	Renames     uint8 // how often it has taken another cause's name
	Disproofs   uint8 // looks on end that have spoken against the named cause; no more are counted than fit
	NumCand     uint8
	NumEvidence uint8
	NumRuledOut uint8
	LimitSide   Side
	HasProduct  bool
	SaidWarm    bool
	Silence     bool // evidence is of a silence
	SilenceWill bool
	Wavers      bool // a probe that was good for a while and broke again
}

// held is a candidate, kept small.
type held struct {
	Probability float32
	Fault       fault.Fault
}

// hold keeps candidates, as many as there is room for.
func (o *open) hold(c []Candidate) {
	o.NumCand = 0
	for _, x := range c[:min(len(c), len(o.Cand))] {
		o.Cand[o.NumCand] = held{float32(x.Probability), x.Fault}
		o.NumCand++
	}
}

func (h held) candidate() Candidate {
	return Candidate{h.Fault, math.Round(float64(h.Probability)*1000) / 1000}
}

// against is an observation that speaks against a cause.
type against struct {
	Fault fault.Fault
	Note  feature.Note
}

// words puts what was observed in words.
func (o *open) words(f *Finding) {
	if o.Silence {
		f.Evidence = append(f.Evidence, o.silenceWords()...)
	}
	for _, n := range o.Evidence[:o.NumEvidence] {
		f.Evidence = append(f.Evidence, evidenceOf(n))
	}
	for _, a := range o.RuledOut[:o.NumRuledOut] {
		f.RuledOut = append(f.RuledOut, evidenceOf(a.Note).against(a.Fault))
	}
}

func evidenceOf(n feature.Note) Evidence {
	return Evidence{n.Text(), n.Channel(), n.Since(), float64(n.Weight)}
}

// quietAt is the probability of trouble under which a machine counts as quiet.
const quietAt = 0.30

// wellEnough is the probability of ordinary life, by what is seen now alone, at
// which a machine counts as quiet whatever is remembered.
const wellEnough = 0.9

// disproof is by how many nats what is seen now must speak for ordinary life and
// against the cause that was named, in every look of two cycles, for a finding to be
// cleared.
const disproof = 2

// Waits before a finding is cleared, ms of event time. Once somebody has been
// there, it is enough that the machine cools as it did. A machine left alone
// does not heal: where the trouble comes and goes, as with a winding that is
// too hot or a loose contact, it must be well through the hours in which it
// failed, which for what the weather brings out is the next day's. What lasted
// only minutes need not wait so long.
const (
	waitVisited  = 100 * 60000
	waitShort    = 6 * 3600000
	waitHalfDay  = 14 * 3600000
	waitNextDay  = 26 * 3600000
	waitPassing  = 60 * 60000 // what people undo by hand
	visitReaches = 6 * 3600000
	waitPullDown = 5 * 3600000 // for a machine that has much to cool down
)

// quietFor is how long a machine must look well before its finding is cleared.
func (m *Machine) quietFor(o *open) collector.Millis {
	if v := o.VisitedAt; v != 0 && o.QuietFrom < v+visitReaches {
		if m.s.Track.Cycles() {
			return waitVisited
		}
		return max(waitVisited, v+waitPullDown-o.QuietFrom)
	}
	wait := collector.Millis(waitHalfDay)
	switch o.Fault {
	case fault.PowerLost, fault.DoorOpen:
		return waitPassing
	case fault.SensorFault, fault.CondenserBlocked, fault.Unknown:
		wait = waitShort
	case fault.RefrigerantLow, fault.CompressorWeak, fault.CompressorNotStarting, fault.CondenserFanStopped:
		wait = waitNextDay
	}
	wait = min(wait, max(waitShort, 4*collector.Millis(o.SickMinutes)*60000))
	return wait << min(m.s.Returns, 3)
}

// forgetReturns is after how long without trouble a machine's earlier returns
// no longer count, ms.
const forgetReturns = 4 * 24 * 3600000

// judge turns probabilities into findings.
func (m *Machine) judge(q *[diagnose.NumStates]float64, wellNow float64, v *feature.Vector, at collector.Millis, emit func(*Finding)) {
	s := &m.s
	var sick float64
	for f := fault.EvaporatorFanStopped; f <= fault.SensorFault; f++ {
		sick += q[f]
	}
	o := &s.Open[slotMachine]
	if sick < 0.1 || s.WentWell == 0 {
		s.WentWell = at
		if s.Product.Known() {
			mid, _, _ := s.Product.Estimate()
			s.WellProduct = float32(mid)
		}
	}
	if m.setProbeAside(o) {
		return
	}
	out := m.outOfLimits(at)
	if !o.Is {
		if !s.Suspicion.take(sick, m.raiseAt, m.needed(q, at)) && !out {
			return
		}
		*o = open{Is: true, RaisedAt: s.Now, Since: s.WentWell, Serial: s.Serial}
		m.describe(o, q, v, at)
		if !m.evidence(o, v) && !m.sorted(o) && !out {
			*o = open{} // nobody would believe what nothing abnormal is seen of
			return
		}
		s.Serial++
		s.Suspicion = 0
		if s.ClearedAt != 0 && at-s.ClearedAt < forgetReturns {
			s.Returns++
		} else {
			s.Returns = 0
		}
		m.say(o, Raised, emit)
		return
	}
	if !m.disproved(o) {
		o.Disproofs = 0
	} else if o.Disproofs < math.MaxUint8 {
		o.Disproofs++
	}
	if (sick < quietAt || wellNow > wellEnough || o.VisitedAt != 0 && o.backToNormal(v)) && !out {
		if o.QuietFrom == 0 {
			o.QuietFrom = at
		}
		wait := m.quietFor(o)
		if sick >= quietAt && wellNow <= wellEnough {
			wait += wait / 2 // what is remembered still speaks against it
		}
		if at-o.QuietFrom >= wait && collector.Millis(o.Disproofs)*lookEvery >= min(wait, waitVisited) {
			m.say(o, Cleared, emit)
			s.Track.Settle(o.VisitedAt == 0)
			*o = open{}
			s.ClearedAt = at
			s.Posterior = m.prior.Begin() // a repair is a new start
		}
		return
	}
	o.QuietFrom = 0
	o.SickMinutes += lookEvery / 60000
	if sick < 0.7 && o.Fault != fault.Unknown {
		return // between: let it stand as it was said
	}
	before, sort := *o, s.SensorSaid.Sort
	m.describe(o, q, v, at)
	o.steady(&before)
	if o.Fault != before.Fault {
		if before.Rival != o.Fault {
			before.Rival, before.RivalSince = o.Fault, at
		}
	} else {
		before.RivalSince, before.Rival = 0, 0
	}
	o.Rival, o.RivalSince = before.Rival, before.RivalSince
	found := o.Fault == fault.SensorFault && before.Fault == o.Fault && sort == channel.None && s.SensorSaid.Sort != sort
	if found || m.material(&before, o) {
		if o.Fault != before.Fault {
			o.Renames = min(o.Renames+1, mostDoubled)
		}
		m.evidence(o, v)
		m.say(o, Revised, emit)
	} else {
		*o = before
	}
}

// bandIsThermostat is how often a machine that starts and stops by itself at air outside
// of its product's limits has a thermostat that does not hold its band, and not a
// compressor that cuts out before (from memory).
const bandIsThermostat = 2.0 / 3

// unexplained shares the probability p, which no named cause takes, between that nobody
// knows the cause and, where it shows, a thermostat; it returns all, the most probable
// first.
func (m *Machine) unexplained(c []Candidate, p float64) []Candidate {
	unknown := Candidate{fault.Unknown, p}
	if f, ok := m.bandOutside(); ok {
		unknown.Probability *= 1 - bandIsThermostat
		at := slices.IndexFunc(c, func(x Candidate) bool { return x.Fault == f })
		if at < 0 {
			at, c = len(c), append(c, Candidate{Fault: f})
		}
		c[at].Probability += p * bandIsThermostat
	}
	c = append(c, unknown)
	for i := range c {
		c[i].Probability = math.Round(c[i].Probability*1000) / 1000
	}
	slices.SortStableFunc(c, func(a, b Candidate) int { return cmp.Compare(b.Probability, a.Probability) })
	return c
}

// bandOutside returns the fault of the thermostat where the machine holds its air within
// a band, and that band lies outside of the product's limits.
func (m *Machine) bandOutside() (fault.Fault, bool) {
	air, _, ok := m.s.Track.Keeps()
	switch {
	case ok && air > float64(m.spec.Limits.Warm):
		return fault.ThermostatStuckOff, true
	case ok && air < float64(m.spec.Limits.Cold):
		return fault.ThermostatStuckOn, true
	}
	return fault.Unknown, false
}

func total(c []Candidate) (sum float64) {
	for _, x := range c {
		sum += x.Probability
	}
	return sum
}

// How long product may stand outside its limits, unexplained, before it is
// said, ms of event time: an hour and a half, or longer while warm product is pulled down.
const (
	outFor         = 90 * 60000
	outPullingDown = 6 * 3600000
)

// outOfLimits reports whether the product has been outside its limits for so long, is
// so however it is packed, and is not on its way back, that somebody must hear of it
// whatever the cause. Since when it is, as food counts it, is told from the middle
// estimate.
func (m *Machine) outOfLimits(at collector.Millis) bool {
	s := &m.s
	if !s.Product.Known() || at-s.AirAt > 30*60000 {
		return false
	}
	mid, low, high := s.Product.Estimate()
	stillWarm, stillCold := m.stillOut(mid)
	warm, cold := mid > float64(m.spec.Limits.Warm)+0.5 || stillWarm, mid < float64(m.spec.Limits.Cold) || stillCold
	if !warm && !cold {
		s.OutSince = 0
		return false
	}
	if s.OutSince == 0 {
		s.OutSince = at
	}
	wait := collector.Millis(outFor)
	if warm && s.Track.PullingDown(at) {
		wait = m.pullDownTakes()
	}
	if at-s.OutSince < wait {
		return false
	}
	if warm {
		// A saver lets drinks get warm as it was told to.
		return (low > float64(m.spec.Limits.Warm) || stillWarm) && !s.Product.Cooling() && (m.spec.Product.TimeCounted() || !s.Track.SavesNow(at))
	}
	return (high < float64(m.spec.Limits.Cold) || stillCold) && !s.Product.Warming()
}

// pressing reports whether the air has been outside the product's limits for
// long enough that the product will follow.
func (m *Machine) pressing() bool {
	a := float64(m.s.MeanAir[0])
	return m.s.AirAt != 0 && (a > float64(m.spec.Limits.Warm) || a < float64(m.spec.Limits.Cold))
}

// disproved reports whether what is seen now speaks against the cause that was
// named. That the cause is forgotten is no proof: a visit starts what is averaged
// over hours anew, and whoever only fills the machine has repaired nothing.
func (m *Machine) disproved(o *open) bool {
	if o.Fault == fault.Unknown {
		return true
	}
	best := m.score[fault.Well]
	for s := diagnose.WarmLoad; int(s) < diagnose.NumStates; s++ {
		best = max(best, m.score[s])
	}
	return best-m.score[o.Fault] > disproof
}

// needed is how much must add up before a finding is raised: the more, the longer
// the product holds.
func (m *Machine) needed(q *[diagnose.NumStates]float64, at collector.Millis) float64 {
	if m.pressing() {
		return enoughAtOnce
	}
	var o open
	o.Since = m.s.WentWell
	if o.hold(candidates(q)); m.s.Suspicion < enoughAtOnce || o.NumCand == 0 {
		return enough
	}
	o.Fault = o.Cand[0].Fault
	if o.Fault == fault.SensorFault {
		return enoughOfProbe
	}
	if m.forecast(&o, at); o.LimitEarly == 0 {
		return enough
	}
	return needed(float64(o.LimitEarly-at) / 60000)
}

// steady takes half of what a new forecast moves: forecasts of a cycling
// machine swing with the cycle.
func (o *open) steady(was *open) {
	if o.LimitAt == 0 || was.LimitAt == 0 || o.LimitSide != was.LimitSide {
		return
	}
	half := func(a, b collector.Millis) collector.Millis { return a + (b-a)/2 }
	o.LimitAt, o.LimitEarly, o.LimitLate = half(was.LimitAt, o.LimitAt), half(was.LimitEarly, o.LimitEarly), half(was.LimitLate, o.LimitLate)
}

// backToNormal reports whether what the finding was raised on has gone back to
// the machine's own normal and the air is held: the proof of a repair. Slow
// features do not take part; they remember the fault for hours.
func (o *open) backToNormal(v *feature.Vector) bool {
	const near = 0.85 // asinh units: within two standard deviations
	for _, id := range [...]feature.ID{feature.AirHigh, feature.OffWarm, feature.RunWarm, feature.RunCold, feature.NoSupply} {
		if v.Has[id] && v.Value[id] > near {
			return false
		}
	}
	seen := 0
	for _, n := range o.Evidence[:o.NumEvidence] {
		switch id := n.ID.Topic(); {
		case int(id) < feature.NumProfiles, id == feature.RunLength, id == feature.OffLength, id == feature.AirLow:
			x := float64(v.Value[id])
			if id != feature.AirLow {
				x = math.Abs(x)
			}
			if !v.Has[id] || x > near {
				return false
			}
			seen++
		case id == feature.DoorMinutes, id == feature.CallNoRun, id == feature.NoCallWarm, id == feature.CallCold, id == feature.SensorOdd,
			id == feature.ShortStops:
			if v.Has[id] && v.Value[id] > 0.5 {
				return false
			}
			seen++
		}
	}
	return seen > 0
}

// renameAfter is how long another cause must lead before a finding takes its
// name, ms; twice as long each time after the first, up to some, for a name that goes to
// and fro between a cause and what follows from it helps nobody.
const (
	renameAfter = 40 * 60000
	mostDoubled = 4
)

// material reports whether now says something a person must hear.
func (m *Machine) material(was, now *open) bool {
	if now.Fault != was.Fault {
		// A new leading cause must lead clearly and for a while, or names would
		// alternate with the run and the stop.
		return float64(now.Cand[0].Probability) > 0.15+now.of(was.Fault) && m.s.LookedAt-now.RivalSince >= renameAfter<<was.Renames
	}
	since := m.s.Now - was.SaidAt
	if (was.LimitAt == 0) != (now.LimitAt == 0) {
		return since > 120*60000
	}
	if now.LimitAt != 0 && since > 45*60000 {
		if was.LimitAt <= m.s.Now && now.LimitAt <= m.s.Now+60*60000 {
			return false // it has left its limit; when exactly is history
		}
		left := math.Max(float64(was.LimitAt-m.s.Now), 0)
		moved := math.Abs(float64(now.LimitAt - was.LimitAt))
		return moved > 0.35*left && moved > 45*60000
	}
	return math.Abs(float64(now.Cand[0].Probability-was.SaidProbability)) > 0.3 && since > 120*60000
}

func (o *open) of(f fault.Fault) float64 {
	for _, c := range o.Cand[:o.NumCand] {
		if c.Fault == f {
			return float64(c.Probability)
		}
	}
	return 0
}

// describe fills an open finding with what is known now, but for its evidence.
func (m *Machine) describe(o *open, q *[diagnose.NumStates]float64, v *feature.Vector, at collector.Millis) {
	c := candidates(q)
	if named := total(c); named < 0.5 {
		// The product is out of its limits, and no named cause fits.
		c = m.unexplained(c, (1-named)*0.9)
	}
	o.hold(c)
	o.Fault = c[0].Fault
	m.forecast(o, at)
	m.sortSensor(o, v, at)
}

// say emits a finding's present state.
func (m *Machine) say(o *open, c Change, emit func(*Finding)) {
	f := o.finding(m)
	f.Change = c
	f.At = m.s.Now
	emit(&f)
	o.Seq++
	o.SaidAt = m.s.Now
	if o.NumCand > 0 {
		o.SaidProbability = o.Cand[0].Probability
	}
}

func (o *open) finding(m *Machine) Finding {
	f := Finding{
		ID: "F-" + m.spec.ID + "-" + strconv.Itoa(int(o.Serial)+1), Seq: int(o.Seq), Machine: m.spec.ID, Site: m.spec.Site,
		At: o.SaidAt, RaisedAt: o.RaisedAt, Since: o.Since, Fault: o.Fault,
		HasProduct: o.HasProduct, ProductTemperature: quantity.Celsius(math.Round(float64(o.Product)*10) / 10),
		LimitAt: o.LimitAt, LimitEarly: o.LimitEarly, LimitLate: o.LimitLate, LimitSide: o.LimitSide,
	}
	if o.HasProduct {
		f.OutSince = m.s.OutSince
	}
	f.FilledAt = m.lastFilled()
	if o.Seq > 0 {
		f.Change = Revised
	}
	for _, c := range o.Cand[:o.NumCand] {
		f.Candidates = append(f.Candidates, c.candidate())
	}
	if len(f.Candidates) > 0 {
		f.Probability = f.Candidates[0].Probability
	}
	o.words(&f)
	m.sensorWords(o, &f)
	return f
}
