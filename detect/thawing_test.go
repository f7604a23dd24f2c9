package detect_test

import (
	"testing"

	"coilward/detect"
	"coilward/detect/fault"
)

// A thermostat that was stuck on is repaired, and nothing runs until what it froze is
// warm again. That is no reason to wait for a day before it counts as repaired; while
// it is stuck, nothing is.
func TestRepairedThermostatIsBelievedWhileItThaws(t *testing.T) {
	c, m := newCabinet(31), newMachine()
	play(m, c.live(3*day))
	c.stuckOn = true
	raised := false
	for _, f := range play(m, c.live(30*hour)) {
		raised = raised || f.Change == detect.Raised && f.Fault == fault.ThermostatStuckOn
		if f.Change == detect.Cleared {
			t.Errorf("cleared at %v while it is stuck", f.At.Time())
		}
	}
	if !raised {
		t.Fatal("a thermostat that is stuck on is not told")
	}
	c.stuckOn = false
	c.repair()
	from, after := c.at, detect.Finding{}
	ran := false
	for range 10 {
		for _, f := range play(m, c.live(hour)) {
			if f.Change == detect.Cleared {
				after = f
			}
			if f.Fault != fault.ThermostatStuckOn {
				t.Errorf("while it thaws it is called %v", f.Fault)
			}
		}
		ran = ran || c.on
		if after.At != 0 {
			break
		}
	}
	if ran {
		t.Fatal("it has thawed already: this is no trial")
	}
	if after.At == 0 || after.At > from+8*hour {
		t.Errorf("cleared %v after the repair, want within 8 h", (after.At-from)/hour)
	}
}
