package board

import (
	"context"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/rs/zerolog"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// rounds plans the world's alerts for real, each time it is asked.
type rounds struct {
	w      *world
	roster route.Roster

	mu     sync.Mutex // guards what follows
	told   map[string]route.Standing
	by     []string
	legs   map[string]route.Leg
	travel route.Travel
}

func (r *rounds) Day() *route.Day {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.day()
}

// kept returns a tech's standing and what has been reported by all.
func (r *rounds) kept(tech string) (route.Standing, []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.told[tech], slices.Clone(r.by)
}

func (r *rounds) day() *route.Day {
	told := maps.Clone(r.told)
	in := route.PlanInput{Now: r.w.Now(), Open: r.w.Alerts(), Fleet: r.w.fleet, Roster: &r.roster, Told: told, Travel: r.travel}
	p, out := in.Problem()
	plan, err := route.Make(context.Background(), p, route.Options{})
	if err != nil {
		return &route.Day{Roster: &r.roster, Problem: err.Error()}
	}
	return &route.Day{At: in.Now, Plan: plan, LeftOut: append(plan.LeftOut, out...), Roster: &r.roster, Told: told, Legs: r.legs}
}

func (r *rounds) Report(_ context.Context, tech, stop string, step route.Step, at time.Time, by string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	day := r.day()
	m, _ := day.Member(tech)
	duty, _ := m.Duty(r.w.Now())
	was := r.told[tech]
	if !was.Shift.Equal(duty.Open) {
		was = route.Standing{Shift: duty.Open}
	}
	s, ok := day.Stop(stop)
	if !ok {
		s = &route.Stop{ID: stop, Name: was.Name, Place: was.Place}
	}
	next, err := was.Report(step, s, time.Hour, at)
	if err == nil {
		r.told[tech] = next
		r.by = append(r.by, string(step)+" "+stop+" "+by)
	}
	return err
}

// visitsOf keeps visits for real, beside alerts that are the world's.
type visitsOf struct {
	*ledger.Ledger
	w *world
}

func (v visitsOf) Alerts(_ context.Context, q ledger.Query) ([]alerts.Alert, error) {
	v.w.mu.Lock()
	defer v.w.mu.Unlock()
	var out []alerts.Alert
	for i := range v.w.open {
		if v.w.open[i].Machine == q.Machine {
			out = append(out, v.w.open[i].Clone())
		}
	}
	return out, nil
}

// onDuty gives the troubled fleet places and two techs.
func onDuty(t testing.TB) (*world, *rounds, *Board) {
	t.Helper()
	w := troubled(t)
	w.now = time.Date(2026, 7, 3, 11, 5, 0, 0, time.UTC) // 07:05 at the sites, a Friday
	w.open, w.steps = nil, map[string][]alerts.Step{}
	for id, v := range w.views {
		v.OpenFindings = nil
		w.views[id] = v
	}
	w.hurt("cab-0403", fault.EvaporatorFanStopped, 0.94, 2*time.Hour+40*time.Minute, 4.1, alerts.Critical, alerts.Unacknowledged)
	w.hurt("cab-0417", fault.CompressorWeak, 0.81, 6*time.Hour+40*time.Minute, 5.2, alerts.High, alerts.Acknowledged)
	w.hurt("cab-0429", fault.CondenserBlocked, 0.58, 15*time.Hour, 4.4, alerts.Medium, alerts.Unacknowledged)
	w.hurt("cab-0408", fault.CompressorNotStarting, 0.97, -25*time.Minute, 7.6, alerts.Critical, alerts.Unacknowledged)
	w.hurt("cab-0435", fault.DoorLeak, 0.71, 0, 4.0, alerts.Low, alerts.Unacknowledged)
	w.hurt("cab-0440", fault.CondenserBlocked, 0.6, 9*time.Hour, 4.0, alerts.Medium, alerts.Unacknowledged)
	for i, s := range w.fleet.Sites {
		s.Located, s.Latitude, s.Longitude = i != 6, 42.1+0.03*float64(i*i%5), -75.9+0.04*float64(i*3%7)
		s.Address = "12 Row " + letter(i)
		s.Contact = fleet.Contact{Name: "front desk", Phone: "+1 555 010 01" + letter0(i+9), Note: "ring twice"}
	}
	week := map[string]string{"mon-fri": "06:30-15:00"}
	r := &rounds{w: w, told: map[string]route.Standing{}, roster: route.Roster{MaxOvertime: time.Hour, Techs: []route.Member{
		{ID: "ben", Name: "Ben Okoro", Start: route.Coordinates{Latitude: 42.1, Longitude: -75.92}, TimeZone: "America/New_York", Shift: week, Skills: []string{"refrigeration-mechanic"}, Van: map[string]int{"evaporator fan motor": 1}},
		{ID: "cy", Name: "Cy Amsel", Start: route.Coordinates{Latitude: 42.2, Longitude: -75.7}, TimeZone: "America/New_York", Shift: week},
		{ID: "lu", Name: "Lu Faber", Start: route.Coordinates{Latitude: 42.15, Longitude: -75.8}, TimeZone: "America/New_York", Shift: map[string]string{"sun": "08:00-12:00"}},
	}}}
	if err := r.roster.Validate(); err != nil {
		t.Fatal(err)
	}
	for i := range w.open { // what the models showed goes with the alert
		f := w.views[w.open[i].Machine].OpenFindings[0]
		w.open[i].Evidence, w.open[i].RuledOut = f.Evidence, f.RuledOut
	}
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(t.TempDir(), "alerts.sqlite")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	b, err := New(Options{Fleet: func() *fleet.Fleet { return w.fleet }, Models: w, History: w, Desk: w, Ledger: w, Clock: w, Routes: r,
		Links: &notify.Links{Key: []byte("an invented key of thirty-two by")}, Visits: visitsOf{l, w},
		Version: "test", Log: zerolog.Nop(), Refresh: 50 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return w, r, b
}

func TestGoldenRoutePages(t *testing.T) {
	_, r, b := onDuty(t)
	first := r.Day().Plan.Routes[0].Visits[0].Stop.ID
	if err := r.Report(t.Context(), "ben", first, route.Driving, r.w.Now(), "Ben"); err != nil {
		t.Fatal(err)
	}
	for name, path := range map[string]string{"route": "/route", "route-tech": "/route/ben", "route-text": "/route/ben/text"} {
		golden(t, name, get(t, b, path, "Cookie", german).Body.String())
	}
}

// Who reads distances in miles finds them at the scale of the map too.
func TestMapScaleInMiles(t *testing.T) {
	_, r, _ := onDuty(t)
	day := r.Day()
	metric, imperial := mapOf(day, false), mapOf(day, true)
	length := func(m routeMap) (pixels, n float64, unit string) {
		t.Helper()
		if _, err := fmt.Sscanf(m.Scale, "%g %s", &n, &unit); err != nil {
			t.Fatalf("%q: %v", m.Scale, err)
		}
		x, err := strconv.ParseFloat(m.ScaleX, 64)
		if err != nil {
			t.Fatal(err)
		}
		return x - 34, n, unit
	}
	km, n, unit := length(metric)
	if unit != "km" {
		t.Fatalf("%q", metric.Scale)
	}
	mi, m, unit := length(imperial)
	if unit != "mi" {
		t.Fatalf("%q", imperial.Scale)
	}
	if ratio := (mi / m) / (km / n); math.Abs(ratio-1.609344) > 0.01 { // international mile, exact
		t.Errorf("a mile is drawn as %.3f km", ratio)
	}
}

// What cannot be done is said, and changes nothing.
func TestReportsThatDoNotFollow(t *testing.T) {
	_, r, b := onDuty(t)
	first := r.Day().Plan.Routes[0].Visits[0].Stop.ID
	post := func(path string) *httptest.ResponseRecorder {
		q := httptest.NewRequest("POST", "http://localhost"+path, strings.NewReader(url.Values{}.Encode()))
		q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		b.ServeHTTP(w, q)
		return w
	}
	for path, want := range map[string]int{"/route/ben/" + first + "/done": 409, "/route/ben/" + first + "/flown": 409, "/route/nobody/" + first + "/driving": 404} {
		if w := post(path); w.Code != want {
			t.Errorf("%s: %d, want %d", path, w.Code, want)
		}
	}
	if len(r.by) != 0 {
		t.Errorf("refused, but kept: %v", r.by)
	}
	if w := post("/route/ben/" + first + "/driving"); w.Code != http.StatusSeeOther || len(r.by) != 1 || !strings.HasSuffix(r.by[0], "Ben Okoro") {
		t.Errorf("%d %v", w.Code, r.by)
	}
	if w := get(t, b, "/route/nobody"); w.Code != 404 {
		t.Errorf("a tech who is not there: %d", w.Code)
	}
}

// A tech's morning on the phone: drive, arrive, finish, stop after stop.
func TestMorningOfATechInABrowser(t *testing.T) {
	chrome := browser(t)
	w, r, b := onDuty(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	look := func(ctx context.Context) {
		t.Helper()
		for what, script := range map[string]string{"wider than the window": overflow, "faint": faint, "too small to hit": small} {
			if got := eval[[]string](t, ctx, script); len(got) > 0 {
				t.Errorf("%s: %v", what, got)
			}
		}
	}
	for name, size := range map[string][2]int64{"390": {390, 844}, "1280": {1280, 900}} {
		ctx := tab(t, chrome, size[0], size[1], false)
		for part, path := range map[string]string{"route": "/route", "tech": "/route/ben", "fleet": "/"} {
			if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+path), chromedp.WaitReady("footer")); err != nil {
				t.Fatal(err)
			}
			look(ctx)
			shot(t, ctx, "route-"+part+"-"+name)
		}
	}
	ctx := tab(t, chrome, 390, 844, false)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/route/ben"), chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	stops := len(r.Day().Plan.Routes[0].Visits)
	if stops < 2 {
		t.Fatalf("%d stops make no morning", stops)
	}
	pressed := 0
	for {
		standing, before := r.kept("ben")
		if len(standing.Done) == 2 {
			break
		}
		height := eval[float64](t, ctx, `document.querySelector(".first button").getBoundingClientRect().height`)
		if height < 48 {
			t.Fatalf("the button is %.0f px high: not for a gloved thumb", height)
		}
		label := eval[string](t, ctx, `document.querySelector(".first button").getAttribute("aria-label")`)
		// In one go: the live page may put the button anew between finding and hitting it.
		eval[bool](t, ctx, `(document.querySelector(".first button").click(), true)`)
		if err := chromedp.Do(ctx, chromedp.WaitReady(".first button:not([aria-label='"+label+"'])"), chromedp.WaitReady("footer")); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(eval[string](t, ctx, `document.querySelector(".first a[href^='geo:']").getAttribute("href")`), "geo:") {
			t.Fatal("no way to the map")
		}
		standing, by := r.kept("ben")
		if len(by) != len(before)+1 {
			t.Fatalf("pressing did nothing: %v", by)
		}
		look(ctx)
		// The cautions of a machine hold while somebody works at it.
		if standing.Arrived && standing.Stop == "site-01" && !strings.Contains(get(t, b, "/route/ben").Body.String(), "R-290") {
			t.Error("at the machine, and its caution is gone")
		}
		pressed++
		shot(t, ctx, "route-morning-"+letter0(pressed-1))
		w.pass(20 * time.Minute)
	}
	want := []string{"driving", "arrived", "done", "driving", "arrived", "done"}
	_, by := r.kept("ben")
	for i, step := range want {
		if !strings.HasPrefix(by[i], step+" ") {
			t.Fatalf("the morning went %v", by)
		}
	}
}
