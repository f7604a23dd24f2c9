package board

import (
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/collector"
)

// takeRoutes are the paths of links by which a person takes one alert without
// signing in. Looking changes nothing: mail scanners follow links.
func (b *Board) takeRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /take/{token}", b.takePage)
	mux.HandleFunc("POST /take/{token}", b.takeAlert)
}

// takeView is an alert as its link shows it.
type takeView struct {
	notify.Card
	Title string // what is wrong, without where
	Post  string
	Geo   template.URL
	Taken string
}

// taken checks the link of an alert. It answers by itself when it is not good.
func (b *Board) taken(w http.ResponseWriter, r *http.Request) (*caller, notify.Grant, *alerts.Alert, bool) {
	h := w.Header()
	h.Set("Content-Security-Policy", stopPolicy)
	h.Set("Referrer-Policy", "no-referrer")
	c := &caller{token: r.PathValue("token"), now: b.clock.Now()}
	b.speak(c, nil, r)
	c.at = c.now
	refuse := func(status int, title, text string) (*caller, notify.Grant, *alerts.Alert, bool) {
		b.stopWord(w, c, status, c.say(title), c.say(text))
		return nil, notify.Grant{}, nil, false
	}
	if b.links == nil {
		return refuse(http.StatusNotFound, "nothing-here", "no-alert-links")
	}
	g, err := b.links.Verify(c.token, c.now)
	if errors.Is(err, notify.ErrLinkExpired) {
		return refuse(http.StatusGone, "expired", "expired-alert")
	}
	if err != nil {
		return refuse(http.StatusNotFound, "broken", "broken-alert")
	}
	b.speak(c, b.person(g.Person), r)
	a, err := b.ledger.Alert(r.Context(), g.Alert)
	if errors.Is(err, ledger.ErrNone) {
		return refuse(http.StatusNotFound, "nothing-here", "no-alert")
	}
	if err != nil {
		b.log.Error().Err(err).Str("alert", g.Alert).Msg("an alert could not be shown")
		return refuse(http.StatusInternalServerError, "failed", "failed-why")
	}
	c.until = time.Unix(g.Until, 0)
	return c, g, &a, true
}

func (b *Board) takePage(w http.ResponseWriter, r *http.Request) {
	c, _, a, ok := b.taken(w, r)
	if !ok {
		return
	}
	card := b.writes.Card(c.person, a, c.now)
	out := takeView{Card: card, Title: card.What}
	if s, ok := b.fleet().Site(a.Site); ok && s.Located {
		out.Geo = template.URL(route.Point{Latitude: s.Latitude, Longitude: s.Longitude}.Geo())
	}
	if waits(a.State) {
		out.Post = "/take/" + url.PathEscape(c.token)
	} else {
		out.Taken = c.taken(a)
	}
	b.stopShow(w, c, http.StatusOK, out.Title, "takemain", out)
}

func (b *Board) takeAlert(w http.ResponseWriter, r *http.Request) {
	c, g, a, ok := b.taken(w, r)
	if !ok {
		return
	}
	if waits(a.State) { // pressed twice, or taken by somebody meanwhile: the page says so
		_, err := b.desk.Do(r.Context(), g.Alert, alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Tech, Name: g.Person}, At: collector.MillisOf(c.now)})
		if err != nil {
			b.log.Warn().Err(err).Str("alert", g.Alert).Msg("a move by a link was refused")
			b.stopWord(w, c, http.StatusConflict, c.say("not-done"), c.sentence(err.Error()))
			return
		}
		b.log.Info().Str("alert", g.Alert).Str("by", g.Person).Msg("alert taken by a link")
		b.bell.Ring()
	}
	http.Redirect(w, r, "/take/"+url.PathEscape(c.token), http.StatusSeeOther)
}
