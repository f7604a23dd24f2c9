package board

import (
	"strings"
	"testing"

	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
)

// Beside the band that a thermostat holds stands the one that the fleet file wants,
// and who holds another, up or down, is told to have one of them corrected.
func TestBandIsHeldAgainstTheFleetFile(t *testing.T) {
	setpoint, differential := quantity.Celsius(3), quantity.Kelvin(3)
	m := fleet.Machine{Setpoint: &setpoint, Differential: &differential}
	for _, c := range []struct {
		out, in quantity.Celsius
		off     bool
	}{
		{1.5, 4.5, false},
		{1.2, 5.4, false}, // a probe that sees wider swings than the bulb
		{3, 6, true},
		{-0.2, 2.9, true},
	} {
		v := detect.View{CutOut: c.out, CutIn: c.in, Learned: true}
		got := strings.ReplaceAll((Reader{}).bandWanted(&m, &v), nb, " ")
		if !strings.Contains(got, "by the fleet file 1.5 °C to 4.5 °C") {
			t.Errorf("%g to %g °C: %q does not say what is wanted", c.out, c.in, got)
		}
		if strings.Contains(got, "Correct") != c.off {
			t.Errorf("%g to %g °C: %q, to be corrected: %v", c.out, c.in, got, c.off)
		}
	}
	if got := strings.ReplaceAll((Reader{Fahrenheit: true}).bandWanted(&m, &detect.View{CutOut: 1.5, CutIn: 4.5}), nb, " "); !strings.Contains(got, "34.7 °F to 40.1 °F") {
		t.Errorf("to a reader of °F: %q", got)
	}
	m.Differential = nil
	if got := (Reader{}).bandWanted(&m, &detect.View{CutOut: 3, CutIn: 6}); got != "" {
		t.Errorf("without a differential: %q", got)
	}
}
