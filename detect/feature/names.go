package feature

var profileNames = [NumProfiles]string{
	"AirCoil", "AirCoilIn", "CoilSpread", "CondLift", "Current", "SupplyGap", "ShellLift", "EvapFanRun", "CondFanRun",
	"EvapSpeedRun", "CondSpeedRun", "RunSlope", "OffSlope", "OffCoilGap", "EvapFanOff", "MainsOff", "OffSupplyGap",
}

var otherNames = [...]string{
	"RunLength", "OffLength", "Load", "LoadSlow", "AirHigh", "AirLow", "AirMean", "AirTrend", "CutInMoved", "CutOutMoved",
	"StartRate", "ShortStops", "Inrush", "FailedStarts", "OffWarm", "RunCold", "RunWarm", "CallNoRun", "NoCallWarm",
	"CallCold", "DoorMinutes", "DoorShare", "NoSupply", "VoltageLow", "AbsAirCoil", "AbsCoilSpread", "AbsCondLift",
	"AbsSupplyGap", "AbsOffCoilGap", "AbsLoad", "AbsRunFrac", "AbsAir", "AbsAirSlow", "AbsCoil", "Ambient",
	"SinceRestock", "SensorOdd", "Learnt", "Habit", "EvapFanDead", "CondFanDead", "RunNoCool", "Uninterrupted",
	"AbsRunSlope", "AirMoved", "WarmRoom", "SetIn", "SetOut", "SetAir", "SetAirSlow",
}

var names = func() (n [NumFeatures]string) {
	for i, s := range profileNames {
		n[i], n[i+NumProfiles] = s, "Slow"+s
	}
	copy(n[2*NumProfiles:], otherNames[:])
	return n
}()

func (i ID) String() string { return names[i] }
