package board

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"coilward/alerts/ledger"
	"coilward/alerts/notify"
)

// retryMessage sends what was given up once more.
func (b *Board) retryMessage(w http.ResponseWriter, r *http.Request) {
	if b.team == nil {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "Nobody is told anything here.")
		return
	}
	if err := b.team.Retry(r.Context(), r.PostFormValue("key")); err != nil {
		b.log.Error().Err(err).Msg("a message could not be sent again")
		b.fail(w, r, http.StatusInternalServerError, "Not done", sentence(err.Error()))
		return
	}
	b.log.Info().Str("key", r.PostFormValue("key")).Str("by", readerOf(r).Name).Msg("a message that was given up is sent again")
	b.bell.Ring()
	http.Redirect(w, r, localPath(cmp.Or(r.PostFormValue("next"), "/alerts")), http.StatusSeeOther)
}

// remedies are what to do about a message that a channel did not take.
var remedies = map[string]string{
	"email":   "Look at the address, and at smtp in the configuration: host, port, security, user and password_file.",
	"webhook": "Look at the address, at webhook.secret_file in the configuration, and at the log of what takes the call.",
	"chat":    "Look at the number or name, and whether the service's address in chat_files is still good.",
	"mqtt":    "Look whether the broker is connected and may be published to under this topic.",
}

// testWords say what became of a test message, and what to do.
func (b *Board) testWords(r Reader, m *ledger.Message, now time.Time) (says, do string, bad bool) {
	zone := b.homeZone()
	at := func(t time.Time) string { return r.moment(t, now, zone) }
	switch {
	case m.State == "sent":
		return "sent " + at(m.Sent) + ", and taken by the other side", either(m.Channel == "email" || m.Channel == "chat", "Not there? Look among what was held back as unwanted.", ""), false
	case m.State == "dead":
		return "refused, made " + at(m.Made) + ": " + m.Error, remedies[m.Channel], true
	case m.State == "waiting" && m.Error != "":
		return fmt.Sprintf("not taken so far, tried %s: %s; tried again %s", count(m.Attempts, "time", "times"), m.Error, at(m.Due)), remedies[m.Channel], true
	case m.State == "waiting":
		return "on its way since " + at(m.Made), "", false
	}
	return "not sent: " + m.Error, "", true
}

// undeliveredPart lists what reached nobody.
func (b *Board) undeliveredPart() part {
	return part{id: "undelivered", data: b.undeliveredData, fallible: true}
}

// undeliveredFor is how long a message that was given up stays on the list.
const undeliveredFor = 7 * 24 * time.Hour

type deadLetter struct{ Key, Made, Who, Channel, Subject, Error, Do, URL string }

func (b *Board) undeliveredData(ctx context.Context, r Reader) (any, error) {
	if b.team == nil {
		return []deadLetter(nil), nil
	}
	now := b.clock.Now()
	given, err := b.team.Undelivered(ctx, 50)
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	for _, p := range b.team.People() {
		names[p.ID] = p.Name
	}
	var out []deadLetter
	for i := range given {
		m := &given[i]
		if notify.IsTest(m) || now.Sub(m.Made) > undeliveredFor {
			continue
		}
		d := deadLetter{Key: m.Key, Made: r.moment(m.Made, now, b.homeZone()), Who: cmp.Or(names[m.Person], m.Person), Channel: m.Channel, Subject: m.Subject,
			Error: m.Error, Do: remedies[m.Channel]}
		if m.Alert != "" {
			d.URL = alertURL(m.Alert)
		}
		out = append(out, d)
	}
	return out, nil
}

// toldLine is a message about an alert.
type toldLine struct {
	When, Who, Channel, Subject, Says string
	Bad                               bool
}

// toldData says who was told of an alert, newest first.
func (b *Board) toldData(ctx context.Context, r Reader, id string) (any, error) {
	if b.team == nil {
		return []toldLine(nil), nil
	}
	ms, err := b.team.MessagesOf(ctx, id)
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	for _, p := range b.team.People() {
		names[p.ID] = p.Name
	}
	now, zone := b.clock.Now(), b.homeZone()
	at := func(t time.Time) string { return r.moment(t, now, zone) }
	var out []toldLine
	for i := range slices.Backward(ms) {
		m := &ms[i]
		row := toldLine{When: at(m.Made), Who: cmp.Or(names[m.Person], m.Person), Channel: m.Channel, Subject: m.Subject}
		switch {
		case m.State == "sent":
			row.When, row.Says = at(m.Sent), "sent"
		case m.State == "dead":
			row.Says, row.Bad = "given up: "+m.Error, true
		case m.State == "folded":
			row.Says = "told together with others"
		case m.State == "dropped":
			row.Says = "not sent: " + m.Error
		case m.Error != "":
			row.Says, row.Bad = "not taken so far: "+m.Error+"; tried again "+at(m.Due), true
		case m.Due.After(now):
			row.Says = "waits until " + at(m.Due)
		default:
			row.Says = "on its way"
		}
		out = append(out, row)
	}
	return out, nil
}
