package notify

import (
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Cautions are what a message says to somebody it sends to a machine. Local codes
// and licensed practice come first; the stop page has all of them.
func Cautions(f fault.Fault, m *fleet.Machine) []string {
	if f == fault.Silent || f == fault.SensorFault {
		return []string{unplug, local}
	}
	out := []string{unplug}
	switch f {
	case fault.EvaporatorFanStopped, fault.CoilIced:
		out = append(out, "Fans start by themselves; fins cut; the floor may be wet. Never chip ice off a coil.")
	case fault.CondenserFanStopped, fault.CondenserBlocked:
		out = append(out, "Fans start by themselves; discharge line and compressor can pass 100 °C; machines tip: never rock one.")
	case fault.CompressorNotStarting, fault.CompressorWeak, fault.ThermostatStuckOn, fault.ThermostatStuckOff, fault.Unknown:
		out = append(out, "Run and start capacitors hold a charge after unplugging; the compressor restarts by itself; its shell can pass 100 °C.")
	case fault.RefrigerantLow:
		out = append(out, "Only certified people open a refrigerant circuit (US: EPA Section 608; elsewhere the local rule).")
	case fault.PowerLost:
		out = append(out, "If a breaker has tripped, do not reset it again and again: call an electrician. No extension cord but a heavy-duty, undamaged, grounded one, never left unattended.")
	}
	if m != nil && (m.Refrigerant == "R-290" || m.Refrigerant == "R-600a") {
		out = append(out, m.Refrigerant+" burns: no flame, no spark, ventilate.")
	}
	if m != nil && (m.Product == fleet.Dairy || m.Product == fleet.TCSFood) {
		out = append(out, "Food over its limit is discarded or handled under the time rule (FDA Food Code 3-501.19), never tasted.")
	}
	return append(out, local)
}

const (
	// 29 CFR 1910.147(a)(2)(iii)(A): the plug under the exclusive control of who works.
	unplug = "Unplug before opening, and keep the plug in your own hands."
	local  = "Local codes and licensed practice come first."
)
