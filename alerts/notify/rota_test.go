package notify

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// TestHandoverBySummerTime: New York goes to summer time on 2026-03-08 and back on
// 2026-11-01 (US rule: second Sunday of March, first of November).
func TestHandoverBySummerTime(t *testing.T) {
	r := &Rota{TimeZone: "America/New_York", Start: "2026-03-01", Handover: 8 * 60, People: []string{"ana", "ben", "cy"},
		Holidays:  map[Date]string{"2026-07-04": "cy"},
		Overrides: []Override{{From: time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC), To: time.Date(2026, 3, 10, 18, 0, 0, 0, time.UTC), Person: "cy"}}}
	for _, c := range []struct{ at, want string }{
		{"2026-03-08T11:59:00Z", "ana"}, // 07:59 summer time
		{"2026-03-08T12:00:00Z", "ben"}, // 08:00
		{"2026-03-15T11:59:00Z", "ben"},
		{"2026-03-15T12:00:00Z", "cy"},
		{"2026-03-10T11:59:00Z", "ben"},
		{"2026-03-10T12:00:00Z", "cy"}, // override
		{"2026-03-10T18:00:00Z", "ben"},
		{"2026-11-01T12:59:00Z", "ben"}, // week 34; 07:59 winter time
		{"2026-11-01T13:00:00Z", "cy"},
		{"2026-07-05T11:59:00Z", "cy"}, // the holiday lasts until the next hand-over
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Chain(at); len(got) != 3 || got[0] != c.want {
			t.Errorf("%s: %v, want %s first", c.at, got, c.want)
		}
	}
}

func TestSettingsReportEveryProblem(t *testing.T) {
	_, err := ParseSettings([]byte(`{"people":[{"id":"ana","time_zone":"Mars/Olympus","contacts":[]}],
		"rotas":[{"name":"east","time_zone":"America/New_York","start":"monday","handover":"08:00","people":["ana","zoe"]}]}`))
	if err == nil {
		t.Fatal("taken")
	}
	for _, want := range []string{"Mars/Olympus", "add a contact", "monday", `"zoe" is not among`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in: %v", want, err)
		}
	}
}

func TestLinks(t *testing.T) {
	l := &Links{Key: []byte("0123456789abcdef0123456789abcdef")}
	g := Grant{Alert: "A-F-000001", Person: "ana", Until: noon.Add(time.Hour).Unix()}
	token := l.Token(g)
	if got, err := l.Verify(token, noon); err != nil || got != g {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := l.Verify(token, noon.Add(time.Hour)); !errors.Is(err, ErrLinkExpired) {
		t.Errorf("expired: %v", err)
	}
	for i := range len(token) - 1 { // the last character has bits that base64 leaves unused
		bad := []byte(token)
		bad[i] ^= 1
		if _, err := l.Verify(string(bad), noon); !errors.Is(err, ErrLinkForged) {
			t.Errorf("changed at %d: %v", i, err)
		}
	}
	if _, err := (&Links{Key: []byte("another")}).Verify(token, noon); !errors.Is(err, ErrLinkForged) {
		t.Errorf("another key: %v", err)
	}
}

func testAlert(p alerts.Priority, at time.Time) alerts.Alert {
	m := collector.MillisOf(at)
	return alerts.Alert{ID: "A-1", Site: "s", Machine: "cab-0417", State: alerts.Unacknowledged, Active: true, Priority: p, Peak: p, OpenedAt: m, MovedAt: m, Since: m,
		Fault: fault.EvaporatorFanStopped, Probability: 0.94, HasProduct: true, ProductTemperature: 5,
		Basis: alerts.Reason{Currency: "$", Value: 420, Limits: fleet.SealedBeverage.Limits(), LimitAt: m.Add(3 * time.Hour), Side: detect.Warm, Travel: 50 * time.Minute, Sick: .94,
			Fault: fault.EvaporatorFanStopped, Machines: 1},
		LimitAt: m.Add(3 * time.Hour), Evidence: []detect.Evidence{{Text: "coil 9.8 K below air; this machine's normal is 6.1 ± 0.5 K; air −3.5 °C"}}}
}

// TestQuietHoursAndEscalation lets a night pass in bubble time.
func TestQuietHoursAndEscalation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		team := weekTeam(nil)
		// The bubble begins at midnight UTC, 2000-01-01; go to 23:00 in New York.
		time.Sleep(28 * time.Hour)
		at := time.Now()
		medium, high := testAlert(alerts.Medium, at), testAlert(alerts.High, at)
		tell := func(a alerts.Alert) []string {
			var out []string
			for _, m := range team.Tell(alerts.Change{Kind: alerts.Opened, At: a.MovedAt, Alert: &a}) {
				out = append(out, m.Person+" "+m.Due.Sub(at).String())
			}
			return out
		}
		if got := tell(medium); !slices.Equal(got, []string{"ana 7h0m0s"}) {
			t.Errorf("medium at 23:00: %v, want ana at 06:00", got)
		}
		if got := tell(high); !slices.Equal(got, []string{"ana 0s"}) {
			t.Errorf("high at 23:00: %v, want ana at once", got)
		}
		var asked []string
		seen := map[string]bool{}
		for range 100 {
			time.Sleep(time.Minute)
			for _, m := range team.Escalate([]alerts.Alert{high, medium}, time.Now()) {
				if !seen[m.Key] {
					seen[m.Key] = true
					asked = append(asked, m.Person+" "+time.Since(at).String())
				}
			}
		}
		if want := []string{"ben 30m0s", "ana 1h0m0s", "ben 1h30m0s"}; !slices.Equal(asked, want) {
			t.Errorf("asked %v, want %v", asked, want)
		}
		high.State = alerts.Acknowledged
		if ms := team.Escalate([]alerts.Alert{high}, time.Now()); len(ms) > 0 {
			t.Errorf("acknowledged, and %s was asked", ms[0].Person)
		}
	})
}

func TestMessageSpeaksTheReadersUnits(t *testing.T) {
	team := weekTeam(nil)
	p := &Person{ID: "ana", TimeZone: "America/New_York", Fahrenheit: true}
	a := testAlert(alerts.High, noon)
	subject, text := team.render("alert", "email", p, &a, noon)
	if !strings.HasPrefix(subject, "HIGH: s, cab-0417: evaporator fan stopped, 3 h left") {
		t.Errorf("subject %q", subject)
	}
	for _, want := range []string{"41.0 °F", "11:00 EDT", "17.6 °F below air", "11.0 ± 0.9 °F", "air 25.7 °F", "94 % sure", "keep the plug in your own hands", "Local codes"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	if strings.Contains(text, "°C") {
		t.Errorf("°C in a message to somebody who reads °F:\n%s", text)
	}
	p.Fahrenheit = false
	if _, text := team.render("alert", "email", p, &a, noon); !strings.Contains(text, "5.0 °C") || strings.Contains(text, "°F") {
		t.Errorf("want °C in\n%s", text)
	}
}
