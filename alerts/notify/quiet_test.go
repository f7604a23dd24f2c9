package notify

import (
	"testing"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
)

// What is not urgent waits for the end of the machine's quiet hours by its site's
// clock, and for the person's own after that; what is urgent waits for neither.
func TestQuietHoursOfMachines(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	quiet := &fleet.Quiet{From: 22 * 60, To: 6 * 60}
	f := fleet.New(&fleet.Site{ID: "tarn", Location: berlin, Machines: []*fleet.Machine{
		{ID: "cab-1", Site: "tarn", Alerting: fleet.Alerting{Quiet: quiet}}, {ID: "cab-2", Site: "tarn"},
	}})
	person := Person{ID: "ana", Name: "Ana", TimeZone: "Europe/Berlin", QuietFrom: 5 * 60, QuietTo: 7 * 60, Contacts: []Contact{{Channel: "chat", To: "ana"}}}
	team := NewTeam(TeamOptions{Settings: &Settings{People: []Person{person},
		Rotas: []Rota{{Name: "all", TimeZone: "Europe/Berlin", Start: "2026-06-29", People: []string{"ana"}}}},
		Quiet: QuietOf(func() *fleet.Fleet { return f })})
	at := func(h, m int) time.Time { return time.Date(2026, 7, 3, h, m, 0, 0, berlin) }
	for _, c := range []struct {
		what     string
		machines []string
		priority alerts.Priority
		at, due  time.Time
	}{
		{"by day", []string{"cab-1"}, alerts.Medium, at(12, 0), at(12, 0)},
		{"at night, then the person's", []string{"cab-1"}, alerts.Medium, at(23, 0), at(31, 0)},
		{"urgent", []string{"cab-1"}, alerts.High, at(23, 0), at(23, 0)},
		{"a machine that is never quiet", []string{"cab-2"}, alerts.Medium, at(23, 0), at(23, 0)},
		{"one of several is never quiet", []string{"cab-1", "cab-2"}, alerts.Medium, at(23, 0), at(23, 0)},
		{"nobody listed it", []string{"cab-9"}, alerts.Medium, at(23, 0), at(23, 0)},
	} {
		a := &alerts.Alert{ID: "A-1", Site: "tarn", Machine: c.machines[0], State: alerts.Unacknowledged, Priority: c.priority, Peak: c.priority, Active: true,
			MovedAt: collector.MillisOf(c.at)}
		for _, m := range c.machines {
			a.Members = append(a.Members, alerts.Member{Machine: m, Site: "tarn", Active: true})
		}
		out := team.Tell(alerts.Change{Kind: alerts.Opened, At: collector.MillisOf(c.at), Alert: a})
		if len(out) != 1 || !out[0].Due.Equal(c.due) {
			t.Errorf("%s: %+v, want one due %s", c.what, out, c.due)
		}
	}
	// Nobody is asked in quiet hours because the first did not answer.
	a := alerts.Alert{ID: "A-1", Site: "tarn", Machine: "cab-1", State: alerts.Unacknowledged, Priority: alerts.Medium, MovedAt: collector.MillisOf(at(17, 0)),
		Members: []alerts.Member{{Machine: "cab-1", Site: "tarn"}}}
	if out := team.Escalate([]alerts.Alert{a}, at(23, 0)); len(out) != 0 {
		t.Errorf("asked in quiet hours: %+v", out)
	}
	if out := team.Escalate([]alerts.Alert{a}, at(21, 30)); len(out) != 1 {
		t.Errorf("not asked before them: %+v", out)
	}
}
