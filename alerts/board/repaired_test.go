package board

import (
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/notify"
	"coilward/collector"
)

// An alert whose machine was repaired is not offered to anybody: it says who repaired
// it, and until when the models are waited for.
func TestRepairedIsWatched(t *testing.T) {
	w, _, b := onDuty(t)
	a := &w.open[0]
	at := func(d time.Duration) collector.Millis { return collector.MillisOf(w.now.Add(d)) }
	w.do(a, alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Tech, Name: "Ben Okoro"}, At: at(0), Reason: "repaired"})
	a.RepairedBy, a.RepairedAt, a.WatchedUntil = "Ben Okoro", at(0), at(8*time.Hour)
	take := "/take/" + b.links.Token(notify.Grant{Alert: a.ID, Person: "ben", Until: w.now.Add(time.Hour).Unix()})
	for path, want := range map[string][]string{
		"/alerts":            {"Repaired, and watched", "repaired by Ben Okoro ", "; the sensors must show it by ", "asks for somebody again"},
		"/alerts/" + a.ID:    {"repaired by Ben Okoro ", "the sensors must show it by ", "“repaired”"},
		take:                 {"Repaired by Ben Okoro", "if they still show it, it asks for somebody again by "},
		"/machines/cab-0403": {"repaired by Ben Okoro"},
	} {
		page := get(t, b, path).Body.String()
		has(t, page, want...)
		for _, offer := range []string{"/alerts/" + a.ID + "/acknowledge", "I take it"} {
			if strings.Contains(page, offer) {
				t.Errorf("%s offers it: %s", path, offer)
			}
		}
	}
	w.do(a, alerts.Order{Verb: alerts.Rearm, By: alerts.Actor{Role: alerts.Model, Name: "still seen 8 h after the repair"}, At: at(8 * time.Hour)})
	page := get(t, b, "/alerts/"+a.ID).Body.String()
	has(t, page, "asks for somebody again", "“still seen 8 h after the repair”", "/acknowledge")
	has(t, get(t, b, "/alerts").Body.String(), "Waiting for somebody")
}
