package feature

import "coilward/collector"

// Difference is a feature that is the difference of two temperatures, or a temperature
// of its own, in which an error of a sensor shows as it is.
type Difference struct {
	ID          ID
	Plus, Minus collector.Channel
	Pair        bool // it has a Minus
}

// Differences are all of them.
var Differences = [...]Difference{
	{AirCoil, collector.CabinetAir, collector.CoilOut, true},
	{AirCoilIn, collector.CabinetAir, collector.CoilIn, true},
	{CoilSpread, collector.CoilOut, collector.CoilIn, true},
	{SupplyGap, collector.CabinetAir, collector.SupplyAir, true},
	{OffCoilGap, collector.CabinetAir, collector.CoilOut, true},
	{OffSupplyGap, collector.CabinetAir, collector.SupplyAir, true},
	{CondLift, collector.Condenser, collector.Ambient, true},
	{ShellLift, collector.CompressorShell, collector.Ambient, true},
	{CutInMoved, collector.CabinetAir, 0, false},
	{CutOutMoved, collector.CabinetAir, 0, false},
}
