package alerts

import (
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

func tunedTown(set func(*fleet.Alerting)) *fleet.Fleet {
	f := town(1, 1)
	set(&f.Sites[0].Machines[0].Alerting)
	return f
}

func span(d time.Duration) *time.Duration { return &d }

// timesOf returns when the alert opened and when it returned to normal, in minutes.
func timesOf(f *fleet.Fleet, raised detect.Finding, cleared collector.Millis) (opened, over float64, a *Alert) {
	q := New(Options{Fleet: f})
	changes := append(q.Apply(raised), q.Apply(next(raised, cleared, detect.Cleared))...)
	changes = append(changes, q.Advance(mins(3*24*60))...)
	opened, over = -1, -1
	for _, c := range changes {
		switch {
		case c.Kind == Opened:
			opened, a = c.At.Sub(t0).Minutes(), c.Alert
		case c.Kind == Moved && c.Step.Verb == Return:
			over = c.At.Sub(t0).Minutes()
		}
	}
	return opened, over, a
}

// A machine's own delays replace the queue's, at its priority only.
func TestOwnDelays(t *testing.T) {
	var s story
	raised := s.raise(mins(0), "s0", "s0-m0", fault.CondenserBlocked, 0.95, 0)
	opened, over, a := timesOf(town(1, 1), raised, mins(600))
	if opened < 0 || over <= 600 {
		t.Fatalf("opened at %g, over at %g", opened, over)
	}
	d := DefaultDelays()
	if opened != d.On[a.Priority].Minutes() || over != 600+d.Off.Minutes() {
		t.Errorf("without settings: opened after %g min, over at %g", opened, over)
	}
	opened, over, _ = timesOf(tunedTown(func(x *fleet.Alerting) {
		for u := range x.OnDelay {
			x.OnDelay[u] = span(time.Duration(100+u) * time.Minute)
		}
		x.OffDelay = span(40 * time.Minute)
	}), raised, mins(600))
	if opened != 100+float64(a.Priority) || over != 640 {
		t.Errorf("with its own: opened after %g min, over at %g; want %d and 640", opened, over, 100+a.Priority)
	}
	opened, _, _ = timesOf(tunedTown(func(x *fleet.Alerting) { x.OnDelay[(a.Priority+1)%NumPriorities] = span(9 * time.Hour) }), raised, mins(600))
	if opened != d.On[a.Priority].Minutes() {
		t.Errorf("the delay of another priority moved it to %g min", opened)
	}
	if opened, _, _ := timesOf(tunedTown(func(x *fleet.Alerting) { x.OnDelay[a.Priority] = span(11 * time.Hour) }), raised, mins(600)); opened >= 0 {
		t.Errorf("what is over before the on-delay is opened after %g min", opened)
	}
}

// What is not urgent waits until warm stock has been cooled down; what is does not.
func TestOnDelayAfterRestock(t *testing.T) {
	f := tunedTown(func(x *fleet.Alerting) { x.RestockDelay = span(4 * time.Hour) })
	var s story
	slow := s.raise(mins(60), "s0", "s0-m0", fault.CondenserBlocked, 0.95, 0)
	slow.FilledAt = mins(30)
	if opened, _, _ := timesOf(f, slow, mins(600)); opened != 270 {
		t.Errorf("opened after %g min, want 270: 4 h after the restock", opened)
	}
	urgent := s.raise(mins(60), "s0", "s0-m0", fault.CompressorNotStarting, 0.97, 20*time.Minute)
	urgent.FilledAt = mins(30)
	opened, _, a := timesOf(f, urgent, mins(600))
	if a == nil || a.Priority < High || opened > 62 {
		t.Errorf("urgent: %+v opened after %g min", a, opened)
	}
	if opened, _, _ := timesOf(town(1, 1), slow, mins(600)); opened >= 200 {
		t.Errorf("without the setting it waits until %g min", opened)
	}
}

// Priorities stay within what is set, and the reason says so.
func TestBoundedPriority(t *testing.T) {
	var s story
	urgent := s.raise(mins(0), "s0", "s0-m0", fault.CompressorNotStarting, 0.97, 20*time.Minute)
	mild := s.raise(mins(0), "s0", "s0-m0", fault.DoorLeak, 0.95, 0)
	low, high, medium := fleet.Low, fleet.High, fleet.Medium
	for _, c := range []struct {
		f    detect.Finding
		set  func(*fleet.Alerting)
		want Priority
	}{
		{urgent, func(x *fleet.Alerting) { x.AtMost = &medium }, Medium},
		{mild, func(x *fleet.Alerting) { x.AtLeast = &high }, High},
		{mild, func(x *fleet.Alerting) { x.AtLeast = &low }, Medium},
	} {
		if _, _, a := timesOf(tunedTown(c.set), c.f, mins(600)); a == nil || a.Priority != c.want {
			t.Errorf("%+v, want priority %s", a, c.want)
		}
	}
	q := New(Options{Fleet: tunedTown(func(x *fleet.Alerting) { x.AtLeast, x.AtMost = &medium, &high })})
	for _, c := range []struct {
		p, cheapest, want Priority
		words             string
	}{
		{Critical, Critical, High, "why, at most high by its settings"}, {High, Critical, High, "why, at most high by its settings"},
		{High, High, High, "why"}, {Low, Low, Medium, "why, at least medium by its settings"}, {Medium, Low, Medium, "why, at least medium by its settings"},
	} {
		if p, why := q.bounded("s0-m0", c.p, c.cheapest, "why"); p != c.want || why != c.words {
			t.Errorf("%s, cheapest %s: %s, %q; want %s, %q", c.p, c.cheapest, p, why, c.want, c.words)
		}
	}
}

// The words of urgency in the fleet file are those of priority.
func TestUrgencyIsPriority(t *testing.T) {
	if fleet.NumUrgencies != int(NumPriorities) {
		t.Fatalf("%d urgencies, %d priorities", fleet.NumUrgencies, NumPriorities)
	}
	for p := range NumPriorities {
		if p.String() != fleet.Urgency(p).String() {
			t.Errorf("priority %s is urgency %s", p, fleet.Urgency(p))
		}
	}
}
