package feature_test

import (
	"math"
	"testing"

	"coilward/collector"
	"coilward/detect/feature"
)

// A machine with another sensor, which reads some kelvins higher, is the same machine: what
// is normal, carried over, is normal again at once and stays so.
func TestRebase(t *testing.T) {
	for _, c := range []struct {
		channel collector.Channel
		by      float64    // K
		off     feature.ID // what it throws off
	}{
		{collector.CoilOut, 2, feature.AirCoil},
		{collector.CoilIn, 2, feature.AirCoilIn},
		{collector.SupplyAir, 2, feature.SupplyGap},
		{collector.Condenser, 2, feature.CondLift},
		{collector.Ambient, 2, feature.CondLift},
		{collector.CompressorShell, 6, feature.ShellLift},
		{collector.CabinetAir, 2, feature.AirHigh},
		{collector.CabinetAir, 2, feature.SupplyGap},
	} {
		cab := newCabinet(31)
		cab.noisy = 0.3
		tr := cab.tracker()
		cab.live(&tr, 4, 1)
		normal := z(fill(&tr, cab.at), c.off)
		live := func(minutes int) *feature.Vector {
			for range minutes {
				r := cab.next()
				r.Value[c.channel] += c.by
				tr.Observe(r, 0.1)
			}
			return fill(&tr, cab.at)
		}
		before := math.Abs(z(live(7*60), c.off) - normal)
		if before < 2 {
			t.Errorf("%v: %v stands off by %.1f standard deviations only; nothing is tried", c.channel, c.off, before)
		}
		tr.Rebase(c.channel, c.by)
		for range 8 {
			if after := math.Abs(z(live(3*60), c.off) - normal); !(after < before/4) {
				t.Errorf("%v: %v stands off by %.1f standard deviations afterwards, %.1f before", c.channel, c.off, after, before)
			}
		}
	}
}
