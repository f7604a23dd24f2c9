package feature

import (
	"fmt"
	"math"

	"coilward/collector"
)

// Note is an observation in numbers, ready to be put in words: small, of fixed
// size and without pointers, so that a model's state can hold it.
type Note struct {
	ID     ID
	Now    float32 // the level now, in the feature's own unit
	Normal float32 // this machine's well level; NaN where it has none
	SD     float32 // the spread about it
	Weight float32 // nats towards the leading cause; negative: against
	since  int32   // Unix s
}

// Since is the event time since which it has been so, to the second.
func (n *Note) Since() collector.Millis { return collector.Millis(n.since) * 1000 }

func (n *Note) setSince(at collector.Millis) { n.since = int32(at / 1000) }

// Topic groups features that say the same to a person.
func (i ID) Topic() ID {
	if int(i) >= NumProfiles && int(i) < 2*NumProfiles {
		i -= ID(NumProfiles)
	}
	switch i {
	case AbsAirCoil, AbsCoil:
		return AirCoil
	case AbsCoilSpread:
		return CoilSpread
	case AbsCondLift:
		return CondLift
	case AbsSupplyGap:
		return SupplyGap
	case AbsOffCoilGap:
		return OffCoilGap
	case LoadSlow, AbsLoad, AbsRunFrac:
		return Load
	case AbsRunSlope:
		return RunSlope
	case AirMean, AbsAir, AbsAirSlow, AirTrend, AirMoved, WarmRoom, SetAir, SetAirSlow:
		return AirMean
	case SetIn:
		return CutInMoved
	case SetOut:
		return CutOutMoved
	case FailedStarts:
		return Inrush
	case DoorShare, SinceRestock, Uninterrupted:
		return DoorMinutes
	}
	return i
}

// Channel returns the channel whose strip the feature belongs beside.
func (i ID) Channel() collector.Channel {
	switch i.Topic() {
	case AirCoil, OffCoilGap, CoilSpread:
		return collector.CoilOut
	case AirCoilIn:
		return collector.CoilIn
	case CondLift:
		return collector.Condenser
	case SupplyGap, OffSupplyGap:
		return collector.SupplyAir
	case ShellLift:
		return collector.CompressorShell
	case EvapFanRun, EvapFanOff, EvapFanDead:
		return collector.EvapFanCurrent
	case CondFanRun, CondFanDead:
		return collector.CondFanCurrent
	case EvapSpeedRun:
		return collector.EvapFanSpeed
	case CondSpeedRun:
		return collector.CondFanSpeed
	case Current, Inrush, RunLength, OffLength, Load, StartRate, ShortStops:
		return collector.CompressorCurrent
	case MainsOff:
		return collector.MainsCurrent
	case CallNoRun, NoCallWarm, CallCold:
		return collector.CompressorCall
	case DoorMinutes:
		return collector.Door
	case NoSupply, VoltageLow:
		return collector.MainsVoltage
	case Ambient:
		return collector.Ambient
	}
	return collector.CabinetAir
}

// Channel returns the channel whose strip the observation belongs beside.
func (n *Note) Channel() collector.Channel {
	if n.ID == SensorOdd {
		return collector.Channel(n.Now) // the channel that is odd
	}
	return n.ID.Channel()
}

