package alerts

import (
	"math"
	"time"

	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// Consequence is what one fault costs beside the product that the forecast
// already sees leaving its limit. All money is in the fleet file's currency.
//
// The figures are common practice, no source; an admin changes them.
type Consequence struct {
	PerDay   float64       // lost sales, energy and wear, money a day
	Creep    float64       // share of the load's value at risk a day beyond the forecast
	Repair   time.Duration // time at the machine until it cools again
	Products bool          // endangers product when it is real
}

// DefaultConsequences are used where an admin has set none.
var DefaultConsequences = [fault.Num]Consequence{
	fault.EvaporatorFanStopped:  {5, 0.015, 60 * time.Minute, true},
	fault.CoilIced:              {5, 0.015, 90 * time.Minute, true},
	fault.CondenserFanStopped:   {7, 0.015, 60 * time.Minute, true}, // wears the compressor
	fault.CondenserBlocked:      {5, 0.010, 45 * time.Minute, true},
	fault.CompressorNotStarting: {10, 0.030, 120 * time.Minute, true},
	fault.CompressorWeak:        {5, 0.010, 150 * time.Minute, true},
	fault.RefrigerantLow:        {5, 0.010, 180 * time.Minute, true},
	fault.ThermostatStuckOn:     {5, 0.020, 45 * time.Minute, true},
	fault.ThermostatStuckOff:    {8, 0.030, 45 * time.Minute, true},
	fault.DoorOpen:              {5, 0.010, 10 * time.Minute, true},
	fault.DoorLeak:              {5, 0.010, 45 * time.Minute, true},
	fault.PowerLost:             {50, 0.020, 30 * time.Minute, true}, // sells nothing
	fault.SensorFault:           {1, 0.001, 30 * time.Minute, false},
	fault.Silent:                {5, 0.010, 30 * time.Minute, false}, // unobserved: what befalls it is not seen
	fault.Unknown:               {5, 0.010, 90 * time.Minute, true},
}

// Spoilage is how the value of a load is lost once the product has left its
// limit: Step at once, then Slope a day, up to all of it.
type Spoilage struct {
	Step    float64 // share of the load's value
	Slope   float64 // share of the load's value a day
	PerHour float64 // money an hour that somebody may buy unsafe food, until a person is there
	Sales   float64 // share of the load's value a day, in sales that are not made until it cools again
}

// DefaultSpoilage, by product and side of the band.
//
// Drinks too warm to sell are not lost, their sales are: a load is about a
// week's sales. Frozen cans burst. A load that is lost is not sold either, so
// there is something to hurry for when it is too late for the load. For food under time and temperature control
// the vending latch (FDA Food Code 4-204.111) stops sales at the limit until the
// machine is serviced and restocked, and the load is to be discarded 4 h after
// (3-501.19(B)). The shares are common practice, no source.
var DefaultSpoilage = [fleet.NumProducts][3]Spoilage{
	fleet.SealedBeverage: {detect.Warm: {Step: 0.15, Slope: 1. / 7}, detect.Cold: {Step: 0.4, Slope: 2, Sales: 1. / 7}},
	fleet.Dairy:          {detect.Warm: {Step: 0.5, Slope: 3, PerHour: 30, Sales: 1. / 7}, detect.Cold: {Step: 0.3, Slope: 1, Sales: 1. / 7}},
	fleet.TCSFood:        {detect.Warm: {Step: 0.5, Slope: 3, PerHour: 30, Sales: 1. / 7}, detect.Cold: {Step: 0.3, Slope: 1, Sales: 1. / 7}},
}

// defaultLoad is the value of a load by kind of machine, where the fleet file
// says nothing. Common practice, no source.
var defaultLoad = [fleet.NumKinds]float64{
	fleet.StackVendor: 500, fleet.GlassFrontVendor: 400, fleet.GlassDoor: 450, fleet.OpenFront: 600,
}

// loadValue returns the money aboard, and whether the fleet file says it.
func loadValue(m *fleet.Machine) (float64, bool) {
	if m == nil {
		return defaultLoad[fleet.GlassDoor], false
	}
	if m.LoadValue > 0 {
		return m.LoadValue, true
	}
	return defaultLoad[m.Kind], false
}

// lossAt is the share of the load lost when it left its limit this long ago.
func (s Spoilage) lossAt(over time.Duration) float64 {
	if over <= 0 {
		return 0
	}
	return math.Min(1, s.Step+s.Slope*over.Hours()/24)
}

// persists is the probability that a silence which has lasted d is more than a
// hiccup of the link and needs a visit: a mixture of hiccups, exponential with
// the given mean, and of silences that stay.
func persists(d, meanHiccup time.Duration, stays float64) float64 {
	h := (1 - stays) * math.Exp(-math.Max(0, d.Hours())/meanHiccup.Hours())
	return stays / (stays + h)
}

// LoadValue returns the money aboard a machine; a usual one where the fleet
// file does not say.
func LoadValue(m *fleet.Machine) float64 {
	v, _ := loadValue(m)
	return v
}

// ShareLost is the share of a load that is lost once it has been past its
// limit for the time.
func (s Spoilage) ShareLost(over time.Duration) float64 { return s.lossAt(over) }
