package board

import (
	"context"
	"errors"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
)

// told is who is told, with a real outbox.
type told struct {
	*ledger.Ledger
	team *notify.Team
	w    *world
}

func (p told) People() []notify.Person { return p.team.Settings().People }
func (p told) Rotas() []notify.Rota    { return p.team.Settings().Rotas }

func (p told) Test(ctx context.Context, who *notify.Person, c notify.Contact) error {
	return p.Put(ctx, p.team.Test(who, c, p.w.Now()))
}

func (p told) LastTest(ctx context.Context, person string, c notify.Contact) (ledger.Message, bool, error) {
	return p.NewestOf(ctx, notify.TestKey(person, c))
}

func (p told) Retry(ctx context.Context, key string) error {
	return p.Ledger.Retry(ctx, key, p.w.Now())
}

// swapped keeps swaps in memory.
type swapped struct {
	told
	list *[]notify.Swap
}

func (p swapped) Swaps() []notify.Swap { return *p.list }

func (p swapped) Rotas() []notify.Rota { return p.team.Settings().With(*p.list).Rotas }

func (p swapped) Swap(_ context.Context, x notify.Swap) error {
	if err := p.team.Settings().CheckSwap(&x, p.w.Now()); err != nil {
		return err
	}
	x.ID, x.Made = "7", p.w.Now()
	*p.list = append(*p.list, x)
	return nil
}

func (p swapped) TakeBack(_ context.Context, id, _ string) error {
	*p.list = slices.DeleteFunc(*p.list, func(x notify.Swap) bool { return x.ID == id })
	return nil
}

// Somebody takes tonight for another: it is a form that begins with tonight, says what
// is wrong with what it is given, and what it made is shown and taken back.
func TestTurnIsSwapped(t *testing.T) {
	w, p, b := withPeople(t)
	list := []notify.Swap{}
	b.team = swapped{p, &list}
	has(t, here(b, "GET", "/people", nil).Body.String(), `href="/people/swap?rota=all&#43;sites"`, "Somebody else takes a turn")
	form := here(b, "GET", "/people/swap?rota=all+sites", nil).Body.String()
	has(t, form, "Ben Okoro is on call now", `value="`+w.now.In(b.homeZone()).Format(wallForm)+`"`, `<option value="ana">Ana Reyes`, "America/New_York")
	give := func(change ...string) url.Values {
		v := url.Values{"rota": {"all sites"}, "person": {"ana"}, "from": {"2026-07-14T18:00"}, "to": {"2026-07-15T08:00"}, "why": {"swapped for Friday"}, "name": {"Olga"}}
		for i := 0; i+1 < len(change); i += 2 {
			v.Set(change[i], change[i+1])
		}
		return v
	}
	day := w.now.In(b.homeZone()).Format(time.DateOnly)
	evening, later := day+"T21:00", w.now.In(b.homeZone()).AddDate(0, 0, 1).Format(time.DateOnly)+"T08:00"
	for want, v := range map[string]url.Values{
		"There is no such rota": give("rota", "none"), "From when until when": give("from", "tonight"), "Your name": give("name", ""),
		"It ends before it begins": give("from", later, "to", evening), "Choose who takes it": give("person", ""),
	} {
		if got := here(b, "POST", "/people/swap", v); got.Code < 400 || !strings.Contains(got.Body.String(), want) {
			t.Errorf("%v: %d, want %q", v, got.Code, want)
		}
	}
	if got := here(b, "POST", "/people/swap", give(), "Via", "1.1 proxy"); got.Code != 403 || len(list) != 0 {
		t.Errorf("through a proxy: %d, %v", got.Code, list)
	}
	// Whose turn is it in the evening? The other takes it.
	person := "ana"
	if p.Rotas()[0].Chain(w.now.Add(8 * time.Hour))[0] == "ana" {
		person = "ben"
	}
	if got := here(b, "POST", "/people/swap", give("person", person, "from", evening, "to", later)); got.Code != 303 || len(list) != 1 || list[0].By != "Olga" {
		t.Fatalf("%d %s %+v", got.Code, got.Body, list)
	}
	has(t, here(b, "GET", "/people", nil).Body.String(), "swapped for Friday, by Olga", "Take back", "/people/swap/7/back")
	if got := here(b, "POST", "/people/swap/7/back", nil); got.Code != 303 || len(list) != 0 {
		t.Errorf("%d %v", got.Code, list)
	}
}