// Note describes a feature as it stands. ok is false where a person would
// learn nothing from it.
func (t *Tracker) Note(i ID, v *Vector) (n Note, ok bool) {
	nan := float32(math.NaN())
	n = Note{ID: i.Topic(), Normal: nan, SD: nan}
	n.setSince(t.last)
	if int(n.ID) < NumProfiles {
		p := &t.prof[n.ID]
		n.Now, n.since = p.raw, int32(p.offSince)
		b := max(int(p.bin), 0)
		n.Normal, n.SD = p.mean[b], float32(math.Sqrt(p.variance(floors[n.ID])))
		if p.learnt() < 30 {
			n.Normal = nan
		}
		if i == Slow(n.ID) && p.slowW > 0 && n.Normal == n.Normal {
			// What was so for hours is told as that: the last quarter of an hour may
			// look like any other. Readings' spread says nothing of an average.
			n.ID, n.Now, n.SD = i, n.Normal+p.slow/p.slowW*n.SD, nan
			n.setSince(min(n.Since(), t.last-collector.Millis(slowTau*60000)))
		}
		return n, p.at != 0
	}
	ago := func(m float32) {
		n.Now = m
		n.setSince(t.last - collector.Millis(m*60000))
	}
	if i == LoadSlow && t.load10.n > 2 && t.frac10.Value > 0 {
		n.ID, n.Now = i, t.frac10.Value*100
		n.setSince(t.last - 10*hour)
		n.Normal = min(t.frac10.Value*float32(math.Exp(float64(t.load10.mean)-t.load(&t.frac10, &t.dT10)))*100, 100)
		return n, n.Now > 0.5
	}
	if air, other, ok := t.heldAgainst(i); ok {
		n.ID, n.Now, n.Normal = i, air, other
		if i == AirMoved {
			n.setSince(t.last - 5*hour)
		}
		return n, true
	}
	switch n.ID {
	case RunLength:
		n.Now, n.Normal = t.Run.LastRun, float32(math.Exp(float64(t.runLen.mean)))
		if m := float32(t.Run.Minutes(t.last)); t.Run.Running && m > n.Now {
			ago(m)
		}
	case OffLength:
		n.Now, n.Normal = t.Run.LastOff, float32(math.Exp(float64(t.offLen.mean)))
		if m := float32(t.Run.Minutes(t.last)); !t.Run.Running && m > n.Now {
			ago(m)
		}
	case Load:
		n.Now = t.frac3.Value * 100
		n.setSince(t.last - 3*hour)
		if t.load2.n > 2 && t.frac2.Value > 0 {
			n.Normal = min(t.frac2.Value*float32(math.Exp(float64(t.load2.mean)-t.load(&t.frac2, &t.dT2)))*100, 100)
		}
	case AirHigh:
		n.Now, n.Normal, n.SD = t.air5.Value, t.cutIn.mean, float32(math.Sqrt(float64(t.cutIn.vari)))
	case AirLow:
		n.Now, n.Normal, n.SD = t.air5.Value, t.cutOut.mean, float32(math.Sqrt(float64(t.cutOut.vari)))
	case AirMean:
		n.Now, n.Normal, n.SD = t.air20.Value, t.airMean.mean, float32(math.Sqrt(float64(t.airMean.vari)))
	case CutInMoved:
		n.Now, n.Normal = t.recentIn.Value, t.cutIn.mean
	case CutOutMoved:
		n.Now, n.Normal = t.recentOut.Value, t.cutOut.mean
	case StartRate:
		n.Now, n.Normal = t.starts, float32(math.Exp(float64(t.startBase.mean))-0.3)
	case ShortStops:
		n.Now = t.shortStops.Value * 100
	case Inrush:
		n.Now, n.Normal = t.inrush, t.failed
		ok = t.inrush > 0.3
		return n, ok
	case OffWarm:
		ago(t.offWarm.now)
	case RunCold:
		ago(t.runCold.now)
	case RunWarm:
		ago(t.runWarm)
	case RunNoCool:
		ago(t.runNoCool.now)
	case CallNoRun:
		ago(t.callNoRun.now)
	case NoCallWarm:
		ago(t.noCallWarm.now)
	case CallCold:
		ago(t.callCold.now)
	case DoorMinutes:
		ago(t.doorOpenFor)
	case NoSupply:
		ago(t.noSupply)
	case EvapFanDead:
		ago(max(t.evapDead, t.evapRests.now))
	case CondFanDead:
		ago(t.condDead)
	case VoltageLow:
		n.Now, n.Normal = t.volt5.Value, t.volts.mean
		return n, true
	case SensorOdd:
		c, odd := t.Oddest()
		n.Now, n.Normal, n.SD = float32(c), t.latest[c], t.sensor.ch[c].same
		return n, odd > 0.5
	default:
		return n, false
	}
	return n, n.Now > 0.5 || n.ID == AirHigh || n.ID == AirLow || n.ID == AirMean || n.ID == CutInMoved || n.ID == CutOutMoved
}

// heldAgainst returns the air that a feature holds against another, which does not creep
// along with the machine as its normal may: that of the last days, or the one that the
// fleet file says it is set to. Both °C; ok is false for other features.
func (t *Tracker) heldAgainst(i ID) (air, other float32, ok bool) {
	switch i {
	case AirMoved:
		return t.air300.Value, t.airLong.mean, true
	case SetIn:
		return t.recentIn.Value, t.setIn(), true
	case SetOut:
		return t.recentOut.Value, t.setOut(), true
	case SetAir:
		return t.air20.Value, t.spec.setpoint, true
	case SetAirSlow:
		return t.air90.Value, t.spec.setpoint, true
	}
	return 0, 0, false
}

