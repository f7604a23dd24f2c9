package main

import (
	"context"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// dispatchBench is a dispatcher with a ledger on disk, a clock set by hand and
// alerts that are what the test says.
type dispatchBench struct {
	*dispatcher
	o      dispatchOptions
	ledger *ledger.Ledger
	clock  *fastClock
	open   []alerts.Alert
}

func newDispatchBench(t *testing.T) *dispatchBench {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(t.TempDir(), "alerts.sqlite")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	b := &dispatchBench{ledger: l, clock: newFastClock(time.Date(2026, 7, 14, 10, 0, 0, 0, time.UTC), time.Now)} // Tuesday 06:00 at the sites
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	var sites []*fleet.Site
	for i, id := range []string{"north", "east", "south", "west"} {
		m := &fleet.Machine{ID: "cab-" + id, Site: id, Product: fleet.Dairy, LoadValue: 400, Kind: fleet.GlassDoor}
		sites = append(sites, &fleet.Site{ID: id, Name: "The " + id, Latitude: []float64{40.3, 40, 39.7, 40}[i], Longitude: []float64{-80, -79.7, -80, -80.3}[i],
			Located: true, Location: zone, Machines: []*fleet.Machine{m}})
	}
	f := fleet.New(sites...)
	roster := &route.Roster{Techs: []route.Member{{ID: "ada", Name: "Ada Lind", Start: route.Coordinates{Latitude: 40, Longitude: -80}, TimeZone: "America/New_York",
		Shift: map[string]string{"mon-fri": "06:00-15:00"}, Contacts: []route.Reach{{Channel: "email", To: "ada@mail.example"}}}}}
	if err := checkRoster(roster); err != nil {
		t.Fatal(err)
	}
	b.o = dispatchOptions{Roster: roster, Open: func() []alerts.Alert { return slices.Clone(b.open) }, Fleet: func() *fleet.Fleet { return f },
		Clock: b.clock, Store: l, Team: notify.NewTeam(notify.TeamOptions{}), Gap: 30 * time.Second, Again: 5 * time.Minute, Log: zerolog.Nop()}
	b.restart(t)
	return b
}

func (b *dispatchBench) restart(t *testing.T) {
	t.Helper()
	var err error
	if b.dispatcher, err = newDispatcher(t.Context(), b.o); err != nil {
		t.Fatal(err)
	}
}

func (b *dispatchBench) pass(d time.Duration) { b.clock.Set(b.clock.Now().Add(d)) }

func (b *dispatchBench) alert(site string, left time.Duration, p alerts.Priority) {
	at := func(d time.Duration) collector.Millis { return collector.MillisOf(b.clock.Now().Add(d)) }
	b.open = append(b.open, alerts.Alert{ID: "A-" + site, Site: site, Machine: "cab-" + site, State: alerts.Unacknowledged, Active: true, Priority: p,
		Fault: fault.CondenserBlocked, Probability: 0.9, LimitAt: at(left), LimitEarly: at(left * 9 / 10), LimitLate: at(left * 12 / 10), LimitSide: detect.Warm,
		Members: []alerts.Member{{Machine: "cab-" + site, Site: site, Fault: fault.CondenserBlocked, Active: true}}})
}

func (b *dispatchBench) replan(t *testing.T) []string {
	t.Helper()
	if err := b.plan(t.Context()); err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, v := range b.Day().Plan.Routes[0].Visits {
		out = append(out, v.Stop.ID)
	}
	return out
}

func (b *dispatchBench) messages(t *testing.T) []ledger.Message {
	t.Helper()
	ms, err := b.ledger.Due(t.Context(), "email", b.clock.Now(), 100)
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(ms, func(a, b ledger.Message) int { return a.Made.Compare(b.Made) })
	return ms
}

// More urgent trouble comes up while the tech drives: it is next, but the stop
// that is driven to stays first. Without anybody driving it would be first.
func TestNewAlertLeavesTheStopDrivenTo(t *testing.T) {
	b := newDispatchBench(t)
	b.alert("north", 6*time.Hour, alerts.Medium)
	if got := b.replan(t); !slices.Equal(got, []string{"north"}) {
		t.Fatal(got)
	}
	if err := b.Report(t.Context(), "ada", "north", route.Driving, b.clock.Now(), "Ada Lind"); err != nil {
		t.Fatal(err)
	}
	b.pass(5 * time.Minute)
	b.alert("south", 100*time.Minute, alerts.Critical)
	if got := b.replan(t); !slices.Equal(got, []string{"north", "south"}) {
		t.Fatalf("driving to north, planned %v", got)
	}
	delete(b.state.Standing, "ada")
	if got := b.replan(t); !slices.Equal(got, []string{"south", "north"}) {
		t.Fatalf("the check above shows nothing: nobody drives, planned %v", got)
	}
}

// What was reported outlasts a restart; the site being worked at and the one
// finished are not asked for again though their alerts are still open.
func TestProgressOutlastsARestart(t *testing.T) {
	b := newDispatchBench(t)
	for i, s := range []string{"north", "east", "south"} {
		b.alert(s, time.Duration(4+2*i)*time.Hour, alerts.High)
	}
	first := b.replan(t)[0]
	for _, step := range []route.Step{route.Driving, route.Arrived} {
		if err := b.Report(t.Context(), "ada", first, step, b.clock.Now(), "Ada Lind"); err != nil {
			t.Fatal(err)
		}
		b.pass(20 * time.Minute)
	}
	b.restart(t)
	if got := b.replan(t); len(got) != 2 || slices.Contains(got, first) {
		t.Fatalf("at work at %s, planned %v", first, got)
	}
	if v := b.Day().Plan.Routes[0].Visits[0]; v.Arrive.Sub(b.clock.Now()) < v.Drive {
		t.Fatal("left before the work was over")
	}
	if err := b.Report(t.Context(), "ada", first, route.Done, b.clock.Now(), "Ada Lind"); err != nil {
		t.Fatal(err)
	}
	b.restart(t)
	if got := b.replan(t); len(got) != 2 || slices.Contains(got, first) {
		t.Fatalf("finished at %s, planned %v", first, got)
	}
	// New trouble at the same site is a new stop.
	b.alert(first, 3*time.Hour, alerts.High)
	b.open[len(b.open)-1].ID = "A-again"
	if got := b.replan(t); !slices.Contains(got, first) {
		t.Fatalf("new trouble at %s, planned %v", first, got)
	}
}

// A tech is told once, again when the stops change, and not for a shift of
// minutes, a report of their own or a restart.
func TestRouteMessageIsSentOnce(t *testing.T) {
	b := newDispatchBench(t)
	count := func(want int, when string) {
		t.Helper()
		if ms := b.messages(t); len(ms) != want {
			t.Fatalf("%s: %d messages, want %d", when, len(ms), want)
		}
	}
	b.replan(t)
	count(0, "nothing is open")
	b.alert("north", 6*time.Hour, alerts.High)
	b.alert("east", 9*time.Hour, alerts.Medium)
	first := b.replan(t)[0]
	count(1, "a route")
	b.replan(t)
	b.restart(t)
	b.replan(t)
	count(1, "the same route again, and after a restart")
	b.open[0].LimitEarly += collector.Millis((10 * time.Minute).Milliseconds())
	b.pass(20 * time.Minute)
	b.replan(t)
	count(1, "a limit moved by ten minutes")
	for _, step := range []route.Step{route.Driving, route.Arrived, route.Done} {
		if err := b.Report(t.Context(), "ada", first, step, b.clock.Now(), "Ada Lind"); err != nil {
			t.Fatal(err)
		}
		b.pass(15 * time.Minute)
		b.replan(t)
	}
	count(1, "the tech's own reports")
	b.alert("west", 5*time.Hour, alerts.High)
	b.replan(t)
	count(2, "another stop")
	m := b.messages(t)[0]
	for _, want := range []string{"Ada Lind, your route as of Tue 06:00 EDT", "The north", "condenser blocked (90 %)", "arrive by Tue 11:24", "geo:40.3,-80", "Cautions", " km"} {
		if !strings.Contains(m.Text, want) {
			t.Errorf("the message lacks %q:\n%s", want, m.Text)
		}
	}
	// Died between the outbox and remembering it: the same key, so one message.
	b.state.Told = map[string]toldRoute{}
	before := len(b.messages(t))
	b.clock.Set(b.clock.Now())
	b.replan(t)
	sent := len(b.messages(t))
	b.state.Told = map[string]toldRoute{}
	b.replan(t)
	if again := len(b.messages(t)); again != sent || sent > before+1 {
		t.Fatalf("%d, then %d, then %d messages", before, sent, again)
	}
}

// Low priority is done on the way, and otherwise left out with the reason.
func TestLowPriorityOnlyOnTheWay(t *testing.T) {
	b := newDispatchBench(t)
	b.alert("north", 6*time.Hour, alerts.High)
	b.alert("south", 90*time.Hour, alerts.Low)
	if got := b.replan(t); !slices.Equal(got, []string{"north"}) {
		t.Fatal(got)
	}
	if out := b.Day().LeftOut; len(out) != 1 || out[0].Stop.ID != "south" || !strings.Contains(out[0].Reason, "it can wait") {
		t.Fatalf("%+v", out)
	}
	if a, ok := b.Arrival("cab-north", ""); !ok || a.Who != "Ada Lind" {
		t.Error("the board is not told of the arrival")
	}
}

// A hundred changes in a second are two plans, half a minute apart; Run ends
// with its context.
func TestPlansAreBounded(t *testing.T) {
	b := newDispatchBench(t)
	synctest.Test(t, func(t *testing.T) {
		var made []time.Time
		o := b.o
		o.Store = noStore{}
		o.Changed = func() { made = append(made, time.Now()) }
		d, err := newDispatcher(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- d.Run(ctx) }()
		synctest.Wait()
		for range 100 {
			d.Wake()
			time.Sleep(10 * time.Millisecond)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if len(made) != 2 || made[1].Sub(made[0]) < 30*time.Second {
			t.Errorf("plans at %v", made)
		}
	})
}

type noStore struct{}

func (noStore) Setting(context.Context, string) (ledger.Setting, error) {
	return ledger.Setting{}, ledger.ErrNone
}
func (noStore) Save(_ context.Context, s ledger.Setting, _ int) (ledger.Setting, error) {
	return s, nil
}
func (noStore) Visits(context.Context, ledger.VisitQuery) ([]ledger.Visit, error) { return nil, nil }
func (noStore) Trim(context.Context, string, int) error                           { return nil }
func (noStore) Put(context.Context, ...ledger.Message) error                      { return nil }

func TestRosterSaysWhatIsWrong(t *testing.T) {
	for text, want := range map[string]string{
		"route: {techs: [{id: a, start: {latitude: 95, longitude: 0}, time_zone: UTC, shift: {mon: 07:00-09:00}}]}":                                      "latitude -90..90",
		"route: {techs: [{id: a, start: {latitude: 40, longitude: 8}, time_zone: Mars, shift: {mon: 07:00-09:00}}]}":                                     `time_zone "Mars"`,
		"route: {techs: [{id: a, start: {latitude: 40, longitude: 8}, time_zone: UTC, shift: {noday: 07:00-09:00}}]}":                                    `"noday"`,
		"route: {techs: [{id: a, start: {latitude: 40, longitude: 8}, time_zone: UTC, shift: {mon: 07:00-09:00}, skills: [magic]}]}":                     `skill "magic"`,
		"route: {techs: [{id: a, start: {latitude: 40, longitude: 8}, time_zone: UTC, shift: {mon: 07:00-09:00}, contacts: [{channel: smoke, to: x}]}]}": `channel "smoke"`,
		"route: {techs: [{id: a, start: {latitude: 40, longitude: 8}, time_zone: UTC, shift: {mon: 07:00-09:00}, cat: 1}]}":                              `unknown key "cat"`,
		"travel: {url: maps}":                    "address of a server",
		"travel: {url: http://h/x, timeout: 2m}": "routes wait for it",
		"travel: {url: http://h/x, tile: 3}":     `unknown key "tile"`,
		"route: {techs: [{id: a, start: {latitude: 40, longitude: 8}, time_zone: UTC}]}": "shift is missing",
	} {
		if _, err := parseConfig("coilward.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
