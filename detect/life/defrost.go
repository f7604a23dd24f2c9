package life

import "coilward/collector"

// Ways in which a defrost is told.
const (
	melted = iota + 1 // the coil stood at 0 °C while frost melted
	heated            // the coil went above the air: only a heater does that
	timed             // a pause that came when it was due
)

// defrost follows one stop of the compressor, and when pauses were ended by a timer.
type defrost struct {
	stopAt   seconds
	stopAir  float32 // °C at the stop
	maxAir   float32
	maxCoil  float32
	still    float32 // min for which the coil stood still near 0 °C under warmer air
	hot      float32 // min for which the coil was warmer than the air
	prevCoil float32
	called   bool    // the thermostat called during the stop
	door     float32 // min for which the door was open
	follows  bool    // the stop was seen from its beginning

	ends   [2]seconds // the last two ends of pauses that no thermostat explains
	period float32    // min between them, once it has come again
	times  uint8      // how often it has
	missed uint8
	shown  seconds // the last melt put on the timeline
	usual  float32 // min of an ordinary stop, fading mean
}

const (
	stillLeast = 9.0 // min at 0 °C that are worth a line
	meltEvery  = 12 * 3600
)

func (b *Book) defrosts(m *moment) {
	d := &b.frost
	if !m.Run.Known {
		return
	}
	if !m.interval || m.dark {
		d.follows = false
		return
	}
	if m.stopped {
		*d = defrost{ends: d.ends, period: d.period, times: d.times, missed: d.missed, shown: d.shown, usual: d.usual,
			stopAt: m.at, stopAir: m.air, maxAir: m.air, maxCoil: m.coil, prevCoil: m.coil, follows: true}
		return
	}
	if !d.follows {
		return
	}
	if m.started {
		d.follows = false
		b.pauseEnded(m)
		return
	}
	if m.Run.Running {
		return
	}
	if m.doorIsOpen {
		d.door += m.dt
	}
	if r := m.Reading; r.Has.Has(collector.CompressorCall) && r.Value[collector.CompressorCall] > 0.5 {
		d.called = true
	}
	if m.air == m.air && !(m.air <= d.maxAir) {
		d.maxAir = m.air
	}
	if m.coil != m.coil || m.air != m.air {
		return
	}
	if !(m.coil <= d.maxCoil) {
		d.maxCoil = m.coil
	}
	if slope := (m.coil - d.prevCoil) / m.dt; abs(slope) < 0.12 && abs(m.coil) < 1.3 && m.air-m.coil > 1.2 {
		d.still += m.dt
	}
	if m.coil > m.air+3 && m.coil > 5 {
		d.hot += m.dt
	}
	d.prevCoil = m.coil
}

// pauseEnded looks at a whole stop, which the start in m has ended.
func (b *Book) pauseEnded(m *moment) {
	d := &b.frost
	length := float32(m.at-d.stopAt) / 60
	if length < 7 || length > 120 {
		return
	}
	long := d.usual > 0 && length > 1.25*d.usual+2
	if d.usual == 0 {
		d.usual = length
	}
	d.usual += 0.1 * (min(length, 2*d.usual) - d.usual)
	way := uint8(0)
	// A timer stops the compressor half way, or keeps it from starting when the
	// air is warm enough, or for longer than else; so do trips and weather, but
	// they keep no time.
	early := m.Out == m.Out && d.stopAir > m.Out+0.55*max(m.In-m.Out, 1)
	held := m.In == m.In && d.maxAir > m.In+0.6
	if !d.called && d.door < 5 && (early || held || long) && b.due(m.at) {
		way = timed
	}
	if d.door >= 6 && d.maxAir > m.In+1 && length >= 12 && !d.called {
		b.add(Event{Kind: Cleaning, Way: 3, from: d.stopAt, to: m.at, A: d.door})
		return
	}
	switch {
	case d.hot >= 2.5:
		way = heated
	case way == 0 && d.still >= stillLeast && d.maxCoil > 1.5 && m.at-d.shown > meltEvery:
		way = melted
		d.shown = m.at
	}
	if way == 0 {
		return
	}
	e := Event{Kind: Defrost, Way: way, from: d.stopAt, to: m.at, A: d.maxCoil, B: d.still}
	if way == timed {
		e.B = d.period / 60
	}
	b.add(e)
}

// due takes in the end of a pause that no thermostat explains, and reports
// whether pauses have ended at equal spaces so far and this one fits.
func (b *Book) due(at seconds) bool {
	const slack = 4 // min: two readings at 120 s
	d := &b.frost
	since := float32(at-d.ends[1]) / 60
	fits := false
	if d.period > 0 {
		n := float32(int(since/d.period + 0.5))
		fits = n >= 1 && n <= 12 && abs(since-n*d.period) < slack*(1+0.2*n)
	}
	switch before := float32(d.ends[1]-d.ends[0]) / 60; {
	case fits:
		d.times, d.missed = min(d.times+1, 100), 0
	case d.times > 1 && d.missed < 6:
		d.missed++
		return false // the timer is known, and this was something else
	case d.ends[0] != 0 && since > 2.4*60 && before > 2.4*60 && abs(since-before) < slack:
		d.period, d.times, d.missed, fits = (since+before)/2, 1, 0, true
	default:
		d.period, d.times = 0, 0
	}
	d.ends[0], d.ends[1] = d.ends[1], at
	return fits
}
