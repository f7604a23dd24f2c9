// Package forecast says when the product leaves its limit.
package forecast

import (
	"math"

	"coilward/detect/fault"
	"coilward/detect/thermal"
)

// Input is where a machine stands. Temperatures in °C, times in hours.
type Input struct {
	Start        float64 // product estimate when the trouble began
	Elapsed      float64 // since it began
	Product      float64 // product estimate now
	Ambient      float64
	Air, AirSlow float64 // means over about 25 and 100 min
	NormalAir    float64 // this machine's own mean; NaN unknown
	RunShare     float64 // share of the last hours the compressor ran
	Warm, Cold   float64 // limits

	Nearest *thermal.Nearest // the product next to the supply; nil: not followed
}

// Times are hours from now; +Inf where the limit is not expected to be left.
type Times struct {
	Early, Mid, Late float64
	Cold             bool // the cold limit is the one
}

// Never is the forecast of a machine that holds.
func Never() Times { return Times{math.Inf(1), math.Inf(1), math.Inf(1), false} }

// uncooled is how fast the warmest product of a shut, uncooled cabinet closes
// the distance to ambient, 1/h (from simulated fleets; a full cabinet's
// closed form with UA 5 W/K and 600 kJ/K gives 1/33, its outer row is faster).
const uncooled = 1.0 / 14

// sudden is, for the faults that take the cooling away at once, the share of
// the uncooled rate at which the warmest product drifts. The other faults
// leave some cooling, and how much shows only in the air itself.
var sudden = [fault.Num]float64{
	fault.EvaporatorFanStopped: .42, fault.CompressorNotStarting: .85, fault.ThermostatStuckOff: .6,
	fault.PowerLost: .75, fault.DoorOpen: 2,
}

// slowest bounds by how much what is seen may slow a sudden fault's drift. The
// sensor sits in one place, and the warmest product in another: without the fan
// it is warm at the top long before the sensor says so.
const slowest = 0.5

// spread is the factor between the middle and the bounds of a drift.
const spread = 1.7

// roomSpread is how much warmer the room may be where it matters, K.
const roomSpread = 1.5

// longestForecast is how far ahead, in hours, a limit is worth telling.
const longestForecast = 10 * 24

// cautious shortens the time that is told: a load lost for a forecast that was too
// long costs more than a visit made too soon. On the labelled fleet one in seven is
// still longer than it turns out, by more than half an hour and a tenth.
const cautious = 0.65

// centre is where the bounds of a load that nothing cools lie about, of the time its
// own drift takes: the warmest product is ahead of the one that is followed.
const centre = 0.85

// Limit forecasts under the probabilities of the faults.
func Limit(in *Input, p *[fault.Num]float64) Times {
	if p[fault.ThermostatStuckOn] > 0.5 {
		return cold(in)
	}
	t := warm(in, p)
	if in.Nearest == nil || !cools(p) {
		return t
	}
	// What starves the cabinet of air may freeze what stands next to the supply before
	// the rest is warm.
	left := in.Nearest.Until(in.Cold)
	f := Times{Early: left / spread, Mid: left * cautious, Late: left * spread}
	return Times{Early: min(t.Early, f.Early), Mid: min(t.Mid, f.Mid), Late: min(t.Late, f.Late), Cold: f.Mid < t.Mid}
}

// cools reports whether the coil still cools under the likelier causes: without that
// nothing gets colder.
func cools(p *[fault.Num]float64) bool {
	var still, total float64
	for f, q := range p {
		total += q
		switch fault.Fault(f) {
		case fault.CompressorNotStarting, fault.ThermostatStuckOff, fault.PowerLost:
		default:
			still += q
		}
	}
	return still > total/2
}

