package board

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"coilward/alerts/ledger"
	"coilward/alerts/notify"
)

// People is who is told, and what became of what they were told.
type People interface {
	// People are all who can be reached: those on the rotas, and techs with contacts
	// of their own.
	People() []notify.Person
	Rotas() []notify.Rota
	// Test sends a test message over one of a person's contacts.
	Test(ctx context.Context, p *notify.Person, c notify.Contact) error
	// LastTest is the last test message to a contact; ok is false when there is none.
	LastTest(ctx context.Context, person string, c notify.Contact) (m ledger.Message, ok bool, err error)
	// Undelivered are the messages that were given up, newest first.
	Undelivered(ctx context.Context, limit int) ([]ledger.Message, error)
	// Retry sends one that was given up once more.
	Retry(ctx context.Context, key string) error
	// MessagesOf are the messages about an alert, oldest first.
	MessagesOf(ctx context.Context, alert string) ([]ledger.Message, error)
}

const (
	testApart    = time.Minute // between two tests of one contact, on the wall
	testsAMinute = 6           // of all contacts together
)

// tests counts the test messages of the last minute.
type tests struct {
	mu   sync.Mutex // guards what follows
	sent []time.Time
}

// take counts one more, unless there were too many.
func (t *tests) take(now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.sent = slices.DeleteFunc(t.sent, func(at time.Time) bool { return now.Sub(at) >= time.Minute })
	if len(t.sent) >= testsAMinute {
		return false
	}
	t.sent = append(t.sent, now)
	return true
}

// peopleRoutes are the paths of the page of people. It shows addresses and sends
// messages, so like that of the techs it is for whoever sits at this computer.
func (b *Board) peopleRoutes(mux *http.ServeMux) {
	here := func(f http.HandlerFunc) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			switch {
			case b.team == nil:
				b.fail(w, r, http.StatusNotFound, "Nothing here", "Nobody is told anything here.")
			case !atThisComputer(r):
				b.fail(w, r, http.StatusForbidden, "Only at this computer", "How people are reached is shown at the computer that coilward runs on, at http://"+b.listen+"/people: there are no accounts yet that would say who may.")
			default:
				f(w, r)
			}
		}
	}
	page := func(*http.Request) page {
		return page{title: "People", class: "crew", tab: "alerts", parts: []part{
			b.healthPart(), {id: "people", data: b.peopleData}, b.undeliveredPart(),
		}}
	}
	mux.HandleFunc("GET /people", here(func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, page(r)) }))
	mux.HandleFunc("GET /live/people", here(func(w http.ResponseWriter, r *http.Request) { b.stream(w, r, page(r)) }))
	mux.HandleFunc("POST /people/{person}/{channel}/{address}/test", here(b.testContact))
	mux.HandleFunc("GET /people/swap", here(b.swapPage))
	mux.HandleFunc("POST /people/swap", here(b.swap))
	mux.HandleFunc("POST /people/swap/{swap}/back", here(b.swapBack))
	mux.HandleFunc("POST /messages/retry", b.retryMessage)
}

// testContact sends a test message.
func (b *Board) testContact(w http.ResponseWriter, r *http.Request) {
	id, key := r.PathValue("person"), r.PathValue("channel")+"/"+r.PathValue("address")
	people := b.team.People()
	at := slices.IndexFunc(people, func(p notify.Person) bool { return p.ID == id })
	if at < 0 {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such person any more.")
		return
	}
	p := &people[at]
	at = slices.IndexFunc(p.Contacts, func(c notify.Contact) bool { return c.Key() == key })
	if at < 0 {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "This way to reach "+p.Name+" is there no more.")
		return
	}
	c := p.Contacts[at]
	last, ok, err := b.team.LastTest(r.Context(), p.ID, c)
	now := b.clock.Now()
	switch wait := testApart - time.Duration(float64(now.Sub(last.Made))/b.clock.Speed()); {
	case err != nil:
	case ok && wait > 0:
		b.fail(w, r, http.StatusTooManyRequests, "Not so fast", fmt.Sprintf("A test went there a moment ago. Wait %d s, and look at what became of it.", int(wait.Seconds())+1))
		return
	case !b.tests.take(b.wall()):
		b.fail(w, r, http.StatusTooManyRequests, "Not so fast", fmt.Sprintf("More than %d tests in a minute look like a fault to whoever carries them. Wait a minute.", testsAMinute))
		return
	default:
		err = b.team.Test(r.Context(), p, c)
	}
	if err != nil {
		b.log.Error().Err(err).Str("person", p.ID).Str("channel", c.Channel).Msg("a test message could not be sent")
		b.fail(w, r, http.StatusInternalServerError, "Not done", sentence(err.Error()))
		return
	}
	b.log.Info().Str("person", p.ID).Str("channel", c.Channel).Str("by", readerOf(r).Name).Msg("test message asked for")
	b.bell.Ring()
	http.Redirect(w, r, "/people#"+elementID(p.ID), http.StatusSeeOther)
}

// peopleView is who is told.
type peopleView struct {
	Rotas  []rotaView
	People []personView
}

