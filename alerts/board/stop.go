package board

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"coilward/alerts"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/collector"
)

// stopStyle and stopScript stand in the page itself: on a poor connection a page
// that is there is whole. The policy names them by their hashes.
var (
	stopStyle  = asset("stop.css")
	stopScript = asset("stop.js")
	stopPolicy = "default-src 'none'; script-src " + hashOf(stopScript) + "; style-src " + hashOf(stopStyle) +
		"; img-src data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

func asset(name string) string {
	b, err := fs.ReadFile(staticFiles, "static/"+name)
	if err != nil {
		panic(err)
	}
	return string(b)
}

func hashOf(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// stopRoutes are the paths of a tech's stop. They need no login: the address
// itself says who may do what, and until when.
func (b *Board) stopRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /stop/{token}", b.stopPage)
	mux.HandleFunc("GET /stop/{token}/sheet", b.stopSheet)
	mux.HandleFunc("POST /stop/{token}/{act}", b.stopAct)
	mux.HandleFunc("GET /alerts/{alert}/sheet", b.visitSheet)
	b.takeRoutes(mux)
}

// StopPath is the address of a tech's stop on the board, until the given time.
func StopPath(l *notify.Links, tech, stop string, until time.Time) string {
	return "/stop/" + l.StopToken(notify.StopGrant{Tech: tech, Stop: stop, Until: until.Unix()})
}

// caller is who opened a stop by its link.
type caller struct {
	reader Reader
	token  string
	until  time.Time
	tech   *route.Member
	stop   string
	day    *route.Day
	told   route.Standing // of this shift
	person *notify.Person // who is spoken to
	voice  notify.Voice
	now    time.Time
	at     time.Time // when it was pressed, which may be before it came
}

func (c *caller) path() string { return "/stop/" + url.PathEscape(c.token) }

// calls checks the link. It answers by itself when the link is not good.
func (b *Board) calls(w http.ResponseWriter, r *http.Request) (*caller, bool) {
	h := w.Header()
	h.Set("Content-Security-Policy", stopPolicy)
	h.Set("Referrer-Policy", "no-referrer")
	c := &caller{token: r.PathValue("token"), now: b.clock.Now()}
	b.speak(c, nil, r)
	refuse := func(status int, title, text string) (*caller, bool) {
		b.stopWord(w, c, status, c.say(title), c.say(text))
		return nil, false
	}
	if b.links == nil || b.visits == nil {
		return refuse(http.StatusNotFound, "nothing-here", "no-stop-links")
	}
	grant, err := b.links.VerifyStop(c.token, c.now)
	if errors.Is(err, notify.ErrLinkExpired) {
		return refuse(http.StatusGone, "expired", "expired-stop")
	}
	if err != nil {
		return refuse(http.StatusNotFound, "broken", "broken-stop")
	}
	c.day = b.routesOf.Day()
	m, ok := c.day.Member(grant.Tech)
	if !ok {
		return refuse(http.StatusGone, "no-tech", "no-tech-why")
	}
	c.tech, c.stop, c.until = m, grant.Stop, time.Unix(grant.Until, 0)
	b.speak(c, b.tech(m), r)
	if duty, on := m.Duty(c.now); on && c.day.Told[m.ID].Shift.Equal(duty.Open) {
		c.told = c.day.Told[m.ID]
	}
	// What was pressed without a connection comes later, and says by how much.
	c.at = c.now
	if age, err := strconv.Atoi(r.PostFormValue("age")); err == nil && age > 0 {
		late := time.Duration(float64(min(age, 12*3600)) * b.clock.Speed() * float64(time.Second))
		c.at = c.now.Add(-late)
	}
	return c, true
}

// stopAct takes what a tech pressed.
func (b *Board) stopAct(w http.ResponseWriter, r *http.Request) {
	c, ok := b.calls(w, r)
	if !ok {
		return
	}
	var err error
	anchor := ""
	switch act := r.PathValue("act"); act {
	case "take":
		err = b.takeStop(r.Context(), c)
	case string(route.Driving), string(route.Arrived), string(route.Done):
		err = b.routesOf.Report(r.Context(), c.tech.ID, c.stop, route.Step(act), c.at, c.tech.Name)
	case "answer", "timer", "measure", "outcome":
		anchor = "#" + elementID(r.PostFormValue("alert"))
		err = b.visitAct(r.Context(), c, act, r.PostForm)
	default:
		b.stopWord(w, c, http.StatusNotFound, c.say("nothing-here"), c.say("no-button"))
		return
	}
	if err != nil {
		b.log.Warn().Err(err).Str("tech", c.tech.ID).Str("stop", c.stop).Str("act", r.PathValue("act")).Msg("what a tech pressed was refused")
		b.stopWord(w, c, http.StatusConflict, c.say("not-done"), c.sentence(err.Error()))
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, c.path()+anchor, http.StatusSeeOther)
}

// sentence makes an error's lines sentences for a person.
func sentence(text string) string {
	out := bytes.Split([]byte(text), []byte("\n"))
	for i := range out {
		if len(out[i]) > 0 {
			out[i] = append(bytes.ToUpper(out[i][:1]), out[i][1:]...)
			if last := out[i][len(out[i])-1]; last != '.' && last != '?' {
				out[i] = append(out[i], '.')
			}
		}
	}
	return string(bytes.Join(out, []byte(" ")))
}

// takeStop acknowledges every alert of the stop that waits for somebody.
func (b *Board) takeStop(ctx context.Context, c *caller) error {
	var errs []error
	for _, id := range c.alerts() {
		a, err := b.ledger.Alert(ctx, id)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if !waits(a.State) {
			continue
		}
		_, err = b.desk.Do(ctx, id, alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Tech, Name: c.tech.Name}, At: collector.MillisOf(c.now)})
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// planned finds the stop on the tech's own route; nil where it is not on it.
func (c *caller) planned() (*route.Visit, int) {
	r, ok := c.day.Route(c.tech.ID)
	if !ok {
		return nil, 0
	}
	for i := range r.Visits {
		if r.Visits[i].Stop.ID == c.stop {
			return &r.Visits[i], i
		}
	}
	return nil, 0
}

// finished reports whether the tech has finished at the stop in this shift.
func (c *caller) finished() bool {
	return c.told.Stop != c.stop && slices.ContainsFunc(c.told.Done, func(f route.Finished) bool { return f.Stop == c.stop })
}

// alerts are those that the stop is about: on the route, driven to, worked at or
// finished.
func (c *caller) alerts() []string {
	var out []string
	add := func(ids ...string) {
		for _, id := range ids {
			if id != "" && !slices.Contains(out, id) {
				out = append(out, id)
			}
		}
	}
	for _, f := range c.told.Done {
		if f.Stop == c.stop {
			add(f.Alerts...)
		}
	}
	if c.told.Stop == c.stop {
		add(c.told.Alerts...)
	}
	if v, _ := c.planned(); v != nil {
		for _, j := range v.Stop.Jobs {
			add(j.Alert)
		}
	}
	return out
}

// stopFrame is the page around what a stop shows.
type stopFrame struct {
	Title, Who, Now, Until string
	Main                   template.HTML
	Style                  template.CSS
	Script                 template.JS
}

// stopShow writes a page of a stop.
func (b *Board) stopShow(w http.ResponseWriter, c *caller, status int, title, name string, data any) {
	var main bytes.Buffer
	if err := b.phones[c.person.Language].ExecuteTemplate(&main, name, data); err != nil {
		b.log.Error().Err(err).Str("template", name).Msg("page could not be made")
		http.Error(w, "This page could not be made; the reason is in the log.", http.StatusInternalServerError)
		return
	}
	zone := b.homeZone()
	f := stopFrame{Title: title, Main: template.HTML(main.String()), Style: template.CSS(stopStyle), Script: template.JS(stopScript)} // our own templates and files
	if c.tech != nil {
		zone = c.tech.Location()
		f.Who = c.tech.Name
	}
	if !c.until.IsZero() {
		f.Until = c.moment(c.until, zone)
	}
	f.Now = c.momentFrom(c.now, c.now.Add(24*time.Hour), zone)
	b.writeWith(w, b.phones[c.person.Language], status, "stoppage", f)
}

// stopWord says one thing.
func (b *Board) stopWord(w http.ResponseWriter, c *caller, status int, title, text string) {
	back := ""
	if c.tech != nil {
		back = c.path()
	}
	b.stopShow(w, c, status, title, "stopword", map[string]string{"Title": title, "Text": text, "Back": back})
}

func (b *Board) stopPage(w http.ResponseWriter, r *http.Request) {
	c, ok := b.calls(w, r)
	if !ok {
		return
	}
	view, err := b.stopData(r.Context(), c)
	if err != nil {
		b.log.Error().Err(err).Str("stop", c.stop).Msg("a stop could not be shown")
		b.stopWord(w, c, http.StatusInternalServerError, c.say("failed"), c.say("failed-why"))
		return
	}
	b.stopShow(w, c, http.StatusOK, view.Name, "stopmain", view)
}

// stopPath is the address of a stop of the tech's shift; "" where there are no
// links.
func (b *Board) stopPath(m *route.Member, stop string, now time.Time) string {
	if b.links == nil || b.visits == nil {
		return ""
	}
	until, on := m.LinkUntil(now)
	if !on {
		return ""
	}
	return StopPath(b.links, m.ID, stop, until)
}