// withPeople is a board with two people and a rota.
func withPeople(t *testing.T) (*world, told, *Board) {
	t.Helper()
	w := troubled(t)
	b := w.board(t)
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(t.TempDir(), "alerts.sqlite")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	s := &notify.Settings{
		People: []notify.Person{
			{ID: "ana", Name: "Ana Reyes", TimeZone: "America/New_York", Language: "es", QuietFrom: 21 * 60, QuietTo: 6 * 60,
				Contacts: []notify.Contact{{Channel: "email", To: "ana@mail.example"}, {Channel: "webhook", To: "https://hooks.example/a-secret-path", From: alerts.High}}},
			{ID: "ben", Name: "Ben Okoro", TimeZone: "America/New_York", Contacts: []notify.Contact{{Channel: "chat", To: "text:+15550101"}}},
		},
		Rotas: []notify.Rota{{Name: "all sites", TimeZone: "America/New_York", Start: "2026-06-29", Handover: 8 * 60, People: []string{"ana", "ben"},
			Holidays:  map[notify.Date]string{"2026-07-04": "ben"},
			Overrides: []notify.Override{{From: fixedNow.Add(-time.Hour), To: fixedNow.Add(3 * time.Hour), Person: "ben", Why: "Ana is at the dentist"}}}},
	}
	if err := s.Validate(); err != nil {
		t.Fatal(err)
	}
	p := told{l, notify.NewTeam(notify.TeamOptions{Settings: s}), w}
	b.team = p
	return w, p, b
}

// The page says who is on call, why, until when and who comes after them; addresses
// that hold secrets stay secret.
func TestWhoIsOnCallIsShown(t *testing.T) {
	_, _, b := withPeople(t)
	page := here(b, "GET", "/people", nil).Body.String()
	has(t, page, "<b>Ben Okoro</b>", "override: Ana is at the dentist", "until 17:20; then Ana Reyes", "Asked next when nobody answers: Ana Reyes",
		"2026-07-04: Ben Okoro, holiday", "language es", "quiet 21:00 to 06:00", "ana@mail.example", "https://hooks.example", "high and above")
	if strings.Contains(page, "a-secret-path") {
		t.Error("the webhook's path is on the page")
	}
	if w := here(b, "GET", "/people", nil, "X-Forwarded-For", "203.0.113.9"); w.Code != 403 || strings.Contains(w.Body.String(), "ana@") {
		t.Errorf("through a proxy: %d", w.Code)
	}
	has(t, get(t, b, "/alerts").Body.String(), `href="/people"`)
}

// A person's channels are tried with a button; what became of it is on the page, with
// what to do. Another site's page cannot press it, and nobody can press it often.
func TestContactIsTried(t *testing.T) {
	w, p, b := withPeople(t)
	ana, mail := p.People()[0], p.People()[0].Contacts[0]
	path := "/people/ana/" + mail.Key() + "/test"
	has(t, here(b, "GET", "/people", nil).Body.String(), path)
	if got := here(b, "POST", path, nil, "Sec-Fetch-Site", "cross-site"); got.Code != 403 {
		t.Errorf("asked for by another site: %d", got.Code)
	}
	if got := here(b, "POST", path, nil, "Origin", "https://elsewhere.example"); got.Code != 403 {
		t.Errorf("asked for by another origin: %d", got.Code)
	}
	if got := here(b, "POST", path, nil, "Via", "1.1 proxy"); got.Code != 403 {
		t.Errorf("through a proxy: %d", got.Code)
	}
	if _, ok, _ := p.LastTest(t.Context(), "ana", mail); ok {
		t.Fatal("a test went out that nobody may ask for")
	}
	if got := here(b, "POST", path, nil); got.Code != 303 {
		t.Fatalf("%d %s", got.Code, got.Body)
	}
	m, ok, err := p.LastTest(t.Context(), "ana", mail)
	if err != nil || !ok || m.To != mail.To || !strings.Contains(m.Text, ana.Name) || m.Subject != "Mensaje de prueba" {
		t.Fatalf("%+v %v %v", m, ok, err)
	}
	has(t, here(b, "GET", "/people", nil).Body.String(), "Last test: on its way since 14:20")
	if got := here(b, "POST", path, nil); got.Code != 429 || !strings.Contains(got.Body.String(), "Wait 60") && !strings.Contains(got.Body.String(), "Wait 61") {
		t.Errorf("twice in a minute: %d", got.Code)
	}
	fail := func(next time.Time) {
		t.Helper()
		if err := p.Failed(t.Context(), m.Key, ledger.Failure{Next: next, Cause: errors.New("550 no such user")}); err != nil {
			t.Fatal(err)
		}
	}
	fail(w.now.Add(5 * time.Minute))
	has(t, here(b, "GET", "/people", nil).Body.String(), "not taken so far", "550 no such user; tried again 14:25", "smtp in the configuration")
	fail(time.Time{})
	page := here(b, "GET", "/people", nil).Body.String()
	has(t, page, "refused, made 14:20: 550 no such user", "smtp in the configuration")
	if strings.Contains(page, "reached nobody") {
		t.Error("a test message is among those that somebody misses")
	}
	w.pass(61 * time.Second)
	if got := here(b, "POST", path, nil); got.Code != 303 {
		t.Fatalf("a minute later: %d", got.Code)
	}
	if m, _, _ = p.LastTest(t.Context(), "ana", mail); m.State != "waiting" {
		t.Fatalf("the newest test is %s", m.State)
	}
	if err := p.Sent(t.Context(), m.Key, w.Now()); err != nil {
		t.Fatal(err)
	}
	has(t, here(b, "GET", "/people", nil).Body.String(), "sent 14:21, and taken by the other side", "held back as unwanted")
	for _, gone := range []string{"/people/zoe/" + mail.Key() + "/test", "/people/ana/email/0123456789abcdef/test"} {
		if got := here(b, "POST", gone, nil); got.Code != 404 {
			t.Errorf("%s: %d", gone, got.Code)
		}
	}
}

