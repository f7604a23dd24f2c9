package notify

import (
	"encoding/json"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// freshFor is how old a message may be and still go out as it was made.
const freshFor = time.Minute

// bodyOf returns what a message's body for machines says it is.
func bodyOf(m ledger.Message) (kind string, about []alerts.Alert) {
	var b struct {
		Kind   string         `json:"kind"`
		Alerts []alerts.Alert `json:"alerts"`
	}
	if json.Unmarshal(m.Body, &b) != nil {
		return "", nil
	}
	return b.Kind, b.Alerts
}

// Refresh is part of [Writer]: a message about one alert says how things stand when
// it goes out. It says nothing any more once somebody has taken the alert, or it is
// over; nor does the news that it is over, once it is back.
func (t *Team) Refresh(m ledger.Message, now time.Time) (fresh ledger.Message, stale string) {
	if t.o.Current == nil || m.Alert == "" || isFold(m.Key) {
		return m, ""
	}
	kind, about := bodyOf(m)
	if len(about) != 1 {
		return m, ""
	}
	a, open := t.o.Current(m.Alert)
	switch kind {
	case kindAlert, "escalation":
		switch {
		case !open || a.State == alerts.ReturnedUnacked:
			return m, "it was over before this went out"
		case a.State != alerts.Unacknowledged:
			return m, "it was " + a.State.String() + " before this went out"
		}
	case kindOver:
		switch {
		case open && a.Active:
			return m, "it was back before this went out"
		case !open:
			a = about[0]
		}
	default:
		return m, ""
	}
	p := t.Settings().person(m.Person)
	if p == nil || now.Sub(m.Made) < freshFor {
		return m, ""
	}
	m.Subject, m.Text = t.render(kind, m.Channel, p, &a, now)
	m.Body = body(kind, m.Person, []alerts.Alert{a})
	return m, ""
}

// ToldOf is a message as the load of a person counts it. Many alerts told as one are
// one thing to act on; what is over, a summary and a test ask for nothing.
func ToldOf(m ledger.Message) alerts.Told {
	out := alerts.Told{At: m.Sent, Priority: m.Priority}
	if isFold(m.Key) {
		out.Alert = "flood"
	} else if kind, _ := bodyOf(m); kind != kindOver {
		out.Alert = m.Alert
	}
	return out
}
