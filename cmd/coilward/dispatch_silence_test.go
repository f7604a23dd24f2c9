package main

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/detect/fault"
)

// A tech who was told a route and reports nothing is taken to have set out: more
// urgent trouble does not turn them round. They are asked once when they should
// have arrived, with a link; and when they still say nothing they are not counted on.
func TestATechWhoReportsNothing(t *testing.T) {
	b := newDispatchBench(t)
	links, err := openLinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	b.o.Links, b.o.BaseURL = links, "https://board.example"
	b.restart(t)
	b.alert("north", 6*time.Hour, alerts.Medium)
	if got := b.replan(t); !slices.Equal(got, []string{"north"}) {
		t.Fatal(got)
	}
	leg := b.Day().Legs["ada"]
	if leg.Stop != "north" || leg.Silence(b.clock.Now()) != route.NotDue {
		t.Fatalf("%+v", leg)
	}
	b.pass(6 * time.Minute)
	b.alert("south", 100*time.Minute, alerts.Critical)
	if got := b.replan(t); !slices.Equal(got, []string{"north", "south"}) {
		t.Fatalf("taken to be on the way to north, planned %v", got)
	}
	b.restart(t)
	if got := b.replan(t); !slices.Equal(got, []string{"north", "south"}) {
		t.Fatalf("after a restart planned %v", got)
	}
	asked := func() (n int, text string) {
		for _, m := range b.messages(t) {
			if strings.HasPrefix(m.Subject, "Are you at") {
				n, text = n+1, m.Text
			}
		}
		return n, text
	}
	if n, _ := asked(); n != 0 {
		t.Fatal("asked on the way")
	}
	b.clock.Set(leg.Arrive.Add(11 * time.Minute))
	b.replan(t)
	b.pass(5 * time.Minute)
	b.replan(t)
	n, text := asked()
	if n != 1 || !strings.Contains(text, "https://board.example/stop/") || !strings.Contains(text, "The north") {
		t.Fatalf("asked %d times:\n%s", n, text)
	}
	b.clock.Set(leg.Arrive.Add(46 * time.Minute))
	b.replan(t)
	if leg := b.Day().Legs["ada"]; leg.Silence(b.clock.Now()) != route.Unheard {
		t.Fatalf("%+v", leg)
	}
	if v := b.Day().Plan.Routes[0].Visits[0]; v.Arrive.Sub(b.clock.Now()) < 30*time.Minute {
		t.Errorf("nobody hears of her, and she is at %s at %v", v.Stop.ID, v.Arrive)
	}
	// A word, and all is as reported.
	if err := b.Report(t.Context(), "ada", "north", route.Arrived, b.clock.Now(), "Ada Lind"); err != nil {
		t.Fatal(err)
	}
	if leg, ok := b.Day().Legs["ada"]; ok {
		t.Errorf("has reported, and is still taken for granted: %+v", leg)
	}
}

// Before the shift, and without having been told, nobody is taken to drive.
func TestNobodyIsTakenToDriveUntold(t *testing.T) {
	b := newDispatchBench(t)
	b.clock.Set(time.Date(2026, 7, 15, 7, 0, 0, 0, time.UTC)) // 03:00, three hours before
	b.alert("north", 9*time.Hour, alerts.High)
	b.replan(t)
	if len(b.Day().Legs) != 0 {
		t.Errorf("%+v", b.Day().Legs)
	}
}

// A machine that was handed over waits for somebody with the licence, in this shift
// and the next.
func TestHandedOverWaitsForAMechanic(t *testing.T) {
	b := newDispatchBench(t)
	r := *b.o.Roster
	eve := r.Techs[0]
	eve.ID, eve.Name, eve.Skills = "eve", "Eve Holm", []string{"refrigeration-mechanic"}
	r.Techs = append(slices.Clone(r.Techs), eve)
	if err := checkRoster(&r); err != nil {
		t.Fatal(err)
	}
	b.alert("north", 6*time.Hour, alerts.High)
	b.replan(t)
	v := visit.Visit{ID: "x", Machine: "cab-north", Alert: "A-north", Outcome: &visit.Outcome{Kind: visit.HandedOver, Fault: fault.RefrigerantLow, At: b.clock.Now()}}
	body, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []route.Step{route.Driving, route.Arrived} {
		if err := b.Report(t.Context(), "ada", "north", step, b.clock.Now(), "Ada Lind"); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.ledger.PutVisit(t.Context(), ledger.Visit{ID: "x", Machine: "cab-north", Alert: "A-north", At: b.clock.Now(), Closed: true, Body: body}, "Ada", ""); err != nil {
		t.Fatal(err)
	}
	if err := b.Report(t.Context(), "ada", "north", route.Done, b.clock.Now(), "Ada Lind"); err != nil {
		t.Fatal(err)
	}
	if got := b.replan(t); len(got) != 0 {
		t.Fatalf("Ada has no licence, and is sent to %v", got)
	}
	if out := b.Day().LeftOut; len(out) != 1 || !strings.Contains(out[0].Reason, "licence") {
		t.Fatalf("%+v", out)
	}
	b.o.Roster = &r
	b.restart(t)
	b.replan(t)
	eves, ok := b.Day().Route("eve")
	if !ok || len(eves.Visits) != 1 || eves.Visits[0].Stop.ID != "north" {
		t.Fatalf("%+v", eves)
	}
}
