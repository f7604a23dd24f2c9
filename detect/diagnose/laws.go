package diagnose

import (
	"math"

	"coilward/detect/fault"
	"coilward/detect/feature"
)

// laws are what no labelled fleet needs to teach: observations that follow
// from how a machine is built. Each adds to what was learned of its feature, in
// nats, and grows with how long it has lasted, so that a reading lost or a
// moment's lag proves nothing.
var laws = [feature.NumFeatures]func(x float64, out *Score){
	// A fan that draws nothing while it should turn has stopped.
	feature.EvapFanDead: func(x float64, out *Score) {
		out[fault.EvaporatorFanStopped] += lasting(x, 2, 1.5, 8)
	},
	feature.CondFanDead: func(x float64, out *Score) {
		out[fault.CondenserFanStopped] += lasting(x, 2, 1.5, 8)
	},
	// A machine that is called and does not run is not well: past the rest that
	// controls give a compressor between two starts, something holds it.
	feature.CallNoRun: func(x float64, out *Score) {
		against := lasting(x, 10, 4, 6)
		for s := range out {
			switch fault.Fault(s) {
			case fault.CompressorNotStarting, fault.CondenserFanStopped, fault.CondenserBlocked, fault.CompressorWeak,
				fault.RefrigerantLow, fault.PowerLost, fault.SensorFault:
			default:
				out[s] -= against
			}
		}
	},
	// A machine that stands still while its cabinet is warm, longer than it ever
	// did, is not well. A setpoint just moved, or a plug pulled where nobody
	// watches the supply, explains it for a while.
	feature.OffWarm: func(x float64, out *Score) {
		out[fault.Well] -= lasting(x, 10, 8, 6)
		out[WarmLoad] -= lasting(x, 10, 8, 6)
		out[Resettled] -= lasting(x, 45, 10, 6)
		out[Unplugged] -= lasting(x, 75, 15, 4)
	},
	// Nor is one that runs and does not cool what is warm.
	feature.RunNoCool: func(x float64, out *Score) {
		for _, s := range [...]State{State(fault.Well), WarmLoad, Resettled, Unplugged} {
			out[s] -= lasting(x, 10, 8, 5)
		}
	},
	// Nor is one that runs on though its cabinet is cold.
	feature.RunCold: func(x float64, out *Score) {
		out[fault.Well] -= lasting(x, 25, 12, 5)
		out[WarmLoad] -= lasting(x, 25, 12, 5)
		out[Unplugged] -= lasting(x, 25, 12, 5)
		out[Resettled] -= lasting(x, 90, 15, 5)
	},
	// Where the supply is watched and has not been gone, nobody has unplugged it.
	feature.Uninterrupted: func(x float64, out *Score) {
		out[Unplugged] -= float32(math.Min(math.Max((x-3)/1.5, 0), 6))
	},
}

// Laws adds to out what the laws alone say of v: the part of Eval that is not
// learned.
func Laws(v *feature.Vector, out *Score) {
	for i, law := range laws {
		if law != nil && v.Has[i] {
			law(float64(v.Value[i]), out)
		}
	}
}

// lasting turns minutes, as the features compress them, into nats: none up to
// from minutes, one more for each step minutes, most at the most.
func lasting(x, from, step, most float64) float32 {
	return float32(math.Min(math.Max((5*math.Sinh(x)-from)/step, 0), most))
}
