package learn

import (
	"math"
	"math/rand/v2"

	"coilward/detect/feature"
)

// groups are the features that go with each channel a machine may lack. Where a
// feature needs two channels it is in both.
var groups = func() [][]feature.ID {
	g := [][]feature.ID{
		{feature.AirCoil, feature.CoilSpread, feature.OffCoilGap, feature.AbsAirCoil, feature.AbsCoilSpread, feature.AbsOffCoilGap, feature.AbsCoil}, // coil outlet
		{feature.AirCoilIn, feature.CoilSpread, feature.AbsCoilSpread},                                                                               // coil inlet
		{feature.CondLift, feature.AbsCondLift},                                                                                                      // condenser
		{feature.SupplyGap, feature.OffSupplyGap, feature.AbsSupplyGap},                                                                              // supply air
		{feature.EvapFanRun, feature.EvapFanOff, feature.EvapFanDead},                                                                                // evaporator fan current
		{feature.CondFanRun, feature.CondFanDead},                                                                                                    // condenser fan current
		{feature.EvapSpeedRun}, // evaporator fan speed
		{feature.CondSpeedRun}, // condenser fan speed
		{feature.CondLift, feature.Ambient, feature.AbsLoad, feature.AbsCondLift, feature.ShellLift}, // ambient
		{feature.CallNoRun, feature.NoCallWarm, feature.CallCold},                                    // compressor call
		{feature.DoorMinutes, feature.DoorShare, feature.SinceRestock},                               // door
		{feature.Current}, // compressor current
		{feature.VoltageLow, feature.Uninterrupted}, // mains voltage
		{feature.MainsOff},                          // mains current
		{feature.ShellLift},                         // compressor shell
	}
	for i := range g {
		for _, id := range g[i] {
			if int(id) < feature.NumProfiles {
				g[i] = append(g[i], feature.Slow(id))
			}
		}
	}
	return g
}()

// saidByLaw are the features of which a law of detect/diagnose says all that
// they say alone.
var saidByLaw = [feature.NumFeatures]bool{
	feature.EvapFanDead:   true,
	feature.CondFanDead:   true,
	feature.Uninterrupted: true,
}

// dropped is the mean chance of every single feature to be taken away. The fit
// cannot lean on one that is always there, which is a ridge in proportion to
// what each weight does (Wager, Wang and Liang, Dropout training as adaptive
// regularization, 2013).
const dropped = 0.2

// drop takes single features away, by a chance drawn for the example. What a law
// says all of stays: it is a fact, and nothing is to be learned in its place.
func drop(x *[feature.NumFeatures]float32, rng *rand.Rand) {
	chance := 2 * dropped * rng.Float64()
	for i := range x {
		if rng.Float64() < chance && !saidByLaw[i] {
			x[i] = float32(math.NaN())
		}
	}
}

// thin takes the features of some channels away: of four in ten examples none,
// of three each channel by a chance of one in four, of three of two in three.
func thin(x *[feature.NumFeatures]float32, rng *rand.Rand) {
	var chance float64
	switch m := rng.Float64(); {
	case m < 0.4:
		return
	case m < 0.7:
		chance = 0.25
	default:
		chance = 0.65
	}
	for _, g := range groups {
		if rng.Float64() >= chance {
			continue
		}
		for _, id := range g {
			x[id] = float32(math.NaN())
		}
	}
}
