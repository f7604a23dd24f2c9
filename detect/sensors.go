package detect

import (
	"math"
	"slices"

	"coilward/collector"
	"coilward/detect/channel"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// What a plain sign of a broken sensor is worth: it counts by the minute, for a
// hand at a plug makes the same for a while, and then outweighs what the wrong
// values seem to say of the machine.
const (
	signPerMinute    = 1.0 / 5 // nats
	refusedPerMinute = 1.0 / 2 // nats, of values that the channel cannot have: a machine makes none
	signMost         = 8.0     // nats
)

// sensorFact lets a plain sign in the readings count beside the likelihoods: a
// unit that is wrong or two plugs that are swapped are facts, as supply is.
func (m *Machine) sensorFact(score *diagnose.Score, v *feature.Vector, at collector.Millis) {
	if w, ok := m.s.Sensors.Worst(); ok && w.Sort != channel.Stuck && w.Sort != channel.Erratic && w.Since != 0 {
		perMinute := signPerMinute
		if w.Sort == channel.Open || w.Sort == channel.Short || w.Sort == channel.OutOfRange {
			perMinute = refusedPerMinute
		}
		score[fault.SensorFault] += float32(math.Min(float64(at-w.Since)/60000*perMinute, signMost))
		return
	}
	// A probe that drifts moves every difference it is part of, and the machine
	// goes on as before: it runs and rests as long as ever.
	for _, id := range [...]feature.ID{feature.RunLength, feature.OffLength} { // not the load, which is held against the air
		if v.Has[id] && math.Abs(float64(v.Value[id])) > asEver {
			return
		}
	}
	if !v.Has[feature.RunLength] || !v.Has[feature.OffLength] {
		return
	}
	shifts := m.shifts(m.list[:0], v)
	c, delta, share, ok := channel.Offset(shifts)
	if !ok || share < driftShare {
		return
	}
	if c == collector.CabinetAir && len(shifts) >= driftLeast || m.apartAtRest(c, delta, v) {
		score[fault.SensorFault] += float32(math.Min((math.Abs(delta)-1)*driftPerKelvin, driftMost))
	}
}

// apartAtRest reports whether channel c stands apart by delta K at rest as it does
// while the compressor runs. The error of the air is in every difference and in the
// thermostat's band, but a tube that stands apart while refrigerant flows in it may
// be the machine. When the compressor has stopped, the tube goes to the air, and
// what is left of the difference is the probe's.
func (m *Machine) apartAtRest(c collector.Channel, delta float64, v *feature.Vector) bool {
	rest := feature.OffCoilGap
	switch c {
	case collector.CoilOut:
	case collector.SupplyAir:
		rest = feature.OffSupplyGap
	default:
		return false
	}
	n, ok := m.s.Track.Note(rest, v)
	if !ok || !v.Has[rest] || n.Normal != n.Normal {
		return false
	}
	by := float64(n.Normal - n.Now) // the tube stands second in the difference
	return math.Abs(delta) > apartLeast && math.Abs(by-delta) < apartWithin*math.Abs(delta)
}

// What counts as running and resting as long as ever, asinh units: within a
// standard deviation and a bit; and what a drift beside that is worth.
const (
	asEver         = 0.6
	driftShare     = 0.93
	driftLeast     = 4   // differences
	apartLeast     = 2   // K
	apartWithin    = 0.3 // of how far it stands apart while running
	driftPerKelvin = 1.5 // nats
	driftMost      = 5.0 // nats
)

// sortSensor says which sensor of a machine is wrong, and how.
func (m *Machine) sortSensor(o *open, v *feature.Vector, at collector.Millis) {
	if o.Silence {
		return
	}
	if m.s.Open[slotProbe].Is {
		return // what was said of it stands
	}
	said := &m.s.SensorSaid
	*said, m.s.SensorSaidAt = channel.Verdict{}, at
	if o.Fault != fault.SensorFault {
		return
	}
	if w, ok := m.s.Sensors.Worst(); ok {
		*said = w
		return
	}
	c, delta, _, ok := channel.Offset(m.shifts(nil, v))
	if !ok {
		return
	}
	*said = channel.Verdict{Channel: c, Sort: channel.Drifting, Offset: float32(delta), Since: o.Since}
	if stepped := m.s.Sensors.Stepped(c); stepped != 0 && stepped > o.Since-6*3600000 {
		said.Sort, said.Since = channel.Contradicts, stepped
	}
}

// sorted reports whether it is known what is wrong with the sensor that leads a finding.
// While a probe is set aside what is known is of that one.
func (m *Machine) sorted(o *open) bool {
	return o.Fault == fault.SensorFault && !m.s.Open[slotProbe].Is && m.s.SensorSaid.Sort != channel.None
}

// probeSaid is how far less than ordinary life a broken probe explains, nats, what is
// seen beside one that was told of already.
const probeSaid = 3

// signGone reports whether a finding of a sensor was made by one of some plain signs in
// its readings, and they show none any more.
func (m *Machine) signGone(o *open, of ...channel.Sort) bool {
	if o.Fault != fault.SensorFault || !slices.Contains(of, m.s.SensorSaid.Sort) {
		return false
	}
	_, shows := m.s.Sensors.Worst()
	return !shows
}

// broken reports whether a channel contradicts itself so much that its readings are
// left out of what the machine is judged by.
func (m *Machine) broken() bool {
	c, _ := m.s.Track.Oddest()
	return m.s.Track.Suspect(c)
}

// setProbeAside gives a finding of a broken probe a place of its own, so that the
// machine can be judged by what the others say: a probe that lies must not keep
// another fault from being told. It reports whether there was one.
func (m *Machine) setProbeAside(o *open) bool {
	s := &m.s
	if !o.Is || o.Fault != fault.SensorFault || s.Open[slotProbe].Is || !m.broken() {
		return false
	}
	if c, _ := s.Track.Oddest(); c == collector.CompressorCurrent || c == collector.MainsCurrent {
		return false // it told when the compressor runs, and by that the machine is judged
	}
	if w, ok := s.Sensors.Worst(); ok && (w.Sort == channel.Swapped || w.Sort == channel.Fahrenheit) {
		return false // readings that are not left out are wrong too
	}
	s.Open[slotProbe], *o = *o, open{}
	s.Open[slotProbe].NumRuledOut = 0 // of the machine, which may have it tomorrow
	s.Posterior = m.prior.Begin()
	return true
}

// probe follows a probe's finding, and takes out of v what speaks of probes alone.
func (m *Machine) probe(v *feature.Vector, at collector.Millis, emit func(*Finding)) {
	o := &m.s.Open[slotProbe]
	if !o.Is {
		return
	}
	v.Has[feature.SensorOdd] = false
	if visit := m.s.Track.VisitedAt(false); visit > max(o.RaisedAt, o.VisitedAt) {
		o.VisitedAt = visit
		m.s.Track.RetryProbes()
	}
	if o.QuietFrom == 0 && m.signGone(o, channel.Open, channel.Short, channel.OutOfRange, channel.Stuck) {
		m.s.Track.RetryProbes() // what is held against it was that sign
	}
	if m.broken() {
		o.Wavers = o.Wavers || o.QuietFrom != 0
		o.QuietFrom = 0
		if w, ok := m.s.Sensors.Worst(); ok && m.s.SensorSaid.Sort == channel.None {
			m.s.SensorSaid, m.s.SensorSaidAt = w, at
			m.say(o, Revised, emit)
		}
		return
	}
	if o.QuietFrom == 0 {
		o.QuietFrom = at
	}
	wait := collector.Millis(waitVisited)
	switch {
	case o.VisitedAt != 0:
		wait = waitPassing
	case o.Wavers || o.QuietFrom-o.RaisedAt < waitShort:
		wait = waitShort // a loose contact comes and goes; what has stood for hours is none
	}
	if at-o.QuietFrom >= wait {
		m.say(o, Cleared, emit)
		*o = open{}
	}
}

// shifts adds to list how far the differences stand from the machine's own normal.
func (m *Machine) shifts(list []channel.Shift, v *feature.Vector) []channel.Shift {
	for _, d := range feature.Differences {
		n, ok := m.s.Track.Note(d.ID, v)
		if !ok || !v.Has[d.ID] || n.Normal != n.Normal {
			continue
		}
		sd := float64(n.SD)
		if sd != sd || sd < 0.3 {
			sd = 0.3
		}
		list = append(list, channel.Shift{Plus: d.Plus, Minus: d.Minus, HasMinus: d.Pair, By: float64(n.Now - n.Normal), SD: sd})
	}
	return list
}

// sensorWords puts the sort of a sensor fault before what else was seen.
func (m *Machine) sensorWords(o *open, f *Finding) {
	said := &m.s.SensorSaid
	if o.Silence || o.Fault != fault.SensorFault || said.Sort == channel.None {
		return
	}
	f.SensorSort, f.Sensor = said.Sort, said.Channel
	since := said.Since
	if since == 0 {
		since = o.Since
	}
	// The sort says in what the channel contradicts itself.
	rest := f.Evidence[:0]
	for i, n := range o.Evidence[:o.NumEvidence] {
		if n.ID != feature.SensorOdd {
			rest = append(rest, f.Evidence[i])
		}
	}
	weight := 3.0
	if len(rest) > 0 {
		weight = rest[0].Weight + 1
	}
	first := Evidence{said.Text(math.Max(float64(m.s.SensorSaidAt-since)/60000, 0)), said.Channel, since, weight}
	f.Evidence = append([]Evidence{first}, rest[:min(len(rest), 4)]...)
}
