package feature

import (
	"coilward/collector"
	"coilward/detect/forget"
)

// How much the well state that is carried over to another sensor is worth: hours of
// readings since have gone into it, and two sensors differ by more than an offset.
const (
	rebasedMinutes = 120 // of a profile
	rebasedOthers  = 12  // cycles or hours
)

// Rebase carries the well state over to another sensor of a channel, which reads
// higher by so much, K, and forgets what was averaged of both.
func (t *Tracker) Rebase(c collector.Channel, by float64) {
	for _, x := range Differences {
		d := float32(by)
		switch {
		case int(x.ID) >= NumProfiles: // the band, below
			continue
		case c == x.Plus:
		case c == x.Minus:
			d = -d
		default:
			continue
		}
		p := &t.prof[x.ID]
		for b := range p.mean {
			if p.n[b] > 0 {
				p.mean[b] += d
				p.n[b] = min(p.n[b], rebasedMinutes)
			}
		}
		p.fast, p.fastW, p.slow, p.slowW, p.offSince = 0, 0, 0, 0, 0
	}
	if c == collector.CabinetAir || c == collector.Ambient { // between which the load is taken
		t.load2.n, t.load10.n = min(t.load2.n, rebasedOthers), min(t.load10.n, rebasedOthers)
	}
	if c != collector.CabinetAir {
		return
	}
	for _, x := range [...]*float32{&t.cutIn.mean, &t.cutOut.mean, &t.airMean.mean, &t.airLong.mean, &t.topIn, &t.bottomOut} {
		if *x != 0 {
			*x += float32(by)
		}
	}
	t.air300 = forget.Mean{}
	for _, s := range [...]*scalar{&t.cutIn, &t.cutOut, &t.airMean} {
		s.n = min(s.n, rebasedOthers)
	}
}