var profileWords = [NumProfiles]string{
	AirCoil:      "coil outlet %.1f K below the cabinet air while running",
	AirCoilIn:    "coil inlet %.1f K below the cabinet air while running",
	CoilSpread:   "coil outlet %.1f K warmer than the inlet while running",
	CondLift:     "condenser %.1f K over ambient while running",
	SupplyGap:    "supply air %.1f K below the return air while running",
	ShellLift:    "compressor shell %.0f K over ambient",
	RunSlope:     "cabinet air changes by %.1f K/h while running",
	OffSlope:     "cabinet air warms by %.2f K/h per K to ambient while stopped",
	OffCoilGap:   "coil outlet %.1f K below the cabinet air while stopped",
	OffSupplyGap: "supply air %.1f K below the return air while stopped",
	EvapSpeedRun: "evaporator fan turns at %.0f rpm while running",
	CondSpeedRun: "condenser fan turns at %.0f rpm while running",
	EvapFanRun:   "evaporator fan draws %.2f A while running",
	EvapFanOff:   "evaporator fan draws %.2f A while the compressor is stopped",
	CondFanRun:   "condenser fan draws %.2f A while running",
	Current:      "compressor draws %.2f A (as at 25 °C ambient)",
	MainsOff:     "machine draws %.2f A with the compressor stopped",
}

// turned are the words of a difference that is the other way round.
var turned = map[ID]string{
	AirCoil:      "coil outlet %.1f K above the cabinet air while running",
	AirCoilIn:    "coil inlet %.1f K above the cabinet air while running",
	CoilSpread:   "coil outlet %.1f K colder than the inlet while running",
	CondLift:     "condenser %.1f K under ambient while running",
	SupplyGap:    "supply air %.1f K above the return air while running",
	ShellLift:    "compressor shell %.0f K under ambient",
	OffCoilGap:   "coil outlet %.1f K above the cabinet air while stopped",
	OffSupplyGap: "supply air %.1f K above the return air while stopped",
}

// Text puts the note in plain words with its numbers.
func (n Note) Text() string {
	if int(n.ID) < 2*NumProfiles {
		return n.profileText()
	}
	now, normal := float64(n.Now), float64(n.Normal)
	minutes := func(m float64) string {
		if m >= 180 {
			return fmt.Sprintf("%.1f h", m/60)
		}
		return fmt.Sprintf("%.0f min", m)
	}
	usual := func(format string) string {
		if math.IsNaN(normal) {
			return ""
		}
		return fmt.Sprintf("; this machine's normal is "+format, normal)
	}
	switch n.ID {
	case RunLength:
		return "compressor ran for " + minutes(now) + usual("%.0f min")
	case OffLength:
		return "compressor was stopped for " + minutes(now) + usual("%.0f min")
	case Load:
		return fmt.Sprintf("compressor ran %.0f %% of the last 3 h", now) + usual("%.0f %% at this ambient")
	case LoadSlow:
		return fmt.Sprintf("compressor ran %.0f %% of the last 10 h", now) + usual("%.0f %% at this ambient")
	case AirHigh:
		return fmt.Sprintf("cabinet air %.1f °C; the compressor normally starts at %.1f °C", now, normal)
	case AirLow:
		return fmt.Sprintf("cabinet air %.1f °C; the compressor normally stops at %.1f °C", now, normal)
	case AirMean:
		return fmt.Sprintf("cabinet air averages %.1f °C", now) + usual("%.1f °C")
	case CutInMoved:
		return fmt.Sprintf("compressor now starts at %.1f °C cabinet air", now) + usual("%.1f °C")
	case CutOutMoved:
		return fmt.Sprintf("compressor now stops at %.1f °C cabinet air", now) + usual("%.1f °C")
	case SetIn:
		return fmt.Sprintf("compressor now starts at %.1f °C cabinet air; it is set to start at %.1f °C", now, normal)
	case SetOut:
		return fmt.Sprintf("compressor now stops at %.1f °C cabinet air; it is set to stop at %.1f °C", now, normal)
	case AirMoved:
		return fmt.Sprintf("cabinet air averages %.1f °C over 5 h; over the last days it was %.1f °C", now, normal)
	case SetAir, SetAirSlow:
		return fmt.Sprintf("cabinet air averages %.1f °C; it is set to hold %.1f °C", now, normal)
	case StartRate:
		return fmt.Sprintf("%.1f compressor starts in the last hour", now) + usual("%.1f")
	case ShortStops:
		return fmt.Sprintf("%.0f %% of the last stops came before the air was cold: stopped by something other than the thermostat", now)
	case Inrush:
		if normal > 0.3 {
			return fmt.Sprintf("%.0f starts seen in the last hour at starting current, %.0f of them with no run after", math.Ceil(now), math.Ceil(normal))
		}
		return fmt.Sprintf("%.0f starts seen at starting current in the last hour", math.Ceil(now))
	case OffWarm:
		return "compressor stopped though the cabinet is warm, for " + minutes(now)
	case RunCold:
		return "compressor runs though the air is below its cut-out, for " + minutes(now)
	case RunWarm:
		return "compressor runs and the air stays above its cut-in, for " + minutes(now)
	case RunNoCool:
		return "compressor runs and the warm air does not fall, for " + minutes(now)
	case CallNoRun:
		return "thermostat calls but the compressor does not run, for " + minutes(now)
	case NoCallWarm:
		return "thermostat does not call though the cabinet is warm, for " + minutes(now)
	case CallCold:
		return "thermostat keeps calling though the cabinet is cold, for " + minutes(now)
	case DoorMinutes:
		return "door open for " + minutes(now)
	case EvapFanDead:
		return "evaporator fan draws nothing or does not turn though it should, for " + minutes(now)
	case CondFanDead:
		return "condenser fan draws nothing or does not turn though the compressor runs, for " + minutes(now)
	case NoSupply:
		return "no sign of mains supply for " + minutes(now)
	case VoltageLow:
		return fmt.Sprintf("mains %.0f V", now) + usual("%.0f V")
	case SensorOdd:
		c, still := collector.Channel(now), float64(n.SD)
		if still >= 10 {
			return fmt.Sprintf("%s contradicts itself or the other channels, unchanged for %s", c, minutes(still))
		}
		unit := c.Info().Unit
		if c.IsTemperature() {
			unit = "°C" // as the board turns into what its reader wants
		}
		return fmt.Sprintf("%s contradicts itself or the other channels (last value %.1f %s)", c, normal, unit)
	}
	return ""
}

