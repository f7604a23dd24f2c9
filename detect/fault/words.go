package fault

// trade is how a fault is spoken of at the machine.
type trade struct {
	title    string
	meaning  string
	mechanic bool // only a certified mechanic may repair it: the sealed system
	electric bool // the check goes near mains, capacitors or motors
}

var trades = [Num]trade{
	Well:                  {title: "well"},
	EvaporatorFanStopped:  {title: "evaporator fan stopped", meaning: "The evaporator fan does not move air while it should.", electric: true},
	CoilIced:              {title: "coil iced", meaning: "Frost or ice blocks the evaporator."},
	CondenserFanStopped:   {title: "condenser fan stopped", meaning: "The condenser fan does not run while the compressor does.", electric: true},
	CondenserBlocked:      {title: "condenser blocked", meaning: "Dirt, or no clearance behind the machine, keeps air from the condenser."},
	CompressorNotStarting: {title: "compressor not starting", meaning: "It is called for but does not start, or trips on its overload.", electric: true},
	CompressorWeak:        {title: "compressor weak", meaning: "It runs but pumps too little.", mechanic: true, electric: true},
	RefrigerantLow:        {title: "refrigerant low or restricted", meaning: "The coil frosts only in part: low charge or a restriction.", mechanic: true},
	ThermostatStuckOn:     {title: "thermostat stuck on", meaning: "Cooling goes on below the set band; product may freeze.", electric: true},
	ThermostatStuckOff:    {title: "thermostat stuck off", meaning: "Cooling is not called for although the cabinet is warm.", electric: true},
	DoorOpen:              {title: "door open", meaning: "The door was left open."},
	DoorLeak:              {title: "door leaks", meaning: "A gasket or hinge leaks: the load is high with the door shut."},
	PowerLost:             {title: "power lost", meaning: "The machine has no supply.", electric: true},
	SensorFault:           {title: "sensor fault", meaning: "A channel is stuck, out of range, or contradicts the others."},
	Silent:                {title: "silent", meaning: "No messages come from the machine."},
	Unknown:               {title: "cooling fails, cause not named", meaning: "Cooling is failing and no named cause fits."},
}

// Title is the fault's name as people say it.
func (f Fault) Title() string { return trades[f].title }

// Meaning says in a sentence what the fault is; "" for Well.
func (f Fault) Meaning() string { return trades[f].meaning }

// Mechanic reports whether only a certified mechanic may repair it: it is in the
// sealed refrigerant circuit.
func (f Fault) Mechanic() bool { return trades[f].mechanic }
