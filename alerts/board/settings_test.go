package board

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/ledger"
	"coilward/alerts/settings"
	"coilward/alerts/trial"
	"coilward/collector/fleet"
	"coilward/detect/sensitivity"
)

// tuning is the settings of a world that does not exist: real versions of them, in
// memory.
type tuning struct {
	w    *world
	file *fleet.Fleet
	book *settings.Book
}

type memory struct {
	mu  sync.Mutex
	log []ledger.Setting
}

func (m *memory) Save(_ context.Context, s ledger.Setting, base int) (ledger.Setting, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if base != len(m.log) {
		return s, errors.New("another version was saved meanwhile")
	}
	s.Version = len(m.log) + 1
	m.log = append(m.log, s)
	return s, nil
}

func (m *memory) Versions(context.Context, string) ([]ledger.Setting, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := slices.Clone(m.log)
	slices.Reverse(out)
	return out, nil
}

func (s *tuning) InUse() (*fleet.Fleet, settings.Effect) {
	e, err := s.book.Effect(context.Background(), s.w.Now())
	if err != nil {
		panic(err)
	}
	return s.file, e
}

func (s *tuning) Entries(ctx context.Context) ([]settings.Entry, error) {
	return s.book.Entries(ctx, s.w.Now())
}

func (s *tuning) Save(ctx context.Context, c settings.Change) (settings.Version, error) {
	return s.book.Save(ctx, s.file, c, s.w.Now())
}

func (s *tuning) Undo(ctx context.Context, n int, who, why string) (settings.Version, error) {
	return s.book.Undo(ctx, s.file, n, who, why, s.w.Now())
}

func (s *tuning) Confirm(ctx context.Context, n int, who, why string) (settings.Version, error) {
	return s.book.Confirm(ctx, n, who, why, s.w.Now())
}

func (s *tuning) Trade() (*sensitivity.Trade, float64) { return sensitivity.Measured(), 0.93 }

// rehearsals are trials that end when they are told to.
type rehearsals struct {
	mu   sync.Mutex
	runs []TrialRun
	now  func() time.Time
	busy error

	influx bool
}

func (r *rehearsals) InfluxSource() bool { return r.influx }

func (r *rehearsals) Start(o TrialOrder) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.busy != nil {
		return "", r.busy
	}
	id := itoa(len(r.runs) + 1)
	r.runs = append(r.runs, TrialRun{ID: id, Order: o, Began: r.now()})
	return id, nil
}

func (r *rehearsals) Run(id string) (TrialRun, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	n, ok := atoi(id)
	if !ok || n < 1 || n > len(r.runs) {
		return TrialRun{}, false
	}
	return r.runs[n-1], true
}

func (r *rehearsals) Runs() []TrialRun {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := slices.Clone(r.runs)
	slices.Reverse(out)
	return out
}

func (r *rehearsals) Cancel(id string) {
	r.change(id, func(x *TrialRun) { x.Canceled, x.Ended = true, r.now() })
}

func (r *rehearsals) change(id string, do func(*TrialRun)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if n, ok := atoi(id); ok && n >= 1 && n <= len(r.runs) {
		do(&r.runs[n-1])
	}
}

