package detect_test

import (
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
)

// raisedAt plays a story to a machine and returns when it first spoke.
func raisedAt(t *testing.T, spec *fleet.Machine, rs []collector.Reading) collector.Millis {
	t.Helper()
	fs := play(detect.NewMachine(spec, library), rs)
	if len(fs) == 0 {
		t.Fatal("nothing is raised")
	}
	return fs[0].At
}

// Whoever accepts more false alarms hears of trouble no later, and of some
// earlier; the threshold is what was measured for that rate.
func TestWantedFalseAlarms(t *testing.T) {
	least, most := library.Trade().Reach()
	keen, calm := spec(), spec()
	keen.Alerting.FalseAlarms, calm.Alerting.FalseAlarms = &most, &least
	if a, b := library.RaiseAtOf(keen), library.RaiseAtOf(calm); a >= b || a != library.Trade().RaiseAt(most) {
		t.Errorf("thresholds are %g and %g", a, b)
	}
	if library.RaiseAtOf(spec()) != library.RaiseAt {
		t.Error("a machine without a wanted rate does not have the library's threshold")
	}
	earlier := 0
	for seed := range uint64(4) {
		rs, _, _ := story(seed)
		a, b := raisedAt(t, keen, rs), raisedAt(t, calm, rs)
		if a > b {
			t.Errorf("seed %d: with more false alarms accepted it is raised %d min later", seed, (a-b)/minute)
		}
		if a < b {
			earlier++
		}
	}
	if earlier == 0 {
		t.Error("the wanted rate changes nothing")
	}
}

// warmTo returns the machine's state under another warm limit and deadband.
func warmTo(t *testing.T, m *detect.Machine, warm quantity.Celsius, band *quantity.Kelvin) *detect.Machine {
	t.Helper()
	s := spec()
	s.Limits.Warm, s.Alerting.Deadband = warm, band
	state, err := m.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	n := detect.NewMachine(s, library)
	if err := n.UnmarshalBinary(state); err != nil {
		t.Fatal(err)
	}
	return n
}

// Product that was said to be out of its limit is back only when it is inside by
// the deadband.
func TestDeadband(t *testing.T) {
	c := newCabinet(1)
	out := warmTo(t, newMachine(), 2, nil)
	if fs := play(out, c.live(day)); len(fs) == 0 || fs[0].Change != detect.Raised {
		t.Fatalf("product at 3.5 °C over a limit of 2 °C: %+v", fs)
	}
	rs := c.live(day)
	band := quantity.Kelvin(0.8)
	for _, k := range []struct {
		band    *quantity.Kelvin
		cleared bool
	}{{nil, true}, {&band, false}} {
		fs := play(warmTo(t, out, 3.8, k.band), rs)
		cleared := len(fs) > 0 && fs[len(fs)-1].Change == detect.Cleared
		if cleared != k.cleared {
			t.Errorf("deadband %v: cleared %v, want %v: %+v", k.band, cleared, k.cleared, fs)
		}
	}
}

// While warm stock is cooled down, product over its limit is said after the
// machine's own delay.
func TestDelayAfterRestock(t *testing.T) {
	at := func(d time.Duration) collector.Millis {
		s := spec()
		s.Limits.Warm, s.Alerting.RestockDelay = 3, &d
		c := newCabinet(3)
		m := detect.NewMachine(s, library)
		s.Limits.Warm = 7
		if fs := play(m, c.live(2*day)); len(fs) > 0 {
			t.Fatalf("said on good days: %+v", fs)
		}
		s.Limits.Warm = 3
		c.product, c.air = 14, 14 // filled
		filled := c.at
		for _, f := range play(m, c.live(day)) {
			if f.Change == detect.Raised {
				return f.At - filled
			}
		}
		return 0
	}
	short, long := at(2*time.Hour), at(9*time.Hour)
	if short == 0 || long != 0 && long <= short {
		t.Errorf("said %d and %d min after the restock", short/minute, long/minute)
	}
}
