package main

import (
	"encoding/json"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/ledger"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/simulate"
	"coilward/detect"
	"coilward/detect/fault"
)

// The people of the demonstration come in by the doors that real ones use: a tech takes
// the stop, drives, arrives, repairs what is really wrong and closes the visit, and whoever
// lacks the licence for what is found hands it over to somebody who has it.
func TestDemoCrewRepairs(t *testing.T) {
	f, err := fleet.Parse("demo fleet", simulate.DemoFleet)
	if err != nil {
		t.Fatal(err)
	}
	conf := defaults()
	conf.DataDir, conf.hasBroker, conf.Route = t.TempDir(), true, demoTechs()
	conf.Route.Techs[0].Shift = map[string]string{"mon-sun": "13:00-23:00"} // the one with the licence comes later
	conf.FleetFile = filepath.Join(conf.DataDir, "fleet.yaml")
	conf.Broker.Listen, conf.Board.Listen = "127.0.0.1:0", "127.0.0.1:0"
	clock := newFastClock(demoLive, time.Now)
	d, err := newDaemon(t.Context(), &conf, f, clock, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	server := httptest.NewServer(d.board)
	defer server.Close()
	sim, err := simulate.NewDemo(1, demoLive, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	sim.Advance(time.Hour)
	crew := demoCrew{d: d, board: server.URL}

	// One is what it seems; behind the other, which anybody may clean, is a leak, which
	// not everybody may mend.
	said := map[string]fault.Fault{"cab-2113": fault.EvaporatorFanStopped, "cab-2399": fault.CondenserBlocked}
	really := map[string]fault.Fault{"cab-2113": fault.EvaporatorFanStopped, "cab-2399": fault.RefrigerantLow}
	at := func(d time.Duration) collector.Millis { return collector.MillisOf(demoLive.Add(d)) }
	for machine, what := range said {
		if found := sim.Found(machine); !slices.Contains(found, really[machine]) {
			t.Fatalf("%s has %v", machine, found)
		}
		m, _ := f.Machine(machine)
		x := detect.Finding{ID: "F-" + machine, Machine: machine, Site: m.Site, At: at(-time.Hour), RaisedAt: at(-time.Hour), Since: at(-2 * time.Hour),
			Fault: what, Probability: 0.95, Candidates: []detect.Candidate{{Fault: what, Probability: 0.95}},
			HasProduct: true, ProductTemperature: 4, LimitAt: at(5 * time.Hour), LimitEarly: at(4 * time.Hour), LimitLate: at(7 * time.Hour)}
		if _, err := d.desk.Apply(t.Context(), x); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := d.desk.Advance(t.Context(), at(0)); err != nil {
		t.Fatal(err)
	}
	for now := demoLive; now.Before(demoLive.Add(8 * time.Hour)); now = now.Add(4 * time.Minute) {
		clock.Set(now)
		sim.Advance(now.Sub(sim.Now()))
		if err := d.dispatch.plan(t.Context()); err != nil {
			t.Fatal(err)
		}
		crew.work(t.Context(), sim)
		if now.Before(demoLive.Add(demoBegins)) && len(d.dispatch.Day().Told) > 0 {
			t.Fatal("somebody is on the road before the board could be looked at")
		}
	}
	for machine, what := range really {
		if found := sim.Found(machine); slices.Contains(found, what) {
			t.Errorf("%s still has %v", machine, found)
		}
		kept, err := d.ledger.Visits(t.Context(), ledger.VisitQuery{Machine: machine})
		if err != nil {
			t.Fatal(err)
		}
		repaired, handed := 0, 0
		for _, k := range kept {
			var v visit.Visit
			if err := json.Unmarshal(k.Body, &v); err != nil {
				t.Fatal(err)
			}
			o := v.Outcome
			if o == nil || o.Fault != what || v.Measured == nil || o.Product == "" {
				t.Errorf("%s: a visit that was not closed as it should be: %+v", machine, v)
				continue
			}
			licensed := v.Tech == "ines"
			if what == fault.RefrigerantLow && licensed != (o.Kind == visit.Repaired) {
				t.Errorf("%s: %s, by %s", machine, o.Kind, v.By)
			}
			switch o.Kind {
			case visit.Repaired:
				repaired++
			case visit.HandedOver:
				handed++
			}
		}
		if repaired != 1 || (handed > 0) != (what == fault.RefrigerantLow) {
			t.Errorf("%s was repaired %d times and handed over %d times in %d visits", machine, repaired, handed, len(kept))
		}
	}
	for _, a := range d.desk.Alerts() {
		if a.AcknowledgedBy == "" {
			t.Errorf("nobody has taken %s, %s", a.ID, a.State)
		}
	}
}
