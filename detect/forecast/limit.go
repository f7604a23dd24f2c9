// Package forecast says when the product leaves its limit.
package forecast

import (
	"math"

	"coilward/detect/fault"
)

// Input is where a machine stands. Temperatures in °C.
type Input struct {
	Product, Low, High float64 // product estimate and its bounds
	Ambient            float64
	Air, AirSlow       float64 // means over about 25 and 100 min
	Warm, Cold         float64 // limits
}

// Times are hours from now; +Inf where the limit is not expected to be left.
type Times struct {
	Early, Mid, Late float64
	Cold             bool // the cold limit is the one
}

// uncooled is how fast product warms without any cooling, 1/h of the distance
// to ambient; the faults' rates are shares of it.
const uncooled = 1.0 / 14

// lost is the share of the cooling that each fault takes away in the mean, and
// so how fast product drifts in a machine of which nothing else is known.
var lost = [fault.Num]float64{
	fault.EvaporatorFanStopped: .40, fault.CoilIced: .2, fault.CondenserFanStopped: .4, fault.CondenserBlocked: .35,
	fault.CompressorNotStarting: 1, fault.CompressorWeak: .15, fault.RefrigerantLow: .15, fault.ThermostatStuckOff: 1,
	fault.DoorOpen: 2.5, fault.DoorLeak: .1, fault.PowerLost: 1,
}

// Limit forecasts under the probabilities of the faults.
func Limit(in *Input, p *[fault.Num]float64) Times {
	inf := math.Inf(1)
	if p[fault.ThermostatStuckOn] > 0.5 {
		return cold(in)
	}
	var share, total float64
	for f, q := range p {
		share += q * lost[f]
		total += q
	}
	if total == 0 {
		return Times{inf, inf, inf, false}
	}
	share /= total
	prior := share * uncooled * math.Max(in.Ambient-in.Product, 3)
	// The air's own trend: the two means lag by 25 and 100 min.
	seen := (in.Air - in.AirSlow) / (75.0 / 60)
	// The product follows the air; where air already stands off, it will come.
	pull := (in.Air - in.Product) / 2.5
	obs := math.Max(pull, 0) + 0.3*math.Max(seen, 0)
	rate := 0.5*prior + 0.5*obs
	if rate < 0.06 {
		return Times{inf, inf, inf, false}
	}
	hours := func(from, r float64) float64 {
		if from >= in.Warm {
			return 0
		}
		end := in.Product + 8*r // what the drift settles to at the most
		if in.Ambient > end {
			end = in.Ambient
		}
		tau := (end - in.Product) / r
		if end <= in.Warm {
			return inf
		}
		return tau * math.Log((end-from)/(end-in.Warm))
	}
	return Times{Early: hours(in.High, rate*1.5), Mid: hours(in.Product, rate), Late: hours(in.Low, rate*0.6)}
}

// cold forecasts freezing under a compressor that does not stop.
func cold(in *Input) Times {
	inf := math.Inf(1)
	rate := math.Max((in.Product-in.Air)/2.5, 0.3*(in.AirSlow-in.Air)/1.25)
	if rate < 0.05 {
		return Times{inf, inf, inf, true}
	}
	hours := func(from, r float64) float64 { return math.Max(from-in.Cold, 0) / r }
	return Times{Early: hours(in.Low, rate*1.5), Mid: hours(in.Product-1, rate), Late: hours(in.High, rate*0.6), Cold: true}
}
