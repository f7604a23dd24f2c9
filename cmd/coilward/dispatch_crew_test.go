package main

import (
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/detect/fault"
)

// What is edited on the board is kept with who and when, counts at the next plan and
// after a restart, stands before the configuration, and two who edit at once do not
// overwrite one another.
func TestCrewIsEditedAndKept(t *testing.T) {
	b := newDispatchBench(t)
	b.alert("north", 6*time.Hour, alerts.High)
	sheet := b.Crew()
	if len(sheet.Techs) != 1 || sheet.TechsSaved.Version != 0 {
		t.Fatalf("%+v", sheet)
	}
	eve := sheet.Techs[0]
	eve.ID, eve.Name, eve.Start = "eve", "Eve Holm", route.Coordinates{Latitude: 40.29, Longitude: -80}
	if err := b.SaveTechs(t.Context(), append(sheet.Techs, eve), 0, "Ana", "Eve starts today"); err != nil {
		t.Fatal(err)
	}
	b.replan(t)
	if r, ok := b.Day().Route("eve"); !ok || len(r.Visits) != 1 {
		t.Fatalf("the next plan does not use her: %+v", r)
	}
	if err := b.SaveTechs(t.Context(), sheet.Techs, 0, "Cy", ""); err == nil || !strings.Contains(err.Error(), "saved meanwhile") {
		t.Errorf("overwritten: %v", err)
	}
	bad := eve
	bad.Contacts = []route.Reach{{Channel: "smoke", To: "hill"}}
	if err := b.SaveTechs(t.Context(), []route.Member{bad}, 1, "Cy", ""); err == nil || !strings.Contains(err.Error(), `"smoke"`) {
		t.Errorf("saved a contact that reaches nobody: %v", err)
	}
	parts, err := b.Crew().Parts.With(fault.CondenserBlocked, route.Row{Service: "3h", Tools: []string{"long brush"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.SaveParts(t.Context(), parts, 0, "Ana", "long brush"); err != nil {
		t.Fatal(err)
	}
	b.restart(t)
	b.replan(t)
	if got := b.Crew(); len(got.Techs) != 2 || got.TechsSaved.Who != "Ana" || got.TechsSaved.Version != 1 || got.PartsSaved.Why != "long brush" {
		t.Fatalf("after a restart: %+v", got)
	}
	r, _ := b.Day().Route("eve")
	if len(r.Visits) != 1 || r.Visits[0].Leave.Sub(r.Visits[0].Begin) != 3*time.Hour {
		t.Errorf("the table's time does not count: %+v", r.Visits)
	}
	if audit, err := b.ledger.Audit(t.Context(), 50); err != nil || !strings.Contains(strings.Join(whats(audit), " "), "saved route techs") {
		t.Errorf("no trace in the audit: %v %v", audit, err)
	}
}

func whats(list []ledger.Entry) []string {
	var out []string
	for _, e := range list {
		out = append(out, e.What)
	}
	return out
}

// Parts that were used are taken out of the van, so that the next load is right.
func TestVanStockIsUsedUp(t *testing.T) {
	b := newDispatchBench(t)
	sheet := b.Crew()
	sheet.Techs[0].Van = map[string]int{"fuse": 3}
	if err := b.SaveTechs(t.Context(), sheet.Techs, 0, "Ana", ""); err != nil {
		t.Fatal(err)
	}
	d := &daemon{dispatch: b.dispatcher}
	v := visit.Visit{Machine: "cab-north", Tech: "ada", Outcome: &visit.Outcome{Kind: visit.Repaired, Parts: map[string]int{"fuse": 1, "gasket": 2}}}
	if err := d.visited(t.Context(), &v); err != nil {
		t.Fatal(err)
	}
	got := b.Crew()
	if got.Techs[0].Van["fuse"] != 2 || got.TechsSaved.Version != 2 || got.TechsSaved.Who != "Ada Lind" || !strings.Contains(got.TechsSaved.Why, "cab-north") {
		t.Errorf("%+v", got)
	}
	v.Outcome.Parts = map[string]int{"gasket": 1}
	if err := d.visited(t.Context(), &v); err != nil || b.Crew().TechsSaved.Version != 2 {
		t.Errorf("a version for nothing: %v", err)
	}
}

// Trouble that came up while the tech was there, and was seen to, is not driven to
// again.
func TestNewTroubleAtTheStopIsDoneWithIt(t *testing.T) {
	b := newDispatchBench(t)
	b.alert("north", 6*time.Hour, alerts.High)
	b.replan(t)
	for _, step := range []route.Step{route.Driving, route.Arrived} {
		if err := b.Report(t.Context(), "ada", "north", step, b.clock.Now(), "Ada Lind"); err != nil {
			t.Fatal(err)
		}
	}
	b.alert("north", 5*time.Hour, alerts.High)
	b.open[1].ID = "A-second"
	if got := b.replan(t); len(got) != 1 {
		t.Fatalf("new trouble where she is: planned %v", got)
	}
	d := &daemon{dispatch: b.dispatcher}
	v := visit.Visit{Machine: "cab-north", Site: "north", Alert: "A-second", Tech: "ada", By: "Ada Lind", Outcome: &visit.Outcome{Kind: visit.NothingFound}}
	if err := d.visited(t.Context(), &v); err != nil {
		t.Fatal(err)
	}
	if err := b.Report(t.Context(), "ada", "north", route.Done, b.clock.Now(), "Ada Lind"); err != nil {
		t.Fatal(err)
	}
	if got := b.replan(t); len(got) != 0 {
		t.Errorf("seen to, and planned again: %v", got)
	}
}

// Somebody whose work outlasts the shift, or who is not counted on until it ends, takes
// no more stops; the others are planned all the same.
func TestWorkPastTheShiftKeepsTheOthersPlanned(t *testing.T) {
	b := newDispatchBench(t)
	sheet := b.Crew()
	eve := sheet.Techs[0]
	eve.ID, eve.Name, eve.Shift = "eve", "Eve Holm", map[string]string{"mon-fri": "12:00-21:00"}
	if err := b.SaveTechs(t.Context(), append(sheet.Techs, eve), 0, "Ana", ""); err != nil {
		t.Fatal(err)
	}
	b.pass(8*time.Hour + 50*time.Minute) // ten minutes before Ada's shift ends
	b.alert("north", 6*time.Hour, alerts.High)
	if err := b.plan(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, step := range []route.Step{route.Driving, route.Arrived} {
		if err := b.Report(t.Context(), "ada", "north", step, b.clock.Now(), "Ada"); err != nil {
			t.Fatalf("%s: %v", step, err)
		}
	}
	b.alert("south", 6*time.Hour, alerts.High)
	if err := b.plan(t.Context()); err != nil {
		t.Fatal(err)
	}
	if r, ok := b.Day().Route("eve"); !ok || len(r.Visits) != 1 || r.Visits[0].Stop.ID != "south" {
		t.Errorf("Eve's route: %+v", r)
	}
	if err := b.Report(t.Context(), "ada", "north", route.Done, b.clock.Now(), "Ada"); err != nil {
		t.Errorf("done: %v", err)
	}
}

// The board says who is coming, who is there, and who was: a machine that somebody
// works at is not one that nobody is on the way to.
func TestBoardSaysWhoIsThere(t *testing.T) {
	b := newDispatchBench(t)
	b.alert("north", 6*time.Hour, alerts.High)
	b.replan(t)
	coming, ok := b.Arrival("cab-north", "A-north")
	if !ok || coming.Who != "Ada Lind" || coming.There || coming.Left || !coming.At.After(b.clock.Now()) {
		t.Fatalf("planned: %+v %v", coming, ok)
	}
	report := func(step route.Step) {
		t.Helper()
		if err := b.Report(t.Context(), "ada", "north", step, b.clock.Now(), "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	report(route.Driving)
	b.pass(time.Hour)
	report(route.Arrived)
	came := b.clock.Now()
	b.pass(30 * time.Minute)
	if a, ok := b.Arrival("cab-north", "A-north"); !ok || !a.There || !a.At.Equal(came) || a.Who != "Ada Lind" {
		t.Errorf("at work: %+v %v", a, ok)
	}
	if a, ok := b.Arrival("cab-south", "A-south"); ok {
		t.Errorf("nobody drives to the other, and the board says %+v", a)
	}
	report(route.Done)
	done := b.clock.Now()
	b.pass(time.Hour)
	if a, ok := b.Arrival("cab-north", "A-north"); !ok || !a.Left || a.There || !a.At.Equal(done) {
		t.Errorf("afterwards: %+v %v", a, ok)
	}
	b.pass(24 * time.Hour)
	if a, ok := b.Arrival("cab-north", "A-north"); ok && a.Left {
		t.Errorf("a day later: %+v", a)
	}
}

// A machine that was repaired is not driven to while the models are waited for; one
// that asks for somebody again is, in the same shift too.
func TestRepairedInVainIsDrivenToAgain(t *testing.T) {
	b := newDispatchBench(t)
	b.alert("north", 6*time.Hour, alerts.High)
	b.replan(t)
	for _, step := range []route.Step{route.Driving, route.Arrived, route.Done} {
		if err := b.Report(t.Context(), "ada", "north", step, b.clock.Now(), "Ada Lind"); err != nil {
			t.Fatal(err)
		}
		b.pass(10 * time.Minute)
	}
	a := &b.open[0]
	a.State, a.WatchedUntil = alerts.Acknowledged, collector.MillisOf(b.clock.Now().Add(time.Hour))
	if got := b.replan(t); len(got) != 0 {
		t.Errorf("repaired, and planned again: %v", got)
	}
	b.pass(time.Hour)
	a.State, a.WatchedUntil, a.MovedAt = alerts.Unacknowledged, 0, collector.MillisOf(b.clock.Now())
	if got := b.replan(t); len(got) != 1 {
		t.Errorf("repaired in vain: planned %v", got)
	}
}
