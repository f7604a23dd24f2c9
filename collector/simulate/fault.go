package simulate

import (
	"math"
	"math/rand/v2"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Effect is what the faults of one step do to the plant. The zero value is a
// well machine.
type Effect struct {
	EvapFanStopped, EvapFanLocked bool
	CondFanStopped, CondFanLocked bool
	CondBlocked                   float64 // 0..1 of the condenser's air path
	Recirculation                 float64 // share of condenser heat that comes back to its inlet
	StartOpen                     bool    // no current at all
	StartLost                     float64 // 0..1 of the starting torque
	ValveLoss                     float64 // 0..1 of the pumped volume
	WindingLoss                   float64 // extra electrical losses over the power
	ChargeLost                    float64 // 0..1 of the charge
	Restriction                   float64 // 0..1 of the capillary's flow
	StatOn, StatOff               bool
	StatShift                     float64 // K
	DoorOpen                      float64 // 0..1 of its full width
	DoorUnseen                    bool    // its switch, and what it switches, do not see it
	Leak                          float64 // m³/s past the gasket
	Ice                           float64 // blocked coils per hour while cold
	HoldMelt                      float64 // 0..1 of the meltwater stays
	NoDefrost                     bool
	PowerOff                      bool
}

// doorSeen reports whether a door that was left open is open to its switch.
func (e *Effect) doorSeen() bool { return e.DoorOpen > 0 && !e.DoorUnseen }

func (e *Effect) startTorque() float64 { return 1 - e.StartLost }

// Shape is how a fault's severity goes with time.
type Shape uint8

// Shapes of severity.
const (
	Step         Shape = iota
	Ramp               // grows from nothing to its peak, then stays
	Intermittent       // comes and goes
)

func (s Shape) String() string { return [...]string{"step", "ramp", "intermittent"}[s] }

// Episode is one fault of one machine.
type Episode struct {
	Fault       fault.Fault
	Mode        string
	Shape       Shape
	Onset       float64 // s since the start
	End         float64 // s; +Inf while it lasts
	RampFor     float64 // s from nothing to the peak
	Power       float64 // exponent of the ramp
	Peak        float64 // severity at its worst, 0..1
	Preexisting bool
	Intervals   [][2]float64      // s: when an intermittent one is there
	Channel     collector.Channel // sensor-fault
	Other       collector.Channel // sensor-fault swapped
	Size        float64           // of the effect at severity 1; meaning depends on the mode
	Extra       float64
}

// mode is one way in which a fault shows.
type mode struct {
	name       string
	shape      Shape
	hours      [2]float64 // of a ramp
	size, more [2]float64 // Size and Extra are drawn from these
	apply      func(e *Effect, s, size, extra float64)
}

var modes = map[fault.Fault][]mode{
	fault.EvaporatorFanStopped: {
		{name: "open", apply: func(e *Effect, s, _, _ float64) { e.EvapFanStopped = e.EvapFanStopped || s > 0 }},
		{name: "locked", apply: lockEvap},
		{name: "intermittent", shape: Intermittent, apply: lockEvap},
	},
	fault.CoilIced: {
		{name: "drain", size: [2]float64{0.04, 0.35}, apply: func(e *Effect, s, size, _ float64) { e.Ice += s * size; e.HoldMelt = s }},
		{name: "gasket", shape: Ramp, hours: [2]float64{6, 60}, size: [2]float64{0.05, 0.3}, more: [2]float64{1e-4, 6e-4},
			apply: func(e *Effect, s, size, extra float64) {
				e.Ice += s * size
				e.Leak += s * extra
				e.HoldMelt = math.Max(e.HoldMelt, 0.5*s)
			}},
		{name: "defrost", size: [2]float64{0.05, 0.25}, apply: func(e *Effect, s, size, _ float64) {
			e.NoDefrost = s > 0
			e.Ice += s * size
			e.HoldMelt = math.Max(e.HoldMelt, 0.7*s)
		}},
	},
	fault.CondenserFanStopped: {
		{name: "open", apply: func(e *Effect, s, _, _ float64) { e.CondFanStopped = e.CondFanStopped || s > 0 }},
		{name: "locked", apply: lockCond},
		{name: "intermittent", shape: Intermittent, apply: lockCond},
	},
	fault.CondenserBlocked: {
		{name: "dirt", shape: Ramp, hours: [2]float64{40, 260}, size: [2]float64{0.55, 0.93}, apply: blockCond},
		{name: "covered", size: [2]float64{0.75, 0.96}, apply: blockCond},
		{name: "clearance", size: [2]float64{0.1, 0.55}, more: [2]float64{0.25, 0.62}, apply: func(e *Effect, s, size, extra float64) {
			blockCond(e, s, size, 0)
			e.Recirculation = math.Max(e.Recirculation, s*extra)
		}},
	},
	fault.CompressorNotStarting: {
		{name: "open", apply: func(e *Effect, s, _, _ float64) { e.StartOpen = e.StartOpen || s > 0 }},
		{name: "startcap", apply: func(e *Effect, s, _, _ float64) {
			if s > 0 {
				e.StartLost = 1.1
			}
		}},
		{name: "intermittent", shape: Intermittent, apply: func(e *Effect, s, _, _ float64) {
			if s > 0 {
				e.StartLost = 1.1
			}
		}},
		{name: "marginal", shape: Ramp, hours: [2]float64{20, 200}, size: [2]float64{0.9, 1.02},
			apply: func(e *Effect, s, size, _ float64) { e.StartLost = math.Max(e.StartLost, s*size) }},
	},
	fault.CompressorWeak: {
		{name: "valves", shape: Ramp, hours: [2]float64{20, 240}, size: [2]float64{0.35, 0.85},
			apply: func(e *Effect, s, size, _ float64) { e.ValveLoss = math.Max(e.ValveLoss, s*size) }},
		{name: "windings", shape: Ramp, hours: [2]float64{20, 200}, size: [2]float64{0.35, 1.1}, more: [2]float64{0.05, 0.35},
			apply: func(e *Effect, s, size, extra float64) {
				e.WindingLoss = math.Max(e.WindingLoss, s*size)
				e.ValveLoss = math.Max(e.ValveLoss, s*extra)
			}},
		{name: "preexisting", size: [2]float64{0.3, 0.7}, apply: func(e *Effect, s, size, _ float64) { e.ValveLoss = math.Max(e.ValveLoss, s*size) }},
	},
	fault.RefrigerantLow: {
		{name: "leak", shape: Ramp, hours: [2]float64{20, 220}, size: [2]float64{0.4, 0.9}, apply: loseCharge},
		{name: "restriction", size: [2]float64{0.3, 0.85}, apply: restrict},
		{name: "moisture", shape: Intermittent, size: [2]float64{0.8, 1}, apply: restrict},
		{name: "preexisting", size: [2]float64{0.28, 0.6}, apply: loseCharge},
	},
	fault.ThermostatStuckOn: {
		{name: "welded", apply: func(e *Effect, s, _, _ float64) { e.StatOn = e.StatOn || s > 0 }},
		{name: "drift", shape: Ramp, hours: [2]float64{8, 120}, size: [2]float64{-9, -3.5}, apply: shiftStat},
		{name: "intermittent", shape: Intermittent, apply: func(e *Effect, s, _, _ float64) { e.StatOn = e.StatOn || s > 0 }},
	},
	fault.ThermostatStuckOff: {
		{name: "dead", apply: func(e *Effect, s, _, _ float64) { e.StatOff = e.StatOff || s > 0 }},
		{name: "drift", shape: Ramp, hours: [2]float64{8, 120}, size: [2]float64{4, 14}, apply: shiftStat},
		{name: "intermittent", shape: Intermittent, apply: func(e *Effect, s, _, _ float64) { e.StatOff = e.StatOff || s > 0 }},
	},
	fault.DoorOpen: {
		{name: "seen", size: [2]float64{0.2, 1}, apply: func(e *Effect, s, size, _ float64) { e.DoorOpen = math.Max(e.DoorOpen, s*size) }},
		{name: "unseen", size: [2]float64{0.08, 0.8}, apply: func(e *Effect, s, size, _ float64) {
			if s > 0 {
				e.DoorOpen, e.DoorUnseen = math.Max(e.DoorOpen, s*size), true
			}
		}},
	},
	fault.DoorLeak: {
		{name: "gasket", shape: Ramp, hours: [2]float64{8, 140}, size: [2]float64{0.0003, 0.005}, apply: leak},
		{name: "hinge", size: [2]float64{0.0003, 0.006}, apply: leak},
	},
	fault.PowerLost: {
		{name: "breaker", apply: cut},
		{name: "unplugged", apply: cut},
	},
	fault.SensorFault: {
		{name: "stuck"}, {name: "drift", shape: Ramp, hours: [2]float64{6, 120}, size: [2]float64{3, 12}},
		{name: "open"}, {name: "short"}, {name: "swapped"}, {name: "fahrenheit"},
		{name: "loose", shape: Step, size: [2]float64{0.03, 0.5}},
	},
	fault.Silent: {{name: "network"}, {name: "gateway"}},
}

func lockEvap(e *Effect, s, _, _ float64) {
	if s > 0 {
		e.EvapFanStopped, e.EvapFanLocked = true, true
	}
}

func lockCond(e *Effect, s, _, _ float64) {
	if s > 0 {
		e.CondFanStopped, e.CondFanLocked = true, true
	}
}
func blockCond(e *Effect, s, size, _ float64)  { e.CondBlocked = math.Max(e.CondBlocked, s*size) }
func loseCharge(e *Effect, s, size, _ float64) { e.ChargeLost = math.Max(e.ChargeLost, s*size) }
func restrict(e *Effect, s, size, _ float64)   { e.Restriction = math.Max(e.Restriction, s*size) }
func shiftStat(e *Effect, s, size, _ float64)  { e.StatShift += s * size }
func leak(e *Effect, s, size, _ float64)       { e.Leak += s * size }
func cut(e *Effect, s, _, _ float64)           { e.PowerOff = e.PowerOff || s > 0 }

func modeOf(f fault.Fault, name string) *mode {
	for i := range modes[f] {
		if modes[f][i].name == name {
			return &modes[f][i]
		}
	}
	return nil
}

// Severity returns how bad the fault is at t s, 0..1.
func (ep *Episode) Severity(t float64) float64 {
	if t < ep.Onset || t >= ep.End {
		return 0
	}
	switch ep.Shape {
	case Ramp:
		if ep.Preexisting || ep.RampFor <= 0 {
			return ep.Peak
		}
		return ep.Peak * math.Min(1, math.Pow((t-ep.Onset)/ep.RampFor, ep.Power))
	case Intermittent:
		for _, v := range ep.Intervals {
			if t >= v[0] && t < v[1] {
				return ep.Peak
			}
		}
		return 0
	}
	return ep.Peak
}

// Physical reports whether the fault changes what happens in the cabinet, and
// not only what is said of it.
func (ep *Episode) Physical() bool {
	return ep.Fault != fault.SensorFault && ep.Fault != fault.Silent
}

// Repaired reports whether somebody with tools ends the fault: a door is pushed to and
// a plug put back by anybody.
func (ep *Episode) Repaired() bool {
	return !math.IsInf(ep.End, 1) && ep.Physical() && ep.Fault != fault.DoorOpen && ep.Fault != fault.PowerLost
}

// Apply adds the fault's effect at t s.
func (ep *Episode) Apply(e *Effect, t float64) {
	if !ep.Physical() {
		return
	}
	if s := ep.Severity(t); s > 0 {
		modeOf(ep.Fault, ep.Mode).apply(e, s, ep.Size, ep.Extra)
	}
}

// drawEpisode draws a fault for a machine with channels has over days days. A zero
// fault or an empty mode is drawn too.
func drawEpisode(r *rand.Rand, d *Design, has collector.ChannelSet, days float64, f fault.Fault, name string) Episode {
	if f == fault.Well {
		for {
			f = fault.Fault(1 + r.IntN(int(fault.Silent)))
			if d.Kind == fleet.OpenFront && (f == fault.DoorOpen || f == fault.DoorLeak) {
				continue
			}
			break
		}
	}
	list := modes[f]
	m := &list[r.IntN(len(list))]
	if f == fault.Silent && r.Float64() < 0.8 {
		m = &list[0] // a gateway takes its whole site along, so it is drawn less often
	}
	if x := modeOf(f, name); x != nil {
		m = x
	}
	day := 86400.0
	ep := Episode{Fault: f, Mode: m.name, Shape: m.shape, Peak: 1, Power: between(r, 0.8, 1.4)}
	// Two to four days are left for the machine's own ways to show.
	ep.Onset = math.Floor(between(r, math.Min(2.2, 0.25*days), math.Max(0.3, 0.75)*days) * day)
	ep.RampFor = between(r, m.hours[0], m.hours[1]) * 3600
	ep.Size = between(r, m.size[0], m.size[1])
	ep.Extra = between(r, m.more[0], m.more[1])
	if m.name == "preexisting" {
		ep.Preexisting, ep.Onset = true, 0
	}
	ep.End = math.Inf(1)
	switch f {
	case fault.DoorOpen:
		ep.End = ep.Onset + 3600*spread(r, 3, 0.8)
	case fault.PowerLost:
		ep.End = ep.Onset + 3600*spread(r, 14, 0.8)
	case fault.Silent:
		ep.End = ep.Onset + 3600*spread(r, 14, 0.8)
	case fault.SensorFault:
		drawSensorFault(r, &ep, has)
		fallthrough
	default:
		if r.Float64() < 0.5 {
			ep.End = ep.Onset + 3600*spread(r, 60, 0.7)
			if m.shape == Ramp {
				ep.End += 0.7 * ep.RampFor
			}
		}
	}
	if ep.End > (days-0.3)*day {
		ep.End = math.Inf(1)
	}
	if ep.Shape == Intermittent {
		on, off := 3600*spread(r, 1.2, 0.8), 3600*spread(r, 2.5, 0.8)
		if f == fault.RefrigerantLow {
			on = 3600 * spread(r, 1.5, 0.4)
		}
		for t := ep.Onset; t < math.Min(ep.End, days*day); {
			n := on * r.ExpFloat64()
			n = math.Max(n, 240)
			ep.Intervals = append(ep.Intervals, [2]float64{t, math.Min(t+n, ep.End)})
			t += n + math.Max(300, off*r.ExpFloat64())
		}
	}
	return ep
}

func drawSensorFault(r *rand.Rand, ep *Episode, has collector.ChannelSet) {
	var temps []collector.Channel
	var all []collector.Channel
	for c := range has.All {
		if c.IsTemperature() {
			temps = append(temps, c)
		}
		if !c.IsBool() && c != collector.Energy {
			all = append(all, c)
		}
	}
	ep.Channel = all[r.IntN(len(all))]
	switch ep.Mode {
	case "fahrenheit", "drift", "open", "short":
		ep.Channel = temps[r.IntN(len(temps))]
		if r.Float64() < 0.5 {
			ep.Size = -ep.Size
		}
	case "swapped":
		if len(temps) < 2 {
			ep.Mode = "stuck"
			break
		}
		i := r.IntN(len(temps))
		j := (i + 1 + r.IntN(len(temps)-1)) % len(temps)
		ep.Channel, ep.Other = temps[i], temps[j]
	}
	ep.Extra = r.Float64()
}
