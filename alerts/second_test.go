package alerts

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"coilward/detect"
	"coilward/detect/fault"
)

// TestTwoFaultsOneAlert: a second fault of a machine that has nothing to do with
// the first is named in the same alert, and asks whoever took it again; the alert
// returns when both are over.
func TestTwoFaultsOneAlert(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(2, 4)}), &story{}, &tape{}
	weak := s.raise(mins(0), "s0", "s0-m1", fault.CompressorWeak, .95, 30*time.Hour)
	tp.add(q.Apply(weak))
	tp.add(q.Advance(mins(60)))
	if _, err := q.Do("A-F-000001", Order{Verb: Acknowledge, By: Actor{Tech, "ana"}, At: mins(61)}); err != nil {
		t.Fatal(err)
	}
	leak := s.raise(mins(120), "s0", "s0-m1", fault.DoorLeak, .95, 0)
	tp.add(q.Apply(leak))
	tp.add(q.Advance(mins(200)))
	open := q.Alerts()
	if len(open) != 1 || len(open[0].Members) != 2 || open[0].Fault != fault.CompressorWeak || !slices.Equal(open[0].Others(), []fault.Fault{fault.DoorLeak}) {
		t.Fatalf("two faults on one machine: %d alerts, %+v", len(open), open)
	}
	if open[0].State != Unacknowledged {
		t.Errorf("whoever took the first was not asked about the second: %s", open[0].State)
	}
	tp.add(q.Apply(next(weak, mins(300), detect.Cleared)))
	tp.add(q.Advance(mins(400)))
	if open = q.Alerts(); len(open) != 1 || !open[0].Active || open[0].Fault != fault.DoorLeak || len(open[0].Others()) != 0 {
		t.Fatalf("the first is over, the second is not: %+v", open)
	}
	tp.add(q.Apply(next(leak, mins(500), detect.Cleared)))
	tp.add(q.Advance(mins(900)))
	if open = q.Alerts(); len(open) != 1 || open[0].State != ReturnedUnacked || tp.count(Opened) != 1 {
		t.Errorf("both are over: %+v, %d opened", open, tp.count(Opened))
	}
}

// TestShelvedAlertHidesNoOther: what was put aside was put aside for its own fault.
func TestShelvedAlertHidesNoOther(t *testing.T) {
	q, s := New(Options{Fleet: town(2, 4)}), &story{}
	q.Apply(s.raise(mins(0), "s0", "s0-m1", fault.DoorLeak, .95, 30*time.Hour))
	q.Advance(mins(60))
	if _, err := q.Do("A-F-000001", Order{Verb: Shelve, By: Actor{Operator, "ada"}, At: mins(61), Reason: "gasket ordered", Until: mins(3000)}); err != nil {
		t.Fatal(err)
	}
	q.Apply(s.raise(mins(120), "s0", "s0-m1", fault.CompressorNotStarting, .95, 4*time.Hour))
	q.Advance(mins(200))
	open := q.Alerts()
	if len(open) != 2 || open[0].State != Shelved || open[1].State != Unacknowledged {
		t.Errorf("%+v", open)
	}
}

// TestOutageExplainsTheSilenceOnly: when a site falls silent, the fault that one of
// its machines had before still stands.
func TestOutageExplainsTheSilenceOnly(t *testing.T) {
	q, s := New(Options{Fleet: town(3, 8)}), &story{}
	q.Apply(s.raise(mins(0), "s1", "s1-m0", fault.CompressorWeak, .95, 20*time.Hour))
	q.Advance(mins(60))
	for i := range 8 {
		q.Apply(s.raise(mins(100).Add(time.Duration(i)*time.Second), "s1", fmt.Sprintf("s1-m%d", i), fault.Silent, .97, 0))
	}
	q.Advance(mins(500))
	var weak, site int
	for _, a := range q.Alerts() {
		switch {
		case a.Cause == Uplink:
			site++
			if len(a.Members) != 8 {
				t.Errorf("the site's alert tells of %d machines", len(a.Members))
			}
		case a.Machine == "s1-m0" && a.Fault == fault.CompressorWeak && a.State == Unacknowledged && len(a.Members) == 1:
			weak++
		default:
			t.Errorf("also open: %+v", a)
		}
	}
	if weak != 1 || site != 1 {
		t.Errorf("%d alerts of the machine, %d of the site, want one each", weak, site)
	}
}

