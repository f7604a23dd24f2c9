package alerts

import (
	"strings"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// TestFoodClock: FDA Food Code 3-501.19(B), (C) and 4-204.111.
func TestFoodClock(t *testing.T) {
	c := FoodClock{Limit: 5}
	c.Serviced(t0)
	c.Observe(t0.Add(29*time.Minute), 9)
	if _, _, over := c.DiscardAt(); over || c.Latched {
		t.Error("over its limit within the 30 minutes after a fill")
	}
	c.Observe(t0.Add(31*time.Minute), 6)
	four, six, over := c.DiscardAt()
	if want := t0.Add(31*time.Minute + 4*time.Hour); !over || four != want || six != want.Add(2*time.Hour) || !c.Latched {
		t.Errorf("4 h rule at %v, 6 h rule at %v, latched %v", four.Time(), six.Time(), c.Latched)
	}
	c.Observe(t0.Add(2*time.Hour), 3)
	if _, _, over := c.DiscardAt(); !over || !c.Latched {
		t.Error("cooling down opened the latch")
	}
	c.Filled(t0.Add(150 * time.Minute))
	if four2, _, over := c.DiscardAt(); !over || !c.Latched || four2 != four {
		t.Error("a fill without a service opened the latch, or stopped the clock")
	}
	c.Observe(t0.Add(3*time.Hour+time.Minute), 22)
	if four, six, _ := c.DiscardAt(); six != four {
		t.Error("the 6 h rule holds above 21 °C")
	}
	c.Serviced(t0.Add(4 * time.Hour))
	if _, _, over := c.DiscardAt(); over || c.Latched {
		t.Error("a service and restock did not open the latch")
	}
}

// larder is a fleet of one machine with dairy and one with drinks.
func larder() *fleet.Fleet {
	return fleet.New(&fleet.Site{ID: "s0", Machines: []*fleet.Machine{
		{ID: "milk", Site: "s0", Product: fleet.Dairy, LoadValue: 420, Limits: fleet.Dairy.Limits()},
		{ID: "cola", Site: "s0", Product: fleet.SealedBeverage, LoadValue: 420, Limits: fleet.SealedBeverage.Limits()},
	}})
}

// measured is a finding that says what the product's temperature is.
func measured(f detect.Finding, t quantity.Celsius) detect.Finding {
	f.HasProduct, f.ProductTemperature = true, t
	return f
}

// outSince is measured product that has been out of its limits for a while.
func outSince(f detect.Finding, t quantity.Celsius, since collector.Millis) detect.Finding {
	f = measured(f, t)
	f.OutSince, f.LimitAt, f.LimitEarly, f.LimitLate, f.LimitSide = since, f.At, f.At, f.At, detect.Warm
	return f
}

func why(t *testing.T, q *Queue, alert string) string {
	t.Helper()
	for _, a := range q.Alerts() {
		if a.ID == alert {
			return a.Why
		}
	}
	t.Fatalf("%s is not open", alert)
	return ""
}

func says(t *testing.T, q *Queue, alert string, want ...string) {
	t.Helper()
	got := why(t, q, alert)
	for _, w := range want {
		if w, not := strings.CutPrefix(w, "not:"); strings.Contains(got, w) == not {
			t.Errorf("at %v min: %q; want %q, %v", q.now.Sub(t0).Minutes(), got, w, !not)
		}
	}
}

// TestRuleClockIsShownAndCounted: time over 5 °C is counted from the first excess,
// through a recovery, until the machine is serviced and restocked: FDA Food Code
// 3-501.19(B) 4 h, (C) 6 h if never above 21 °C, 4-204.111 the latch.
func TestRuleClockIsShownAndCounted(t *testing.T) {
	q, s := New(Options{Fleet: larder()}), &story{}
	f := outSince(s.raise(mins(60), "s0", "milk", fault.CompressorNotStarting, .95, 0), 6, mins(30))
	q.Apply(f)
	q.Advance(mins(65))
	says(t, q, "A-F-000001", "over its limit for 35 min", "3 h 30 min of the 4 h rule left")
	q.Advance(mins(150))
	says(t, q, "A-F-000001", "over its limit for 2 h", "2 h of the 4 h rule left")
	// It runs again and cools: the clock does not stop.
	f = measured(next(f, mins(180), detect.Revised), 4)
	f.OutSince, f.LimitAt, f.LimitEarly, f.LimitLate, f.LimitSide = 0, 0, 0, 0, detect.NoSide
	q.Apply(f)
	says(t, q, "A-F-000001", "is back within", "1 h 30 min of the 4 h rule left", "not:over its limit for")
	q.Advance(mins(300))
	says(t, q, "A-F-000001", "discard by the 4 h rule", "1 h 30 min of the 6 h rule left")
	q.Advance(mins(400))
	says(t, q, "A-F-000001", "discard by the 4 h and the 6 h rule")
	if _, err := q.Do("A-F-000001", Order{Verb: Acknowledge, By: Actor{Tech, "ana"}, At: mins(401)}); err != nil {
		t.Fatal(err)
	}
	// The machine is well, the food is not: the alert waits for somebody.
	q.Apply(next(f, mins(410), detect.Cleared))
	q.Advance(mins(500))
	if a := q.Alert("A-F-000001"); a == nil || a.State != ReturnedUnacked || !a.Latched {
		t.Fatalf("the alert of food to be discarded is %+v", a)
	}
	says(t, q, "A-F-000001", "back to normal", "discard by the 4 h and the 6 h rule", "not:drive")
	if _, err := q.Do("A-F-000001", Order{Verb: Acknowledge, By: Actor{Tech, "ana"}, At: mins(510)}); err != nil {
		t.Fatal(err)
	}
	if len(q.Alerts()) != 0 {
		t.Errorf("still open: %+v", q.Alerts())
	}
	// Restocked: warm stock of just now is within the 30 minutes.
	q.Apply(measured(s.raise(mins(520), "s0", "milk", fault.DoorOpen, .95, 2*time.Hour), 8))
	q.Advance(mins(535))
	says(t, q, "A-F-000002", "not:rule")
	q.Apply(measured(s.raise(mins(545), "s0", "milk", fault.CoilIced, .95, 2*time.Hour), 8))
	says(t, q, "A-F-000002", "4 h of the 4 h rule left")
}

func TestDrinksHaveNoRuleClock(t *testing.T) {
	q, s := New(Options{Fleet: larder()}), &story{}
	q.Apply(outSince(s.raise(mins(60), "s0", "cola", fault.CompressorNotStarting, .95, 0), 9, mins(30)))
	q.Advance(mins(90))
	says(t, q, "A-F-000001", "over its limit for 1 h", "not:rule")
}

// TestRecognisedRestockRunsTheAllowance: a fill the models saw has its 30 minutes.
func TestRecognisedRestockRunsTheAllowance(t *testing.T) {
	for _, c := range []struct {
		filled int // minutes
		want   string
	}{{45, "not:rule"}, {0, "4 h of the 4 h rule left"}} {
		q, s := New(Options{Fleet: larder()}), &story{}
		f := measured(s.raise(mins(60), "s0", "milk", fault.DoorOpen, .95, 2*time.Hour), 7)
		if c.filled > 0 {
			f.FilledAt = mins(c.filled)
		}
		q.Apply(f)
		q.Advance(mins(61))
		q.Advance(mins(75))
		if q.Alert("A-F-000001") == nil {
			t.Fatal("no alert")
		}
		got := q.Alerts()[0].Basis.Facts(mins(60), Live{}).String()
		if w, not := strings.CutPrefix(c.want, "not:"); strings.Contains(got, w) == not {
			t.Errorf("filled at %d min: %q, want %s", c.filled, got, c.want)
		}
	}
}

// TestRuleClockSurvivesARestart: what was counted is in the snapshot.
func TestRuleClockSurvivesARestart(t *testing.T) {
	q, s := New(Options{Fleet: larder()}), &story{}
	q.Apply(outSince(s.raise(mins(60), "s0", "milk", fault.CompressorNotStarting, .95, 0), 23, mins(30)))
	b, err := q.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	r := New(Options{Fleet: larder()})
	if err := r.Restore(b); err != nil {
		t.Fatal(err)
	}
	r.Advance(mins(300))
	says(t, r, "A-F-000001", "discard by the 4 h rule", "not:6 h")
	r.Serviced("milk", mins(310))
	says(t, r, "A-F-000001", "not:rule")
}

// TestFoodRaisesThePriority: the same product out of the same limit for as long is
// more urgent where the rule clock runs.
func TestFoodRaisesThePriority(t *testing.T) {
	r, f := NewRules(), outSince((&story{}).raise(mins(60), "s0", "m", fault.CondenserBlocked, .9, 0), 7.5, mins(30))
	f.LimitAt, f.LimitEarly, f.LimitLate = 0, 0, 0 // it was out, and is not expected to go out again
	milk, cola := larder().Sites[0].Machines[0], larder().Sites[0].Machines[1]
	c := FoodClock{Limit: 5}
	c.take(&f)
	with := r.AssessAll([]Stake{{&f, milk, &c, 0}}, f.At)
	if without := r.AssessAll([]Stake{{&f, milk, nil, 0}}, f.At); with.Priority <= without.Priority {
		t.Errorf("with the clock %s, without %s", with.Priority, without.Priority)
	}
	if drinks := r.AssessAll([]Stake{{&f, cola, nil, 0}}, f.At); with.Priority <= drinks.Priority {
		t.Errorf("food %s, drinks %s", with.Priority, drinks.Priority)
	}
}
