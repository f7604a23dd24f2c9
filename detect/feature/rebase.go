package feature

import "coilward/collector"

// terms are the temperatures whose difference a profile is.
var terms = [NumProfiles]struct{ plus, minus collector.Channel }{
	AirCoil:      {collector.CabinetAir, collector.CoilOut},
	AirCoilIn:    {collector.CabinetAir, collector.CoilIn},
	CoilSpread:   {collector.CoilOut, collector.CoilIn},
	CondLift:     {collector.Condenser, collector.Ambient},
	SupplyGap:    {collector.CabinetAir, collector.SupplyAir},
	ShellLift:    {collector.CompressorShell, collector.Ambient},
	OffCoilGap:   {collector.CabinetAir, collector.CoilOut},
	OffSupplyGap: {collector.CabinetAir, collector.SupplyAir},
}

// differences are the profiles that have terms.
const differences = 1<<AirCoil | 1<<AirCoilIn | 1<<CoilSpread | 1<<CondLift | 1<<SupplyGap | 1<<ShellLift | 1<<OffCoilGap | 1<<OffSupplyGap

// How much the well state that is carried over to another sensor is worth: hours of
// readings since have gone into it, and two sensors differ by more than an offset.
const (
	rebasedMinutes = 120 // of a profile
	rebasedOthers  = 12  // cycles or hours
)

// Rebase carries the well state over to another sensor of a channel, which reads
// higher by so much, K, and forgets what was averaged of both.
func (t *Tracker) Rebase(c collector.Channel, by float64) {
	for i := range t.prof {
		if differences&(1<<i) == 0 {
			continue
		}
		d := float32(by)
		switch c {
		case terms[i].plus:
		case terms[i].minus:
			d = -d
		default:
			continue
		}
		p := &t.prof[i]
		for b := range p.mean {
			if p.n[b] > 0 {
				p.mean[b] += d
				p.n[b] = min(p.n[b], rebasedMinutes)
			}
		}
		p.fast, p.fastW, p.slow, p.slowW, p.offSince = 0, 0, 0, 0, 0
	}
	if c != collector.CabinetAir {
		return
	}
	for _, x := range [...]*float32{&t.cutIn.mean, &t.cutOut.mean, &t.airMean.mean, &t.topIn, &t.bottomOut} {
		if *x != 0 {
			*x += float32(by)
		}
	}
	for _, s := range [...]*scalar{&t.cutIn, &t.cutOut, &t.airMean} {
		s.n = min(s.n, rebasedOthers)
	}
}