// However many people there are, tests of them all together stay few.
func TestTestsAreFew(t *testing.T) {
	var few tests
	at := fixedNow
	for range testsAMinute {
		if !few.take(at) {
			t.Fatal("refused too soon")
		}
	}
	if few.take(at.Add(59 * time.Second)) {
		t.Error("one too many")
	}
	if !few.take(at.Add(time.Minute)) {
		t.Error("refused for ever")
	}
}

// What reached nobody is on the list of alerts, with why and what to do, and can be
// sent again; the alert's page says who was told what.
func TestUndeliveredIsShown(t *testing.T) {
	w, p, b := withPeople(t)
	m := ledger.Message{Key: "k", Alert: "A-000001", Person: "ben", Channel: "chat", To: "text:+15550101", Subject: "CRITICAL: Oak Mill", Text: "x", Made: w.now.Add(-time.Hour), Due: w.now}
	if err := p.Put(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	has(t, get(t, b, "/alerts/A-000001").Body.String(), "Who was told", "Ben Okoro, chat: CRITICAL: Oak Mill", "on its way")
	if strings.Contains(get(t, b, "/alerts").Body.String(), "reached nobody") {
		t.Error("it is not given up yet")
	}
	if err := p.Failed(t.Context(), "k", ledger.Failure{Cause: errors.New("the number is not in use")}); err != nil {
		t.Fatal(err)
	}
	has(t, get(t, b, "/alerts").Body.String(), "Messages that reached nobody", "the number is not in use", "chat_files", "/alerts/A-000001", "Send again")
	has(t, get(t, b, "/alerts/A-000001").Body.String(), "given up: the number is not in use")
	again := func(headers ...string) *httptest.ResponseRecorder {
		return here(b, "POST", "/messages/retry", map[string][]string{"key": {"k"}}, headers...)
	}
	if got := again("Sec-Fetch-Site", "cross-site"); got.Code != 403 {
		t.Errorf("asked for by another site: %d", got.Code)
	}
	if got := again(); got.Code != 303 {
		t.Fatalf("%d", got.Code)
	}
	if m, _, err := p.Message(t.Context(), "k"); err != nil || m.State != "waiting" || m.Attempts != 0 {
		t.Errorf("%+v %v", m, err)
	}
	w.pass(8 * 24 * time.Hour)
	_ = p.Failed(t.Context(), "k", ledger.Failure{Cause: errors.New("the number is not in use")})
	if strings.Contains(get(t, b, "/alerts").Body.String(), "reached nobody") {
		t.Error("it stays on the list for ever")
	}
}

// The page of people fits a phone and a desk, and its button works in a browser.
func TestPeopleInABrowser(t *testing.T) {
	chrome := browser(t)
	for name, width := range map[string]int64{"phone": 390, "desk": 1280} {
		_, p, b := withPeople(t)
		server := httptest.NewServer(b)
		t.Cleanup(server.Close)
		s := &phone{t: t, ctx: tab(t, chrome, width, 844, false), name: "people-" + name}
		s.open(server.URL + "/people")
		s.press("Send a test", "on its way since")
		s.look()
		if _, ok, err := p.LastTest(t.Context(), "ana", p.People()[0].Contacts[0]); err != nil || !ok {
			t.Errorf("%s: nothing was sent: %v", name, err)
		}
	}
}
