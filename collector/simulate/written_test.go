package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"coilward/collector/fleet"
)

// Now and then somebody has turned a thermostat and told nobody: the fleet file is
// wrong about some, never so that nobody would take it, and right about most.
func TestSomeThermostatsWereTurnedUntold(t *testing.T) {
	o := DefaultOptions()
	rng := rand.New(rand.NewPCG(11, 1))
	var designs [12]Design
	for i := range designs {
		designs[i] = DrawDesign(rng, fleet.Kind(i%4))
	}
	const machines = 3000
	off := 0
	for i := range machines {
		d := &designs[i%len(designs)]
		m := Machine{Design: d, Given: given{turned: drawTurned(&o, fmt.Sprintf("cab-%d", i))}}
		is, limits := (d.CutIn+d.CutOut)/2, d.Product.Limits()
		written := m.writtenSetpoint()
		if written != is {
			off++
			if written <= float64(limits.Cold) || written >= float64(limits.Warm) || math.Abs(written-is) > 5 {
				t.Errorf("a setpoint of %.1f °C is written %.1f °C; the product's limits are %g and %g °C", is, written, limits.Cold, limits.Warm)
			}
		}
	}
	if share := float64(off) / machines; math.Abs(share-turnedUntold) > 0.02 {
		t.Errorf("%d of %d setpoints are not as written, want %.0f %%", off, machines, 100*turnedUntold)
	}
}