// tunable is the usual fleet with settings and trials.
func tunable(t testing.TB) (*world, *Board, *rehearsals) {
	t.Helper()
	w := troubled(t)
	trials := &rehearsals{now: w.Now}
	b, err := New(Options{Fleet: func() *fleet.Fleet { return w.fleet }, Models: w, History: w, Desk: w, Ledger: w, Clock: w,
		Settings: &tuning{w, w.fleet, settings.NewBook(&memory{})}, Trials: trials,
		Version: "test", Log: zerolog.Nop(), Refresh: 50 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return w, b, trials
}

// hand is a person at the board with cookies.
type hand struct {
	t      *testing.T
	b      *Board
	cookie string
}

func (h *hand) do(method, path string, form url.Values) (status int, body, location string) {
	h.t.Helper()
	var in io.Reader
	if form != nil {
		in = strings.NewReader(form.Encode())
	}
	r := httptest.NewRequest(method, "http://127.0.0.1"+path, in)
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if h.cookie != "" {
		r.Header.Set("Cookie", h.cookie)
	}
	w := httptest.NewRecorder()
	h.b.ServeHTTP(w, r)
	if c := w.Header().Get("Set-Cookie"); c != "" {
		h.cookie, _, _ = strings.Cut(c, ";")
	}
	return w.Code, w.Body.String(), w.Header().Get("Location")
}

func (h *hand) get(path string, want ...string) string {
	h.t.Helper()
	status, body, _ := h.do(http.MethodGet, path, nil)
	if status != http.StatusOK {
		h.t.Fatalf("%s: status %d: %s", path, status, textOf(body))
	}
	h.says(body, want...)
	return body
}

func (h *hand) says(body string, want ...string) {
	h.t.Helper()
	text := textOf(body)
	for _, w := range want {
		if !strings.Contains(text, w) {
			h.t.Errorf("%q is not in: %s", w, text)
		}
	}
}

// post sends a form and returns where it leads; refused forms return their page.
func (h *hand) post(path string, form url.Values, wantStatus int) string {
	h.t.Helper()
	status, body, location := h.do(http.MethodPost, path, form)
	if status != wantStatus {
		h.t.Fatalf("%s: status %d, want %d: %s", path, status, wantStatus, textOf(body))
	}
	if status == http.StatusSeeOther {
		return location
	}
	return body
}

var (
	tags   = regexp.MustCompile(`<[^>]*>`)
	spaces = regexp.MustCompile(`[\s\x{a0}]+`)
)

func textOf(html string) string {
	return strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&amp;", "&").Replace(spaces.ReplaceAllString(tags.ReplaceAllString(html, " "), " "))
}

// An admin sees what applies and where from, changes it, sees the change and what
// speaks against it, saves it with a reason, and takes it back.
func TestSettingsAtTheBoard(t *testing.T) {
	w, b, _ := tunable(t)
	h := &hand{t: t, b: b}
	h.get("/settings", "The whole fleet", "Warm limit, dairy", "Inherited: 5 °C (built in)", "On-delay, medium", "Wanted false alarms", "ISA-18.2")
	site := w.fleet.Sites[0].ID
	h.get("/settings?at=site+"+site, "Oak Mill Works, canteen", "Open, Monday", "at any time")

	h.get("/settings?at=machine+cab-0403", "Warm limit", "Inherited: 5 °C (built in)", "5 °C or less (FDA Food Code")

	draft := h.post("/settings", url.Values{"at": {"fleet"}, "limits.dairy.warm": {"4"}, "alerting.on_delay.medium": {"20 min"}, "alerting.off_delay": {"1m"}}, http.StatusSeeOther)
	h.get(draft, "What would change", "Warm limit, dairy", "5 °C (built in)", "4 °C", "10 min (built in)", "20 min", "shorter than a compressor")
	// More changes at another place go into the same draft.
	more := strings.Replace(draft, "/settings/draft/", "/settings?at=site+"+site+"&draft=", 1)
	h.get(more, "You are changing 3 values", "Inherited: 4 °C (fleet, by the settings)")
	id := draft[strings.LastIndex(draft, "/")+1:]
	draft = h.post("/settings", url.Values{"at": {"site " + site}, "draft": {id}, "alerting.quiet_hours": {"22:00-06:00"}}, http.StatusSeeOther)
	h.get(draft, "Quiet hours", "22:00-06:00", "20 min")
	if _, effect := b.settings.InUse(); effect.Number != 0 {
		t.Fatal("a draft is in effect")
	}

	h.says(h.post(draft+"/save", url.Values{"name": {"Ana"}, "why": {" "}, "when": {"now"}}, http.StatusConflict), "why must be said")
	if to := h.post(draft+"/save", url.Values{"name": {"Ana"}, "why": {"quieter nights"}, "when": {"now"}}, http.StatusSeeOther); to != "/settings/versions" {
		t.Fatalf("it leads to %s", to)
	}
	h.get("/settings/versions", "Ana", "quieter nights", "in effect", "not set here", "22:00-06:00")
	exported := h.get("/settings/export")
	if !strings.Contains(exported, "dairy:\n      warm: 4\n") {
		t.Errorf("exported:\n%s", exported)
	}
	h.post("/settings/versions/1/undo", url.Values{"why": {"no, it was good before"}}, http.StatusSeeOther) // the name is known by now
	h.get("/settings/versions", "takes back version 1")
	if got := h.get("/settings/export"); got != "{}\n" {
		t.Errorf("taken back, it exports\n%s", got)
	}
	// What was exported comes back by pasting it.
	again := h.post("/settings/import", url.Values{"text": {exported}}, http.StatusSeeOther)
	h.get(again, "22:00-06:00")
	h.says(h.post("/settings/import", url.Values{"text": {"fleet:\n  limits: {dairy: {warm: hot}}\n"}}, http.StatusUnprocessableEntity), "line 2: fleet: limits: dairy: warm", "is not a number")
}

// A change can wait for its time, or be tried at one site until somebody says so;
// meanwhile no other is saved.
func TestSettingsLaterAndFirstAtOneSite(t *testing.T) {
	w, b, _ := tunable(t)
	h := &hand{t: t, b: b}
	save := func(limit string, form url.Values, status int) string {
		t.Helper()
		draft := h.post("/settings", url.Values{"at": {"fleet"}, "limits.dairy.warm": {limit}}, http.StatusSeeOther)
		form.Set("name", "Ana")
		form.Set("why", "summer")
		return h.post(draft+"/save", form, status)
	}
	h.says(save("4", url.Values{"when": {"at"}}, http.StatusUnprocessableEntity), "Choose the day and the time")
	at := w.now.In(b.homeZone()).Add(26 * time.Hour)
	save("4", url.Values{"when": {"at"}, "at": {at.Format("2006-01-02T15:04")}}, http.StatusSeeOther)
	h.get("/settings", "Version 1 by Ana applies from")
	h.says(h.post("/settings/draft/2/save", url.Values{"name": {"Ben"}, "why": {"x"}, "when": {"now"}}, http.StatusConflict), "another change is not in effect everywhere yet")
	h.post("/settings/versions/1/confirm", url.Values{"why": {"now, then"}}, http.StatusSeeOther)
	if _, e := b.settings.InUse(); e.Number != 1 || e.Pending != nil {
		t.Errorf("in effect is %d, pending %v", e.Number, e.Pending)
	}
	site := w.fleet.Sites[1].ID
	save("3.5", url.Values{"when": {"ask"}, "pilot": {site}}, http.StatusSeeOther)
	h.get("/settings/versions", "tried at Harbour Street Clinic", "Good for all")
	w.pass(30 * 24 * time.Hour)
	if _, e := b.settings.InUse(); e.Phase != settings.Piloted || e.Pending == nil {
		t.Errorf("after a month without a word: %+v", e)
	}
}

// What cannot be is told beside the field, and what was typed stays.
func TestSettingsRefused(t *testing.T) {
	_, b, _ := tunable(t)
	h := &hand{t: t, b: b}
	body := h.post("/settings", url.Values{"at": {"fleet"}, "limits.dairy.warm": {"-3"}, "alerting.off_delay": {"30m"}}, http.StatusUnprocessableEntity)
	h.says(body, "This cannot be taken yet", "is not below the warm limit -3 °C")
	if !strings.Contains(body, `value="-3"`) || !strings.Contains(body, `value="30m"`) {
		t.Error("what was typed is gone")
	}
	h.says(h.post("/settings", url.Values{"at": {"fleet"}, "alerting.off_delay": {"soon"}}, http.StatusUnprocessableEntity), `"soon" is no delay`)
	for _, path := range []string{"/settings?at=site+nowhere", "/settings?at=shop", "/settings/draft/99", "/trials/7"} {
		if status, _, _ := h.do(http.MethodGet, path, nil); status != http.StatusNotFound {
			t.Errorf("%s: status %d", path, status)
		}
	}
}

// A reader of °F types °F; a value nobody touched stays exactly what it was.
func TestSettingsInFahrenheit(t *testing.T) {
	_, b, _ := tunable(t)
	h := &hand{t: t, b: b, cookie: Reader{Name: "Ana", Fahrenheit: true}.cookie().String()}
	h.cookie, _, _ = strings.Cut(h.cookie, ";")
	draft := h.post("/settings", url.Values{"at": {"fleet"}, "limits.dairy.warm": {"39.2"}, "alerting.deadband": {"0.9"}}, http.StatusSeeOther)
	h.get(draft, "39.2 °F", "0.9 °F")
	h.get("/settings", "best held at 36.0 °F to 39.9 °F", "a sensor of 14.0 °F to 104.0 °F")
	id := draft[strings.LastIndex(draft, "/")+1:]
	page := h.get("/settings?draft=" + id)
	if !strings.Contains(page, `name="limits.dairy.warm" value="39.2"`) {
		t.Error("the form does not show 39.2 °F")
	}
	draft = h.post("/settings", url.Values{"at": {"fleet"}, "draft": {id}, "limits.dairy.warm": {"39.2"}, "alerting.deadband": {"0.9"}, "limits.dairy.cold": {"30"}}, http.StatusSeeOther)
	x, _ := b.drafts.find(draft[strings.LastIndex(draft, "/")+1:])
	got := x.State.Values(fleet.Scope{Level: fleet.FleetDefault})
	if got["limits.dairy.warm"] != "4" || got["alerting.deadband"] != "0.5" || got["limits.dairy.cold"] != "-1.1111" {
		t.Errorf("stored %v", got)
	}
}

func text(s string) *string { return &s }

// finished is a result as a trial hands it over.
func finished() *trial.Report {
	hour := func(h string) string { return "2026-06-28T" + h + ":00:00Z" }
	shift := 5400.0
	e := func(machine, at string) *trial.ReportEpisode {
		return &trial.ReportEpisode{Alert: "A-" + machine, Site: "site-01", Machines: []string{machine}, Fault: "coil-iced", Priority: 2, From: hour(at), To: text(hour("23"))}
	}
	return &trial.Report{From: "2026-06-19T18:00:00Z", To: "2026-07-03T18:00:00Z", Days: 14, Machines: 40, Same: 7,
		Now:    trial.ReportFigures{Alerts: 19, ByPriority: map[string]int{"low": 2, "medium": 10, "high": 5, "critical": 2}, PerMachineYear: 12.4, Standing: 1},
		With:   trial.ReportFigures{Alerts: 12, ByPriority: map[string]int{"low": 2, "medium": 4, "high": 4, "critical": 2}, PerMachineYear: 7.8, Standing: 1},
		People: []trial.ReportPerson{{Person: "Ana", PerDayNow: 1.36, PerDayWith: 0.86, ShiftNow: 4, ShiftWith: 2, VerdictNow: "more than 2 in a shift of 12 h", VerdictWith: "within the figures", AcceptablePerDay: 144, ManageablePerDay: 288}},
		Differ: []trial.ReportDifference{
			{Kind: "gone", Now: e("cab-0401", "08"), Words: "no longer told", Details: "coil iced, medium, stood 40 min"},
			{Kind: "later", Shift: &shift, Now: e("cab-0402", "09"), With: e("cab-0402", "11"), Words: "90 min later", Details: "coil iced, high"},
			{Kind: "added", With: e("cab-0405", "14"), Words: "newly told", Details: "coil iced, low, stood 9.0 h and still does"},
		},
		Visits: []trial.ReportVisit{{Machine: "cab-0401", At: hour("12"), Found: true, Fault: "coil-iced", Missed: true, Now: e("cab-0401", "08")}, {Machine: "cab-0402", At: hour("15"), Now: e("cab-0402", "09"), With: e("cab-0402", "11")}},
		Suggestion: &trial.ReportSuggestion{Wanted: 2, MachineYears: 1.53, Found: true, Best: 1, BorneOut: 6, Unfounded: 9, Undecided: 2, Tried: []trial.ReportTried{
			{FalseAlarms: 0, OnDelay: 1, Rate: 5.9, RateBelow: trial.RateBelow(9, 1.53), False: 9}, {FalseAlarms: 2.02, OnDelay: 3, Rate: 1.3, RateBelow: trial.RateBelow(2, 1.53), False: 2, Missed: 0, Delay: 2700, OnDelays: map[string]string{"medium": "30m"}}}},
	}
}

// Where there is a copy of the history in InfluxDB, a change can be tried on it; the
// result says with what models it began.
func TestTrialOnTheCopyAtTheBoard(t *testing.T) {
	w, b, trials := tunable(t)
	h := &hand{t: t, b: b}
	draft := h.post("/settings", url.Values{"at": {"fleet"}, "alerting.on_delay.medium": {"20m"}}, http.StatusSeeOther)
	if page := h.get(draft); strings.Contains(page, `name="history"`) {
		t.Error("a copy is offered that is not there")
	}
	h.says(h.post(draft+"/try", url.Values{"days": {"14"}, "history": {"influx"}}, http.StatusUnprocessableEntity), "no copy of the history")
	trials.influx = true
	h.get(draft, "the copy in InfluxDB")
	h.post(draft+"/try", url.Values{"days": {"14"}, "history": {"own"}}, http.StatusSeeOther)
	at := h.post(draft+"/try", url.Values{"days": {"14"}, "history": {"influx"}}, http.StatusSeeOther)
	if trials.runs[0].Order.Influx || !trials.runs[1].Order.Influx {
		t.Errorf("ordered %+v", trials.runs)
	}
	learned, kept := "2026-06-05T18:00:00Z", "2026-06-18T00:00:00Z"
	trials.change("2", func(x *TrialRun) {
		x.Done, x.Ended, x.Result = 1, w.Now(), finished()
		x.Result.Learned, x.Result.WhyLearned = &learned, "no models of that time are kept"
	})
	h.get(at, "on the copy in InfluxDB", "models that have learned since", "no models of that time are kept")
	trials.change("2", func(x *TrialRun) { x.Result.Learned, x.Result.WhyLearned, x.Result.Models = nil, "", &kept })
	h.get(at, "begin with the models as they were on")
}

// A change is tried on past days: under way with a bar, cancelled or ended; what
// differs leads to the strips of that time, a suggestion into the change, and the
// change into a version.
func TestTrialAtTheBoard(t *testing.T) {
	w, b, trials := tunable(t)
	h := &hand{t: t, b: b}
	draft := h.post("/settings", url.Values{"at": {"fleet"}, "alerting.on_delay.medium": {"20m"}}, http.StatusSeeOther)
	h.says(h.post(draft+"/try", url.Values{"days": {"100"}, "machines": {"cab-9"}, "wanted": {"few"}}, http.StatusUnprocessableEntity), "between 1 and 90", "no machine cab-9", "wanted false alarms")
	trials.busy = errors.New("another trial is under way")
	h.says(h.post(draft+"/try", url.Values{"days": {"14"}}, http.StatusConflict), "another trial is under way")
	trials.busy = nil

	at := h.post(draft+"/try", url.Values{"days": {"14"}, "site": {"site-01"}, "wanted": {"2"}}, http.StatusSeeOther)
	trials.change("1", func(x *TrialRun) { x.Done, x.Left = 0.42, 20*time.Second })
	page := h.get(at, "14 days, Oak Mill Works, canteen", "42 % replayed, less than a minute left", "Cancel", "20 min")
	if !strings.Contains(page, `<progress id="trial-progress" max="100" value="42.0"`) || !strings.Contains(page, `data-live="/live/trials/1"`) {
		t.Error("the page has no live progress bar")
	}
	h.get("/trials", "14 days, Oak Mill Works, canteen", "42 %")
	h.post(at+"/cancel", url.Values{}, http.StatusSeeOther)
	h.get(at, "Cancelled", "Nothing was changed")

	at = h.post(draft+"/try", url.Values{"days": {"14"}, "site": {"site-01"}, "wanted": {"2"}}, http.StatusSeeOther)
	trials.change("2", func(x *TrialRun) { x.Done, x.Ended, x.Result = 1, w.Now(), finished() })
	page = h.get(at, "With the change 12 alerts, now 19.", "Told a day and person", "144", "within the figures", "kept silent about 1 of them", "alerted now, not with the change",
		"no longer told", "90 min later", "newly told", "7 alerts are the same in both", "at most 2.00 false alarms", "this one", "× 3")
	if !strings.Contains(page, "/machines/cab-0402?span=24h&amp;until=2026-06-28T15%3A00%3A00Z#strips") {
		t.Error("a difference does not lead to its strips")
	}
	h.get("/machines/cab-0402?span=24h&until=2026-06-28T15%3A00%3A00Z", "These strips end")
	used := h.post(at+"/use", url.Values{}, http.StatusSeeOther)
	h.get(used, "Wanted false alarms", "2.02", "On-delay, medium", "30 min")

	h.post(draft+"/save", url.Values{"name": {"Ana"}, "why": {"the trial says so"}, "when": {"pilot"}, "pilot": {"site-02"}}, http.StatusSeeOther)
	h.get("/settings/versions", "the trial says so", "tried at Harbour Street Clinic")
	trials.change("2", func(x *TrialRun) { x.Result, x.Err = nil, "the history is empty" })
	h.get(at, "the history is empty", "nothing was changed")
}
