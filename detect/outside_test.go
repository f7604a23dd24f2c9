package detect_test

import (
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// A thermostat that drifts lets the product out of its limits by the day, and the
// machine starts and stops as evenly as ever meanwhile. It is told within hours of the
// product's leaving its limit, and by its name in the end.
func TestDriftingThermostatIsTold(t *testing.T) {
	c, m := newCabinet(11), newMachine()
	play(m, c.live(3*day))
	var left collector.Millis // when the warm limit was passed
	var told []detect.Finding
	for range 6 * 24 {
		c.lifted = min(c.lifted+0.06, 6) // 1.4 K a day
		for _, f := range play(m, c.live(hour)) {
			if f.Change != detect.Cleared {
				told = append(told, f)
			}
		}
		if left == 0 && c.product > 7 {
			left = c.at
		}
	}
	if left == 0 {
		t.Fatalf("the product is at %.1f °C: nothing has left its limit", c.product)
	}
	if len(told) == 0 {
		t.Fatalf("nothing was told in %d h", (c.at-left)/hour)
	}
	if late := told[0].At - left; late > 6*hour {
		t.Errorf("told %d h after the product left its limit", late/hour)
	}
	if last := told[len(told)-1]; last.Fault != fault.ThermostatStuckOff {
		t.Errorf("it is called %v at last", last.Fault)
	}
}

// An energy saver lets the air stand over the limit of drinks for hours of every night,
// as it was told to. From the second night on that is nobody's alarm; where the product
// is food whose time over its limit is counted, it always is.
func TestSaverLetsDrinksGetWarm(t *testing.T) {
	for _, c := range []struct {
		food bool
		want bool // told in later nights
	}{{false, false}, {true, true}} {
		cab, m := newCabinet(12), newMachine()
		if c.food {
			food := spec()
			food.Product = fleet.TCSFood
			food.Limits = food.Product.Limits()
			m = detect.NewMachine(food, library)
		}
		nights := 0
		for h := range 7 * 24 {
			cab.lifted = 0
			if h%24 >= 20 || h%24 < 6 {
				cab.lifted = 5.5
			}
			play(m, cab.live(hour))
			if h > 2*24+12 && h%24 == 5 && len(m.View().OpenFindings) > 0 {
				nights++
			}
		}
		if got := nights > 0; got != c.want {
			t.Errorf("food %v: told in later nights %v, want %v", c.food, got, c.want)
		}
	}
}
