package detect

import (
	"math"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect/forecast"
	"coilward/detect/thermal"
)

// load lets the run fraction follow a reading of a machine that measures its
// room. well is the probability that it is well
// and no warm product is being pulled down.
func (m *Machine) load(r *collector.Reading, well float64) {
	s := &m.s
	run := &s.Track.Run
	air, ok := r.Celsius(collector.CabinetAir)
	amb, room := s.Track.AmbientNow()
	dt := r.At - s.LoadAt
	if s.LoadAt == 0 {
		dt = 0
	}
	s.LoadAt = r.At
	if !ok || !room || !run.Known || s.Track.Suspect(collector.CabinetAir) {
		return
	}
	s.Load.Observe(&thermal.Seen{Hours: float64(dt) / 3600000, Air: float64(air), Amb: amb, Running: run.Running,
		RanFor: float64(run.LastRun) / 60, StoodFor: float64(run.LastOff) / 60, Well: well})
}

// hotDay fills in what is known of capacity, and of the room that the machine
// could still hold its own band in.
func (m *Machine) hotDay(v *View) {
	s := &m.s
	v.CapacityShare = s.Load.CapacityShare()
	if !v.Has.Has(collector.Ambient) {
		v.HotDay = HotDayNoAmbient
		return
	}
	air := s.Track.NormalAir()
	if math.IsNaN(air) {
		return
	}
	h := forecast.Hold(&s.Load, air)
	if !h.Known {
		return
	}
	v.HasHotDayLimit, v.HotDay = true, HotDayOwn
	v.HotDayLimit, v.HotDaySD = quantity.Celsius(h.Limit), quantity.Kelvin(h.SD)
	if h.FromKind {
		v.HotDay = HotDayByKind
	}
}
