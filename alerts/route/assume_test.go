package route

import (
	"testing"
	"time"
)

// A tech who reports nothing is taken to have set out five minutes after the
// planned departure, is asked ten minutes after the planned arrival, and not
// counted on after 45.
func TestSilenceOfATech(t *testing.T) {
	now := time.Date(2026, 7, 1, 7, 0, 0, 0, time.UTC)
	l := Leg{Shift: now, Stop: "a", Leave: now, Arrive: now.Add(40 * time.Minute)}
	for after, want := range map[time.Duration]Silence{0: NotDue, 4 * time.Minute: NotDue, 5 * time.Minute: OnTheWay, 49 * time.Minute: OnTheWay,
		50 * time.Minute: Overdue, 84 * time.Minute: Overdue, 85 * time.Minute: Unheard, 9 * time.Hour: Unheard} {
		if got := l.Silence(now.Add(after)); got != want {
			t.Errorf("after %v: %d, want %d", after, got, want)
		}
	}
	if (Leg{}).Silence(now) != NotDue {
		t.Error("nothing was planned, and it is due")
	}
}

func TestNextLeg(t *testing.T) {
	now := time.Date(2026, 7, 1, 7, 0, 0, 0, time.UTC)
	at := func(m int) time.Time { return now.Add(time.Duration(m) * time.Minute) }
	route := func(stop string, leave int) *Route {
		return &Route{Tech: &Tech{ID: "ada"}, Visits: []Visit{{Stop: &Stop{ID: stop}, Arrive: at(leave + 30), Drive: 30 * time.Minute}}}
	}
	first := NextLeg(Leg{}, route("a", 0), Standing{}, now, now)
	if first.Stop != "a" || !first.Leave.Equal(now) || !first.Arrive.Equal(at(30)) {
		t.Fatalf("%+v", first)
	}
	// Each plan begins at its own now; the departure that was told stands.
	if got := NextLeg(first, route("a", 5), Standing{}, now, at(5)); got != first {
		t.Errorf("put off: %+v", got)
	}
	// A departure that is still ahead moves with the plan.
	ahead := NextLeg(Leg{}, route("a", 60), Standing{}, now, now)
	if got := NextLeg(ahead, route("a", 90), Standing{}, now, at(5)); !got.Leave.Equal(at(90)) {
		t.Errorf("kept: %+v", got)
	}
	if got := NextLeg(first, route("b", 10), Standing{}, now, at(10)); got.Stop != "b" || !got.Leave.Equal(at(10)) {
		t.Errorf("another first stop: %+v", got)
	}
	// Reports end it; after the stop is done the next leg begins.
	for _, told := range []Standing{{Shift: now, Stop: "a", Since: at(1)}, {Shift: now, Stop: "a", Arrived: true, Since: at(1)}} {
		if got := NextLeg(first, route("a", 5), told, now, at(5)); got != (Leg{}) {
			t.Errorf("reported, and still taken for granted: %+v", got)
		}
	}
	done := Standing{Shift: now, Since: at(60), Done: []Finished{{Stop: "a"}}}
	if got := NextLeg(Leg{}, route("b", 60), done, now, at(60)); got.Stop != "b" || !got.Leave.Equal(at(60)) {
		t.Errorf("after the first: %+v", got)
	}
	// Not counted on, until they report something.
	missed := NextLeg(first, route("a", 90), Standing{}, now, at(90))
	if !missed.Missed || missed.Silence(at(90)) != Unheard {
		t.Fatalf("%+v", missed)
	}
	if got := NextLeg(missed, route("b", 90), Standing{}, now, at(90)); !got.Missed {
		t.Error("another stop, and counted on again without a word")
	}
	if got := NextLeg(missed, route("b", 100), Standing{Shift: now, Since: at(95)}, now, at(100)); got.Missed {
		t.Error("has reported, and is not counted on")
	}
	// Yesterday's silence is forgotten.
	if got := NextLeg(missed, route("c", 1440), Standing{}, at(1440), at(1440)); got.Missed {
		t.Error("a new shift starts with yesterday's silence")
	}
}