func (n Note) profileText() string {
	now, normal, sd := float64(n.Now), float64(n.Normal), float64(n.SD)
	id := n.ID.Topic()
	unit, digits := " K", "%.1f"
	switch id {
	case EvapFanRun, EvapFanOff, CondFanRun:
		now, normal = math.Exp(now)-0.004, math.Exp(normal)-0.004
		sd *= normal
		unit, digits = " A", "%.2f"
	case MainsOff:
		now, normal = math.Exp(now)-0.02, math.Exp(normal)-0.02
		sd *= normal
		unit, digits = " A", "%.2f"
	case Current:
		now, normal = math.Exp(now), math.Exp(normal)
		sd *= normal
		unit, digits = " A", "%.2f"
	case EvapSpeedRun, CondSpeedRun:
		now, normal, sd = now*1500, normal*1500, sd*1500
		unit, digits = " rpm", "%.0f"
	case RunSlope:
		unit = " K/h"
	case OffSlope: // per kelvin of ambient over air: the same number in °F
		unit, digits = "", "%.2f"
	}
	words, otherWay := profileWords[id], ""
	if back, ok := turned[id]; ok {
		const none = -0.05 // is told as 0.0
		if now <= none {
			words, now, normal = back, -now, -normal
		}
		if normal <= none {
			otherWay = " the other way"
		}
		now, normal = math.Abs(now), math.Abs(normal)
	}
	s := fmt.Sprintf(words, now)
	if n.ID != id {
		s += fmt.Sprintf(", on average of %.0f h", slowTau/60)
	}
	if math.IsNaN(normal) {
		return s
	}
	s += fmt.Sprintf("; this machine's normal is "+digits, normal)
	if !math.IsNaN(sd) {
		s += fmt.Sprintf(" ± "+digits, sd)
	}
	// The unit stands behind every pair: screens that show °F find it there.
	return s + unit + otherWay
}

// Remarkable reports whether a person would call the feature's level abnormal:
// a standardised one must stand two standard deviations off.
func (i ID) Remarkable(v *Vector) bool {
	const twoSD = 0.88 // asinh(2/2)
	switch {
	case int(i) < 2*NumProfiles, i == RunLength, i == OffLength, i == Load, i == LoadSlow, i == AirMean, i == CutInMoved,
		i == CutOutMoved, i == StartRate, i == AirMoved, i == SetIn, i == SetOut, i == SetAir, i == SetAirSlow:
		return math.Abs(float64(v.Value[i])) > twoSD
	case i == AirHigh, i == AirLow, i == SensorOdd:
		return v.Value[i] > 0.5
	case i == ShortStops:
		return v.Value[i] > 0.25
	case i == VoltageLow:
		return math.Abs(float64(v.Value[i])) > 0.03
	case i == AbsAirCoil, i == AbsCoil, i == AbsCoilSpread, i == AbsCondLift, i == AbsSupplyGap, i == AbsOffCoilGap, i == AbsLoad, i == AbsRunFrac, i == AbsAir, i == WarmRoom,
		i == AbsRunSlope:
		// People are told of it beside the machine's own normal.
		of := i.Topic()
		return of == i || of.Remarkable(v) || int(of) < NumProfiles && Slow(of).Remarkable(v)
	}
	return true
}