// TestOutageLeavesTheFaultItsAlert: a machine that was told to have lost power beside
// its own fault, and turns out to be one of a site without power, keeps the alert of
// its fault.
func TestOutageLeavesTheFaultItsAlert(t *testing.T) {
	q, s := New(Options{Fleet: town(3, 8)}), &story{}
	q.Apply(s.raise(mins(0), "s1", "s1-m0", fault.CompressorWeak, .95, 20*time.Hour))
	q.Advance(mins(60))
	q.Apply(s.raise(mins(100), "s1", "s1-m0", fault.PowerLost, .95, 0))
	q.Advance(mins(107))
	if a := q.Alerts(); len(a) != 1 || len(a[0].Members) != 2 {
		t.Fatalf("before the others: %+v", a)
	}
	for i := 1; i < 8; i++ {
		q.Apply(s.raise(mins(108), "s1", fmt.Sprintf("s1-m%d", i), fault.PowerLost, .95, 0))
	}
	q.Advance(mins(140))
	var weak, site int
	for _, a := range q.Alerts() {
		switch {
		case a.Cause == SitePower && len(a.Members) == 8:
			site++
		case a.Machine == "s1-m0" && a.Fault == fault.CompressorWeak && a.State == Unacknowledged && len(a.Members) == 1:
			weak++
		default:
			t.Errorf("also open: %+v", a)
		}
	}
	if weak != 1 || site != 1 {
		t.Errorf("%d alerts of the machine, %d of the site, want one each", weak, site)
	}
}

// TestFlappingUnderTwoNamesIsOneAlert: a machine that comes and goes all day, each
// time with another fault, has one alert that nobody has taken.
func TestFlappingUnderTwoNamesIsOneAlert(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(2, 4)}), &story{}, &tape{}
	names := []fault.Fault{fault.ThermostatStuckOff, fault.CompressorWeak, fault.DoorLeak}
	for i := range 30 {
		f := s.raise(mins(45*i), "s0", "s0-m1", names[i%3], .95, 5*time.Hour)
		tp.add(q.Apply(f))
		tp.add(q.Advance(mins(45*i + 12)))
		tp.add(q.Apply(next(f, mins(45*i+12), detect.Cleared)))
	}
	tp.add(q.Advance(mins(45*30 + 24*60)))
	if n := tp.count(Opened); n != 1 {
		t.Errorf("%d alerts, want 1", n)
	}
}

// TestFlappingThatIsTakenEachTimeIsOneAlert: so is one that somebody takes each time;
// its audit tells of every return. A day later it is another.
func TestFlappingThatIsTakenEachTimeIsOneAlert(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(2, 4)}), &story{}, &tape{}
	at := 0
	for range 4 {
		f := s.raise(mins(at), "s0", "s0-m1", fault.ThermostatStuckOff, .95, 5*time.Hour)
		tp.add(q.Apply(f))
		tp.add(q.Advance(mins(at + 20)))
		for _, a := range q.Alerts() {
			if _, err := q.Do(a.ID, Order{Verb: Acknowledge, By: Actor{Tech, "ana"}, At: mins(at + 20)}); err != nil {
				t.Fatal(err)
			}
		}
		tp.add(q.Apply(next(f, mins(at+25), detect.Cleared)))
		at += 300 // longer than the off-delay
		b, err := q.Snapshot()
		if err != nil {
			t.Fatal(err)
		}
		q = New(Options{Fleet: town(2, 4)})
		if err := q.Restore(b); err != nil {
			t.Fatal(err)
		}
	}
	tp.add(q.Advance(mins(at)))
	returns := 0
	for _, c := range tp.changes {
		if c.Kind == Moved && c.Step.Verb == Recur && c.Alert.ID == "A-F-000001" {
			returns++
		}
	}
	if n := tp.count(Opened); n != 1 || returns != 3 {
		t.Errorf("%d alerts, %d returns of the first; want 1, 3:\n%s", n, returns, strings.Join(tp.lines(), "\n"))
	}
	tp.add(q.Advance(mins(at + 3*24*60)))
	tp.add(q.Apply(s.raise(mins(at+3*24*60), "s0", "s0-m1", fault.ThermostatStuckOff, .95, 5*time.Hour)))
	tp.add(q.Advance(mins(at + 3*24*60 + 30)))
	if n := tp.count(Opened); n != 2 {
		t.Errorf("%d alerts three days later, want 2", n)
	}
}

// TestSilenceIsToldOnceItIsLikelyToStay: a link's hiccup is over before anybody is
// told; with the default mean of 2 h and a tenth that stay, a silence is more likely
// to stay than not after 2 h · ln 9 = 4 h 24 min (closed form).
func TestSilenceIsToldOnceItIsLikelyToStay(t *testing.T) {
	q, s := New(Options{Fleet: town(5, 10)}), &story{}
	q.Apply(s.raise(mins(0), "s0", "s0-m1", fault.Silent, .97, 0))
	q.Advance(mins(263))
	if n := len(q.Alerts()); n != 0 {
		t.Errorf("told after 263 min")
	}
	q.Advance(mins(264))
	if n := len(q.Alerts()); n != 1 {
		t.Errorf("not told after 264 min")
	}
}
