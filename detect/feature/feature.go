// Package feature turns a machine's readings into the quantities that tell its
// faults apart, each standardised by what this machine shows when it is well.
//
// Three sorts stand beside each other. A profile feature compares a quantity
// with its own well value at the same time since the compressor started or
// stopped, so that it speaks within minutes of a fault and not only at the end
// of a cycle. A state feature counts how long something has lasted that should
// not. An absolute feature is a plain physical level, which tells a machine
// that was installed already faulty from its kind.
package feature

// ID names a feature. The order is stable: trained tables index by it.
type ID uint8

// Profile features, standardised residuals: fast ones average the last quarter
// hour or so in the state that carries them, slow ones several hours.
const (
	AirCoil      ID  = iota // cabinet air − coil outlet, running
	AirCoilIn               // cabinet air − coil inlet, running
	CoilSpread              // coil outlet − coil inlet, running
	CondLift                // condenser − ambient, running
	Current                 // ln compressor current, or of the step it makes in the mains current
	SupplyGap               // cabinet air − supply air, running
	ShellLift               // compressor shell − ambient
	EvapFanRun              // ln evaporator fan current, running
	CondFanRun              // ln condenser fan current, running
	EvapSpeedRun            // evaporator fan speed, running
	CondSpeedRun            // condenser fan speed, running
	RunSlope                // K/h of the cabinet air, running
	OffSlope                // K/h of the cabinet air per K to ambient, stopped
	OffCoilGap              // cabinet air − coil outlet, stopped
	EvapFanOff              // ln evaporator fan current, stopped
	MainsOff                // ln mains current, stopped
	OffSupplyGap            // cabinet air − supply air, stopped
	NumProfiles  int = iota
)

// Slow twins of the profile features follow in the same order, then the rest.
const (
	RunLength     ID  = ID(2*NumProfiles) + iota // ln of this run's length
	OffLength                                    // ln of this stop's length
	Load                                         // ln of run fraction (2 h) per K of ambient over air
	LoadSlow                                     // the same over 10 h
	AirHigh                                      // air above its own cut-in
	AirLow                                       // air below its own cut-out
	AirMean                                      // mean air (1.5 h)
	AirTrend                                     // mean air (20 min) − mean air (80 min)
	CutInMoved                                   // recent cut-in against the learned one
	CutOutMoved                                  // recent cut-out against the learned one
	StartRate                                    // ln starts an hour against its own
	ShortStops                                   // share of recent stops with the air still warm
	Inrush                                       // starts caught in the act, an hour
	FailedStarts                                 // starts with nothing after them, an hour
	OffWarm                                      // minutes stopped though the air is above cut-in, past its longest
	RunCold                                      // minutes running though the air is below cut-out, past its longest
	RunWarm                                      // minutes running with the air above cut-in
	CallNoRun                                    // minutes called for but stopped, past its longest
	NoCallWarm                                   // minutes not called for though warm, past its longest
	CallCold                                     // minutes called for though cold, past its longest
	DoorMinutes                                  // minutes the door has been open
	DoorShare                                    // share of the last hour it was open
	NoSupply                                     // minutes without any sign of mains supply
	VoltageLow                                   // mains voltage against its own, ln
	AbsAirCoil                                   // K, as AirCoil but the level itself
	AbsCoilSpread                                // K
	AbsCondLift                                  // K
	AbsSupplyGap                                 // K
	AbsOffCoilGap                                // K
	AbsLoad                                      // run fraction (3 h) per 20 K
	AbsRunFrac                                   // run fraction (3 h)
	AbsAir                                       // °C, mean air (20 min)
	AbsAirSlow                                   // °C, mean air (1.5 h)
	AbsCoil                                      // °C, coil outlet, running
	Ambient                                      // °C
	SinceRestock                                 // hours since the door was open for long or warm product came in
	SensorOdd                                    // how far the oddest channel contradicts itself
	Learnt                                       // ln hours of well life behind the standard
	Habit                                        // share of past days it stood warm at this hour
	EvapFanDead                                  // minutes the evaporator fan draws nothing, or does not turn, though it should
	CondFanDead                                  // the same of the condenser fan
	RunNoCool                                    // minutes running while warm without the air falling, past its longest
	Uninterrupted                                // hours since the supply, the link or the door was last interrupted
	AbsRunSlope                                  // K/h of the air lately, in this run
	AirMoved                                     // mean air (5 h) against that of the last days
	WarmRoom                                     // K from the mean air (5 h) to where its kind of product no longer keeps
	SetIn                                        // recent cut-in against what the thermostat is set to
	SetOut                                       // recent cut-out against it
	SetAir                                       // mean air (20 min) against the middle that it is set to
	SetAirSlow                                   // mean air (1.5 h) against it
	NumFeatures   int = iota + 2*NumProfiles
)

// Slow returns the slow twin of a profile feature.
func Slow(p ID) ID { return p + ID(NumProfiles) }

// Info describes a feature to people.
type Info struct {
	Name string
	What string // what it is, for evidence
	Unit string // of its level
}

// Vector is all features of one machine at one instant. Value[i] means nothing
// unless Has holds i. Standardised values are compressed by asinh, so that the
// twentyfold and the fiftyfold stand close together and a single digit apart.
type Vector struct {
	Has   [NumFeatures]bool
	Value [NumFeatures]float32
}

func (v *Vector) set(i ID, x float64) {
	if x != x {
		return
	}
	v.Has[i], v.Value[i] = true, float32(x)
}
