package alerts

import (
	"testing"
	"time"

	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// milk is a town with milk in the machine that is repaired.
func milk() *fleet.Fleet {
	f := town(2, 4)
	f.Sites[0].Machines[1].Product = fleet.Dairy
	return f
}

// repaired is an alert about a machine that somebody has just repaired, at 61 min, and
// that product is at risk in.
func repaired(t *testing.T, taken bool) (*Queue, *story, *tape, detect.Finding) {
	t.Helper()
	q, s, tp := New(Options{Fleet: milk()}), &story{}, &tape{}
	fan := s.raise(mins(0), "s0", "s0-m1", fault.EvaporatorFanStopped, .95, 30*time.Hour)
	tp.add(q.Apply(fan))
	tp.add(q.Advance(mins(60)))
	if taken {
		if _, err := q.Do("A-F-000001", Order{Verb: Acknowledge, By: Actor{Operator, "olga"}, At: mins(60)}); err != nil {
			t.Fatal(err)
		}
	}
	tp.add(q.Repaired("A-F-000001", "Ana Ruiz", mins(61)))
	a, ok := q.Now("A-F-000001")
	if !ok || !a.Watched() || a.RepairedBy != "Ana Ruiz" || a.WatchedUntil != mins(61+480) {
		t.Fatalf("after the repair: %+v", a)
	}
	return q, s, tp, fan
}

// What was repaired is over when the models clear it, and nobody is asked again.
func TestRepairThatHolds(t *testing.T) {
	for _, taken := range []bool{false, true} {
		q, _, tp, fan := repaired(t, taken)
		// Warm from the work, it looks more urgent meanwhile.
		warm := next(fan, mins(70), detect.Revised)
		warm.LimitAt, warm.LimitEarly, warm.LimitLate = mins(220), mins(200), mins(240)
		tp.add(q.Apply(warm))
		if a, _ := q.Now("A-F-000001"); a.State != Acknowledged || a.Priority < High {
			t.Errorf("watched, and more urgent: %s, %s", a.State, a.Priority)
		}
		tp.add(q.Apply(next(warm, mins(200), detect.Cleared)))
		tp.add(q.Advance(mins(1000)))
		if open := q.Alerts(); len(open) != 0 {
			t.Errorf("cleared after the repair: %+v", open)
		}
		for _, c := range tp.changes {
			if c.Kind == Moved && c.Step.Verb == Rearm {
				t.Errorf("somebody was asked again: %+v", c.Step)
			}
		}
	}
}

// What the models still see when they were waited for long enough asks again, once.
func TestRepairInVain(t *testing.T) {
	q, _, tp, _ := repaired(t, false)
	tp.add(q.Advance(mins(540)))
	if a, _ := q.Now("A-F-000001"); !a.Watched() {
		t.Errorf("just before the end: %s", a.State)
	}
	b, err := q.Snapshot() // a restart forgets none of it
	if err != nil {
		t.Fatal(err)
	}
	q = New(Options{Fleet: milk()})
	if err := q.Restore(b); err != nil {
		t.Fatal(err)
	}
	tp.add(q.Advance(mins(541)))
	a, _ := q.Now("A-F-000001")
	if a.State != Unacknowledged || a.Watched() || a.AcknowledgedBy != "" || a.RepairedBy != "Ana Ruiz" {
		t.Fatalf("at the end: %+v", a)
	}
	tp.add(q.Advance(mins(2000)))
	n := 0
	for _, c := range tp.changes {
		if c.Kind == Moved && c.Step.Verb == Rearm {
			if n++; c.Step.By != (Actor{Model, "still seen 8 h after the repair"}) || c.Step.At != mins(541) {
				t.Errorf("asked again by %+v at %d", c.Step.By, c.Step.At)
			}
		}
	}
	if n != 1 {
		t.Errorf("asked again %d times, want 1", n)
	}
}

// Food that is over its limit again after the repair is not waited for so long.
func TestRepairInVainWithFood(t *testing.T) {
	q, _, tp, fan := repaired(t, false)
	tp.add(q.Serviced("s0-m1", mins(61)))
	warm := next(fan, mins(120), detect.Revised)
	warm.HasProduct, warm.ProductTemperature = true, 7
	tp.add(q.Apply(warm))
	asksAgain(t, q, tp, 240)
	last := tp.changes[len(tp.changes)-1]
	if last.Step.By.Name != "food over its limit for 2 h since the repair" {
		t.Errorf("asked again by %+v", last.Step.By)
	}
}

// Food that was over its limit before the repair, and is held, runs out of time
// whether the repair holds or not: its clock was not started anew.
func TestRepairWithFoodOnHold(t *testing.T) {
	q, s, tp := New(Options{Fleet: milk()}), &story{}, &tape{}
	fan := s.raise(mins(0), "s0", "s0-m1", fault.EvaporatorFanStopped, .95, 30*time.Hour)
	fan.HasProduct, fan.ProductTemperature = true, 7
	tp.add(q.Apply(fan))
	tp.add(q.Advance(mins(60)))
	tp.add(q.Repaired("A-F-000001", "Ana Ruiz", mins(61)))
	asksAgain(t, q, tp, 181)
}

// asksAgain fails the test unless the repaired machine is watched until a minute, and
// then asks again.
func asksAgain(t *testing.T, q *Queue, tp *tape, minute int) {
	t.Helper()
	tp.add(q.Advance(mins(minute - 1)))
	if a, _ := q.Now("A-F-000001"); !a.Watched() {
		t.Errorf("a minute too early: %s", a.State)
	}
	tp.add(q.Advance(mins(minute)))
	if a, _ := q.Now("A-F-000001"); a.State != Unacknowledged {
		t.Errorf("at minute %d: %s", minute, a.State)
	}
}

// Another fault of the machine is no matter of the repair.
func TestRepairHidesNoOther(t *testing.T) {
	q, s, tp, _ := repaired(t, false)
	tp.add(q.Apply(s.raise(mins(90), "s0", "s0-m1", fault.CompressorNotStarting, .95, 4*time.Hour)))
	tp.add(q.Advance(mins(120)))
	if a, _ := q.Now("A-F-000001"); a.State != Unacknowledged || a.Watched() {
		t.Errorf("another fault: %s", a.State)
	}
}

// Whose repair is heard of only after the trouble was over and came back, or that is
// put aside, changes nothing; one that returned before is done with.
func TestRepairHeardOfLate(t *testing.T) {
	q, s := New(Options{Fleet: town(2, 4)}), &story{}
	fan := s.raise(mins(0), "s0", "s0-m1", fault.EvaporatorFanStopped, .95, 30*time.Hour)
	q.Apply(fan)
	q.Advance(mins(60))
	q.Apply(next(fan, mins(70), detect.Cleared))
	q.Advance(mins(120))
	if a, _ := q.Now("A-F-000001"); a.State != ReturnedUnacked {
		t.Fatalf("%s", a.State)
	}
	q.Repaired("A-F-000001", "Ana Ruiz", mins(121))
	if open := q.Alerts(); len(open) != 0 {
		t.Errorf("over, and repaired: %+v", open)
	}
	again := s.raise(mins(200), "s0", "s0-m1", fault.EvaporatorFanStopped, .95, 30*time.Hour)
	q.Apply(again)
	q.Advance(mins(260))
	q.Repaired("A-F-000001", "Ana Ruiz", mins(150))
	if a, ok := q.Now("A-F-000001"); !ok || a.State != Unacknowledged || a.Watched() {
		t.Errorf("back since: %+v", a)
	}
	q.Do("A-F-000001", Order{Verb: Shelve, By: Actor{Operator, "olga"}, At: mins(270), Reason: "part ordered", Until: mins(2000)})
	q.Repaired("A-F-000001", "Ana Ruiz", mins(280))
	if a, _ := q.Now("A-F-000001"); a.State != Shelved || a.Watched() {
		t.Errorf("put aside: %+v", a)
	}
}
