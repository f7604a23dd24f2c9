package board

import (
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// trade is how a fault is spoken of at the machine.
type trade struct {
	title    string
	meaning  string
	mechanic bool // only a certified mechanic may repair it: the sealed system
	electric bool // the check goes near mains, capacitors or motors
}

var trades = [fault.Num]trade{
	fault.Well:                  {title: "well"},
	fault.EvaporatorFanStopped:  {title: "evaporator fan stopped", meaning: "The evaporator fan does not move air while it should.", electric: true},
	fault.CoilIced:              {title: "coil iced", meaning: "Frost or ice blocks the evaporator."},
	fault.CondenserFanStopped:   {title: "condenser fan stopped", meaning: "The condenser fan does not run while the compressor does.", electric: true},
	fault.CondenserBlocked:      {title: "condenser blocked", meaning: "Dirt, or no clearance behind the machine, keeps air from the condenser."},
	fault.CompressorNotStarting: {title: "compressor not starting", meaning: "It is called for but does not start, or trips on its overload.", electric: true},
	fault.CompressorWeak:        {title: "compressor weak", meaning: "It runs but pumps too little.", mechanic: true, electric: true},
	fault.RefrigerantLow:        {title: "refrigerant low or restricted", meaning: "The coil frosts only in part: low charge or a restriction.", mechanic: true},
	fault.ThermostatStuckOn:     {title: "thermostat stuck on", meaning: "Cooling goes on below the set band; product may freeze.", electric: true},
	fault.ThermostatStuckOff:    {title: "thermostat stuck off", meaning: "Cooling is not called for although the cabinet is warm.", electric: true},
	fault.DoorOpen:              {title: "door open", meaning: "The door was left open."},
	fault.DoorLeak:              {title: "door leaks", meaning: "A gasket or hinge leaks: the load is high with the door shut."},
	fault.PowerLost:             {title: "power lost", meaning: "The machine has no supply.", electric: true},
	fault.SensorFault:           {title: "sensor fault", meaning: "A channel is stuck, out of range, or contradicts the others."},
	fault.Silent:                {title: "silent", meaning: "No messages come from the machine."},
	fault.Unknown:               {title: "cooling fails, cause not named", meaning: "Cooling is failing and no named cause fits."},
}

// cautions are what to show before somebody opens this machine for one of
// these causes, the gravest first. The plug rule is 29 CFR 1910.147(a)(2)(iii)(A),
// the refrigerant rule EPA Section 608, the charge limits IEC 60335-2-89, the
// product rule FDA Food Code 3-501.16 and 3-501.19; the rest is common practice.
func cautions(m *fleet.Machine, causes []fault.Fault) []string {
	var electric, mechanic, cold, heat, power bool
	for _, f := range causes {
		electric = electric || trades[f].electric
		mechanic = mechanic || trades[f].mechanic
		cold = cold || f == fault.CoilIced || f == fault.EvaporatorFanStopped
		heat = heat || f == fault.CompressorNotStarting || f == fault.CompressorWeak || f == fault.CondenserFanStopped || f == fault.CondenserBlocked
		power = power || f == fault.PowerLost
	}
	out := []string{
		"Unplug the machine and keep the plug in your own hands before opening it. Fans and the compressor restart by themselves.",
	}
	if electric {
		out = append(out, "Run and start capacitors hold charge after the plug is out. Work on them is for qualified people only.")
	}
	switch m.Refrigerant {
	case "R-290", "R-600a":
		out = append(out, m.Refrigerant+" burns: no flame, no spark, ventilate before and while you work.")
	case "":
		out = append(out, "The refrigerant is not on file: read the plate first. R-290 and R-600a burn: no flame, no spark, ventilate.")
	}
	if mechanic {
		out = append(out, "Sealed system: only a certified mechanic opens a refrigerant circuit (US: EPA Section 608; elsewhere the local rule). Check what can be checked from outside, then hand over.")
	}
	if heat {
		out = append(out, "The discharge line and the compressor shell can pass 100 °C. Let them cool.")
	}
	if cold {
		out = append(out, "Thaw with the machine off and air moving; never chip ice. Fins cut, and the floor will be wet.")
	}
	if power {
		out = append(out, "Use only a heavy-duty, undamaged, grounded cord, and never leave one unattended.")
	}
	if m.Product != fleet.SealedBeverage {
		out = append(out, "Product past its limit is discarded or handled under the time rule, never tasted.")
	}
	return append(out, "Machines tip: never rock one. Local codes and licensed practice come first.")
}
