package notify

import (
	"testing"
	"time"
)

// Who is on call, why, and when somebody else is: at the hand-over of the week, for a
// holiday, and at both ends of an override.
func TestRotaSaysWhyAndUntilWhen(t *testing.T) {
	at := func(s string) time.Time {
		x, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	r := &Rota{TimeZone: "America/New_York", Start: "2026-06-29", Handover: 8 * 60, People: []string{"ana", "ben"}, Backup: []string{"cy"},
		Holidays:  map[Date]string{"2026-07-04": "cy"},
		Overrides: []Override{{From: at("2026-07-02T10:00:00Z"), To: at("2026-07-02T18:00:00Z"), Person: "ben", Why: "dentist"}}}
	for _, c := range []struct {
		at, who, next, then string
		why                 Reason
	}{
		{"2026-06-30T12:00:00Z", "ana", "2026-07-02T10:00:00Z", "ben", ByTurn},
		{"2026-07-02T10:00:00Z", "ben", "2026-07-02T18:00:00Z", "ana", ByOverride},
		{"2026-07-02T18:00:00Z", "ana", "2026-07-04T12:00:00Z", "cy", ByTurn},
		{"2026-07-04T12:00:00Z", "cy", "2026-07-05T12:00:00Z", "ana", ByHoliday},
		{"2026-07-05T12:00:00Z", "ana", "2026-07-06T12:00:00Z", "ben", ByTurn},
	} {
		chain := r.Chain(at(c.at))
		when, then, ok := r.Next(at(c.at), 30*24*time.Hour)
		why, o := r.Why(at(c.at))
		if chain[0] != c.who || !ok || !when.Equal(at(c.next)) || then != c.then || why != c.why || (o != nil) != (why == ByOverride) {
			t.Errorf("%s: %v until %v, then %q, %v %v", c.at, chain, when, then, why, o)
		}
	}
	alone := &Rota{TimeZone: "UTC", Start: "2026-06-29", People: []string{"ana"}}
	if _, _, ok := alone.Next(at("2026-07-01T00:00:00Z"), 30*24*time.Hour); ok {
		t.Error("somebody relieves who is alone")
	}
}