// warm forecasts when the product is too warm.
func warm(in *Input, p *[fault.Num]float64) Times {
	if in.Product >= in.Warm {
		return Times{}
	}
	var share, swift, total float64
	for f, q := range p {
		total += q
		if sudden[f] > 0 {
			swift += q
			share += q * sudden[f]
		}
	}
	if total == 0 {
		return Never()
	}
	if swift < 0.5*total {
		return drifting(in)
	}
	// From the start of the trouble by the fault's own rate, corrected by what
	// the product has done since.
	if in.Ambient <= in.Warm {
		return Never()
	}
	gap := in.Ambient - in.Start // more than nothing, or Start is over the limit
	rate := share / swift * uncooled
	if in.Elapsed > 1 {
		w := math.Min(in.Elapsed/6, 0.6)
		seen := math.Max(in.Product-in.Start, 0) / in.Elapsed / math.Max(gap, 0.1) * 1.3
		rate = rate*(1-w) + w*math.Max(seen, slowest*rate)
	}
	// Newton's law of cooling, from the start. In a room that is hardly warmer
	// than the limit it takes for ever, and the room is known to a kelvin or two
	// only: the early bound is that of a warmer room.
	whole := func(warmer float64) float64 {
		if in.Start >= in.Warm {
			return 0
		}
		return math.Log1p((in.Warm-in.Start)/(in.Ambient+warmer-in.Warm)) / rate
	}
	left := func(h float64) float64 { return math.Max(h-in.Elapsed, 0.1) }
	mid := whole(0) * centre
	if mid-in.Elapsed > longestForecast {
		return Never()
	}
	early := math.Min(mid, whole(roomSpread)*centre) / spread
	return Times{Early: left(early), Mid: left(whole(0) * cautious), Late: left(mid * spread)}
}

// drifting forecasts a machine that still cools, but not enough: the product
// follows the air, and the air shows its own trend.
func drifting(in *Input) Times {
	trend := (in.Air - in.AirSlow) / (75.0 / 60) // the means lag by 25 and 100 min
	off := 0.0
	if !math.IsNaN(in.NormalAir) {
		off = in.AirSlow - in.NormalAir
	}
	if trend < 0.15 || off < 0.4 && in.RunShare < 0.9 {
		return Never()
	}
	// The trend slackens as the load falls with it: it is followed for the
	// time constant of a full cabinet and no longer.
	const fade = 10.0
	reach := in.Air + trend*fade
	if reach <= in.Warm {
		return Never()
	}
	air := -fade * math.Log(1-(in.Warm-in.Air)/(trend*fade))
	if in.Air >= in.Warm {
		air = 0
	}
	// The product comes after the air by its own time constant.
	lag := 2.5 * math.Min((in.Air-in.Product)/math.Max(trend*2.5, 0.3), 1)
	left := math.Max(air+math.Max(lag, 0.2), 0.2)
	return Times{Early: left / spread, Mid: left * cautious, Late: left * spread}
}

// coming is for how long the air that still falls is followed, h.
const coming = 2

// ColdestBelow is how far under the mean the coldest product lies, next to the
// outlet of the coil, K (from simulated fleets).
const ColdestBelow = 1.4

// cold forecasts freezing under a compressor that does not stop.
func cold(in *Input) Times {
	falling := (in.AirSlow - in.Air) / (75.0 / 60) // K/h; the means lag by 25 and 100 min
	nearest, beside := in.Product-ColdestBelow, in.Air-ColdestBelow
	if in.Nearest != nil {
		nearest, beside = in.Nearest.Estimate()
	}
	// What it has met of late is an hour behind a compressor that does not stop, and
	// the air goes on falling while the product follows.
	beside -= coming * math.Max(falling, 0)
	rate := math.Max((nearest-beside)/2, 0.25*falling)
	room := nearest - in.Cold
	if room <= 0 {
		return Times{Cold: true}
	}
	if rate < 0.05 || beside > in.Cold {
		return Never()
	}
	left := room / rate
	return Times{Early: left / spread, Mid: left * cautious, Late: left * spread, Cold: true}
}