type rotaView struct {
	Name, Sites string
	Now, Why    string
	Until, Then string
	After       []string // who is asked after them
	Coming      []string // holidays and overrides
	Swaps       []swapLine
	Swap        string // where somebody takes a turn for another; "" nowhere
	Nobody      bool
}

type personView struct {
	ID, Key, Name, Reads string
	Contacts             []contactView
}

type contactView struct {
	Channel, To, From string
	Post              string
	Says, Do          string // what became of the last test, and what to do about it
	Bad               bool
}

func (b *Board) peopleData(ctx context.Context, r Reader) (any, error) {
	now := b.clock.Now()
	var out peopleView
	people := b.team.People()
	names := namesOf(people)
	for _, rota := range b.team.Rotas() {
		v := b.rotaView(r, &rota, names, now)
		b.swapViews(&v, r, &rota, names, now)
		out.Rotas = append(out.Rotas, v)
	}
	for i := range people {
		p := &people[i]
		v := personView{ID: p.ID, Key: elementID(p.ID), Name: names[p.ID], Reads: readsWords(p)}
		for _, c := range p.Contacts {
			x := contactView{Channel: c.Channel, To: shownAddress(c), From: c.From.String() + " and above",
				Post: "/people/" + url.PathEscape(p.ID) + "/" + c.Key() + "/test"}
			m, ok, err := b.team.LastTest(ctx, p.ID, c)
			if err != nil {
				return nil, err
			}
			if ok {
				x.Says, x.Do, x.Bad = b.testWords(r, &m, now)
			}
			v.Contacts = append(v.Contacts, x)
		}
		out.People = append(out.People, v)
	}
	return out, nil
}

// readsWords say how a person is written to.
func readsWords(p *notify.Person) string {
	out := []string{"language " + cmp.Or(p.Language, "en"), either(p.Fahrenheit, "°F", "°C"), p.TimeZone}
	clock := func(c notify.Clock) string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }
	if p.QuietFrom != p.QuietTo {
		out = append(out, "quiet "+clock(p.QuietFrom)+" to "+clock(p.QuietTo))
	}
	if p.SummaryAt != 0 {
		out = append(out, "summary at "+clock(p.SummaryAt))
	}
	return strings.Join(out, ", ")
}

// shownAddress is an address without what may be secret in it: the path of a webhook.
func shownAddress(c notify.Contact) string {
	if c.Channel != "webhook" {
		return c.To
	}
	u, err := url.Parse(c.To)
	if err != nil || u.Host == "" {
		return "an address that cannot be read"
	}
	return u.Scheme + "://" + u.Host
}

// namesOf are the people's names by id.
func namesOf(people []notify.Person) map[string]string {
	names := map[string]string{}
	for i := range people {
		names[people[i].ID] = cmp.Or(people[i].Name, people[i].ID)
	}
	return names
}

// zoneOf is the rota's time zone.
func (b *Board) zoneOf(rota *notify.Rota) *time.Location {
	if z, err := time.LoadLocation(rota.TimeZone); err == nil {
		return z
	}
	return b.homeZone() // Validate refuses it
}

func (b *Board) rotaView(r Reader, rota *notify.Rota, names map[string]string, now time.Time) rotaView {
	zone := b.zoneOf(rota)
	out := rotaView{Name: rota.Name, Sites: "every site that no other rota has"}
	if len(rota.Sites) > 0 {
		var sites []string
		for _, id := range rota.Sites {
			name := id
			if s, ok := b.fleet().Site(id); ok {
				name = cmp.Or(s.Name, id)
			}
			sites = append(sites, name)
		}
		out.Sites = strings.Join(sites, "; ")
	}
	chain := rota.Chain(now)
	if len(chain) == 0 {
		out.Nobody = true
		return out
	}
	name := func(id string) string { return cmp.Or(names[id], id) }
	out.Now = name(chain[0])
	switch why, o := rota.Why(now); {
	case why == notify.ByOverride && o.Why != "":
		out.Why = "override: " + o.Why
	case why == notify.ByOverride:
		out.Why = "override"
	case why == notify.ByHoliday:
		out.Why = "holiday"
	}
	const soon = 30 * 24 * time.Hour
	if at, who, ok := rota.Next(now, soon); ok {
		out.Until, out.Then = r.moment(at, now, zone), name(who)
	}
	for _, id := range chain[1:] {
		out.After = append(out.After, name(id))
	}
	for _, o := range rota.Overrides {
		if b.swapped(rota.Name, &o) {
			continue // said with who made it
		}
		if o.From.After(now) && o.From.Sub(now) < soon {
			out.Coming = append(out.Coming, r.moment(o.From, now, zone)+" to "+r.moment(o.To, now, zone)+": "+name(o.Person)+either(o.Why == "", "", ", "+o.Why))
		}
	}
	today := notify.Date(now.In(zone).Format(time.DateOnly))
	var days []notify.Date
	for day := range rota.Holidays {
		if day >= today {
			days = append(days, day)
		}
	}
	slices.Sort(days)
	for _, day := range days[:min(3, len(days))] {
		out.Coming = append(out.Coming, string(day)+": "+name(rota.Holidays[day])+", holiday")
	}
	return out
}
